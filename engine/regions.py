"""Will what is left between the openings hold, and can it be cut? Rules of the trade, judged on the skin.

Every width is measured after mapping, in millimetres on the skin, because a design shrinks towards the poles.
Each rule is one function that returns findings, the worst first.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from functools import lru_cache

import numpy as np
import shapely

from engine.chart import to_sphere
from engine.design_on_skin import DesignOnSkin, at_true_scale, finding, mapped, shortened
from engine.frames import lonlat_of
from engine.legibility import fine_slots, letters
from engine.open_area import areas_between, box_mm2, fullest_rings, lowest_ring, zones_of
from engine.placing import (
    above_base,
    keep_outs,
    latitudes,
    once_round,
    overhangs,
    seen_from_one_side,
    unknown_skin,
)
from engine.records import (
    Chart,
    Cutter,
    CutterForm,
    Finding,
    Floats,
    KeepOut,
    Layers,
    Rules,
    Severity,
    Surface,
    Treatment,
    Wall,
)
from engine.valleys import rib_valleys
from engine.wall import wall_at
from engine.webs import WEB_BY_KIND_MM, Webs, bridge_minimum_mm, find_webs, web_minimum_mm

__all__ = ["bridge_minimum_mm", "judge_regions", "skin_outlines", "web_minimum_mm"]

# thinner than this no bridge of fresh flesh survives unloading (common practice); half the computed width
# carries a quarter of the load, less than the factor 2 that the strength was taken with
_THINNEST_BRIDGE_MM = 4.0
_REFUSED_SHARE = 0.5
_SMALL_BOX = 0.05  # a picture's box below this share of the piece may be one window, open altogether


def judge_regions(
    layers: Layers,
    chart: Chart,
    surface: Surface,
    wall: Wall,
    cutters: Sequence[Cutter],
    rules: Rules,
    keep_outs: Sequence[KeepOut] = (),
) -> tuple[Finding, ...]:
    """Return what is wrong with a design at its place on the piece, the worst first.

    Parameters
    ----------
    layers : Layers
        The design on the sheet.
    chart : Chart
        Where it lies on the skin.
    surface : Surface
        The fitted skin.
    wall : Wall
        Wall readings.
    cutters : sequence of Cutter
        The cutters of the job.
    rules : Rules
        Limits of the trade.
    keep_outs : sequence of KeepOut
        Places that no cut may come near.
    """
    design = mapped(layers, chart, surface, wall, tuple(cutters), rules, tuple(keep_outs))
    found = [shortened(rule(design)) for rule in _RULES]
    order = list(Severity)[::-1]
    return tuple(sorted((f for some in found for f in some), key=lambda f: order.index(f.severity)))


def skin_outlines(layers: Layers, chart: Chart, *, step_mm: float = 0.5) -> tuple[shapely.Polygon, ...]:
    """Return the openings and shaved regions on the skin, in the order of the design's regions.

    Parameters
    ----------
    layers : Layers
        The design on the sheet.
    chart : Chart
        Where it lies on the skin.
    step_mm : float
        Longest step between points on the sheet [mm].

    Returns
    -------
    tuple of Polygon
        x is longitude, unbroken about the design's own, y is latitude [rad].
    """
    cut = [r.polygon for r in layers.regions if r.treatment in (Treatment.OPENING, Treatment.SHAVE)]
    if not cut:
        return ()
    fine = shapely.segmentize(np.array(cut, object), step_mm)
    mapped = np.stack(to_sphere(chart, shapely.get_coordinates(fine)), axis=1)
    return tuple(shapely.set_coordinates(fine, mapped).tolist())


# --- rules ---------------------------------------------------------------------------------------------


def _islands(design: DesignOnSkin) -> list[Finding]:
    """Refuse each hole in an opening: the material inside hangs on nothing and falls out."""
    found = []
    opening = design.is_opening()
    for ring in np.flatnonzero(design.outer == 0):
        region = int(design.ring_region[ring])
        if not opening[region]:
            continue
        inside = slice(int(design.starts[ring]), int(design.starts[ring + 1]))
        size = _across(design.skin[inside])
        outline = np.flatnonzero((design.region == region) & (design.ring != ring))
        gap = _nearest_mm(design.skin[inside], design.skin[outline])
        middle = design.skin[inside].mean(axis=0)
        wall = float(wall_at(design.wall, middle[None, :])[0])
        width = math.ceil(2 * bridge_minimum_mm(gap, wall, design.rules)) / 2
        bridges = 1 if size < 15.0 else 2 if size <= 40.0 else 3
        found.append(
            finding(
                Severity.REFUSE,
                "free island",
                f"an island of {size:.0f} mm in {design.named(region)} hangs on nothing and would fall out",
                f"add {bridges} bridge{'s' * (bridges > 1)} of {width:g} mm",
                at=np.array(lonlat_of(middle)),
                place=design.named(region),
                measured=round(size, 1),
                allowed=0.0,
                unit="mm",
            )
        )
    return sorted(found, key=lambda f: -(f.measured or 0.0))


def _across(points: Floats) -> float:
    """Return the largest distance between some 60 of the points [mm]."""
    some = points[:: max(1, len(points) // 60)]
    return float(np.linalg.norm(some[:, None] - some, axis=2).max())


def _nearest_mm(points: Floats, others: Floats) -> float:
    from scipy.spatial import cKDTree

    return float(np.min(cKDTree(others).query(points)[0]))


def _bridges(design: DesignOnSkin) -> list[Finding]:
    """Refuse or warn of material between openings that is narrower than a bridge or a web must be."""
    webs = _webs_of(design)
    found = []
    for k in np.argsort(webs.width_mm):
        width, length = float(webs.width_mm[k]), float(webs.length_mm[k])
        middle = (design.skin[webs.one[k]] + design.skin[webs.other[k]]) / 2
        wall = float(webs.wall_mm[k])
        bridge, web = bridge_minimum_mm(length, wall, design.rules), web_minimum_mm(wall, design.rules)
        if width >= max(bridge, web):
            continue
        fresh = 0.0 if design.rules.kind in WEB_BY_KIND_MM else _THINNEST_BRIDGE_MM
        refused_below = max(fresh, _REFUSED_SHARE * bridge)
        one, other = (design.named(int(design.region[i])) for i in (webs.one[k], webs.other[k]))
        place = f"{one} and {other}" if one != other else f"{one} and itself"
        narrow = "bridge" if width < bridge else "web"
        needed = bridge if width < bridge else web
        along = f"{length:.0f} mm long, wall {wall:.0f} mm"
        found.append(
            finding(
                Severity.REFUSE if width < refused_below else Severity.WARN,
                f"{narrow} width",
                f"the {narrow} between {place} is {width:.1f} mm wide ({along}), needed are {needed:.1f} mm",
                f"move the openings {max(needed - width, 0.1):.1f} mm apart or make the design larger",
                at=np.array(lonlat_of(middle)),
                place=place,
                measured=round(width, 2),
                allowed=round(needed, 2),
                unit="mm",
            )
        )
    return found


@lru_cache(maxsize=1)  # two rules look at the same webs
def _webs_of(design: DesignOnSkin) -> Webs:
    return find_webs(design)


def _valleys(design: DesignOnSkin) -> list[Finding]:
    """Warn of bridges and relief edges in rib valleys."""
    return rib_valleys(design, _webs_of(design))


def _open_shares(design: DesignOnSkin) -> list[Finding]:
    """Warn when too much of the piece, of the picture's box, or of any ring round the piece is open."""
    opening = np.array(design.is_opening(), bool)
    if not opening.any():
        return []
    zones = zones_of(design.chart)
    low, high = float(zones.area[0]), float(zones.area[-1])
    mine = opening[design.region]
    open_mm2 = float(areas_between(design, zones, mine, np.array([low]), np.array([high]))[0])
    caps = math.pi * float(design.chart.parallel_mm[0] ** 2 + design.chart.parallel_mm[-1] ** 2)
    skin_mm2, boxed_mm2 = 2 * math.pi * (high - low) + caps, box_mm2(design, zones, mine)
    piece = open_mm2 / skin_mm2
    box = open_mm2 / boxed_mm2 if boxed_mm2 > _SMALL_BOX * skin_mm2 else 0.0
    rules = design.rules
    found = []
    shares = [
        ("of the piece", piece, rules.open_share_piece, None),
        ("of the picture's box", box, rules.open_share_picture, None),
        *fullest_rings(design, zones, mine),
        lowest_ring(design, zones, mine),
    ]
    for where, share, allowed, latitude in shares:
        if share > allowed:
            found.append(
                finding(
                    Severity.WARN,
                    "open share",
                    f"{100 * share:.0f} % {where} is open, advised are {100 * allowed:.0f} %",
                    "leave more material between the openings",
                    at=None
                    if latitude is None
                    else np.array([design.chart.placement.longitude_rad, latitude]),
                    place=where,
                    measured=round(100 * share, 1),
                    allowed=round(100 * allowed, 1),
                    unit="%",
                )
            )
    return found


