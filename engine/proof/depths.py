"""Is it as deep as asked, in openings, shaves and reliefs?"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from engine.frames import lonlat_of, normalised, unit_of
from engine.proof.design import Design
from engine.proof.errors import NO_ERRORS, Errors
from engine.proof.grid import Grid, grown_mask, nodes_across
from engine.proof.reach import Reach
from engine.proof.stamp import SPHERE, Cut, run_stamp, windows_of
from engine.records import (
    Bools,
    Cutter,
    CutterForm,
    Floats,
    Ints,
    Rules,
    Surface,
    Wall,
)
from engine.surface import normals_at, radius_at
from engine.wall import wall_at

if TYPE_CHECKING:
    pass

_FOOT_SETTLED = 2e-4  # change of a foot's direction [-]: a fiftieth of a millimetre on the skin
_BESIDE_TAB_MM = 1.2
_CLOSE_LEVELS_MM = 0.5  # over a tab the levels lie closer than a step down
_SQUARE = math.radians(1.0)  # a shank this little off the ray touches no wall that the ball does not


def _foot(surface: Surface, points: Floats, start: Floats, rounds: int = 18) -> tuple[Floats, Floats]:
    """Return depth below the skin (n,) and the foot's direction (n, 3), going along normals from a start.

    Steps are halved: in the valley between two ribs, whose hollow is tighter than the depth, whole steps
    would leap from flank to flank for ever.
    """
    unit = start
    depth = np.zeros(len(points))
    for _ in range(rounds):
        normal = normals_at(surface, unit)
        depth = np.sum((radius_at(surface, unit)[:, None] * unit - points) * normal, axis=1)
        onward = normalised(points + depth[:, None] * normal)
        settled = bool(np.abs(onward - unit).max(initial=0.0) < _FOOT_SETTLED)
        unit = normalised(onward + unit)
        if settled:
            break
    return depth, unit


def nearest_foot(surface: Surface, points: Floats) -> tuple[Floats, Floats]:
    """Return the true nearest distance to the skin, from a cloud of skin points all round.

    Points and distance [mm].
    """
    from scipy.spatial import cKDTree

    lat = np.radians(np.arange(-88.5, 89.0, 1.5))
    unit = unit_of(np.radians(np.arange(0.0, 360.0, 1.5))[None, :], lat[:, None]).reshape(-1, 3)
    cloud = radius_at(surface, unit)[:, None] * unit
    _, near = cKDTree(cloud).query(points)
    return _foot(surface, points, unit[near])


def _deepest(grid: Grid, cut: Cut, region: Ints, step_down_mm: float, tabs: Floats) -> Ints:
    """Return the samples at the deepest level of their place, one for each small cell of the grid."""
    from scipy.ndimage import maximum_filter

    candidates = np.flatnonzero((region >= 0) & (cut.depth_radial > 0))
    lon, lat = lonlat_of(cut.exit[candidates])
    row, column = grid.place(lon, lat)
    i = np.clip(np.rint(row).astype(np.int64) // 2, 0, None)
    j = np.clip(np.rint(column).astype(np.int64) // 2, 0, None)
    if len(candidates) == 0:
        return candidates
    width = int(j.max()) + 1
    order = np.lexsort((cut.depth_radial[candidates], i * width + j))
    cell = (i * width + j)[order]
    last = order[np.append(cell[1:] != cell[:-1], True)]
    depth = np.zeros((int(i.max()) + 1, width))
    depth[i[last], j[last]] = cut.depth_radial[candidates[last]]
    # a cell that a path only clips may have missed the deepest level: its neighbours tell
    around = maximum_filter(depth, 3, mode="constant")
    # and over a tab, whose top may lie close below a whole level
    slack = np.full(len(last), max(0.4 * step_down_mm, _CLOSE_LEVELS_MM))
    slack[_near_tabs(grid, cut.exit[candidates[last]], tabs)] = _CLOSE_LEVELS_MM
    clear = depth[i[last], j[last]] > around[i[last], j[last]] - slack
    found: Ints = candidates[last[clear]]
    return found


def _near_tabs(grid: Grid, exits: Floats, tabs: Floats) -> Bools:
    """Tell which directions (n, 3) lie over a tab or beside one."""
    from scipy.spatial import cKDTree

    if not len(tabs) or not len(exits):
        return np.zeros(len(exits), bool)
    skin = exits * grid.look(grid.radius, *lonlat_of(exits))[:, None]
    away, _ = cKDTree(tabs[:, :3]).query(skin, distance_upper_bound=2 * _BESIDE_TAB_MM)
    found: Bools = np.isfinite(away)
    return found


def opening_depths(
    surface: Surface,
    wall: Wall,
    grid: Grid,
    cut: Cut,
    design: Design,
    cutters: Sequence[Cutter],
    rules: Rules,
) -> tuple[Errors, Errors]:
    """Return errors of the tip's depth, and the wall that remains under the tip, in openings.

    The wall is a thickness along the normal. Under a sharp rib the nearest skin may be another place than
    the one whose normal leads to the tip; the depth is right if it is right for either, but the wall
    must be cut through for the nearest.
    """
    lon, lat = lonlat_of(cut.exit)
    region = np.where(cut.deep, grid.nearest(design.openings.inside, lon, lat), -1)
    at = _deepest(grid, cut, region, min(tool.step_down_mm for tool in cutters), design.tabs)
    tip, leaving = cut.samples.tip[at], cut.exit[at]
    near_depth, near_foot = nearest_foot(surface, tip)
    own_depth, own_foot = _foot(surface, tip, leaving)
    near_off = near_depth - wall_at(wall, near_foot)
    own_off = own_depth - wall_at(wall, own_foot)
    skin = leaving * radius_at(surface, leaving)[:, None]
    asked, judged = _asked_over_tabs(design.tabs, skin, rules.overshoot_mm)
    error = np.minimum(np.abs(near_off - asked), np.abs(own_off - asked))[judged]
    at, through = at[judged], (asked > 0)[judged]
    return (
        Errors(error, lon[at], lat[at], region[at]),
        Errors(-near_off[judged][through], lon[at[through]], lat[at[through]], region[at[through]]),
    )


def _asked_over_tabs(tabs: Floats, skin: Floats, overshoot_mm: float) -> tuple[Floats, Bools]:
    """Return how far past the inner wall tips must go, and where that can be judged.

    Over a tab they stop short of it by its height; on its flanks, and a little way to both sides of them,
    they are on their way.
    """
    from scipy.spatial import cKDTree

    asked, judged = np.full(len(skin), overshoot_mm), np.ones(len(skin), bool)
    if not len(tabs) or not len(skin):
        return asked, judged
    flank = np.isnan(tabs[:, 3])
    away, near = cKDTree(tabs[:, :3]).query(skin, distance_upper_bound=_BESIDE_TAB_MM)
    over = np.isfinite(away)
    asked[over] = -tabs[np.asarray(near, np.int64)[over], 3]
    by_flank, _ = cKDTree(tabs[flank, :3]).query(skin, distance_upper_bound=_BESIDE_TAB_MM)
    judged = ~np.isfinite(by_flank)
    return asked, judged


def shave_depths(grid: Grid, cut: Cut, design: Design, reaches: Sequence[Reach], rules: Rules) -> Errors:
    """Return errors of the depth along the normal in shaved regions, where the cutter's round fits."""
    step = grid.lat_step * float(grid.radius.mean())
    plain = (design.openings.inside < 0) & ~design.relief_mask & (cut.edge_deep > step)
    rows, columns = np.nonzero((design.shaves.inside >= 0) & plain)
    if len(rows) == 0:
        return NO_ERRORS
    region = design.shaves.inside[rows, columns]
    points = grid.skin[rows, columns]
    margin, _ = design.shaves.line.distance(points)
    fits = margin > step
    for number, reach in enumerate(reaches):
        mine = region == number
        fits[mine] &= (margin[mine] >= reach.radius) | (reach.gap(points[mine]) <= 0)
    depth = (cut.depth * grid.upright)[rows, columns]
    error = np.abs(depth - rules.shave_depth_mm)
    return Errors(error[fits], grid.lon[columns[fits]], grid.lat[rows[fits]], region[fits])


