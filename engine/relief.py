"""Which runs of a ball cutter thin the wall to the wanted floor? Rows that never cut below it.

The walls of a relief run along the rays, so the cutter is held along them too, as far as the machine can: a
ball cuts the same however it is held. Where it leans off the ray its shank stands aslant over the floor near
it; there the centre is raised until the shank stands clear.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from engine.axes import cutter_directions
from engine.ball_bed import Bed, Shank, ball_centres, kernels, scallop_mm
from engine.errors import CannotBeDone
from engine.frames import normalised, unit_of
from engine.records import (
    Bools,
    Chart,
    CutPass,
    Cutter,
    CutterForm,
    Finding,
    Floats,
    Ints,
    Layers,
    Machine,
    Phase,
    Region,
    Rules,
    Severity,
    Surface,
    Treatment,
    Wall,
)
from engine.relief_floor import PIXEL_MM, ReliefFloor, wanted_floor
from engine.surface import radius_at

_LEFT_BY_ROUGH_MM = 0.3  # common practice
_CHORD_MM = 0.018  # rows are thinned to this
_LINK_MM = 8.0  # a row whose end is farther from the last one's starts a new pass
_LINK_LIFT_MM = 0.3  # beside the relief a link runs this far above the skin
_NO_CUT_MM = 0.01
_DIRECTION_STRIDE = 8  # places along a row from one at which the machine is asked how it leans to the next
_ROW_GAP = 0.25  # of the grid's step: nearer to a row none is put between
_GROOVE_MM = 0.1  # a groove that two neighbouring rows miss by more gets a row of its own
_STEEP_MM = 0.6  # centres farther apart than this get places between them, ...
_HALVINGS = 5  # ... down to 1/32 of the grid's step
_LEAST_WALL_MM = 3.0  # common practice, as in `engine.tone`


@dataclass(frozen=True, slots=True, eq=False)
class _Sweep:
    """One floor to be swept by one cutter."""

    name: str
    region: str
    phase: Phase
    cutter: int
    radius_mm: Floats  # (h, w) the ball comes no lower than this
    active: Bools  # (h, w) where it is needed
    number: int  # sweeps of one name follow each other
    centres_mm: Floats | None = None  # (h, w) how low the ball's centre comes at last
    done: Bools | None = None  # (h, w) where this sweep comes down to that


def relief_passes(
    layers: Layers,
    chart: Chart,
    surface: Surface,
    wall: Wall,
    cutters: Sequence[Cutter],
    machine: Machine,
    rules: Rules,
    pixel_mm: float = PIXEL_MM,
) -> tuple[tuple[CutPass, ...], ReliefFloor, tuple[Finding, ...]]:
    """Return the passes that thin relief and shaves, the wanted floor, and findings about it.

    The largest ball roughs and leaves 0.3 mm, the smallest finishes; one alone does both in steps.

    Parameters
    ----------
    layers, chart, surface, wall
        The design, where it lies, and the piece.
    cutters : sequence of Cutter
        The cutters at hand; ball ends are used.
    machine : Machine
        Decides how the cutter leans.
    rules : Rules
        Walls that must remain, the lot's light, depth of shaves.
    pixel_mm : float
        Step of the floor's grid; a coarse one will do for an estimate of time [mm].

    Raises
    ------
    CannotBeDone
        When there is no ball cutter that reaches the floor.
    """
    balls = [i for i, c in enumerate(cutters) if c.form is CutterForm.BALL]
    margin = 1.0 + max((cutters[i].radius_mm for i in balls), default=0.0)
    floor = wanted_floor(layers, chart, surface, wall, rules, pixel_mm, margin)
    largest, smallest = _choose_balls(balls, cutters, floor)
    shaves = layers.of(Treatment.SHAVE)
    sweeps = _relief_sweeps(floor, chart, cutters, largest, smallest) + _shave_sweeps(
        floor, chart, cutters, smallest, shaves
    )
    passes: list[CutPass] = []
    before: tuple[int, ...] = ()
    for sweep in sweeps:
        first = sweep.number == 0
        made = _swept(sweep, floor, surface, cutters[sweep.cutter], machine, rules, () if first else before)
        before = tuple(range(len(passes), len(passes) + len(made)))
        passes += made
    findings = _thin_findings(floor, rules) + _shave_findings(floor, shaves, rules)
    return tuple(passes), floor, tuple(findings + _detail_findings(floor, cutters[smallest], rules))


def _choose_balls(balls: list[int], cutters: Sequence[Cutter], floor: ReliefFloor) -> tuple[int, int]:
    """Return the largest and the smallest ball that reach the floor."""
    deepest = float(np.nan_to_num(floor.depth_mm).max())
    able = [i for i in balls if min(cutters[i].flute_length_mm, cutters[i].stick_out_mm) >= deepest]
    if able:
        able.sort(key=lambda i: cutters[i].diameter_mm)
        return able[-1], able[0]
    longest = max((min(cutters[i].flute_length_mm, cutters[i].stick_out_mm) for i in balls), default=0.0)
    text = (
        f"no ball cutter reaches the relief's floor: {deepest:.1f} mm of flute needed, "
        f"the longest has {longest:.1f} mm"
        if balls
        else "relief and shaves are cut with ball cutters, and there is none among the cutters"
    )
    finding = Finding(
        Severity.REFUSE,
        "relief cutter",
        text,
        "fit a ball cutter of 6 mm, and one of 3 mm for fine tones"
        if not balls
        else "fit a longer ball cutter",
        measured=longest,
        allowed=deepest,
        unit="mm",
    )
    raise CannotBeDone(text, (finding,))


def _relief_sweeps(
    floor: ReliefFloor, chart: Chart, cutters: Sequence[Cutter], largest: int, smallest: int
) -> list[_Sweep]:
    """Return the sweeps of the relief: roughing with the larger ball, finishing with the smaller."""
    cut = np.isfinite(floor.depth_mm) & (floor.shave < 0) & _once(floor, chart)
    if not cut.any():
        return []
    left = floor.skin_mm
    sweeps: list[_Sweep] = []
    if largest != smallest:
        above = np.minimum(floor.radius_mm + _LEFT_BY_ROUGH_MM, floor.skin_mm)
        rough = _Sweep(
            "relief rough",
            "relief",
            Phase.RELIEF_ROUGH,
            largest,
            np.where(cut, above, floor.bed_mm),
            cut,
            0,
        )
        ball = cutters[largest]
        centres = ball_centres(floor.directions, rough.radius_mm, ball.radius_mm)
        sweeps += _steps(rough, ball, left, centres)
        left = _left_behind(floor, np.where(cut, centres, np.nan), ball)
        ridge = scallop_mm(ball.radius_mm, min(ball.stepover_mm, ball.diameter_mm))
        left = np.minimum(left + ridge, floor.skin_mm)
    finish = _Sweep("relief finish", "relief", Phase.RELIEF_FINISH, smallest, floor.bed_mm, cut, 0)
    centres = ball_centres(floor.directions, floor.bed_mm, cutters[smallest].radius_mm)
    return sweeps + _steps(finish, cutters[smallest], left, centres)


def _left_behind(floor: ReliefFloor, centres_mm: Floats, ball: Cutter) -> Floats:
    """Return the radius of what a ball leaves (h, w) that goes to all centres that are not nan [mm]."""
    unit, b = floor.directions, ball.radius_mm
    bed = Bed(unit, centres_mm, b)
    # the lowest point of all balls on a ray is the mirror image of the highest
    bed.points, bed.own = -bed.points, -floor.skin_mm - b
    return np.minimum(-bed.centres_on_grid(unit), floor.skin_mm)


def _shave_sweeps(
    floor: ReliefFloor, chart: Chart, cutters: Sequence[Cutter], smallest: int, shaves: Sequence[Region]
) -> list[_Sweep]:
    """Return the sweeps of the shave regions, one region after the other."""
    sweeps: list[_Sweep] = []
    ball = cutters[smallest]
    for number, region in enumerate(shaves):
        cut = (floor.shave == number) & np.isfinite(floor.depth_mm) & _once(floor, chart)
        if cut.any():
            whole = _Sweep(f"{region.name} shave", region.name, Phase.SHAVE, smallest, floor.bed_mm, cut, 0)
            sweeps += _steps(whole, ball, floor.skin_mm, floor.bed_mm + ball.radius_mm)
    return sweeps


def _once(floor: ReliefFloor, chart: Chart) -> Bools:
    """Tell which columns lie within half a turn of the design's middle: a band all round is cut once."""
    return np.abs(floor.longitude_rad - chart.placement.longitude_rad)[None, :] <= np.pi


