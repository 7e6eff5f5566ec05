r"""What becomes of the material that an outline cuts free? It hangs on tabs, or is cut away in rings.

A long slug would come loose under a turning cutter, so it is left hanging: at a few places the last levels
rise and leave some of the wall standing on its inner side, to be cut by hand::

    skin  ------------------------------        seen along the outline; L = tab + cutter's diameter,
                                                for the cutter's round widens what it cuts
    wall            .--- L ---.
          __________|         |_________   deepest level: wall + overshoot

Two tabs of 6 x 4 mm hold 2 x 24 mm2 x 0.25 MPa = 12 N, the side force of a sharp cutter and a little over
(calculated from the strength that bridges are judged by). A short slug is cut away altogether: rings from its
middle outwards, linked to one run with the outline as its last.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import combinations

import numpy as np
import shapely
from shapely import LineString, Polygon

from engine.flatten import FlatRegion
from engine.offset import Offset
from engine.records import Bools, Cutter, Finding, Floats, Ints, Rules, Severity

_TWO_TABS_MM = 40.0  # a longer slug has three, as an island has bridges
_SLIVER = 0.5  # of the cutter's diameter: a thinner slug breaks off its tabs and is cut away
_PHASES = 12  # ways to lay tabs along an outline that are tried
_ROOM = 1.5  # a tab needs this many of its lengths of outline
_STEEP_MM = 0.1  # along the outline, over which a cutter that may plunge goes down beside a tab
# cotangent of 17 deg: how a cutter that must not plunge goes down there; inside the wall, where its way is
# shorter than on the skin, that makes some 20 deg
_SHALLOW = 3.3
_TAB_STEP_MM = 0.8  # between the places along a tab that are kept, so that it can be looked for
_THICK = (
    0.8  # of the slug's own half width, but no more than a cutter's radius: a tab stands on no thinner tip
)
_NEAR = 1.05  # a vertex this many radii from a slug runs beside it


@dataclass(frozen=True, slots=True, eq=False)
class Run:
    """One line for the cutter's axis on the sheet."""

    kind: str  # outline, pocket or centre line
    line: Floats  # (n, 3) x, y [mm] and 1 where the cutter rises over a tab, 0 where it does not
    closed: bool
    tabs: Floats = field(default_factory=lambda: np.zeros((0, 1, 3)))
    """(k, m, 3) places along each tab as in `line`, its middle among them [mm]."""
    slug_mm: float = 0.0  # length of what hangs on them


def tab_height_mm(wall_mm: Floats, rules: Rules) -> Floats:
    """Return how much of a wall [mm] is left standing at a tab: no more than half of it [mm]."""
    found: Floats = np.minimum(rules.tab_height_mm, 0.5 * np.asarray(wall_mm, float))
    return found


def tab_length_mm(cutter: Cutter, rules: Rules) -> float:
    """Return along how much of its line a cutter must rise to leave a tab [mm]."""
    return rules.tab_width_mm + cutter.diameter_mm


def flank_mm(cutter: Cutter, rules: Rules) -> float:
    """Return along how much of its line a cutter goes down beside a tab [mm]."""
    rise = rules.tab_height_mm + rules.overshoot_mm
    return _STEEP_MM if cutter.centre_cutting else _SHALLOW * rise


