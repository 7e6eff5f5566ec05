"""Will what is left between the openings hold, and can it be cut? Rules of the trade, judged on the skin.

Every width is measured after mapping, in millimetres on the skin, because a design shrinks towards the poles.
Each rule is one function that returns findings, the worst first.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
import shapely

from engine.chart import to_sphere
from engine.frames import lonlat_of, unit_of
from engine.records import (
    Chart,
    Cutter,
    CutterForm,
    Finding,
    Floats,
    Ints,
    Layers,
    Region,
    Rules,
    Severity,
    Surface,
    Treatment,
    Wall,
)
from engine.surface import deviation_at, points_at
from engine.wall import wall_at

_SPACING_MM = 1.0  # of boundary points on the sheet
_LONGEST_SEARCH_MM = 15.0  # no web wider than this is looked at
_TOGETHER_MM = 4.0  # boundary points closer than this belong to one stretch
_LONG_BRIDGE_MM = 100.0  # sets how far to look for neighbours
# thinner than this no bridge of fresh flesh survives unloading (common practice); half the computed width
# carries a quarter of the load, less than the factor 2 that the strength was taken with
_THINNEST_BRIDGE_MM = 4.0
_REFUSED_SHARE = 0.5
_WEB_BY_KIND_MM = {"turnip": 5.0, "gourd": 3.0}  # common practice; the load formula is for squash
_FACING = 0.3  # cosine between a web's direction and the normals of the edges on its two sides
_TONGUE = 4.0  # a tongue of material shorter than this many of its widths is a point, not a bridge
_POCKET_MM2 = 20.0  # an outline whose hollows are smaller in sum holds no neck worth judging
_RING_SHARE = 0.60  # open share of a ring all round; common practice
_RING_MM = 20.0
_SMALL_BOX = 0.05  # a picture's box below this share of the piece may be one window, open altogether
_UNKNOWN_WARN_MM, _UNKNOWN_STOP_MM = 1.0, 2.5
_MOST_ALIKE = 8  # findings of one rule and severity that are listed one by one


def judge_regions(
    layers: Layers, chart: Chart, surface: Surface, wall: Wall, cutters: Sequence[Cutter], rules: Rules
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
    """
    design = _mapped(layers, chart, surface, wall, tuple(cutters), rules)
    found = [_shortened(rule(design)) for rule in _RULES]
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
    if rules.kind in _WEB_BY_KIND_MM:
        return _WEB_BY_KIND_MM[rules.kind]
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
    return _WEB_BY_KIND_MM.get(rules.kind, max(rules.web_floor_mm, rules.web_share_of_wall * wall_mm))


# --- the design on the skin ------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class _Design:
    """All boundary points of what is cut, on the sheet and on the skin, with what they belong to.

    Points follow each other along their rings; outer rings run counter-clockwise on the sheet, holes
    clockwise, so that the material is always to the right.
    """

    layers: Layers
    chart: Chart
    surface: Surface
    wall: Wall
    cutters: tuple[Cutter, ...]
    rules: Rules
    regions: tuple[Region, ...]  # all but keep; `n` points of `rings` rings
    sheet: Floats  # (n, 2)
    longitude: Floats  # (n,)
    latitude: Floats  # (n,)
    unit: Floats  # (n, 3)
    skin: Floats  # (n, 3)
    region: Ints  # (n,) index in `regions`
    ring: Ints  # (n,)
    following: Ints  # (n,) index of the next point of the ring
    previous: Ints  # (n,)
    starts: Ints  # (rings + 1,) first point of each ring
    ring_region: Ints  # (rings,)
    outer: Ints  # (rings,) 1 = outline, 0 = hole
    tones: Floats  # (k, 2) longitude and latitude of the tone picture's rim

    def named(self, region: int) -> str:
        return self.regions[region].name

    def is_opening(self) -> list[bool]:
        return [region.treatment == Treatment.OPENING for region in self.regions]

    def points_of(self, region: int) -> Ints:
        return np.flatnonzero(self.region == region)


