"""Which runs of which cutter make the openings? Offset lines, laid on the skin and stepped down the wall."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
import shapely
from shapely import Polygon

from engine.axes import cutter_directions
from engine.chart import to_sphere
from engine.flatten import lay_flat
from engine.frames import normalised, unit_of
from engine.records import (
    Chart,
    CutPass,
    Cutter,
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
from engine.skin_metric import SkinMetric, mean_scale, skin_metric
from engine.slugs import Run, runs_of, slug_findings, slugs_mm, tab_height_mm
from engine.surface import foot_below, normals_at, points_at
from engine.turns import turns_of
from engine.wall import wall_at

_REST = "corner"  # what a small cutter does after a large one
_TURN_RAD = np.radians(2.5)
_DEPTH_ROUNDS = 20
_DEPTH_SETTLED_MM = 0.01
_FOOT_SETTLED = 1e-3  # change of the foot's direction [-]


def opening_passes(
    layers: Layers,
    chart: Chart,
    surface: Surface,
    wall: Wall,
    cutters: Sequence[Cutter],
    machine: Machine,
    rules: Rules,
) -> tuple[tuple[CutPass, ...], tuple[Finding, ...]]:
    """Return the passes that cut a design's openings through the wall, with findings about them.

    Parameters
    ----------
    layers, chart, surface, wall
        The design, where it lies, and the piece.
    cutters : sequence of Cutter
        The cutters at hand; `engine.turns` says which are taken.
    machine : Machine
        Decides how the cutter leans, and so how wide it cuts.
    rules : Rules
        Steps, overshoot and limits.

    Raises
    ------
    CannotBeDone
        When no cutter reaches through the wall, or none enters an opening.
    """
    openings = layers.of(Treatment.OPENING)
    if not openings:
        return (), ()
    metric = _metric(openings, chart, surface, machine)
    laid_flat = [lay_flat(region.polygon, metric) for region in openings]
    passes: list[CutPass] = []
    runs: list[tuple[str, Run]] = []
    loose: list[tuple[str, float]] = []
    for turn in turns_of(openings, laid_flat, cutters, wall, machine, rules):
        cutter = cutters[turn.cutter]
        mine = [
            (region, run, offset.overcut_mm if offset else 0.0)
            for region, flat, offset, rest in zip(openings, laid_flat, turn.offsets, turn.rests, strict=True)
            for run in (*(runs_of(flat, offset, cutter, rules) if offset else ()), *map(_rest_run, rest))
        ]
        if not mine:
            continue
        laid = _lay([run.line for _, run, _ in mine], chart, surface, wall, cutter, machine, rules)
        passes += _as_passes(mine, laid, turn.cutter, cutter, chart, surface, wall, rules)
        runs += [(region.name, run) for region, run, _ in mine]
        held = {r.name for r, run, _ in mine if len(run.tabs) or run.kind == "pocket"}
        loose += [
            (region.name, size)
            for region, flat, offset in zip(openings, laid_flat, turn.offsets, strict=True)
            if offset is not None and region.name not in held
            for size in slugs_mm(flat, offset, cutter)
        ]
    findings = (
        _lean_findings(passes, surface, rules)
        + _overcut_findings(passes, rules)
        + slug_findings(runs, loose, rules)
    )
    return _with_precedence(passes, openings, metric, rules), tuple(findings)


def _rest_run(rest: tuple[Floats, bool]) -> Run:
    line, closed = rest
    return Run(_REST, np.column_stack([line, np.zeros(len(line))]), closed)


def _as_passes(
    runs: Sequence[tuple[Region, Run, float]],
    laid: Sequence[tuple[Floats, Floats, Floats]],
    index: int,
    cutter: Cutter,
    chart: Chart,
    surface: Surface,
    wall: Wall,
    rules: Rules,
) -> list[CutPass]:
    """Return the passes of one cutter's runs, with how far its centre lines cut too wide [mm]."""
    counts: dict[tuple[str, str], int] = {}
    passes = []
    for (region, run, overcut_mm), (skin, directions, tips) in zip(runs, laid, strict=True):
        counts[region.name, run.kind] = number = counts.get((region.name, run.kind), 0) + 1
        along_centre = run.kind == "centre line"
        passes.append(
            CutPass(
                name=f"{region.name} {run.kind}" + (f" {number}" if number > 1 else ""),
                region=region.name,
                phase=Phase.OPENING,
                cutter=index,
                closed=run.closed,
                along_centre=along_centre,
                skin_work_mm=skin,
                directions=directions,
                tips_work_mm=tips,
                feeds_mm_per_min=_feeds(len(tips), cutter, rules),
                overcut_mm=overcut_mm if along_centre else 0.0,
                tabs=_tabs(run, chart, surface, wall, rules),
            )
        )
    return passes