def _steps(whole: _Sweep, ball: Cutter, left_mm: Floats, centres_mm: Floats) -> list[_Sweep]:
    """Return sweeps from what is left (h, w) down to the floor, none deeper than the cutter's step down."""
    from scipy.ndimage import binary_dilation

    deep = np.where(whole.active, left_mm - (centres_mm - ball.radius_mm), 0.0)
    count = max(1, int(np.ceil(deep.max() / ball.step_down_mm - 0.01)))
    sweeps = []
    for number in range(count):
        last = number + 1 == count
        step = (
            whole.radius_mm
            if last
            else np.maximum(whole.radius_mm, left_mm - (number + 1) * ball.step_down_mm)
        )
        active = whole.active
        if number:  # only where more than the steps before is to come off, and a little round it
            around = max(1, round(ball.radius_mm / PIXEL_MM))
            active = active & binary_dilation(deep > number * ball.step_down_mm, iterations=around)
        here = np.ceil(np.maximum(deep, 1e-9) / ball.step_down_mm - 0.01).clip(1, count) == number + 1
        sweeps.append(
            replace(whole, radius_mm=step, active=active, number=number, centres_mm=centres_mm, done=here)
        )
    return sweeps


def _swept(
    sweep: _Sweep,
    floor: ReliefFloor,
    surface: Surface,
    cutter: Cutter,
    machine: Machine,
    rules: Rules,
    after: tuple[int, ...],
) -> list[CutPass]:
    """Return the passes of one sweep."""
    rows = _rows(sweep.active, floor, cutter.stepover_mm)
    lines = _chains(rows, floor) + _chains(_between(rows, sweep), floor)
    if not lines:
        return []

    def leans(unit: Floats, radius: Floats) -> Floats:
        """Return by how much the cutter's direction is off each ray (n, 3): it changes slowly."""
        few = np.append(np.arange(0, len(unit) - 1, _DIRECTION_STRIDE), len(unit) - 1)
        centres = (unit * radius[:, None])[few]
        off = cutter_directions(machine, centres + surface.origin_seat_mm, unit[few]) - unit[few]
        return np.stack([np.interp(np.arange(len(unit)), few, part) for part in off.T], axis=1)

    unit, radius, ends = _on_floor(lines, sweep, floor, cutter.radius_mm, leans)
    if len(ends) < 2:
        return []
    centres = unit * radius[:, None]
    keep = kernels()[1](centres, ends, _CHORD_MM, rules.point_spacing_mm)
    ends = np.concatenate([[0], np.cumsum(keep)[ends[1:] - 1]])
    unit, centres = unit[keep], centres[keep]
    directions = cutter_directions(machine, centres + surface.origin_seat_mm, unit)
    tips = centres - cutter.radius_mm * directions
    skin = _axis_on_skin(surface, centres, directions)
    name = sweep.name + (f" step {sweep.number + 1}" if sweep.number else "")
    return [
        CutPass(
            name=f"{name} {k + 1}",
            region=sweep.region,
            phase=sweep.phase,
            cutter=sweep.cutter,
            closed=False,
            along_centre=False,
            skin_work_mm=skin[a:b],
            directions=directions[a:b],
            tips_work_mm=tips[None, a:b],
            feeds_mm_per_min=np.array([cutter.feed_mm_per_min]),
            after=after,
            reasons=("the step above it first",) * len(after),
        )
        for k, (a, b) in enumerate(pairwise(ends))
    ]