def _slots(design: DesignOnSkin) -> list[Finding]:
    """Warn of openings that the smallest cutter does not enter: it will run along their centre line."""
    cutters = opening_cutters(design.cutters)
    openings = [k for k, is_opening in enumerate(design.is_opening()) if is_opening]
    if not cutters or not openings:
        return []
    smallest = min(cutters, key=lambda cutter: cutter.diameter_mm)
    needed = smallest.diameter_mm + design.rules.slot_spare_mm
    true = at_true_scale(design, openings)
    entered = shapely.buffer(true, -needed / 2, quad_segs=4)
    regrown = shapely.buffer(entered, needed / 2 * 1.05, quad_segs=4)
    narrow_mm2 = [
        max((part.area for part in shapely.get_parts(rest)), default=0.0)
        for rest in shapely.difference(true, regrown)
    ]
    found = []
    for k, polygon, inside, rest in zip(openings, true, entered, narrow_mm2, strict=True):
        # what a round cutter leaves in a sharp corner is smaller than the square about it
        if not inside.is_empty and rest < needed**2:
            continue
        width = 2 * shapely.maximum_inscribed_circle(polygon, tolerance=0.05).length
        whole = inside.is_empty
        part = f"is at most {width:.1f} mm wide" if whole else "has parts narrower than that"
        middle = design.points_of(k)
        found.append(
            finding(
                Severity.WARN,
                "slot width",
                f"{design.named(k)} {part}, cutter {smallest.name} needs {needed:.1f} mm; "
                "it will run along the centre line",
                "use a smaller cutter or widen the opening",
                at=np.array(lonlat_of(design.skin[middle].mean(axis=0))),
                place=design.named(k),
                measured=round(width, 2) if whole else None,
                allowed=round(needed, 2),
                unit="mm",
            )
        )
    return sorted(found, key=lambda f: f.measured if f.measured is not None else math.inf)