def _metric(openings: Sequence[Region], chart: Chart, surface: Surface, machine: Machine) -> SkinMetric:
    def skin(sheet: Floats) -> Floats:
        return points_at(surface, unit_of(*to_sphere(chart, sheet)))

    def axis(sheet: Floats, points: Floats) -> Floats:
        normal = normals_at(surface, unit_of(*to_sphere(chart, sheet)))
        return cutter_directions(machine, points + surface.origin_seat_mm, normal)

    boxes = np.array([region.polygon.bounds for region in openings])
    low, high = boxes.min(axis=0), boxes.max(axis=0)
    return skin_metric(skin, axis, (low[0], low[1], high[2], high[3]))


def _tabs(run: Run, chart: Chart, surface: Surface, wall: Wall, rules: Rules) -> Floats:
    """Return where a run's tabs stand on the skin and how high they are, as a pass keeps them."""
    if not len(run.tabs):
        return np.zeros((0, 1, 4))
    unit = unit_of(*to_sphere(chart, run.tabs[..., :2].reshape(-1, 2)))
    height = np.where(run.tabs[..., 2].ravel() == 1, tab_height_mm(wall_at(wall, unit), rules), np.nan)
    return np.column_stack([points_at(surface, unit), height]).reshape(*run.tabs.shape[:2], 4)


def _lay(
    lines: Sequence[Floats],
    chart: Chart,
    surface: Surface,
    wall: Wall,
    cutter: Cutter,
    machine: Machine,
    rules: Rules,
) -> list[tuple[Floats, Floats, Floats]]:
    """Return for each run's line its skin points, directions and tips at every level, all lines at once."""
    ends, unit, skin, normal, directions = _stood(lines, chart, surface, machine)
    finer = [_finer(*pair) for pair in zip(lines, np.split(directions, ends), strict=True)]
    if any(len(new) > len(old) for new, old in zip(finer, lines, strict=True)):
        ends, unit, skin, normal, directions = _stood(finer, chart, surface, machine)
    deepest = float(wall_at(wall, unit).max()) + rules.overshoot_mm
    shares = _level_shares(deepest, cutter, rules)

    def wanted(foot: Floats, level: Ints) -> Floats:
        """Return the rind step at the first level, the full depth of the place at the last."""
        through = wall_at(wall, foot) + rules.overshoot_mm
        return rules.rind_step_mm + (through - rules.rind_step_mm) * shares[level]

    tips = tips_at_depth(surface, skin, normal, directions, wanted, len(shares))
    tips = _over_tabs(np.concatenate(finer)[:, 2], surface, skin, normal, directions, tips, wall, rules)
    return [
        (s, d, t)
        for s, d, t in zip(
            np.split(skin, ends), np.split(directions, ends), np.split(tips, ends, axis=1), strict=True
        )
    ]


def _over_tabs(
    raised: Floats,
    surface: Surface,
    skin: Floats,
    normal: Floats,
    directions: Floats,
    tips: Floats,
    wall: Wall,
    rules: Rules,
) -> Floats:
    """Return the tips with those levels lifted that would cut into a tab."""
    at = np.flatnonzero(raised > 0)
    if not len(at):
        return tips

    def standing(foot: Floats, _: Ints) -> Floats:
        thick = wall_at(wall, foot)
        return thick - tab_height_mm(thick, rules)

    top = tips_at_depth(surface, skin[at], normal[at], directions[at], standing, 1)
    deep = np.sum((skin[at] - tips[:, at]) * directions[at], axis=2)
    over = np.maximum(deep - np.sum((skin[at] - top) * directions[at], axis=2), 0.0)
    lifted = tips.copy()
    lifted[:, at] += (raised[at] * over)[..., None] * directions[at]
    return lifted


def _stood(
    lines: Sequence[Floats], chart: Chart, surface: Surface, machine: Machine
) -> tuple[Ints, Floats, Floats, Floats, Floats]:
    """Return where the lines end, and rays, skin points, normals and the cutter's directions, all in one."""
    ends = np.cumsum([len(line) for line in lines])[:-1]
    unit = unit_of(*to_sphere(chart, np.concatenate(lines)[:, :2]))
    skin = points_at(surface, unit)
    normal = normals_at(surface, unit)
    return ends, unit, skin, normal, cutter_directions(machine, skin + surface.origin_seat_mm, normal)


