"""How would a design look on a piece, what is wrong with it there, and how is that mended? Nothing is kept.

A trial needs no job and no machine: it is a design on a scanned piece, or on a foam sphere for practice.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from sqlalchemy import select
from sqlalchemy.orm import Session

from planner.database import tables
from planner.database.states import CutterState
from planner.errors import Refused
from planner.services import skins
from planner.services.common import amount_of, found, refusing_bad_input
from planner.services.preparing import JobInputs, MachineText

if TYPE_CHECKING:
    from engine.records import Chart, Cutter, Finding, Layers, Placement, Rules, Surface, Wall

SPHERE_MM = 280.0  # the foam blanks of the trade
_SPHERE_WALL_MM = 25.0
_RING_DEG, _MERIDIANS = 20.0, 24
_STEP_DEG = 2.0
_PATTERN_PX = 420

# two cutters for practice with an empty store; figures by common practice
_PRACTICE_CUTTERS = {
    "cutters": [
        {
            "name": name, "form": "flat", "diameter_mm": diameter, "teeth": 2, "flute_length_mm": 42,
            "stick_out_mm": 50, "holder": {"diameter_mm": 30, "length_mm": 60}, "centre_cutting": True,
            "rpm": 12000, "feed_mm_per_min": 1400, "plunge_mm_per_min": 400, "step_down_mm": 5,
            "stepover_mm": 1.5, "life": {"material": "foam", "exponent": 0.25, "constant_m_per_min": 800},
        }
        for name, diameter in (("6 mm flat", 6), ("3 mm flat", 3))
    ]
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Trial:
    """A design at a place on a piece; without a piece it is the foam sphere."""

    design_version_id: int
    workpiece_id: int | None = None
    longitude_deg: float = 0.0
    latitude_deg: float = 5.0
    turn_deg: float = 0.0
    mirror: bool = False
    width_mm: float | None = None


@dataclass(frozen=True, slots=True, eq=False)
class _Read:
    surface: Surface
    layers: Layers
    chart: Chart
    wall: Wall
    cutters: tuple[Cutter, ...]
    rules: Rules
    shape_findings: tuple[Finding, ...]


def sphere_touches() -> str:
    """Return the probe file of the practice sphere: touches in closed form, radius 140 mm, tip radius 0."""
    rows = ["# tip_radius_mm=0", "x_mm,y_mm,z_mm"]
    radius = SPHERE_MM / 2
    for ring in np.radians(np.arange(-70.0, 80.1, _RING_DEG)):
        for lon in np.linspace(0, 2 * np.pi, _MERIDIANS, endpoint=False):
            x, y = radius * math.cos(ring) * math.cos(lon), radius * math.cos(ring) * math.sin(lon)
            rows.append(f"{x:.4f},{y:.4f},{radius * math.sin(ring):.4f}")
    return "\n".join([*rows, ""])


def trial_inputs(db: Session, trial: Trial) -> JobInputs:
    """Gather what the engine needs for a trial, in the same form as for a job.

    Parameters
    ----------
    db : Session
        An open session; it is only read [-].
    trial : Trial
        Which design, where on which piece [-].
    """
    version = found(db, tables.DesignVersion, trial.design_version_id)
    amount_of(trial.longitude_deg, "longitude", -360, 360, "deg")
    amount_of(trial.latitude_deg, "height above the waist", -80, 80, "deg")
    amount_of(trial.turn_deg, "turn", -360, 360, "deg")
    width_mm = trial.width_mm or version.width_mm
    amount_of(width_mm, "width", 5, 2000, "mm")
    number, kind, touches, tip_mm, walls, piece = _piece_texts(db, trial.workpiece_id)
    machines = db.scalars(select(tables.Machine).order_by(tables.Machine.id))
    return JobInputs(
        job_id=0,
        label=f"trial · {version.design.name}",
        workpiece=number,
        kind=kind,
        touches=touches,
        tip_radius_mm=tip_mm,
        walls=walls,
        artwork=version.artwork,
        artwork_name=version.file_name,
        treatment=version.treatment,
        width_mm=width_mm,
        longitude_deg=trial.longitude_deg,
        latitude_deg=trial.latitude_deg,
        turn_deg=trial.turn_deg,
        mirror=trial.mirror,
        cutters=_stock(db),
        machines=tuple(_machine_text(machine, kind, piece) for machine in machines),
    )


def _piece_texts(
    db: Session, workpiece_id: int | None
) -> tuple[str, str, str, float, str, tuple[float, float]]:
    """Return number, kind, touches, tip radius, wall file, and diameter with height."""
    head = "longitude_deg,latitude_deg,wall_mm,sigma_mm"
    if workpiece_id is None:
        walls = f"{head}\n0,0,{_SPHERE_WALL_MM},0.2\n"
        return "foam sphere", "foam", sphere_touches(), 0.0, walls, (SPHERE_MM, SPHERE_MM)
    piece = found(db, tables.Workpiece, workpiece_id)
    scan = db.scalar(select(tables.Scan).where(tables.Scan.workpiece_id == piece.id, tables.Scan.active))
    if scan is None:
        raise Refused(f"piece {piece.number} has no scan that counts; take another one, or the foam sphere")
    readings = db.scalars(
        select(tables.WallReading).where(
            tables.WallReading.workpiece_id == piece.id, tables.WallReading.active
        )
    ).all()
    rows = [f"{w.longitude_deg},{w.latitude_deg},{w.wall_mm},{w.sigma_mm}" for w in readings]
    rows = rows or [f"0,0,{piece.wall_default_mm or 22.0},1.5"]
    walls = "\n".join([head, *rows, ""])
    size = (piece.diameter_mm, piece.height_mm)
    return piece.number, piece.lot.kind, scan.original, scan.tip_radius_mm, walls, size


def _stock(db: Session) -> str:
    rows = db.scalars(
        select(tables.Cutter)
        .where(tables.Cutter.state.in_((CutterState.STORED, CutterState.FITTED)))
        .order_by(tables.Cutter.id)
    )
    by_type = {row.type_name: row.description for row in rows}
    return json.dumps({"cutters": list(by_type.values())} if by_type else _PRACTICE_CUTTERS)


def _machine_text(machine: tables.Machine, kind: str, piece: tuple[float, float]) -> MachineText:
    across, high = piece
    barred = ""
    if not machine.active:
        barred = f"{machine.name} is out of use"
    elif machine.kinds and kind not in machine.kinds and kind != "foam":
        barred = f"{machine.name} holds {', '.join(machine.kinds)}, not {kind}"
    elif not machine.min_diameter_mm <= across <= machine.max_diameter_mm:
        barred = (
            f"{machine.name} takes {machine.min_diameter_mm:.0f} to {machine.max_diameter_mm:.0f} mm across, "
            f"the piece has {across:.0f} mm"
        )
    elif machine.max_height_mm is not None and high > machine.max_height_mm:
        barred = f"{machine.name} takes {machine.max_height_mm:.0f} mm of height, the piece has {high:.0f} mm"
    return MachineText(machine.id, machine.name, machine.description, barred)


# --- what is seen --------------------------------------------------------------------------------------


def read_ahead() -> None:
    """Fit the practice sphere, which also loads what every other trial needs."""
    import engine.regions  # noqa: F401 - loaded for those who come later

    skins.fitted(sphere_touches(), 0.0)


def placement_of(inputs: JobInputs) -> Placement:
    """Return where the middle of a design lies."""
    from engine.records import Placement

    return Placement(
        math.radians(inputs.longitude_deg),
        math.radians(inputs.latitude_deg),
        math.radians(inputs.turn_deg),
        inputs.mirror,
    )


def layers_of(inputs: JobInputs) -> Layers:
    """Return the regions and tones of a design."""
    from engine.artwork import read_artwork
    from engine.records import Treatment

    return read_artwork(
        inputs.artwork,
        inputs.artwork_name,
        width_mm=inputs.width_mm,
        treatment=Treatment(inputs.treatment) if inputs.treatment else None,
    )


def _read(inputs: JobInputs) -> _Read:
    from engine.chart import own_mercator
    from engine.files import read_cutters, read_wall
    from engine.rules import rules_for

    surface, findings = skins.fitted(inputs.touches, inputs.tip_radius_mm)
    return _Read(
        surface=surface,
        layers=layers_of(inputs),
        chart=own_mercator(surface, placement_of(inputs)),
        wall=read_wall(inputs.walls, f"wall of {inputs.workpiece}"),
        cutters=read_cutters(inputs.cutters, "cutters in stock"),
        rules=rules_for(inputs.kind),
        shape_findings=findings,
    )


def skin_of(inputs: JobInputs) -> dict[str, Any]:
    """Return the piece's skin for a round picture: radius over latitude and longitude, and its own chart.

    Parameters
    ----------
    inputs : JobInputs
        From `trial_inputs` [-].

    Returns
    -------
    dict
        `longitude_deg` (m,), `latitude_deg` (k,), `radius_mm` k rows of m; `chart` with `latitude_deg`,
        `isometric` and `parallel_mm` of the mean profile, see `engine.chart`.
    """
    from engine.chart import own_mercator
    from engine.surface import radius_at

    with refusing_bad_input():
        surface, _ = skins.fitted(inputs.touches, inputs.tip_radius_mm)
        chart = own_mercator(surface, placement_of(inputs))
    lat = np.arange(-88.0, 88.1, _STEP_DEG)
    lon = np.arange(-180.0, 180.1, _STEP_DEG)
    at_lon, at_lat = np.meshgrid(np.radians(lon), np.radians(lat))
    directions = np.stack(
        [np.cos(at_lat) * np.cos(at_lon), np.cos(at_lat) * np.sin(at_lon), np.sin(at_lat)], axis=-1
    )
    radius = radius_at(surface, directions.reshape(-1, 3)).reshape(at_lat.shape)
    shown = np.interp(np.radians(np.arange(-84.0, 84.1, 1.0)), chart.latitude_rad, chart.isometric)
    parallel = np.interp(np.radians(np.arange(-84.0, 84.1, 1.0)), chart.latitude_rad, chart.parallel_mm)
    return {
        "longitude_deg": lon.tolist(),
        "latitude_deg": lat.tolist(),
        "radius_mm": np.round(radius, 1).tolist(),
        "error_mm": round(surface.rms_error_mm, 3),
        "chart": {
            "first_deg": -84.0,
            "step_deg": 1.0,
            "isometric": np.round(shown, 5).tolist(),
            "parallel_mm": np.round(parallel, 2).tolist(),
        },
    }


def pattern_of(inputs: JobInputs) -> dict[str, Any]:
    """Return the design as light on its sheet: 0 skin, 1 to 254 thinned, 255 open; row 0 at the top.

    Parameters
    ----------
    inputs : JobInputs
        From `trial_inputs` [-].
    """
    from base64 import b64encode

    from PIL import Image, ImageDraw

    with refusing_bad_input():
        layers = layers_of(inputs)
    px_per_mm = _PATTERN_PX / max(layers.width_mm, layers.height_mm)
    size = (max(2, round(layers.width_mm * px_per_mm)), max(2, round(layers.height_mm * px_per_mm)))
    picture = Image.new("L", (2 * size[0], 2 * size[1]), 0)  # twice as fine, then averaged: soft edges
    if layers.tones is not None:
        tones = layers.tones
        glow = np.where(tones.mask, 30 + 200 * np.clip(tones.luminance, 0, 1) ** (1 / 2.2), 0)
        high, wide = tones.luminance.shape
        small = Image.fromarray(glow.astype(np.uint8)).resize(
            (round(2 * wide * tones.pixel_mm * px_per_mm), round(2 * high * tones.pixel_mm * px_per_mm))
        )
        picture.paste(small, ((picture.width - small.width) // 2, (picture.height - small.height) // 2))
    draw = ImageDraw.Draw(picture)
    tone = {"opening": 255, "relief": 150, "shave": 60, "keep": 0}
    for region in layers.regions:
        if str(region.treatment) == "relief" and layers.tones is not None:
            continue
        for ring, value in [
            (region.polygon.exterior, tone[str(region.treatment)]),
            *((hole, 0) for hole in region.polygon.interiors),
        ]:
            corners = np.asarray(ring.coords)[:, :2]
            across = (corners[:, 0] + layers.width_mm / 2) * 2 * px_per_mm
            down = (layers.height_mm / 2 - corners[:, 1]) * 2 * px_per_mm
            draw.polygon(list(zip(across.tolist(), down.tolist(), strict=True)), fill=value)
    values = np.asarray(picture.resize(size, Image.Resampling.BOX), np.uint8)
    return {
        "width_mm": layers.width_mm,
        "height_mm": layers.height_mm,
        "columns": size[0],
        "rows": size[1],
        "light": b64encode(values.tobytes()).decode(),
    }


# --- what is wrong, and how it is mended ---------------------------------------------------------------


def judge(inputs: JobInputs) -> tuple[dict[str, Any], ...]:
    """Return what is wrong with a design at its place on a piece, the worst first.

    Parameters
    ----------
    inputs : JobInputs
        From `trial_inputs` [-].
    """
    from engine.errors import CannotBeDone
    from engine.regions import judge_regions

    with refusing_bad_input():
        try:
            read = _read(inputs)
            found_here = read.shape_findings + judge_regions(
                read.layers, read.chart, read.surface, read.wall, read.cutters, read.rules
            )
        except CannotBeDone as refusal:
            found_here = refusal.findings
    return tuple(_plain(finding) for finding in found_here)


def _plain(finding: Finding) -> dict[str, Any]:
    return {**asdict(finding), "severity": str(finding.severity)}


def size_remedies(finding: dict[str, Any], width_mm: float) -> tuple[tuple[str, float], ...]:
    """Return widths that would help against a finding, in words and mm; the design keeps its proportions.

    Parameters
    ----------
    finding : dict
        From `judge` [-].
    width_mm : float
        The width the design has now [mm].
    """
    rule, measured, allowed = finding["rule"], finding.get("measured"), finding.get("allowed")
    if not measured or not allowed:
        return ()
    if rule in ("bridge width", "web width", "slot width", "reach") and measured < allowed:
        return (("larger", math.ceil(width_mm * allowed / measured)),)
    if rule in ("latitude", "once round") and measured > allowed:
        return (("smaller", math.floor(width_mm * allowed / measured)),)
    return ()


def can_bridge(finding: dict[str, Any]) -> bool:
    """Return whether a finding can be mended by keeping a strip of skin."""
    return finding["rule"] in ("free island", "bridge width", "web width") and "more" not in finding["place"]


_ROUNDS = 4  # a mended island can leave a thin bridge beside it


def with_bridges(inputs: JobInputs) -> bytes:
    """Return the design as a drawing in which the islands hang on bridges and thin bridges are widened.

    Parameters
    ----------
    inputs : JobInputs
        From `trial_inputs` [-].
    """
    drawn = inputs
    for number in range(_ROUNDS):
        broken = [f for f in judge(drawn) if can_bridge(f) and (f["severity"] == "refuse" or number == 0)]
        if not broken:
            break
        drawn = replace(drawn, artwork=_mended(drawn, broken), artwork_name="mended.svg", treatment=None)
    if drawn is inputs:
        raise Refused("there is no island and no thin bridge to mend here")
    return drawn.artwork


def _mended(inputs: JobInputs, broken: Sequence[dict[str, Any]]) -> bytes:
    """Return the drawing with a strip of skin kept at each finding."""
    import shapely

    from engine.chart import to_sheet

    read = _read(inputs)
    if read.layers.tones is not None:
        raise Refused("a tone picture has no bridges; this helps drawings only")
    strips: list[Any] = []
    for finding in broken:
        place = np.radians([finding["longitude_deg"]]), np.radians([finding["latitude_deg"]])
        at = shapely.Point(to_sheet(read.chart, *place)[0])
        scale = _true_scale(read.chart, math.radians(finding["latitude_deg"]))
        needed = _needed_mm(finding, read.rules.bridge_floor_mm) * scale
        make = _island_strips if finding["rule"] == "free island" else _wider_strip
        strips += make(read.layers, at, needed)
    if not strips:
        raise Refused("no place for a bridge was found; change the drawing by hand")
    kept = shapely.union_all(strips)
    regions = [
        (str(r.treatment), r.polygon.difference(kept) if str(r.treatment) == "opening" else r.polygon)
        for r in read.layers.regions
    ]
    return _drawing(regions, read.layers.width_mm, read.layers.height_mm)


def _true_scale(chart: Chart, latitude_rad: float) -> float:
    """Return sheet millimetres per millimetre of skin at a latitude: Mercator grows towards the poles."""
    parallel = float(np.interp(latitude_rad, chart.latitude_rad, chart.parallel_mm))
    return chart.true_radius_mm / max(parallel, 1.0)


def _needed_mm(finding: dict[str, Any], floor_mm: float) -> float:
    """Return how wide a bridge must be, with a little to spare for the corners."""
    if finding["rule"] == "free island":
        words = finding["fix"].rsplit(" of ", 1)[-1].split(" ")[0]
        try:
            return max(float(words), floor_mm) * 1.2
        except ValueError:
            return floor_mm * 1.5
    return float(finding["allowed"] or floor_mm) * 1.1


def _island_strips(layers: Layers, at: Any, needed_mm: float) -> list[Any]:
    """Return strips from an island to what holds it: to both sides, the shortest ways first."""
    import shapely
    from shapely.ops import nearest_points

    region, hole = _hole_at(layers, at)
    if region is None or hole is None:
        return []
    island = shapely.Polygon(hole)
    size = math.hypot(island.bounds[2] - island.bounds[0], island.bounds[3] - island.bounds[1])
    wanted = 1 if size < 15.0 else 2 if size <= 40.0 else 3  # as the finding says
    rim = shapely.LinearRing(region.exterior.coords)
    middle = island.centroid
    out: list[Any] = []
    ways = []
    for turn in np.radians(np.arange(0.0, 360.0, 10.0)):
        far = (middle.x + 5000 * math.cos(turn), middle.y + 5000 * math.sin(turn))
        gap = shapely.LineString(np.array([(middle.x, middle.y), far])).intersection(region)
        gap = gap.geoms[0] if hasattr(gap, "geoms") and gap.geoms else gap
        if not gap.is_empty:
            ways.append((gap.length, turn, gap))
    taken: list[float] = []
    for _, turn, gap in sorted(ways, key=lambda way: way[0]):
        if all(abs(math.remainder(turn - other, 2 * math.pi)) > 1.0 for other in taken):
            taken.append(turn)
            start, end = np.asarray(gap.coords[0]), np.asarray(gap.coords[-1])
            along = (end - start) / max(float(np.linalg.norm(end - start)), 1e-9)
            long = shapely.LineString([start - along * needed_mm, end + along * needed_mm])
            out.append(long.buffer(needed_mm / 2, cap_style="flat"))
        if len(out) == wanted:
            break
    if not out:
        one, other = nearest_points(island, rim)
        out.append(shapely.LineString(np.array([one.coords[0], other.coords[0]])).buffer(needed_mm / 2))
    return out


def _hole_at(layers: Layers, at: Any) -> tuple[Any, Any]:
    """Return the opening and its hole whose middle lies nearest to a point."""
    import shapely

    best: tuple[float, Any, Any] = (math.inf, None, None)
    for region in layers.regions:
        if str(region.treatment) != "opening":
            continue
        for hole in region.polygon.interiors:
            away = shapely.Polygon(hole).distance(at)
            if away < best[0]:
                best = (away, region.polygon, hole)
    return best[1], best[2]


def _wider_strip(layers: Layers, at: Any, needed_mm: float) -> list[Any]:
    """Return the strip of skin that is kept along a thin bridge, as wide as needed."""
    import shapely

    openings = [r.polygon for r in layers.regions if str(r.treatment) == "opening"]
    near = [polygon for polygon in openings if polygon.distance(at) < needed_mm]
    if not near:
        return []
    to_rim = []
    for polygon in near:
        ring = polygon.boundary
        to_rim.append(ring.interpolate(ring.project(at)))
    across = np.array([to_rim[0].x - at.x, to_rim[0].y - at.y])
    length = float(np.linalg.norm(across))
    normal = np.array([-across[1], across[0]]) / length if length > 1e-6 else np.array([1.0, 0.0])
    half = needed_mm  # the thin place and as much on both sides of it
    ends = [
        (at.x - normal[0] * half, at.y - normal[1] * half),
        (at.x + normal[0] * half, at.y + normal[1] * half),
    ]
    return [shapely.LineString(ends).buffer(needed_mm / 2)]


def _drawing(regions: Sequence[tuple[str, Any]], width_mm: float, height_mm: float) -> bytes:
    """Return regions as an SVG drawing of the same size, in millimetres."""
    import shapely

    low_x, low_y = -width_mm / 2, -height_mm / 2
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width_mm:.3f}mm" height="{height_mm:.3f}mm" '
        f'viewBox="{low_x:.3f} {low_y:.3f} {width_mm:.3f} {height_mm:.3f}">'
    ]
    for treatment, area in regions:
        for polygon in shapely.get_parts(area):
            if not isinstance(polygon, shapely.Polygon) or polygon.area < 1.0:
                continue
            rings = [polygon.exterior, *polygon.interiors]
            path = " ".join(
                "M" + " L".join(f"{x:.3f} {-y:.3f}" for x, y in np.asarray(ring.coords)[:, :2]) + " Z"
                for ring in rings
            )
            parts.append(f'<path class="{treatment}" fill-rule="evenodd" d="{path}"/>')
    return "\n".join([*parts, "</svg>", ""]).encode()


def survey_of(inputs: JobInputs, survey: Callable[[JobInputs], Any]) -> dict[str, Any]:
    """Return minutes and cutters of a trial on every machine, fit to be kept as a work's result."""
    result = survey(inputs)
    names = {machine.machine_id: machine.name for machine in inputs.machines}
    return {
        "machines": [
            {
                "machine": names[timed.machine_id],
                "eligible": timed.eligible,
                "reason": timed.reason,
                "minutes": timed.run_min,
                "wear": timed.wear,
            }
            for timed in result.times
        ],
        "findings": list(result.findings),
    }