def _axis_on_skin(surface: Surface, centres: Floats, directions: Floats) -> Floats:
    """Return where the cutter's axis crosses the skin (n, 3) [mm]."""
    found = centres
    for _ in range(4):
        unit = normalised(found)
        steep = np.clip(np.sum(unit * directions, axis=1), 0.2, 1.0)
        found = (
            found + ((radius_at(surface, unit) - np.linalg.norm(found, axis=1)) / steep)[:, None] * directions
        )
    return found


# --- rows ----------------------------------------------------------------------------------------------

_Row = tuple[
    float, list[tuple[int, int]]
]  # place between the grid's rows, first and last columns of its runs


def _rows(active: Bools, floor: ReliefFloor, stepover_mm: float) -> list[_Row]:
    """Return rows no farther apart on the skin than the stepover, with the runs that are to be cut."""
    used = np.flatnonzero(active.any(axis=1))
    if len(used) == 0:
        return []
    slope = np.gradient(floor.skin_mm, floor.latitude_rad, axis=0)
    way = np.where(active, np.hypot(floor.skin_mm, slope), 0.0).max(axis=1)[used[0] : used[-1] + 1]
    way[way == 0.0] = way.max()  # rows in a gap of the mask
    step = floor.latitude_rad[1] - floor.latitude_rad[0]
    along = np.concatenate([[0.0], np.cumsum((way[:-1] + way[1:]) / 2 * step)])
    wanted = np.linspace(0.0, along[-1], int(np.ceil(along[-1] / stepover_mm)) + 1)
    places = used[0] + np.interp(wanted, along, np.arange(len(along)))
    return [(float(p), _runs(active[round(p)])) for p in places]