def _mapped(
    layers: Layers, chart: Chart, surface: Surface, wall: Wall, cutters: tuple[Cutter, ...], rules: Rules
) -> _Design:
    regions = tuple(r for r in layers.regions if r.treatment != Treatment.KEEP)
    polygons = shapely.orient_polygons(np.array([r.polygon for r in regions], object))
    rings, ring_region = shapely.get_rings(polygons, return_index=True)
    outer = np.diff(ring_region, prepend=-1) > 0
    sheet, ring = shapely.get_coordinates(shapely.segmentize(rings, _SPACING_MM), return_index=True)
    first = np.diff(ring, prepend=-1) > 0  # the first point of a ring comes again as its last
    sheet, ring = sheet[~first], ring[~first]
    starts = np.searchsorted(ring, np.arange(len(rings) + 1))
    following, previous = np.arange(len(ring)) + 1, np.arange(len(ring)) - 1
    following[starts[1:] - 1], previous[starts[:-1]] = starts[:-1], starts[1:] - 1
    rim = _tone_rim(layers)
    longitude, latitude = to_sphere(chart, np.concatenate([sheet, rim]))
    n = len(sheet)
    unit = unit_of(longitude[:n], latitude[:n])
    return _Design(
        layers=layers,
        chart=chart,
        surface=surface,
        wall=wall,
        cutters=cutters,
        rules=rules,
        regions=regions,
        sheet=sheet,
        longitude=longitude[:n],
        latitude=latitude[:n],
        unit=unit,
        skin=points_at(surface, unit),
        region=ring_region[ring],
        ring=ring,
        following=following,
        previous=previous,
        starts=starts,
        ring_region=ring_region,
        outer=outer.astype(np.int64),
        tones=np.stack([longitude[n:], latitude[n:]], axis=1),
    )


def _tone_rim(layers: Layers) -> Floats:
    """Return the first and last cut pixel of each row and column of the tone picture, on the sheet."""
    if layers.tones is None or not layers.tones.mask.any():
        return np.zeros((0, 2))
    mask, pixel = layers.tones.mask, layers.tones.pixel_mm
    rows, columns = np.flatnonzero(mask.any(axis=1)), np.flatnonzero(mask.any(axis=0))
    rim_rows = np.concatenate([rows, rows, mask.argmax(axis=0)[columns]])
    rim_columns = np.concatenate(
        [mask.argmax(axis=1)[rows], mask.shape[1] - 1 - mask[:, ::-1].argmax(axis=1)[rows], columns]
    )
    rim_rows = np.concatenate([rim_rows, mask.shape[0] - 1 - mask[::-1].argmax(axis=0)[columns]])
    rim_columns = np.concatenate([rim_columns, columns])
    x = (rim_columns + 0.5 - mask.shape[1] / 2) * pixel
    y = (mask.shape[0] / 2 - rim_rows - 0.5) * pixel
    return np.stack([x, y], axis=1)


def _finding(
    severity: Severity, rule: str, text: str, fix: str, *, at: Floats | None = None, **more: object
) -> Finding:
    """Build a finding; `at` is a longitude and latitude in radians."""
    where: dict[str, object] = {}
    if at is not None:
        longitude = math.degrees(math.remainder(float(at[0]), 2 * math.pi))
        where = {"longitude_deg": round(longitude, 2), "latitude_deg": round(math.degrees(float(at[1])), 2)}
    return Finding(severity, rule, text, fix, **where, **more)  # type: ignore[arg-type]


def _shortened(findings: list[Finding]) -> list[Finding]:
    """List the worst few of a rule one by one and count the rest."""
    kept: list[Finding] = []
    for severity in Severity:
        alike = [f for f in findings if f.severity == severity]
        kept += alike[:_MOST_ALIKE]
        more = len(alike) - _MOST_ALIKE
        if more > 0:
            last = alike[-1]
            text = f"{more} more of this kind, the mildest: {last.text}"
            kept.append(replace(last, text=text, place=f"{more} more"))
    return kept


# --- rules ---------------------------------------------------------------------------------------------


def _latitudes(design: _Design) -> list[Finding]:
    """Refuse or warn of each region that reaches too far towards a pole, where the design shrinks."""
    rules = design.rules
    at = np.stack([design.longitude, design.latitude], axis=1)
    parts = [(region.name, at[design.points_of(k)]) for k, region in enumerate(design.regions)]
    if len(design.tones):
        parts.append(("tones", design.tones))
    found = []
    for name, points in parts:
        worst = points[np.argmax(np.abs(points[:, 1]))]
        reached = math.degrees(abs(float(worst[1])))
        if reached <= rules.latitude_warn_deg:
            continue
        stop = reached > rules.latitude_stop_deg
        allowed = rules.latitude_stop_deg if stop else rules.latitude_warn_deg
        word = "allowed" if stop else "advised"
        text = f"{name} reaches latitude {reached:.1f} deg, {word} is {allowed:g} deg"
        found.append(
            _finding(
                Severity.REFUSE if stop else Severity.WARN,
                "latitude",
                text,
                "make the design smaller or place it nearer the middle",
                at=worst,
                place=name,
                measured=round(reached, 2),
                allowed=allowed,
                unit="deg",
            )
        )
    return sorted(found, key=lambda f: -(f.measured or 0.0))