def _reachable(grid: Grid, wanted: Floats, mask: Bools, radius: float) -> Floats:
    """Return the depth that balls leave which nowhere cut below the wanted depth [mm along the ray].

    A ball comes to rest on the wanted floor where the sphere about some floor point last meets its ray; what
    all resting balls take away is then stamped. Both are the same stamp, the first looking outwards.
    """
    near = grown_mask(grid, mask, *nodes_across(grid, radius))
    unit = grid.skin[near] / grid.radius[near][:, None]
    floor = (grid.radius - wanted)[near]
    rest = np.full(grid.radius.shape, np.inf)
    _stamp_balls(grid, unit * floor[:, None], unit, radius, rest, -1.0)
    middle = -rest[near]
    entry = np.full(grid.radius.shape, np.inf)
    _stamp_balls(grid, unit * middle[:, None], unit, radius, entry, 1.0)
    found: Floats = np.maximum(grid.radius - entry, 0.0)
    return found


def _stamp_balls(grid: Grid, middle: Floats, unit: Floats, radius: float, entry: Floats, sign: float) -> None:
    """Stamp balls about points on the rays `unit` into `entry`."""
    angle = np.arcsin(np.clip(radius / np.linalg.norm(middle, axis=1), 0, 1))
    window = windows_of(grid, (unit,), (angle,))
    unused = np.zeros((1, 1))
    deep = np.zeros(len(middle), bool)
    run_stamp(grid, middle, unit, deep, window, SPHERE, radius, 1.0, entry, unused, unused, sign)