def _between(rows: list[_Row], sweep: _Sweep) -> list[_Row]:
    """Return short rows between the others, where a groove along them lets the ball sink deeper than both."""
    if sweep.centres_mm is None or sweep.done is None or sweep.phase is not Phase.RELIEF_FINISH:
        return []
    index = np.arange(len(sweep.centres_mm))
    found = []
    for (low, _), (high, _) in pairwise(rows):
        inner = index[(index > low + _ROW_GAP) & (index < high - _ROW_GAP)]
        if len(inner) == 0:
            continue
        sides = [_at_row(sweep.centres_mm, place) for place in (low, high)]
        deeper = np.minimum(*sides) - sweep.centres_mm[inner]
        best = deeper.argmax(axis=0)
        for k, row in enumerate(inner):
            need = (best == k) & (deeper[k] > _GROOVE_MM) & sweep.active[row] & sweep.done[row]
            runs = [(a, b) for a, b in _runs(need) if b > a]
            if runs:
                found.append((float(row), runs))
    return found


def _at_row(grid: Floats, place: float) -> Floats:
    """Return a grid's row between two of its rows."""
    below = min(int(place), len(grid) - 2)
    found: Floats = grid[below] + (place - below) * (grid[below + 1] - grid[below])
    return found


def _runs(flags: Bools) -> list[tuple[int, int]]:
    """Return first and last index of each stretch of True."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], flags.astype(np.int8), [0]])))
    return [(int(a), int(b) - 1) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def _chains(rows: list[_Row], floor: ReliefFloor) -> list[Floats]:
    """Return lines (n, 3) of row, column and 1 on links, to and fro, joined where the next end is near."""
    dlon, dlat = (float(v[1] - v[0]) for v in (floor.longitude_rad, floor.latitude_rad))
    radius = float(np.median(floor.skin_mm))
    done: list[list[Floats]] = []
    growing: list[list[Floats]] = []
    for place, runs in rows:
        lat = np.interp(place, np.arange(len(floor.latitude_rad)), floor.latitude_rad)
        scale = np.array([radius * dlat, radius * dlon * np.cos(lat)])  # [mm] of a row and a column
        free, taken = list(growing), []
        for first, last in runs:
            line = np.arange(first, last + 1, dtype=float)
            best = _nearest_end(free, place, first, last, scale)
            if best is None:
                chain: list[Floats] = []
            else:
                chain, from_last = best
                free = [other for other in free if other is not chain]
                line = line[::-1] if from_last else line
                chain.append(_link(chain[-1][-1], place, float(line[0]), scale))
            chain.append(np.stack([np.full(len(line), place), line, np.zeros(len(line))], axis=1))
            taken.append(chain)
        done += free
        growing = taken
    return [np.concatenate(chain) for chain in done + growing]


def _nearest_end(
    chains: list[list[Floats]], place: float, first: int, last: int, scale: Floats
) -> tuple[list[Floats], bool] | None:
    """Return the chain whose end is nearest to either end of a run, and which one; None if none is near."""
    best, found = _LINK_MM, None
    for chain in chains:
        for column in (first, last):
            far = float(np.hypot(*((np.array([place, column]) - chain[-1][-1, :2]) * scale)))
            if far < best:
                best, found = far, (chain, column == last)
    return found


def _link(end: Floats, place: float, column: float, scale: Floats) -> Floats:
    """Return the points between the end of a row and the start of the next."""
    change = np.array([place, column]) - end[:2]
    count = int(np.ceil(float(np.hypot(*(change * scale))) / (2 * PIXEL_MM)))
    share = np.arange(1, count)[:, None] / max(count, 1)
    between = end[:2] + share * change
    return np.concatenate([between, np.ones((len(between), 1))], axis=1)


def _on_floor(
    lines: list[Floats],
    sweep: _Sweep,
    floor: ReliefFloor,
    ball_mm: float,
    leans: Callable[[Floats, Floats], Floats],
) -> tuple[Floats, Floats, Ints]:
    """Return rays (n, 3), radii of ball centres (n,) and ends of the lines; idle starts and ends left out."""
    from scipy.ndimage import map_coordinates

    line = np.repeat(np.arange(len(lines)), [len(one) for one in lines])
    places, line, unit, radius = _refined(np.concatenate(lines), line, sweep, floor, ball_mm, leans)
    rows, columns = places[:, 0], places[:, 1]
    skin = map_coordinates(floor.skin_mm, [rows, columns], order=1, mode="nearest")
    cuts = radius - ball_mm < skin - _NO_CUT_MM
    beside = ~sweep.active[rows.round().astype(int), columns.round().astype(int)]
    radius = radius + np.where((places[:, 2] > 0) & beside, _LINK_LIFT_MM, 0.0)
    wanted = np.zeros(len(places), bool)
    for number in range(len(lines)):
        at = np.flatnonzero((line == number) & cuts)
        if len(at) > 1:
            wanted[at[0] : at[-1] + 1] = True
    counts = np.bincount(line[wanted], minlength=len(lines))
    return unit[wanted], radius[wanted], np.concatenate([[0], np.cumsum(counts[counts > 0])])


def _refined(
    places: Floats,
    line: Ints,
    sweep: _Sweep,
    floor: ReliefFloor,
    ball_mm: float,
    leans: Callable[[Floats, Floats], Floats],
) -> tuple[Floats, Ints, Floats, Floats]:
    """Return places (n, 3), lines, rays and centres, with more places where the ball climbs a steep wall.

    On the straight way between two places it would else take the wall's upper edge away.
    """
    bed = Bed(floor.directions, sweep.radius_mm, ball_mm)
    shank = Shank(floor.directions, sweep.radius_mm, ball_mm)

    unit = _rays(places, floor)
    radius = bed.centres(unit, places[:, 0], places[:, 1])
    off = leans(unit, radius)
    radius = shank.clear(unit, radius, normalised(unit + off), places[:, 0], places[:, 1])
    for _ in range(_HALVINGS):
        centres = unit * radius[:, None]
        steep = np.linalg.norm(np.diff(centres, axis=0), axis=1) > _STEEP_MM
        at = np.flatnonzero(steep & (line[1:] == line[:-1]))
        if len(at) == 0:
            break
        between, between_off = (places[at] + places[at + 1]) / 2, (off[at] + off[at + 1]) / 2
        new_unit = _rays(between, floor)
        new_radius = bed.centres(new_unit, between[:, 0], between[:, 1])
        new_radius = shank.clear(
            new_unit, new_radius, normalised(new_unit + between_off), between[:, 0], between[:, 1]
        )
        places, line = np.insert(places, at + 1, between, axis=0), np.insert(line, at + 1, line[at])
        off = np.insert(off, at + 1, between_off, axis=0)
        unit, radius = np.insert(unit, at + 1, new_unit, axis=0), np.insert(radius, at + 1, new_radius)
    return places, line, unit, radius


def _rays(places: Floats, floor: ReliefFloor) -> Floats:
    """Return the rays (n, 3) through places between rows and columns of the grid."""
    return unit_of(
        np.interp(places[:, 1], np.arange(len(floor.longitude_rad)), floor.longitude_rad),
        np.interp(places[:, 0], np.arange(len(floor.latitude_rad)), floor.latitude_rad),
    )


# --- findings ------------------------------------------------------------------------------------------


def _thin_findings(floor: ReliefFloor, rules: Rules) -> list[Finding]:
    """Tell where the wall under the relief is too thin for its tones."""
    if not floor.thin.any():
        return []
    need = rules.relief_min_wall_mm + rules.relief_skin_mm
    toned = floor.thin | (np.isfinite(floor.depth_mm) & (floor.shave < 0))
    share = float(floor.thin.sum() / toned.sum())
    row, column = np.unravel_index(np.argmin(np.where(floor.thin, floor.wall_mm, np.inf)), floor.thin.shape)
    thinnest = float(floor.wall_mm[row, column])
    bare = thinnest - rules.relief_skin_mm < _LEAST_WALL_MM
    what = "the skin comes off at most" if bare else "only the skin comes off"
    return [
        Finding(
            Severity.WARN,
            "relief wall",
            f"the wall is {thinnest:.1f} mm at its thinnest under the relief, {need:.1f} mm needed for "
            f"tones: on {share:.0%} of the relief {what}",
            "move the design to a thicker place, or take a piece with a thicker wall",
            place="relief",
            longitude_deg=float(np.degrees(floor.longitude_rad[column])),
            latitude_deg=float(np.degrees(floor.latitude_rad[row])),
            measured=thinnest,
            allowed=need,
            unit="mm",
        )
    ]


def _shave_findings(floor: ReliefFloor, shaves: Sequence[Region], rules: Rules) -> list[Finding]:
    """Tell which shaves leave too little wall."""
    findings = []
    for number, region in enumerate(shaves):
        under = np.where(floor.shave == number, floor.wall_mm, np.inf)
        left = float(under.min()) - rules.shave_depth_mm
        if left < _LEAST_WALL_MM:
            findings.append(
                Finding(
                    Severity.REFUSE,
                    "shave wall",
                    f"{region.name}: {left:.1f} mm of wall would remain, {_LEAST_WALL_MM:.0f} mm needed",
                    "shave less deep, or move the design to a thicker place",
                    place=region.name,
                    measured=left,
                    allowed=_LEAST_WALL_MM,
                    unit="mm",
                )
            )
    return findings


def _detail_findings(floor: ReliefFloor, ball: Cutter, rules: Rules) -> list[Finding]:
    """Tell how much of the relief, apart from its rim, the smallest ball does not reach."""
    from scipy.ndimage import distance_transform_edt

    cut = np.isfinite(floor.depth_mm)
    step = floor.latitude_rad[1] - floor.latitude_rad[0]
    inner = distance_transform_edt(cut) * step * float(np.median(floor.skin_mm)) > ball.diameter_mm
    if not inner.any():
        return []
    few = floor.coarser()  # a share needs no more
    reached = _left_behind(few, ball_centres(few.directions, few.radius_mm, ball.radius_mm), ball)
    short = float(np.mean((reached - few.radius_mm)[inner[::2, ::2]] > rules.depth_tolerance_mm))
    if short <= 0.05:
        return []
    return [
        Finding(
            Severity.NOTE,
            "relief detail",
            f"{short:.0%} of the relief is finer than {ball.name} reaches and stays darker than drawn",
            "take a smaller ball, or draw the tones softer",
            place="relief",
            measured=100 * short,
            allowed=5.0,
            unit="%",
        )
    ]