def _once_round(design: _Design) -> list[Finding]:
    """Refuse a design that goes round the piece more than once, or an opening that goes all the way."""
    extents = [("the design", design.longitude)] if len(design.longitude) else []
    extents += [
        (region.name, design.longitude[design.points_of(k)])
        for k, region in enumerate(design.regions)
        if region.treatment == Treatment.OPENING
    ]
    found = []
    for name, longitude in extents:
        reach = math.degrees(float(np.ptp(longitude)))
        whole = name == "the design"
        if reach > 360.0 + 1e-6 or (not whole and reach > 360.0 - 1e-6):
            reason = "it would be cut over itself" if whole else "the piece would come apart"
            found.append(
                _finding(
                    Severity.REFUSE,
                    "once round",
                    f"{name} goes {reach:.1f} deg round the piece, {reason}",
                    "make the design narrower",
                    place=name,
                    measured=round(reach, 2),
                    allowed=360.0,
                    unit="deg",
                )
            )
    return found


def _islands(design: _Design) -> list[Finding]:
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
            _finding(
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


def _bridges(design: _Design) -> list[Finding]:
    """Refuse or warn of material between openings that is narrower than a bridge or a web must be."""
    webs = _find_webs(design)
    found = []
    for k in np.argsort(webs.width_mm):
        width, length = float(webs.width_mm[k]), float(webs.length_mm[k])
        middle = (design.skin[webs.one[k]] + design.skin[webs.other[k]]) / 2
        wall = float(webs.wall_mm[k])
        bridge, web = bridge_minimum_mm(length, wall, design.rules), web_minimum_mm(wall, design.rules)
        if width >= max(bridge, web):
            continue
        fresh = 0.0 if design.rules.kind in _WEB_BY_KIND_MM else _THINNEST_BRIDGE_MM
        refused_below = max(fresh, _REFUSED_SHARE * bridge)
        one, other = (design.named(int(design.region[i])) for i in (webs.one[k], webs.other[k]))
        place = f"{one} and {other}" if one != other else f"{one} and itself"
        narrow = "bridge" if width < bridge else "web"
        needed = bridge if width < bridge else web
        along = f"{length:.0f} mm long, wall {wall:.0f} mm"
        found.append(
            _finding(
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


def _open_shares(design: _Design) -> list[Finding]:
    """Warn when too much of the piece, of the picture's box, or of any ring round the piece is open."""
    opening = np.array(design.is_opening(), bool)
    if not opening.any():
        return []
    zones = _zones(design.chart)
    low, high = float(zones.area[0]), float(zones.area[-1])
    mine = opening[design.region]
    open_mm2 = float(_areas_between(design, zones, mine, np.array([low]), np.array([high]))[0])
    caps = math.pi * float(design.chart.parallel_mm[0] ** 2 + design.chart.parallel_mm[-1] ** 2)
    skin_mm2, box_mm2 = 2 * math.pi * (high - low) + caps, _box_mm2(design, zones, mine)
    piece = open_mm2 / skin_mm2
    box = open_mm2 / box_mm2 if box_mm2 > _SMALL_BOX * skin_mm2 else 0.0
    rules = design.rules
    found = []
    shares = [
        ("of the piece", piece, rules.open_share_piece, None),
        ("of the picture's box", box, rules.open_share_picture, None),
        _fullest_ring(design, zones, mine),
    ]
    for where, share, allowed, latitude in shares:
        if share > allowed:
            found.append(
                _finding(
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


def _slots(design: _Design) -> list[Finding]:
    """Warn of openings that the smallest cutter does not enter: it will run along their centre line."""
    cutters = _opening_cutters(design.cutters)
    openings = [k for k, is_opening in enumerate(design.is_opening()) if is_opening]
    if not cutters or not openings:
        return []
    smallest = min(cutters, key=lambda cutter: cutter.diameter_mm)
    needed = smallest.diameter_mm + design.rules.slot_spare_mm
    true = _at_true_scale(design, openings)
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
            _finding(
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


def _unknown_skin(design: _Design) -> list[Finding]:
    """Refuse or warn of regions that lie where the skin was not probed."""
    deviation = deviation_at(design.surface, design.unit)
    parts = [
        (region.name, design.unit[at], deviation[at])
        for at, region in ((design.points_of(k), r) for k, r in enumerate(design.regions))
    ]
    if len(design.tones):
        rim = unit_of(design.tones[:, 0], design.tones[:, 1])
        parts.append(("tones", rim, deviation_at(design.surface, rim)))
    found = []
    for name, units, spread in parts:
        worst = int(np.argmax(spread))
        if spread[worst] <= _UNKNOWN_WARN_MM:
            continue
        stop = bool(spread[worst] > _UNKNOWN_STOP_MM)
        allowed = _UNKNOWN_STOP_MM if stop else _UNKNOWN_WARN_MM
        found.append(
            _finding(
                Severity.REFUSE if stop else Severity.WARN,
                "not probed here",
                f"the skin under {name} is known to {spread[worst]:.1f} mm only, "
                f"{'allowed' if stop else 'advised'} are {allowed:g} mm",
                "touch more places there and fit again",
                at=np.array(lonlat_of(units[worst])),
                place=name,
                measured=round(float(spread[worst]), 2),
                allowed=allowed,
                unit="mm",
            )
        )
    return sorted(found, key=lambda f: -(f.measured or 0.0))


def _reach(design: _Design) -> list[Finding]:
    """Refuse openings that no cutter's flutes reach through, and warn of the cutters that are too short."""
    opening = np.array(design.is_opening(), bool)
    if not opening.any():
        return []
    cutters = _opening_cutters(design.cutters)
    if not cutters:
        text = "there are openings, but no flat or ball cutter to cut them"
        return [_finding(Severity.REFUSE, "cutter reach", text, "add a flat cutter")]
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
        _finding(
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


_RULES: tuple[Callable[[_Design], list[Finding]], ...] = (
    _islands,
    _once_round,
    _bridges,
    _reach,
    _latitudes,
    _unknown_skin,
    _open_shares,
    _slots,
)


def _opening_cutters(cutters: Sequence[Cutter]) -> list[Cutter]:
    """Return the cutters for openings: the flat ones, or the ball ones where there is no flat one."""
    flat = [cutter for cutter in cutters if cutter.form == CutterForm.FLAT]
    return flat or [cutter for cutter in cutters if cutter.form == CutterForm.BALL]


def _at_true_scale(design: _Design, regions: list[int]) -> np.typing.NDArray[np.object_]:
    """Return regions of the sheet scaled to their size on the mean profile at their own latitude."""
    polygons = np.array([design.regions[k].polygon for k in regions], object)
    points, which = shapely.get_coordinates(polygons, return_index=True)
    latitude = np.array([np.mean(design.latitude[design.points_of(k)]) for k in regions])
    parallel = np.interp(latitude, design.chart.latitude_rad, design.chart.parallel_mm)
    scale = parallel / design.chart.true_radius_mm
    scaled: np.typing.NDArray[np.object_] = shapely.set_coordinates(polygons, points * scale[which, None])
    return scaled


# --- material between openings ---------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class _Webs:
    """Narrow places of the material between openings: one for each stretch that lies side by side."""

    one: Ints  # (w,) boundary point on one side
    other: Ints  # (w,) and the nearest on the other
    width_mm: Floats  # (w,)
    length_mm: Floats  # (w,) of the stretch that is less than twice as wide
    wall_mm: Floats  # (w,)


def _find_webs(design: _Design) -> _Webs:
    """Look for boundary points that face each other across material, and join them to stretches."""
    opening = np.array(design.is_opening(), bool)
    rings = [k for k in range(len(design.ring_region)) if opening[design.ring_region[k]]]
    reach = _search_mm(design)
    pairs = [*_between_rings(design, rings, reach), *_within_rings(design, rings, reach)]
    nothing = _Webs(*(np.zeros(0, int),) * 2, *(np.zeros(0),) * 3)
    if not pairs:
        return nothing
    one, other, apart = (np.concatenate(part) for part in zip(*pairs, strict=True))
    facing = _faces(design, one, other)
    if not facing.any():
        return nothing
    return _stretches(design, one[facing], other[facing], apart[facing])


def _search_mm(design: _Design) -> float:
    """Return how far apart two openings may be for the material between them to be judged."""
    thick, thin = float(design.wall.thickness_mm.max()), float(design.wall.thickness_mm.min())
    needed = max(web_minimum_mm(thick, design.rules), bridge_minimum_mm(_LONG_BRIDGE_MM, thin, design.rules))
    return min(needed, _LONGEST_SEARCH_MM)


_Pairs = tuple[Ints, Ints, Floats]


def _between_rings(design: _Design, rings: list[int], reach: float) -> list[_Pairs]:
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


def _within_rings(design: _Design, rings: list[int], reach: float) -> list[_Pairs]:
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
        parallel = np.interp(design.latitude[at][i], design.chart.latitude_rad, design.chart.parallel_mm)
        pocket = _pocket_mm2(outline, i, j) * (parallel / design.chart.true_radius_mm) ** 2
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


def _faces(design: _Design, one: Ints, other: Ints) -> np.typing.NDArray[np.bool_]:
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


def _stretches(design: _Design, one: Ints, other: Ints, apart: Floats) -> _Webs:
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
    return _Webs(one, other, width[keep], np.maximum(length, length[twin])[keep], wall)


def _numbered_stretches(design: _Design, one: Ints, other: Ints) -> Ints:
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


def _point_to_line_mm(design: _Design, one: Ints, other: Ints) -> Floats:
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


# --- open area -------------------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class _Zones:
    """The mean profile's area and arc up to each latitude of the chart, per radian of longitude."""

    latitude: Floats  # (k,)
    area: Floats  # (k,) integral of rho ds [mm2/rad]
    arc: Floats  # (k,) integral of ds [mm]


def _zones(chart: Chart) -> _Zones:
    """On the chart ds = rho dq, so the area per radian is the integral of rho^2 dq."""
    step = np.diff(chart.isometric)
    rho = chart.parallel_mm
    area = np.concatenate([[0.0], np.cumsum(step * (rho[1:] ** 2 + rho[:-1] ** 2) / 2)])
    arc = np.concatenate([[0.0], np.cumsum(step * (rho[1:] + rho[:-1]) / 2)])
    return _Zones(chart.latitude_rad, area, arc)


def _areas_between(
    design: _Design, zones: _Zones, mine: np.typing.NDArray[np.bool_], low: Floats, high: Floats
) -> Floats:
    """Return the area of regions within zones, as the integral of A d longitude along their outlines."""
    here = np.flatnonzero(mine)
    area = np.interp(design.latitude, zones.latitude, zones.area)
    middle = (area[here] + area[design.following[here]]) / 2
    step = design.longitude[design.following[here]] - design.longitude[here]
    clamped = np.clip(middle, low[:, None], high[:, None])
    found: Floats = np.abs(clamped @ step)
    return found


def _box_mm2(design: _Design, zones: _Zones, mine: np.typing.NDArray[np.bool_]) -> float:
    """Return the area on the skin of the box about the openings on the sheet."""
    left, bottom = design.sheet[mine].min(axis=0)
    right, top = design.sheet[mine].max(axis=0)
    ring = shapely.get_coordinates(shapely.segmentize(shapely.box(left, bottom, right, top), 2.0))
    longitude, latitude = to_sphere(design.chart, ring)
    area = np.interp(latitude, zones.latitude, zones.area)
    return abs(float(np.sum((area[1:] + area[:-1]) / 2 * np.diff(longitude))))


def _fullest_ring(
    design: _Design, zones: _Zones, mine: np.typing.NDArray[np.bool_]
) -> tuple[str, float, float, float]:
    """Return the ring of 20 mm, all round the piece, with the largest open share."""
    lowest, highest = np.interp(
        [design.latitude[mine].min(), design.latitude[mine].max()], zones.latitude, zones.arc
    )
    starts = np.arange(lowest, max(highest - _RING_MM, lowest) + 5.0, 5.0)
    low, high = np.interp(starts, zones.arc, zones.area), np.interp(starts + _RING_MM, zones.arc, zones.area)
    share = _areas_between(design, zones, mine, low, high) / (2 * math.pi * (high - low))
    worst = int(np.argmax(share))
    latitude = float(np.interp(starts[worst] + _RING_MM / 2, zones.arc, zones.latitude))
    where = f"of the ring at latitude {math.degrees(latitude):.0f} deg"
    return where, float(share[worst]), _RING_SHARE, latitude