def runs_of(flat: FlatRegion, offset: Offset, cutter: Cutter, rules: Rules) -> list[Run]:
    """Return the runs that cut one opening: outlines with their tabs or rings, and centre lines.

    Parameters
    ----------
    flat : FlatRegion
        The opening, laid flat.
    offset : Offset
        Its outlines and centre lines for this cutter.
    cutter : Cutter
        Its diameter, and whether it may plunge.
    rules : Rules
        Tabs and rings.
    """
    plane = [flat.to_plane(ring) for ring in offset.contours]
    rounds = [Polygon(ring) for ring in plane]
    inner = [
        any(i != k and other.contains(one) for k, other in enumerate(rounds)) for i, one in enumerate(rounds)
    ]
    runs: list[Run] = []
    for one, sheet, is_inner in zip(rounds, offset.contours, inner, strict=True):
        holed = any(other is not one and one.contains(other) for other in rounds)
        slugs = [] if is_inner or not one.is_valid else _slugs(one, cutter)
        whole = Run("outline", np.column_stack([sheet, np.zeros(len(sheet))]), True)
        large = [slug for slug in slugs if not _is_cut_away(slug, cutter, rules) or holed]
        small = [slug for slug in slugs if slug not in large]
        if rules.pocket_stepover > 0 and slugs and not large:
            runs += _pocketed(flat, one, cutter, rules)
        elif rules.tab_width_mm > 0 and large:
            runs.append(_tabbed(flat, one, large, whole, cutter, rules))
            runs += [run for slug in small for run in _rings_within(flat, one, slug, cutter, rules)]
        else:
            runs.append(whole)
    runs += [Run("centre line", np.column_stack([s, np.zeros(len(s))]), False) for s in offset.centre_lines]
    return runs


def slugs_mm(flat: FlatRegion, offset: Offset, cutter: Cutter) -> list[float]:
    """Return the lengths of what an opening's outlines cut free, were nothing done about it [mm]."""
    rounds = [Polygon(flat.to_plane(ring)) for ring in offset.contours]
    return [_size(slug)[0] for one in rounds if one.is_valid for slug in _slugs(one, cutter)]


def _slugs(one: Polygon, cutter: Cutter) -> list[Polygon]:
    left = one.buffer(-cutter.radius_mm, quad_segs=8)
    return [part for part in shapely.get_parts(left) if isinstance(part, Polygon) and not part.is_empty]


def _size(slug: Polygon) -> tuple[float, float]:
    """Return length and width of the smallest box, turned as may be, about a slug [mm]."""
    box = shapely.get_coordinates(shapely.minimum_rotated_rectangle(slug))
    if len(box) < 4:
        return float(slug.length / 2), 0.0
    sides = np.linalg.norm(np.diff(box[:3], axis=0), axis=1)
    return float(sides.max()), float(sides.min())


def _is_cut_away(slug: Polygon, cutter: Cutter, rules: Rules) -> bool:
    longest, _ = _size(slug)
    if longest <= rules.slug_mm:
        return True
    return bool(slug.buffer(-_SLIVER * cutter.radius_mm).is_empty)


# --- cut away ------------------------------------------------------------------------------------------


def _rings(slug: Polygon, cutter: Cutter, rules: Rules) -> list[Floats]:
    """Return closed rings of the axis over an area that it must reach all of, the innermost first."""
    step = rules.pocket_stepover * cutter.diameter_mm
    found: list[Floats] = []
    area = slug
    while not area.is_empty:
        for part in shapely.get_parts(area):
            if isinstance(part, Polygon) and not part.is_empty:
                ring = part.exterior.simplify(rules.chord_tolerance_mm).segmentize(rules.point_spacing_mm)
                found.insert(0, shapely.get_coordinates(ring)[:-1])
        area = area.buffer(-step, quad_segs=8)
    return found


def _pocketed(flat: FlatRegion, one: Polygon, cutter: Cutter, rules: Rules) -> list[Run]:
    """Return rings from the middle out to the outline itself, as one run where they can be linked."""
    step = rules.pocket_stepover * cutter.diameter_mm
    rings: list[Floats] = []
    for part in shapely.get_parts(one.buffer(-step, quad_segs=8)):
        if isinstance(part, Polygon) and not part.is_empty:
            rings += _rings(part, cutter, rules)
    return _linked(flat, one, [*rings, shapely.get_coordinates(one.exterior)[:-1]], rules)