def relief_depths(grid: Grid, cut: Cut, design: Design, cutters: Sequence[Cutter]) -> Errors:
    """Return errors of the relief: cut deeper than wanted, or shallower than a ball could reach.

    A step of the floor may lie one node, or half a step of the wanted depth's own grid, to the side. The
    height of the ridges between two neighbouring passes is allowed for, and so are the places beside a wall
    from which the shank of a leaning ball keeps it away. What is left standing on a steep wall is measured
    square to the wall.
    """
    from scipy.ndimage import maximum_filter, minimum_filter

    mask = design.relief_mask & (design.openings.inside < 0) & (design.shaves.inside < 0)
    step = grid.lat_step * float(grid.radius.mean())
    mask &= cut.edge_deep > 0.5 * step
    if not mask.any():
        return NO_ERRORS
    tool = _finishing(grid, cut, design, cutters)
    reach = np.minimum(_reachable(grid, design.relief, design.relief_mask, tool.radius_mm), design.relief)
    rows, columns = (max(1, -(-count // 2)) for count in design.relief_step)
    near = (2 * rows + 1, 2 * columns + 1)
    gouge = cut.depth - maximum_filter(design.relief, near)
    kept_off = _kept_off(grid, cut, design, tool)
    inner = ~grown_mask(grid, ~mask, *nodes_across(grid, tool.radius_mm + kept_off))
    beside = [2 * count + size for count, size in zip(nodes_across(grid, kept_off), near, strict=True)]
    flat, flat_across = (minimum_filter(one, near) for one in _flatness(grid, reach))
    # rows a stepover apart lie farther apart along a slope across them: h = r - sqrt(r2 - (s / 2 cos)2)
    half = np.minimum(tool.stepover_mm / 2 / flat_across, tool.radius_mm)
    ridge = tool.radius_mm - np.sqrt(tool.radius_mm**2 - half**2)
    short = np.where(inner, (minimum_filter(reach, beside) - cut.depth) * flat - ridge, 0.0)
    error = np.maximum(np.maximum(gouge, short), 0.0)
    i, j = np.nonzero(mask)
    return Errors(error[i, j], grid.lon[j], grid.lat[i], np.zeros(len(i), np.int64))


def _flatness(grid: Grid, depth: Floats) -> tuple[Floats, Floats]:
    """Return the cosines of the slope of a floor (h, w), and of its slope across the rows alone."""
    down, across = np.gradient(depth)
    size = float(grid.radius.mean())
    down = down / (size * grid.lat_step)
    across = across / (size * np.cos(grid.lat)[:, None] * grid.lon_step)
    return 1 / np.sqrt(1 + down**2 + across**2), 1 / np.sqrt(1 + down**2)


def _kept_off(grid: Grid, cut: Cut, design: Design, tool: Cutter) -> float:
    """Return how far the leaning shank of a ball stands over the ground beside the deepest floor [mm]."""
    lon, lat = lonlat_of(cut.exit)
    here = grid.nearest(design.relief_mask, lon, lat) & ~cut.deep & (cut.depth_radial > 0)
    if not here.any():
        return 0.0
    cosine = float(np.sum(cut.exit[here] * cut.samples.direction[here], axis=1).min())
    lean_rad = math.acos(min(max(cosine, 0.5), 1.0))
    drop = max(float(design.relief.max()) - tool.radius_mm, 0.0)
    return drop * math.tan(lean_rad) if lean_rad > _SQUARE else 0.0


def _finishing(grid: Grid, cut: Cut, design: Design, cutters: Sequence[Cutter]) -> Cutter:
    """Return the smallest ball that works in the relief; the smallest cutter of all if none does."""
    lon, lat = lonlat_of(cut.exit)
    here = grid.nearest(design.relief_mask, lon, lat) & ~cut.deep & (cut.depth_radial > 0)
    used = [cutters[i] for i in np.unique(cut.cutter[here])] or list(cutters)
    balls = [tool for tool in used if tool.form == CutterForm.BALL]
    found: Cutter = min(balls or used, key=lambda tool: tool.radius_mm)
    return found
