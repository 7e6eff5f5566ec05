"""Which workpiece gets which design? One assignment over the whole day, with the reasons in words.

Every pair of a lantern that is wanted and a piece in store is judged by what the trade looks at: size,
distortion, ribs against relief, wall, blemishes, age. What cannot be is left out, what is merely worse costs
points; then all lanterns are given pieces at once so that the points are fewest (Kuhn 1955, Nav. Res. Logist.
Q. 2:83-97, through scipy). What a person has chosen is taken as it is.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

FORBIDDEN = 1e9
LEFT_OUT = 1e6
"""An urgent lantern without a piece costs this many points for each step of priority."""


@dataclass(frozen=True, slots=True)
class ChoiceRules:
    """What counts how much; points are common practice and meant to be changed by a venue."""

    sizes_mm: Mapping[str, tuple[float, float]] = field(
        default_factory=lambda: {
            "root": (90.0, 160.0),
            "gourd": (120.0, 220.0),
            "medium": (235.0, 269.0),
            "large": (269.0, 300.0),
            "XL": (300.0, 337.0),
            "jumbo": (337.0, 380.0),
        }
    )
    """Across the waist, by size class (HortScience 58(12):1587-1594 for squash; the rest common practice)."""
    size_slack_mm: float = 12.0
    """So far outside its class a piece may be, for points."""
    widest: float = 1.05
    """A design may take such a share of the half turn that one sees [-]; above it does not fit."""
    distortion: float = 0.75
    """Share of the half turn above which a picture reads badly from the side [-]."""
    relief_rib_mm: float = 6.0
    """Ribs higher than this bear no relief."""
    wall_mm: Mapping[str, tuple[float, float]] = field(
        default_factory=lambda: {"through": (16.0, 40.0), "relief": (14.0, 40.0)}
    )
    blemish_gap_mm: float = 8.0
    """Kept between a blemish and the picture."""
    points_size_mm: float = 0.5
    points_distortion: float = 40.0
    points_rib_mm: float = 2.0
    points_wall_mm: float = 0.5
    points_turned_deg: float = 0.05
    points_young_day: float = 1.0
    points_next_design: float = 4.0
    """For every design of a station's choice that stands before the one taken."""


@dataclass(frozen=True, slots=True)
class Wish:
    """A lantern that is wanted: its design's size on the skin [mm], what it needs, what a person chose."""

    name: str
    kind: str
    size_class: str
    width_mm: float
    treatment: str = "through"
    priority: int = 1
    chosen: str | None = None
    design: str = ""
    others: tuple[Wish, ...] = ()
    """The same lantern with other designs that may hang there, the better ones first."""


@dataclass(frozen=True, slots=True)
class Blemish:
    """A place on the skin that no picture should cover: longitude of its middle [deg] and width [mm]."""

    longitude_deg: float
    width_mm: float


@dataclass(frozen=True, slots=True)
class Piece:
    """A sound workpiece in store."""

    number: str
    kind: str
    diameter_mm: float
    wall_mm: float
    ribs: int = 0
    rib_mm: float = 0.0
    age_days: float = 0.0
    blemishes: tuple[Blemish, ...] = ()


@dataclass(frozen=True, slots=True)
class Choice:
    """A piece for a lantern, the longitude of the picture's middle [deg], and why."""

    wish: str
    piece: str | None
    longitude_deg: float
    points: float
    reasons: tuple[str, ...]
    design: str = ""


@dataclass(slots=True)
class _Judged:
    points: float = 0.0
    longitude_deg: float = 0.0
    barred: str = ""
    reasons: list[str] = field(default_factory=list)
    design: str = ""