def _finer(line: Floats, directions: Floats) -> Floats:
    """Return a sheet line with places between vertices from one of which to the next the cutter turns far.

    Over a rib the tip, deep below, swings much farther than the skin point moves.
    """
    turn = np.arccos(np.clip(np.sum(directions[1:] * directions[:-1], axis=1), -1.0, 1.0))
    parts = np.maximum(np.ceil(turn / _TURN_RAD), 1).astype(np.int64)
    if (parts == 1).all():
        return line
    at = np.concatenate([np.arange(n) / n + i for i, n in enumerate(parts)] + [[len(line) - 1.0]])
    return np.stack([np.interp(at, np.arange(len(line)), column) for column in line.T], axis=1)


def _level_shares(deepest_mm: float, cutter: Cutter, rules: Rules) -> Floats:
    steps = max(1, int(np.ceil((deepest_mm - rules.rind_step_mm) / cutter.step_down_mm)))
    return np.arange(steps + 1) / steps


def _feeds(levels: int, cutter: Cutter, rules: Rules) -> Floats:
    feeds = np.full(levels, cutter.feed_mm_per_min)
    feeds[0] *= rules.rind_feed_factor
    return feeds


def tips_at_depth(
    surface: Surface,
    skin: Floats,
    normal: Floats,
    directions: Floats,
    wanted: Callable[[Floats, Ints], Floats],
    levels: int,
) -> Floats:
    """Return tips on the cutter's axis so deep under the skin, measured to the nearest skin.

    Parameters
    ----------
    surface : Surface
        The fitted skin.
    skin, normal, directions : ndarray (n, 3)
        Where the axis crosses the skin [mm], the skin's normal and the axis there [-].
    wanted : callable
        Gives for directions (m, 3) of places of the skin above the tip and levels (m,) the wanted depth [mm].
    levels : int
        How many levels [-].

    Returns
    -------
    ndarray (levels, n, 3)
        Tips in the work frame [mm].
    """
    start, lean = np.tile(skin, (levels, 1)), np.tile(directions, (levels, 1))
    slope = np.tile(np.sum(normal * directions, axis=1), levels)
    level = np.repeat(np.arange(levels), len(skin))
    along = wanted(normalised(start), level) / slope
    tips = start - along[:, None] * lean
    foot = normalised(tips)
    moving = np.arange(len(tips))
    for number in range(_DEPTH_ROUNDS):
        depth, below = foot_below(surface, tips[moving], foot[moving])
        if number > 2:  # under a sharp rib whole steps leap from flank to flank
            below = normalised(below + foot[moving])
        shift = np.abs(below - foot[moving]).max(axis=1)
        foot[moving] = below
        change = (wanted(foot[moving], level[moving]) - depth) / slope[moving]
        along[moving] += change
        tips[moving] = start[moving] - along[moving, None] * lean[moving]
        moving = moving[(np.abs(change) > _DEPTH_SETTLED_MM) | (shift > _FOOT_SETTLED)]
        if len(moving) == 0:
            break
    found: Floats = tips.reshape(levels, -1, 3)
    return found


_RING_SHARE = 0.5  # of the design's width; a wider opening below the middle counts as a low ring
_INSIDE_SHARE = 0.99  # of an opening's area that lies inside another's outline


def _with_precedence(
    passes: list[CutPass], openings: Sequence[Region], metric: SkinMetric, rules: Rules
) -> tuple[CutPass, ...]:
    """Let delicate passes be cut before weakening ones, each with its reason.

    Every opening has a rank: low rings last, then by the area inside its outline. Waiting is only ever for a
    lower rank, so no circle can arise.
    """
    scale = mean_scale(metric)
    names = [region.name for region in openings]
    filled = [Polygon(region.polygon.exterior) for region in openings]
    rings = _low_rings(openings)
    rank = {n: (n in rings, f.area, n) for n, f in zip(names, filled, strict=True)}
    before = {
        name: _earlier(at, names, openings, filled, rank, scale, rules) for at, name in enumerate(names)
    }
    of_region: dict[str, list[int]] = {}
    for i, one in enumerate(passes):
        of_region.setdefault(one.region, []).append(i)
    turn = {cutter: number for number, cutter in enumerate(dict.fromkeys(one.cutter for one in passes))}
    out = []
    for i, one in enumerate(passes):
        own = _earlier_in_region(i, passes, of_region[one.region])
        others = [(j, why) for name, why in before[one.region] for j in of_region.get(name, ())]
        # a small cutter that follows a large one comes after all that the large one does
        both = own + [(j, why) for j, why in others if turn[passes[j].cutter] <= turn[one.cutter]]
        out.append(_replace_after(one, tuple(j for j, _ in both), tuple(why for _, why in both)))
    return tuple(out)