def _reach(design: DesignOnSkin) -> list[Finding]:
    """Refuse openings that no cutter's flutes reach through, and warn of the cutters that are too short."""
    opening = np.array(design.is_opening(), bool)
    if not opening.any():
        return []
    cutters = opening_cutters(design.cutters)
    if not cutters:
        text = "there are openings, but no flat or ball cutter to cut them"
        return [finding(Severity.REFUSE, "cutter reach", text, "add a flat cutter")]
    at = np.flatnonzero(opening[design.region])[::3]
    walls = wall_at(design.wall, design.unit[at])
    thickest = int(np.argmax(walls))
    needed = float(walls[thickest]) + design.rules.overshoot_mm + design.rules.reach_spare_mm
    short = [cutter for cutter in cutters if cutter.flute_length_mm < needed]
    if not short:
        return []
    names = ", ".join(f"{cutter.name} ({cutter.flute_length_mm:g} mm)" for cutter in short)
    none_reaches = len(short) == len(cutters)
    place = design.named(int(design.region[at[thickest]]))
    return [
        finding(
            Severity.REFUSE if none_reaches else Severity.WARN,
            "cutter reach",
            f"flutes of {names} are too short for {place}: wall {walls[thickest]:.1f} mm and spare "
            f"need {needed:.1f} mm",
            "use a cutter with longer flutes or thin the wall",
            at=np.array(lonlat_of(design.unit[at[thickest]])),
            place=place,
            measured=max(cutter.flute_length_mm for cutter in short),
            allowed=round(needed, 2),
            unit="mm",
        )
    ]


_RULES: tuple[Callable[[DesignOnSkin], list[Finding]], ...] = (
    _islands,
    once_round,
    _bridges,
    _reach,
    latitudes,
    overhangs,
    keep_outs,
    unknown_skin,
    _open_shares,
    above_base,
    seen_from_one_side,
    _slots,
    _valleys,
    letters,
    fine_slots,
)


def opening_cutters(cutters: Sequence[Cutter]) -> list[Cutter]:
    """Return the cutters for openings: the flat ones, or the ball ones where there is no flat one."""
    flat = [cutter for cutter in cutters if cutter.form == CutterForm.FLAT]
    return flat or [cutter for cutter in cutters if cutter.form == CutterForm.BALL]