def choose_pieces(
    wishes: Sequence[Wish], pieces: Sequence[Piece], rules: ChoiceRules | None = None
) -> tuple[Choice, ...]:
    """Return a piece for every lantern of the day, as well as the store allows, in the order of the wishes.

    Parameters
    ----------
    wishes : sequence of Wish
        All lanterns of the day [-].
    pieces : sequence of Piece
        All sound pieces in store [-].
    rules : ChoiceRules, optional
        Limits and points [-].
    """
    from scipy.optimize import linear_sum_assignment

    rules = rules or ChoiceRules()
    by_person = {wish.chosen for wish in wishes if wish.chosen is not None}
    free = [piece for piece in pieces if piece.number not in by_person]
    asking = [wish for wish in wishes if wish.chosen is None]
    oldest = sorted(free, key=lambda piece: -piece.age_days)[:1]
    judged = [[_judge_best(wish, piece, rules, oldest) for piece in free] for wish in asking]
    # a column of its own lets a lantern stay without a piece, at a price that grows with its priority
    points = np.full((len(asking), len(free) + len(asking)), FORBIDDEN)
    for w, row in enumerate(judged):
        points[w, : len(free)] = [FORBIDDEN if j.barred else j.points for j in row]
        points[w, len(free) + w] = LEFT_OUT * max(1, asking[w].priority)
    found: dict[str, Choice] = {}
    rows, columns = linear_sum_assignment(points)
    for w, p in zip(rows.tolist(), columns.tolist(), strict=True):
        wish = asking[w]
        if p < len(free):
            one = judged[w][p]
            found[wish.name] = Choice(
                wish.name, free[p].number, one.longitude_deg, one.points, tuple(one.reasons), one.design
            )
        else:
            found[wish.name] = Choice(wish.name, None, 0.0, 0.0, _why_none(judged[w], len(free)), wish.design)
    there = {piece.number: piece for piece in pieces}
    for wish in wishes:
        if wish.chosen is not None:
            found[wish.name] = _by_person(wish, there.get(wish.chosen), rules)
    return tuple(found[wish.name] for wish in wishes)


def _by_person(wish: Wish, piece: Piece | None, rules: ChoiceRules) -> Choice:
    """Return a person's choice as it is, with what speaks against it."""
    if piece is None:
        return Choice(
            wish.name,
            wish.chosen,
            0.0,
            0.0,
            ("chosen by a person; not among the pieces in store",),
            wish.design,
        )
    one = _judge_best(wish, piece, rules, [piece])
    against = (f"against it: {one.barred}",) if one.barred else tuple(one.reasons)
    reasons = ("chosen by a person", *against)
    return Choice(wish.name, piece.number, one.longitude_deg, one.points, reasons, one.design)


def _judge_best(wish: Wish, piece: Piece, rules: ChoiceRules, pieces: Sequence[Piece]) -> _Judged:
    """Return what speaks for a piece with the design of the choice that suits it best."""
    best: _Judged | None = None
    for place, one_design in enumerate((wish, *wish.others)):
        one = judge(one_design, piece, rules, pieces)
        one.design = one_design.design
        one.points += place * rules.points_next_design
        if place and not one.barred:
            one.reasons.append(f"{one.design} suits it better than {wish.design}")
        if best is None or (bool(one.barred), one.points) < (bool(best.barred), best.points):
            best = one
    assert best is not None
    return best


def _why_none(judged: Sequence[_Judged], count: int) -> tuple[str, ...]:
    """Say how many pieces were left out for which reason, the most frequent first."""
    if not count:
        return ("no piece in store",)
    said: dict[str, int] = {}
    for one in judged:
        reason = one.barred.split(":")[0] if one.barred else "given to another lantern"
        said[reason] = said.get(reason, 0) + 1
    ordered = sorted(said.items(), key=lambda entry: (-entry[1], entry[0]))
    return tuple(f"{number} of {count} pieces: {reason}" for reason, number in ordered)


def judge(wish: Wish, piece: Piece, rules: ChoiceRules, pieces: Sequence[Piece]) -> _Judged:
    """Return what speaks for and against a piece for a lantern.

    Parameters
    ----------
    wish : Wish
        The lantern [-].
    piece : Piece
        The workpiece [-].
    rules : ChoiceRules
        Limits and points [-].
    pieces : sequence of Piece
        All that could be chosen, to tell the oldest [-].
    """
    one = _Judged()
    for look in _LOOKS:
        if not one.barred:
            look(one, wish, piece, rules)
    if not one.barred:
        oldest = max(other.age_days for other in pieces)
        one.points += rules.points_young_day * (oldest - piece.age_days)
        one.reasons.append(
            f"{piece.age_days:g} d in store" + (", the oldest" if piece.age_days == oldest else "")
        )
    return one


