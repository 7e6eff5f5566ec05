"""How wide must material between openings be, and how wide is it? Bridges, webs, necks and tongues."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import shapely

from engine.chart import scale_at
from engine.design_on_skin import DesignOnSkin
from engine.records import Floats, Ints, Rules
from engine.wall import wall_at

_LONGEST_SEARCH_MM = 15.0  # no web wider than this is looked at
_TOGETHER_MM = 4.0  # boundary points closer than this belong to one stretch
_LONG_BRIDGE_MM = 100.0  # sets how far to look for neighbours
WEB_BY_KIND_MM = {"turnip": 5.0, "gourd": 3.0}  # common practice; the load formula is for squash
_FACING = 0.3  # cosine between a web's direction and the normals of the edges on its two sides
_TONGUE = 4.0  # a tongue of material shorter than this many of its widths is a point, not a bridge
_POCKET_MM2 = 20.0  # an outline whose hollows are smaller in sum holds no neck worth judging


def bridge_minimum_mm(length_mm: float, wall_mm: float, rules: Rules) -> float:
    """Return how wide a bridge must be: a beam fixed at both ends under a load in its middle.

    From the bending stress 6 M / (t b^2) with M = F L / 8: b = sqrt(0.75 F L / (t sigma)), and no less than
    the floor. For kinds other than squash only a floor is known.

    Parameters
    ----------
    length_mm : float
        Length of the bridge [mm].
    wall_mm : float
        Thickness of the wall [mm].
    rules : Rules
        Load, strength and floor.
    """
    if rules.kind in WEB_BY_KIND_MM:
        return WEB_BY_KIND_MM[rules.kind]
    bending = 0.75 * rules.bridge_load_n * length_mm / (wall_mm * rules.bridge_strength_mpa)
    return max(rules.bridge_floor_mm, math.sqrt(bending))


def web_minimum_mm(wall_mm: float, rules: Rules) -> float:
    """Return how wide any material between two openings should be.

    Parameters
    ----------
    wall_mm : float
        Thickness of the wall [mm].
    rules : Rules
        Kind of produce, floor and share of the wall.
    """
    return WEB_BY_KIND_MM.get(rules.kind, max(rules.web_floor_mm, rules.web_share_of_wall * wall_mm))


@dataclass(frozen=True, eq=False)
class Webs:
    """Narrow places of the material between openings: one for each stretch that lies side by side."""

    one: Ints  # (w,) boundary point on one side
    other: Ints  # (w,) and the nearest on the other
    width_mm: Floats  # (w,)
    length_mm: Floats  # (w,) of the stretch that is less than twice as wide
    wall_mm: Floats  # (w,)


def find_webs(design: DesignOnSkin) -> Webs:
    """Look for boundary points that face each other across material, and join them to stretches."""
    opening = np.array(design.is_opening(), bool)
    rings = [k for k in range(len(design.ring_region)) if opening[design.ring_region[k]]]
    reach = _search_mm(design)
    pairs = [*_between_rings(design, rings, reach), *_within_rings(design, rings, reach)]
    nothing = Webs(*(np.zeros(0, int),) * 2, *(np.zeros(0),) * 3)
    if not pairs:
        return nothing
    one, other, apart = (np.concatenate(part) for part in zip(*pairs, strict=True))
    facing = _faces(design, one, other)
    if not facing.any():
        return nothing
    return _stretches(design, one[facing], other[facing], apart[facing])


def _search_mm(design: DesignOnSkin) -> float:
    """Return how far apart two openings may be for the material between them to be judged."""
    thick, thin = float(design.wall.thickness_mm.max()), float(design.wall.thickness_mm.min())
    needed = max(web_minimum_mm(thick, design.rules), bridge_minimum_mm(_LONG_BRIDGE_MM, thin, design.rules))
    return min(needed, _LONGEST_SEARCH_MM)


_Pairs = tuple[Ints, Ints, Floats]


def _between_rings(design: DesignOnSkin, rings: list[int], reach: float) -> list[_Pairs]:
    """Return, for each two rings that come near each other, each point with its nearest on the other."""
    from scipy.spatial import cKDTree

    starts = design.starts
    points = {k: design.skin[starts[k] : starts[k + 1]] for k in rings}
    trees = {k: cKDTree(points[k]) for k in rings}
    low = np.array([points[k].min(axis=0) for k in rings]).reshape(-1, 3)
    high = np.array([points[k].max(axis=0) for k in rings]).reshape(-1, 3)
    gap = np.maximum(np.maximum(low[:, None] - high, low - high[:, None]), 0.0)
    near = np.linalg.norm(gap, axis=2) < reach
    found = []
    for a, b in np.argwhere(near).tolist():
        one, other = rings[a], rings[b]
        # the hole and the outline of one opening have the opening between them
        if one == other or design.ring_region[one] == design.ring_region[other]:
            continue
        apart, nearest = map(np.asarray, trees[other].query(points[one], distance_upper_bound=reach))
        close = np.flatnonzero(np.isfinite(apart))
        if len(close):
            found.append((close + starts[one], nearest[close] + starts[other], apart[close]))
    return found


def _within_rings(design: DesignOnSkin, rings: list[int], reach: float) -> list[_Pairs]:
    """Return points of one outline that lie near each other across a neck or a long tongue of material."""
    from scipy.spatial import cKDTree

    outlines = [ring for ring in rings if design.outer[ring]]
    filled = shapely.polygons(
        shapely.get_exterior_ring([design.regions[design.ring_region[ring]].polygon for ring in outlines])
    )
    hollow = shapely.area(shapely.convex_hull(filled)) - shapely.area(filled)
    found = []
    for ring in np.array(outlines, int)[hollow > _POCKET_MM2].tolist():
        at = slice(int(design.starts[ring]), int(design.starts[ring + 1]))
        outline = design.sheet[at]
        pairs = cKDTree(design.skin[at]).query_pairs(reach, output_type="ndarray")
        i, j = pairs[:, 0], pairs[:, 1]
        apart = np.linalg.norm(design.skin[at][i] - design.skin[at][j], axis=1)
        scale = scale_at(design.chart, design.longitude[at], design.latitude[at])[i]
        pocket = _pocket_mm2(outline, i, j) * scale**2
        good = pocket > _TONGUE * apart**2
        i, j, apart = i[good] + at.start, j[good] + at.start, apart[good]
        found += [(i, j, apart), (j, i, apart)]
    return found


def _swept(outline: Floats) -> Floats:
    """Return twice the area swept from the origin along a closed line, up to each point and once round."""
    x, y = outline[:, 0], outline[:, 1]
    step = x * np.roll(y, -1) - np.roll(x, -1) * y
    return np.concatenate([[0.0], np.cumsum(step)])


def _pocket_mm2(outline: Floats, i: Ints, j: Ints) -> Floats:
    """Return the smaller of the two areas between an outline and its chord from i to j, on the sheet."""
    swept = _swept(outline)
    chord = outline[j, 0] * outline[i, 1] - outline[i, 0] * outline[j, 1]
    one = swept[j] - swept[i] + chord
    found: Floats = np.minimum(np.abs(one), np.abs(swept[-1] - one)) / 2
    return found


def _faces(design: DesignOnSkin, one: Ints, other: Ints) -> np.typing.NDArray[np.bool_]:
    """Tell which pairs look at each other across material, and not across an opening or along an edge."""
    along = design.skin[design.following] - design.skin[design.previous]
    right = np.cross(along, design.unit)  # into the material, seen from outside
    if design.chart.placement.mirror:
        right = -right
    right /= np.maximum(np.linalg.norm(right, axis=1, keepdims=True), 1e-12)
    across = design.skin[other] - design.skin[one]
    least = _FACING * np.linalg.norm(across, axis=1)
    leaves = np.einsum("ij,ij->i", across, right[one]) > least
    arrives = np.einsum("ij,ij->i", across, right[other]) < -least
    both: np.typing.NDArray[np.bool_] = leaves & arrives
    return both


def _stretches(design: DesignOnSkin, one: Ints, other: Ints, apart: Floats) -> Webs:
    """Join facing points that follow each other along their rings, and measure each stretch."""
    # of each point and each ring it faces, the nearest only
    order = np.lexsort((apart, one, design.ring[other]))
    one, other, apart = one[order], other[order], apart[order]
    fresh = np.ones(len(one), bool)
    fresh[1:] = (np.diff(one) != 0) | (np.diff(design.ring[other]) != 0)
    one, other, apart = one[fresh], other[fresh], apart[fresh]
    stretch = _numbered_stretches(design, one, other)
    count = int(stretch.max()) + 1
    narrowest = np.full(count, np.inf)
    np.minimum.at(narrowest, stretch, apart)
    share = np.linalg.norm(design.skin[design.following] - design.skin[design.previous], axis=1) / 2
    length = np.bincount(stretch, share[one] * (apart < 2 * narrowest[stretch]), minlength=count)
    by_width = np.lexsort((apart, stretch))
    best = by_width[np.searchsorted(stretch[by_width], np.arange(count))]
    twin = _twins(one, design.ring[one], other, design.ring[other], stretch, best)
    width = _point_to_line_mm(design, one[best], other[best])
    narrower_first = np.argsort(width, kind="stable")
    both = np.sort(np.stack([np.arange(count), twin]), axis=0)[:, narrower_first]
    keep = narrower_first[np.unique(both, axis=1, return_index=True)[1]]
    one, other = one[best][keep], other[best][keep]
    wall = wall_at(design.wall, (design.skin[one] + design.skin[other]) / 2)
    return Webs(one, other, width[keep], np.maximum(length, length[twin])[keep], wall)


def _numbered_stretches(design: DesignOnSkin, one: Ints, other: Ints) -> Ints:
    """Return each point's stretch: a new one where a ring changes or points are not together."""
    side = np.ones(len(one), bool)
    side[1:] = (np.diff(design.ring[one]) != 0) | (np.diff(design.ring[other]) != 0)
    breaks = side.copy()
    step = np.linalg.norm(design.skin[design.following] - design.skin, axis=1)
    run = np.cumsum(step) - step  # way along all rings, one after the other
    breaks[1:] |= np.diff(run[one]) > _TOGETHER_MM
    stretch = np.cumsum(breaks) - 1
    # one that runs over the ring's first point is the first and the last of its side
    first = np.flatnonzero(side)
    last = np.append(first[1:], len(one)) - 1
    round_mm = np.bincount(design.ring, step)[design.ring[one[first]]]
    whole = run[one[first]] + round_mm - run[one[last]] <= _TOGETHER_MM
    renamed = np.arange(int(stretch.max()) + 1)
    renamed[stretch[last[whole]]] = stretch[first[whole]]
    found: Ints = np.unique(renamed[stretch], return_inverse=True)[1].reshape(-1)
    return found


def _twins(one: Ints, ring: Ints, other: Ints, facing: Ints, stretch: Ints, best: Ints) -> Ints:
    """Return for each stretch the one on the other side of the same web, or itself if there is none."""
    home = dict(zip(zip(one.tolist(), facing.tolist(), strict=True), stretch.tolist(), strict=True))
    ends = zip(other[best].tolist(), ring[best].tolist(), strict=True)
    return np.array([home.get(end, k) for k, end in enumerate(ends)], int)


def _point_to_line_mm(design: DesignOnSkin, one: Ints, other: Ints) -> Floats:
    """Return the distance of two points, each also against the pieces of line beside the other."""
    skin = design.skin
    found: Floats = np.linalg.norm(skin[one] - skin[other], axis=1)
    for point, end in ((one, other), (other, one)):
        for beside in (design.following[end], design.previous[end]):
            along = skin[beside] - skin[end]
            away = skin[point] - skin[end]
            share = np.einsum("ij,ij->i", away, along) / np.maximum(
                np.einsum("ij,ij->i", along, along), 1e-12
            )
            off = away - np.clip(share, 0.0, 1.0)[:, None] * along
            found = np.minimum(found, np.linalg.norm(off, axis=1))
    return found