def _rings_within(flat: FlatRegion, one: Polygon, slug: Polygon, cutter: Cutter, rules: Rules) -> list[Run]:
    """Return rings over one slug alone, beside others that hang on tabs."""
    if rules.pocket_stepover <= 0:
        return []
    step = rules.pocket_stepover * cutter.diameter_mm
    near = one.buffer(-step, quad_segs=8).intersection(slug.buffer(cutter.radius_mm))
    rings: list[Floats] = []
    for part in shapely.get_parts(near):
        if isinstance(part, Polygon) and not part.is_empty:
            rings += _rings(part, cutter, rules)
    return _linked(flat, one, rings, rules)


def _linked(flat: FlatRegion, one: Polygon, rings: Sequence[Floats], rules: Rules) -> list[Run]:
    """Join rings to runs, from each to the nearest place of the next; never by a way outside the outline."""
    allowed = one.buffer(1e-6)
    shapely.prepare(allowed)
    ways: list[list[Floats]] = []
    for ring in rings:
        last = ways[-1][-1][-1] if ways else ring[0]
        first = int(np.argmin(np.linalg.norm(ring - last, axis=1)))
        turned = np.concatenate([ring[first:], ring[: first + 1]])
        link = LineString([last, turned[0]])
        if ways and allowed.covers(link):
            between = shapely.get_coordinates(link.segmentize(rules.point_spacing_mm))[1:-1]
            ways[-1] += [between, turned] if len(between) else [turned]
        else:
            ways.append([turned])
    lines = [flat.to_sheet(np.concatenate(way)) for way in ways]
    return [Run("pocket", np.column_stack([line, np.zeros(len(line))]), False) for line in lines]


# --- tabs ----------------------------------------------------------------------------------------------


def _tabbed(
    flat: FlatRegion, one: Polygon, slugs: Sequence[Polygon], whole: Run, cutter: Cutter, rules: Rules
) -> Run:
    """Return an outline that rises over tabs at every slug; without where there is no room for any."""
    ring = one.exterior
    places = np.concatenate([_places(ring, slug, cutter, rules) for slug in slugs])
    if not len(places):
        return whole
    half, flank = tab_length_mm(cutter, rules) / 2, flank_mm(cutter, rules)
    around = np.arange(-1, 2)[:, None] * ring.length
    edges = places[:, None] + np.array([-half - flank, -half, 0.0, half, half + flank])
    own = np.array([ring.project(shapely.Point(p)) for p in shapely.get_coordinates(ring)[:-1]])
    at = np.unique(np.round(np.remainder(np.concatenate([own, edges.ravel()]), ring.length), 6))
    away = np.abs(at[:, None, None] - (places + around)).min(axis=(1, 2))
    raised = np.clip((half + flank - away) / flank, 0.0, 1.0)
    points = shapely.get_coordinates(shapely.line_interpolate_point(ring, at))
    along = np.linspace(-half - flank, half + flank, 2 * int(np.ceil((half + flank) / _TAB_STEP_MM)) + 1)
    over = np.remainder(places[:, None] + along, ring.length)
    tabs = flat.to_sheet(shapely.get_coordinates(shapely.line_interpolate_point(ring, over.ravel())))
    up = np.tile(np.clip((half + flank - np.abs(along)) / flank, 0.0, 1.0), len(places))
    return Run(
        "outline",
        np.column_stack([flat.to_sheet(points), raised]),
        True,
        np.column_stack([tabs, up]).reshape(len(places), len(along), 3),
        max(_size(slug)[0] for slug in slugs),
    )