def _kind(one: _Judged, wish: Wish, piece: Piece, rules: ChoiceRules) -> None:
    if piece.kind != wish.kind:
        one.barred = f"wrong kind: {piece.kind}, not {wish.kind}"


def _size(one: _Judged, wish: Wish, piece: Piece, rules: ChoiceRules) -> None:
    low, high = rules.sizes_mm[wish.size_class]
    off = max(low - piece.diameter_mm, piece.diameter_mm - high, 0.0)
    if off > rules.size_slack_mm:
        one.barred = (
            f"wrong size: {piece.diameter_mm:.0f} mm across, {wish.size_class} is {low:.0f} to {high:.0f} mm"
        )
    one.points += rules.points_size_mm * off
    one.reasons.append(
        f"{piece.diameter_mm:.0f} mm across" + (f", {off:.0f} mm off its class" if off else "")
    )


def _distortion(one: _Judged, wish: Wish, piece: Piece, rules: ChoiceRules) -> None:
    """Judge the width of a picture that is seen from one side; one that closes round has no width."""
    if wish.width_mm <= 0:
        return
    share = wish.width_mm / (np.pi * piece.diameter_mm / 2)
    if share > rules.widest:
        one.barred = f"too small for the picture: {wish.width_mm:.0f} mm are {share:.0%} of what one sees"
    over = max(0.0, share - rules.distortion)
    one.points += rules.points_distortion * over
    one.reasons.append(f"the picture takes {share:.0%} of what one sees")


def _ribs(one: _Judged, wish: Wish, piece: Piece, rules: ChoiceRules) -> None:
    if wish.treatment != "relief":
        return
    if piece.rib_mm > rules.relief_rib_mm:
        one.barred = f"ribs too high for a relief: {piece.rib_mm:g} mm, at most {rules.relief_rib_mm:g} mm"
    one.points += rules.points_rib_mm * piece.rib_mm
    one.reasons.append("smooth" if piece.rib_mm < 1 else f"ribs of {piece.rib_mm:g} mm")


def _wall(one: _Judged, wish: Wish, piece: Piece, rules: ChoiceRules) -> None:
    if wish.kind not in ("squash", "turnip"):
        return
    low, high = rules.wall_mm[wish.treatment]
    if piece.kind == "squash" and piece.wall_mm < low:
        one.barred = f"wall too thin: {piece.wall_mm:g} mm, at least {low:g} mm for {wish.treatment}"
    over = max(0.0, piece.wall_mm - low)
    one.points += rules.points_wall_mm * min(over, high - low) / 4
    one.reasons.append(f"wall {piece.wall_mm:g} mm")


def _blemishes(one: _Judged, wish: Wish, piece: Piece, rules: ChoiceRules) -> None:
    """Turn the picture the least way that clears all blemishes."""
    if not piece.blemishes:
        return
    per_mm = 360.0 / (np.pi * piece.diameter_mm)
    if wish.width_mm <= 0:
        one.barred = "blemished: the picture closes round it"
        return
    turns = np.arange(0.0, 181.0, 5.0)
    clear = np.ones((2, turns.size), dtype=bool)
    for blemish in piece.blemishes:
        need = per_mm * ((wish.width_mm + blemish.width_mm) / 2 + rules.blemish_gap_mm)
        for side, sign in enumerate((1.0, -1.0)):
            apart = np.abs((sign * turns - blemish.longitude_deg + 180.0) % 360.0 - 180.0)
            clear[side] &= apart >= need
    able = np.flatnonzero(clear.any(axis=0))
    if not able.size:
        one.barred = "blemished: no face clear of blemishes is wide enough"
        return
    turn = float(turns[able[0]])
    one.longitude_deg = turn if clear[0, able[0]] else -turn
    one.points += rules.points_turned_deg * turn
    one.reasons.append(
        f"turned {one.longitude_deg:g} deg away from blemishes"
        if turn
        else "blemishes lie away from the picture"
    )


_LOOKS: tuple[Callable[[_Judged, Wish, Piece, ChoiceRules], None], ...] = (
    _kind,
    _size,
    _distortion,
    _ribs,
    _wall,
    _blemishes,
)
