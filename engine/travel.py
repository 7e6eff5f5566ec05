r"""How does the cutter get from pass to pass? Retract along its axis, travel on the clearance shell, plunge.

The shell is a sphere about the mapping centre outside the farthest skin::

        home o------.                    travel (G0) on or outside the shell only,
                     \  shell            apart from the straight retract
             S1 .-----'----. S2
               |            |            S1 -> skin: feed, plunge feed for the last bit
        =======|== skin ====|=======
               '-- pass ----'

An axis whose cable winds goes the way the order says: the short one, or round the piece the other way, on the
shell, so that it unwinds.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from engine.axes import from_axes
from engine.errors import CannotBeDone
from engine.frames import normalised
from engine.order.poses import metric_of
from engine.records import (
    CutPass,
    Cutter,
    Finding,
    Floats,
    Ints,
    Machine,
    Order,
    Phase,
    Rules,
    Severity,
    Surface,
    Toolpath,
)

_STEP_RAD = np.radians(3.0)  # between way points on the shell
_CHORD = float(1 / np.cos(_STEP_RAD / 2))  # so that chords between way points stay outside the shell


def shell_radius_mm(surface: Surface, rules: Rules) -> float:
    """Return the radius of the sphere on which the cutter's tip travels [mm]."""
    return (float(surface.radius_mm.max()) + rules.clearance_mm) * _CHORD


def onto_shell(tips: Floats, directions: Floats, radius_mm: float) -> Floats:
    """Return where lines from tips (n, 3) along directions (n, 3) leave the sphere of given radius [mm]."""
    along = np.sum(tips * directions, axis=-1)
    reach = np.sqrt(np.maximum(along**2 - np.sum(tips**2, axis=-1) + radius_mm**2, 0.0)) - along
    found: Floats = tips + np.maximum(reach, 0.0)[..., None] * directions
    return found


def link(
    passes: Sequence[CutPass],
    order: Order,
    surface: Surface,
    machine: Machine,
    cutters: Sequence[Cutter],
    rules: Rules,
) -> Toolpath:
    """Return every move of a job, from home through all passes in their order and home again.

    Parameters
    ----------
    passes, order
        The passes and their order, entries and senses.
    surface : Surface
        The fitted skin; gives the clearance shell.
    machine : Machine
        Gives home.
    cutters : sequence of Cutter
        Plunge feeds and whether a cutter may plunge.
    rules : Rules
        Clearance and approach.

    Raises
    ------
    CannotBeDone
        When home lies inside the clearance shell.
    """
    shell = shell_radius_mm(surface, rules)
    home_tip, home_direction = _home(machine, surface, shell)
    rows = _Rows(home_tip, home_direction, passes[int(order.sequence[0])].cutter)
    cable = _Cable(machine, order)
    cutter = -1
    for at, (index, entry, backwards) in enumerate(
        zip(order.sequence, order.entries, order.reversed, strict=True)
    ):
        one = passes[index]
        if one.cutter != cutter and cutter >= 0:
            rows.home(shell, cable.turn_home())
        cutter = one.cutter
        rows.cutter = cutter
        turn = cable.turn_to(at)
        _run_pass(rows, one, int(index), int(entry), bool(backwards), cutters[cutter], shell, rules, turn)
    rows.home(shell, cable.turn_home())
    return rows.toolpath()


def _home(machine: Machine, surface: Surface, shell_mm: float) -> tuple[Floats, Floats]:
    tips, directions = from_axes(machine, np.array([machine.home], float))
    tip = tips[0] - surface.origin_seat_mm
    away = float(np.linalg.norm(tip))
    if away < shell_mm:
        text = (
            f"{machine.name}: at home the cutter stands {away:.0f} mm from the piece's middle, "
            f"inside the clearance shell of {shell_mm:.0f} mm"
        )
        raise CannotBeDone(
            text,
            (
                Finding(
                    Severity.REFUSE,
                    "home position",
                    text,
                    "take a smaller piece, or another machine",
                    measured=away,
                    allowed=shell_mm,
                    unit="mm",
                ),
            ),
        )
    return tip, directions[0]


@dataclass(frozen=True, slots=True)
class _Turn:
    """By how much a travel turns round an axis of the piece, seen from the piece."""

    axis: Floats  # (3,) unit
    by_deg: float


class _Cable:
    """Follows the axis whose cable winds; says for each travel by how much it must turn."""

    def __init__(self, machine: Machine, order: Order) -> None:
        winding = metric_of(machine).winding if len(order.wound_deg) else ()
        self.wound_deg = order.wound_deg if winding else None
        if winding:
            axis = machine.axes[winding[0]]
            self.axis = normalised(np.asarray(axis.direction, float))
            self.sign = -1.0 if axis.moves == "work" else 1.0
            self.home_deg = self.now_deg = float(machine.home[winding[0]])

    def turn_to(self, at: int) -> _Turn | None:
        if self.wound_deg is None:
            return None
        entry, leave = self.wound_deg[at]
        turn = _Turn(self.axis, self.sign * (float(entry) - self.now_deg))
        self.now_deg = float(leave)
        return turn

    def turn_home(self) -> _Turn | None:
        if self.wound_deg is None:
            return None
        turn = _Turn(self.axis, self.sign * (self.home_deg - self.now_deg))
        self.now_deg = self.home_deg
        return turn