def _places(ring: shapely.LinearRing, slug: Polygon, cutter: Cutter, rules: Rules) -> Floats:
    """Return where along an outline the tabs of one slug stand: evenly, and where it bends least."""
    length = ring.length
    count = max(64, int(length))
    at = np.arange(count) * length / count
    points = shapely.line_interpolate_point(ring, at)
    inside = shapely.maximum_inscribed_circle(slug, tolerance=0.1).length
    thick = min(_THICK * inside, cutter.radius_mm)
    body = slug.buffer(-thick, quad_segs=8).buffer(thick, quad_segs=8)
    beside = shapely.distance(points, body) <= _NEAR * cutter.radius_mm + 0.05
    room = float(np.mean(beside)) * length
    needed = _ROOM * (tab_length_mm(cutter, rules) + 2 * flank_mm(cutter, rules))
    wanted = 2 if _size(slug)[0] <= _TWO_TABS_MM else 3
    tabs = min(wanted, int(room / needed))
    if tabs < 1:
        return np.zeros(0)
    here = np.flatnonzero(beside)
    bend = _bends(shapely.get_coordinates(points), tab_length_mm(cutter, rules) / (length / count))
    picks = [
        here[((np.arange(tabs) + phase / _PHASES) * len(here) / tabs).astype(int) % len(here)]
        for phase in range(_PHASES)
    ]
    where = shapely.get_coordinates(points)

    def worse(pick: Ints) -> tuple[float, float]:
        apart = [float(np.linalg.norm(where[a] - where[b])) for a, b in combinations(pick, 2)]
        return round(float(bend[pick].max()), 1), -min(apart, default=0.0)

    found: Floats = at[min(picks, key=worse)]
    return found


def _bends(points: Floats, window: float) -> Floats:
    """Return by how much a closed line turns within a window of samples about each of them [rad]."""
    step = np.roll(points, -1, axis=0) - points
    heading = np.arctan2(step[:, 1], step[:, 0])
    turn = np.abs(np.remainder(np.diff(heading, append=heading[0]) + np.pi, 2 * np.pi) - np.pi)
    reach = max(1, int(np.ceil(window / 2)))
    found: Floats = np.sum([np.roll(turn, k) for k in range(-reach, reach + 1)], axis=0)
    return found


# --- what is said --------------------------------------------------------------------------------------


def slug_findings(
    runs: Sequence[tuple[str, Run]], loose: Sequence[tuple[str, float]], rules: Rules
) -> list[Finding]:
    """Tell which slugs hang on tabs that must be cut by hand, and which come free.

    Parameters
    ----------
    runs : sequence of (str, Run)
        Every run with its region's name.
    loose : sequence of (str, float)
        Slugs that nothing holds, by region, with their length [mm].
    rules : Rules
        Width and height of tabs, and how long a slug may be that comes free.
    """
    found = []
    hung = [(name, run) for name, run in runs if len(run.tabs)]
    if hung:
        tabs = sum(len(run.tabs) for _, run in hung)
        place, longest = max(hung, key=lambda pair: pair[1].slug_mm)
        found.append(
            Finding(
                Severity.NOTE,
                "slug tabs",
                f"{len(hung)} slug{'s' * (len(hung) > 1)} longer than {rules.slug_mm:g} mm hang"
                f"{'s' * (len(hung) == 1)} on {tabs} tabs of "
                f"{rules.tab_width_mm:g} x {rules.tab_height_mm:g} mm, "
                f"to be cut by hand; the longest is {longest.slug_mm:.0f} mm ({place})",
                "cut the tabs by hand when the spindle stands still and the machine is isolated",
                place=place,
                measured=round(longest.slug_mm, 1),
                allowed=rules.slug_mm,
                unit="mm",
            )
        )
    free = [(name, size) for name, size in loose if size > rules.slug_mm]
    if free:
        place, size = max(free, key=lambda pair: pair[1])
        found.append(
            Finding(
                Severity.NOTE,
                "loose slug",
                f"{len(free)} slug{'s' if len(free) > 1 else ''} longer than {rules.slug_mm:.0f} mm "
                f"come{'s' if len(free) == 1 else ''} free, the longest {size:.0f} mm ({place})",
                "stop and isolate the machine before reaching in to take them out",
                place=place,
                measured=size,
                allowed=rules.slug_mm,
                unit="mm",
            )
        )
    return found


def is_raised(line: Floats) -> Bools:
    """Return which vertices of a run's line (n, 3) [mm] rise over a tab."""
    found: Bools = line[:, 2] > 0
    return found
