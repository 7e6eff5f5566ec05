r"""Which cutter makes the openings, and does a larger one go first where that saves time?

One cutter that reaches all corners is slow on long outlines. Where a larger one may enter, it can run the
outlines first and leave to the small one what its round does not reach: corners and necks::

      ___________
     |/         \|      the small one runs the same lines as if it were alone, but only where it
     |  large    |      touches what the large one leaves
     |\_________/|
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import shapely
from shapely import LineString, MultiLineString

from engine.errors import CannotBeDone
from engine.flatten import FlatRegion
from engine.offset import Offset, offset_flat
from engine.records import Cutter, CutterForm, Finding, Floats, Machine, Region, Rules, Severity, Wall

# of the openings' area that a larger cutter may leave in corners before a smaller one is taken
_LOST_SHARE = 0.03
_WORTH = 0.9  # two cutters must be this much quicker than one, a change included
_OVERLAP_MM = 0.5  # by which the small cutter runs on into what the large one has cut
_LEFT_MM = 0.05  # a corner no deeper than this is as good as cut


@dataclass(frozen=True, slots=True, eq=False)
class Turn:
    """What one cutter does: its lines in each opening, None where it has nothing to do."""

    cutter: int
    offsets: tuple[Offset | None, ...]
    rests: tuple[tuple[tuple[Floats, bool], ...], ...]
    """For each opening sheet lines (n, 2) [mm], closed or not, that finish what the turn before left."""


def turns_of(
    openings: Sequence[Region],
    laid: Sequence[FlatRegion],
    cutters: Sequence[Cutter],
    wall: Wall,
    machine: Machine,
    rules: Rules,
) -> tuple[Turn, ...]:
    """Return the turns in which cutters make the openings: one, or a large one before a small one.

    Taken is the largest flat cutter that reaches through the wall and loses little in the corners; a larger
    one goes before it where both together are quicker, the change of cutter included.

    Parameters
    ----------
    openings, laid
        The openings, and the same laid flat.
    cutters : sequence of Cutter
        The cutters at hand.
    wall : Wall
        The wall's thickness, for the reach.
    machine : Machine
        How long a change of cutter takes.
    rules : Rules
        Reach, spacing and limits.

    Raises
    ------
    CannotBeDone
        When no cutter reaches through the wall, or none enters an opening.
    """
    need = float(wall.thickness_mm.max()) + rules.overshoot_mm + rules.reach_spare_mm
    flat = [i for i, c in enumerate(cutters) if c.form is CutterForm.FLAT]
    able = [i for i in flat if min(cutters[i].flute_length_mm, cutters[i].stick_out_mm) >= need]
    if not able:
        raise CannotBeDone(*_no_reach([cutters[i] for i in flat], need))
    area = sum(region.polygon.area for region in openings)
    tried: dict[int, list[Offset]] = {}
    scores: dict[int, float] = {}
    for i in sorted(able, key=lambda i: -cutters[i].diameter_mm):
        tried[i] = offsets = [
            offset_flat(flat, cutters[i].radius_mm, rules.point_spacing_mm, rules.chord_tolerance_mm)
            for flat in laid
        ]
        missed = sum(not (o.contours or o.centre_lines) for o in offsets)
        lost = sum(o.lost_mm2 for o in offsets) / area
        spoilt = max(o.overcut_mm for o in offsets) > rules.outline_tolerance_mm
        scores[i] = missed * 10 + spoilt * 5 + lost
        if not missed and not spoilt and lost <= _LOST_SHARE:
            break
    index = min(scores, key=lambda i: (scores[i], -cutters[i].diameter_mm))
    offsets = tried[index]
    shut = [r for r, o in zip(openings, offsets, strict=True) if not (o.contours or o.centre_lines)]
    if shut:
        raise CannotBeDone(*_does_not_enter(shut, cutters[index]))
    alone = Turn(index, tuple(offsets), ((),) * len(offsets))
    depth = float(wall.thickness_mm.max()) + rules.overshoot_mm
    best: tuple[Turn, ...] = (alone,)
    quickest = _WORTH * _minutes(alone, laid, cutters, depth)
    for i, larger in tried.items():
        if cutters[i].diameter_mm <= cutters[index].diameter_mm:
            continue
        pair = _in_turn(i, larger, alone, laid, cutters, rules)
        took = sum(_minutes(one, laid, cutters, depth) for one in pair) + machine.change_cutter_s / 60
        if len(pair) == 2 and took < quickest:
            best, quickest = pair, took
    return best


def _minutes(turn: Turn, laid: Sequence[FlatRegion], cutters: Sequence[Cutter], depth_mm: float) -> float:
    """Return about how long a turn's lines take to cut [min]."""
    cutter = cutters[turn.cutter]
    lines = [
        (flat, line, closed)
        for flat, offset, rest in zip(laid, turn.offsets, turn.rests, strict=True)
        for line, closed in (
            *(((one, True) for one in offset.contours) if offset else ()),
            *(((one, False) for one in offset.centre_lines) if offset else ()),
            *rest,
        )
    ]
    way = sum(_length_mm(flat.to_plane(line), closed) for flat, line, closed in lines)
    return way * float(np.ceil(depth_mm / cutter.step_down_mm)) / cutter.feed_mm_per_min