def _earlier(
    at: int,
    names: Sequence[str],
    openings: Sequence[Region],
    filled: Sequence[Polygon],
    rank: dict[str, tuple[bool, float, str]],
    scale: float,
    rules: Rules,
) -> list[tuple[str, str]]:
    """Return the openings that are cut before one, and why."""
    mine, found = openings[at], []
    reach = rules.web_floor_mm * 1.5 / scale
    boxes = shapely.box(*np.transpose([shapely.bounds(f) for f in filled]))
    near = (
        np.flatnonzero(shapely.distance(boxes, boxes[at]) < reach)
        if not rank[mine.name][0]
        else range(len(names))
    )
    for j in map(int, near):
        name = names[j]
        if rank[name] >= rank[mine.name]:
            continue
        inside = filled[at].intersection(filled[j]).area > _INSIDE_SHARE * filled[j].area
        gap = mine.polygon.distance(openings[j].polygon) * scale
        if inside:
            found.append((name, f"{name} lies inside {mine.name}: inside before outside"))
        elif gap < rules.web_floor_mm * 1.5:
            found.append((name, f"{name} is smaller and only {gap:.0f} mm away: delicate before weakening"))
        elif rank[mine.name][0] and not rank[name][0]:
            found.append(
                (name, f"{mine.name} rings the piece low down: it carries all above, so it comes last")
            )
    return found


def _low_rings(openings: Sequence[Region]) -> set[str]:
    """Return the names of openings in the lower half that run round most of the design's width."""
    boxes = np.array([region.polygon.bounds for region in openings])
    low, high = boxes[:, :2].min(axis=0), boxes[:, 2:].max(axis=0)
    middles = (boxes[:, 1] + boxes[:, 3]) / 2
    wide = boxes[:, 2] - boxes[:, 0] > _RING_SHARE * (high[0] - low[0])
    below = middles < (low[1] + high[1]) / 2
    return {r.name for r, ring in zip(openings, wide & below, strict=True) if ring and len(openings) > 1}


def _earlier_in_region(i: int, passes: Sequence[CutPass], same: Sequence[int]) -> list[tuple[int, str]]:
    """Return the passes of the same opening that are cut before one, and why."""
    one = passes[i]
    found = [
        (j, "the large cutter first, the small one for the rest")
        for j in same
        if j < i and passes[j].cutter != one.cutter
    ]
    if not one.closed:
        return found
    for j in same:
        other = passes[j]
        if other.cutter != one.cutter:
            continue
        if other.along_centre:
            found.append((j, "the narrow part first, while all is stiff"))
        elif j != i and other.closed and _length_mm(other) < _length_mm(one):
            found.append((j, f"{other.name} is shorter: a hole before the outline round it"))
    return found


def _length_mm(one: CutPass) -> float:
    """Return the length of a pass's line on the skin, closed or not."""
    rows = np.concatenate([one.skin_work_mm, one.skin_work_mm[:1]]) if one.closed else one.skin_work_mm
    return float(np.linalg.norm(np.diff(rows, axis=0), axis=1).sum())


def _replace_after(one: CutPass, after: tuple[int, ...], reasons: tuple[str, ...]) -> CutPass:
    from dataclasses import replace

    return replace(one, after=after, reasons=reasons)


# --- findings ------------------------------------------------------------------------------------------


def _lean_findings(passes: Sequence[CutPass], surface: Surface, rules: Rules) -> list[Finding]:
    """Check that the cutter leans no further from the skin's normal than the rules allow."""
    worst: tuple[float, CutPass] | None = None
    for one in passes:
        cosine = np.sum(normals_at(surface, normalised(one.skin_work_mm)) * one.directions, axis=1)
        lean = float(np.degrees(np.arccos(np.clip(cosine.min(), -1.0, 1.0))))
        if worst is None or lean > worst[0]:
            worst = (lean, one)
    if worst is None or worst[0] <= rules.lean_warn_deg:
        return []
    lean, one = worst
    return [
        Finding(
            Severity.REFUSE if lean > rules.lean_stop_deg else Severity.WARN,
            "lean",
            f"{one.region}: the cutter leans {lean:.0f} deg from the skin's normal, "
            f"at most {rules.lean_stop_deg:.0f} deg",
            "place the design nearer the waist, or use a machine that tilts further",
            place=one.region,
            measured=lean,
            allowed=rules.lean_stop_deg,
            unit="deg",
        )
    ]


def _overcut_findings(passes: Sequence[CutPass], rules: Rules) -> list[Finding]:
    """Check that a centre line cuts no further beyond its region than the tolerance."""
    return [
        Finding(
            Severity.WARN,
            "centre line",
            f"{one.region}: narrower than the cutter, cut along its centre line, "
            f"{one.overcut_mm:.2f} mm too wide a side",
            "take a smaller cutter, or draw it wider",
            place=one.region,
            measured=one.overcut_mm,
            allowed=rules.outline_tolerance_mm,
            unit="mm",
        )
        for one in passes
        if one.along_centre and one.overcut_mm > rules.outline_tolerance_mm
    ]