class _Rows:
    """Collects moves; knows where the cutter stands."""

    def __init__(self, home_tip: Floats, home_direction: Floats, cutter: int) -> None:
        self.home_tip, self.home_direction = home_tip, home_direction
        self.tips: list[Floats] = [home_tip[None]]
        self.directions: list[Floats] = [home_direction[None]]
        self.feeds: list[Floats] = [np.array([np.inf])]
        self.passes: list[Floats] = [np.array([-1.0])]
        self.cutter = cutter
        self._counts: list[int] = [1]
        self._cutter_of: list[int] = [cutter]

    def add(self, tips: Floats, directions: Floats, feed: Floats | float, index: int) -> None:
        n = len(tips)
        self.tips.append(tips)
        self.directions.append(np.broadcast_to(directions, tips.shape))
        self.feeds.append(np.broadcast_to(np.asarray(feed, float), (n,)))
        self.passes.append(np.full(n, float(index)))
        self._counts.append(n)
        self._cutter_of.append(self.cutter)

    def travel(self, tip: Floats, direction: Floats, shell_mm: float, turn: _Turn | None = None) -> None:
        """Go along the shell to a point on it; the first and last move join points outside it.

        The way is a great circle; with a turn it goes evenly round the turn's axis, on the side it asks for.
        """
        start, lean = self.tips[-1][-1], self.directions[-1][-1]
        first = start / np.linalg.norm(start) * shell_mm
        last = tip / np.linalg.norm(tip) * shell_mm
        if turn is None:
            way = _great_circle(first, last)
            lean_way = _slerp(lean, direction, len(way))
        else:
            whole = _whole_turns(first, last, turn)
            way, lean_way = _way_round(first, last, lean, direction, turn.axis, whole)
        if np.linalg.norm(start - first) < 1e-6:
            way, lean_way = way[1:], lean_way[1:]
        if len(way) and np.linalg.norm(tip - way[-1]) < 1e-6:
            way, lean_way = way[:-1], lean_way[:-1]
        if len(way):
            self.add(way, lean_way, np.inf, -1)
        self.add(tip[None], direction[None], np.inf, -1)

    def home(self, shell_mm: float, turn: _Turn | None = None) -> None:
        self.travel(self.home_tip, self.home_direction, shell_mm, turn)

    def toolpath(self) -> Toolpath:
        return Toolpath(
            tips_work_mm=np.concatenate(self.tips),
            directions=normalised(np.concatenate(self.directions)),
            feeds_mm_per_min=np.concatenate(self.feeds),
            pass_index=np.concatenate(self.passes).astype(np.int64),
            cutter=np.repeat(self._cutter_of, self._counts),
        )


def _great_circle(start: Floats, end: Floats) -> Floats:
    """Return way points (n, 3) from start to end on their sphere, both included."""
    radius = np.linalg.norm(start)
    angle = np.arccos(np.clip(start @ end / radius**2, -1.0, 1.0))
    return radius * _slerp(start / radius, end / radius, max(2, int(np.ceil(angle / _STEP_RAD)) + 1))


def _azimuth_deg(point: Floats, axis: Floats) -> tuple[float, float]:
    """Return azimuth about an axis, counter-clockwise, and latitude over the plane across it [deg]."""
    (across, side), along = _sides(axis), float(point @ axis)
    x, y = float(point @ across), float(point @ side)
    return float(np.degrees(np.arctan2(y, x))), float(np.degrees(np.arctan2(along, np.hypot(x, y))))


def _sides(axis: Floats) -> tuple[Floats, Floats]:
    """Return unit vectors at azimuth 0 and 90 deg about an axis."""
    side = normalised(np.cross(axis, [1.0, 0.0, 0.0] if abs(axis[0]) < 0.9 else [0.0, 1.0, 0.0]))
    return np.cross(side, axis), side


def _whole_turns(start: Floats, end: Floats, turn: _Turn) -> int:
    """Return by how many whole turns the turn asked for differs from the shortest way."""
    short = _azimuth_deg(end, turn.axis)[0] - _azimuth_deg(start, turn.axis)[0]
    short = (short + 180.0) % 360.0 - 180.0
    return round((turn.by_deg - short) / 360.0)