def _length_mm(line: Floats, closed: bool) -> float:
    whole = np.concatenate([line, line[:1]]) if closed else line
    return float(np.linalg.norm(np.diff(whole, axis=0), axis=1).sum())


def _in_turn(
    large: int,
    larger: Sequence[Offset],
    alone: Turn,
    laid: Sequence[FlatRegion],
    cutters: Sequence[Cutter],
    rules: Rules,
) -> tuple[Turn, ...]:
    """Return the turns of a larger cutter, outlines only, and of the small one for the rest."""
    first: list[Offset | None] = []
    second: list[Offset | None] = []
    rests: list[tuple[tuple[Floats, bool], ...]] = []
    for flat, wide, fine in zip(laid, larger, alone.offsets, strict=True):
        assert fine is not None
        if not wide.contours:
            first.append(None)
            second.append(fine)
            rests.append(())
            continue
        first.append(replace(wide, centre_lines=(), overcut_mm=0.0))
        second.append(None)
        rests.append(_rest(flat, fine, cutters[large].radius_mm, cutters[alone.cutter].radius_mm, rules))
    begun = Turn(large, tuple(first), ((),) * len(first))
    return (begun, Turn(alone.cutter, tuple(second), tuple(rests))) if any(first) else (alone,)


def _rest(
    flat: FlatRegion, fine: Offset, large_mm: float, small_mm: float, rules: Rules
) -> tuple[tuple[Floats, bool], ...]:
    """Return those parts of the small cutter's lines where it touches what the large one leaves."""
    region = flat.polygon
    left = region.difference(region.buffer(-large_mm, quad_segs=32).buffer(large_mm + _LEFT_MM, quad_segs=32))
    if left.is_empty:
        return ()
    zone = left.buffer(small_mm + _OVERLAP_MM)
    found: list[tuple[Floats, bool]] = []
    for sheet, closed in (*((c, True) for c in fine.contours), *((c, False) for c in fine.centre_lines)):
        line = flat.to_plane(sheet)
        whole = LineString(np.concatenate([line, line[:1]]) if closed else line)
        if closed and zone.covers(whole):
            found.append((sheet, True))
            continue
        for part in _parts(whole.intersection(zone)):
            if part.length > rules.chord_tolerance_mm:
                places = shapely.get_coordinates(part.segmentize(rules.point_spacing_mm))
                found.append((flat.to_sheet(places), False))
    return tuple(found)


def _parts(shape: shapely.Geometry) -> list[LineString]:
    """Return the lines of a geometry, joined where they meet."""
    lines = [one for one in shapely.get_parts(shape) if isinstance(one, LineString)]
    if len(lines) < 2:
        return lines
    merged = shapely.line_merge(MultiLineString(lines))
    return [one for one in shapely.get_parts(merged) if isinstance(one, LineString)]


def _no_reach(flat: Sequence[Cutter], need_mm: float) -> tuple[str, tuple[Finding, ...]]:
    longest = max((min(c.flute_length_mm, c.stick_out_mm) for c in flat), default=0.0)
    text = (
        f"no flat cutter reaches through the wall: {need_mm:.1f} mm of flute needed, "
        f"the longest has {longest:.1f} mm"
    )
    finding = Finding(
        Severity.REFUSE,
        "cutter reach",
        text,
        "thin the wall further or fit a longer cutter",
        measured=longest,
        allowed=need_mm,
        unit="mm",
    )
    return text, (finding,)


def _does_not_enter(regions: Sequence[Region], cutter: Cutter) -> tuple[str, tuple[Finding, ...]]:
    findings = tuple(
        Finding(
            Severity.REFUSE,
            "slot width",
            f"cutter {cutter.name} does not enter {region.name}",
            "take a smaller cutter, or draw it wider",
            place=region.name,
            allowed=cutter.diameter_mm,
            unit="mm",
        )
        for region in regions
    )
    return findings[0].text, findings