def _way_round(
    start: Floats, end: Floats, lean: Floats, direction: Floats, axis: Floats, whole: int
) -> tuple[Floats, Floats]:
    """Return way points on the sphere, and directions, that go whole turns farther round an axis."""
    (azimuth, latitude), (azimuth_end, latitude_end) = _azimuth_deg(start, axis), _azimuth_deg(end, axis)
    by = (azimuth_end - azimuth + 180.0) % 360.0 - 180.0 + 360.0 * whole
    count = int(np.ceil(np.hypot(by, latitude_end - latitude) / np.degrees(_STEP_RAD))) + 1
    share = np.linspace(0.0, 1.0, count)
    turned = np.radians(share * by)
    # at the start's azimuth the way is a meridian, and the lean changes as if nothing turned
    outward = _turned(_sides(axis)[0], axis, np.radians([azimuth]))[0]
    rise = np.radians(latitude + share * (latitude_end - latitude))
    meridian = np.linalg.norm(start) * (np.cos(rise)[:, None] * outward + np.sin(rise)[:, None] * axis)
    leans = _slerp(lean, _turned(direction, axis, np.radians([-by]))[0], count)
    return _turned(meridian, axis, turned), _turned(leans, axis, turned)


def _turned(vectors: Floats, axis: Floats, angles_rad: Floats) -> Floats:
    """Return vectors turned about an axis, each by its own angle (Rodrigues)."""
    rows = np.broadcast_to(vectors, (len(angles_rad), 3))
    cosine, sine = np.cos(angles_rad)[:, None], np.sin(angles_rad)[:, None]
    along = (rows @ axis)[:, None] * axis
    found: Floats = along + (rows - along) * cosine + np.cross(axis, rows) * sine
    return found


def _slerp(start: Floats, end: Floats, count: int) -> Floats:
    """Return unit vectors (count, 3) turning evenly from start to end, both included."""
    cosine = float(np.clip(start @ end, -1.0, 1.0))
    if cosine < -0.9999:  # opposite: any way round; take the one through a fixed direction
        aside = normalised(np.cross(start, [0.0, 0.0, 1.0] if abs(start[2]) < 0.9 else [1.0, 0.0, 0.0]))
        half = (count + 1) // 2
        return np.concatenate([_slerp(start, aside, half + 1)[:-1], _slerp(aside, end, count - half)])
    share = np.linspace(0.0, 1.0, count)[:, None]
    angle = np.arccos(cosine)
    if angle < 1e-9:
        return np.repeat(end[None], count, axis=0)
    found: Floats = (np.sin((1 - share) * angle) * start + np.sin(share * angle) * end) / np.sin(angle)
    return normalised(found)


def _run_pass(
    rows: _Rows,
    one: CutPass,
    index: int,
    entry: int,
    backwards: bool,
    cutter: Cutter,
    shell_mm: float,
    rules: Rules,
    turn: _Turn | None = None,
) -> None:
    """Add one pass: along the shell, down, round every level, and straight back to the shell."""
    way = _vertices(one, entry, backwards)
    tips, directions = one.tips_work_mm[:, way], one.directions[way]
    start = onto_shell(tips[0, 0], directions[0], shell_mm)
    rows.travel(start, directions[0], shell_mm, turn)
    above = one.skin_work_mm[way[0]] + rules.approach_mm * directions[0]
    rows.add(above[None], directions[:1], cutter.feed_mm_per_min, index)
    before = one.skin_work_mm[way]
    ramped = not cutter.centre_cutting and len(way) > 1
    for number, feed in enumerate(one.feeds_mm_per_min):
        level, lean = tips[number], directions
        if not one.closed and not ramped and number % 2 == 1:  # an open pass goes to and fro
            level, lean = level[::-1], lean[::-1]
        if ramped:
            _sink(rows, before, level, lean, cutter, index)
            if not one.closed:  # down on the way there, the level on the way back
                level, lean = level[::-1], lean[::-1]
        else:
            rows.add(level[:1], lean[:1], cutter.plunge_mm_per_min, index)
        rows.add(level[1:], lean[1:], _slower_downwards(level, lean, feed, cutter, one.phase), index)
        before = level if one.closed else level[::-1]
    last = rows.tips[-1][-1]
    last_lean = rows.directions[-1][-1]
    rows.add(onto_shell(last, last_lean, shell_mm)[None], last_lean[None], np.inf, -1)


def _sink(rows: _Rows, before: Floats, level: Floats, lean: Floats, cutter: Cutter, index: int) -> None:
    """Sink from one level to the next along the way, for a cutter that must not plunge."""
    share = np.linspace(0.0, 1.0, len(level))[:, None]
    rows.add(before + (level - before) * share, lean, cutter.plunge_mm_per_min, index)


def _slower_downwards(level: Floats, lean: Floats, feed: float, cutter: Cutter, phase: Phase) -> Floats:
    """Return the feed of each move along a level; beside a tab it goes down more than along: a plunge."""
    step = np.diff(level, axis=0)
    down = -np.sum(step * lean[1:], axis=1)
    along = np.linalg.norm(step + down[:, None] * lean[1:], axis=1)
    steep = (down > along) & (phase is Phase.OPENING)
    return np.where(steep, min(feed, cutter.plunge_mm_per_min), feed)


def _vertices(one: CutPass, entry: int, backwards: bool) -> Ints:
    """Return the indices of a pass's vertices in the order they are cut; a closed one ends where it began."""
    n = len(one.skin_work_mm)
    if one.closed:
        step = -1 if backwards else 1
        return (entry + step * np.arange(n + 1)) % n
    return np.arange(n)[::-1] if backwards else np.arange(n)
