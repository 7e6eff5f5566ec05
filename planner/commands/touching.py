"""What can be asked about touches alone? Plan them, look at them, add to them, fit a re-clamped piece."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, NoReturn

import click

from planner.commands.common import BAD_INPUT, CANNOT_BE_DONE, refuse

if TYPE_CHECKING:
    from engine.records import ProbeScan
    from engine.touches import Area

_FILE = click.Path(path_type=Path)


@click.group()
def touches() -> None:
    """Plan touches, look at what they tell, and fit a piece that was clamped again."""


def _area_options(command: click.decorators.FC) -> click.decorators.FC:
    """Add the options that bound the design's area."""
    for name, word in (("--north", "latitude"), ("--south", "latitude"), ("--east", "longitude"),
                       ("--west", "longitude")):  # fmt: skip
        command = click.option(name, type=float, help=f"Edge of the design's area, {word} [deg].")(command)
    return command


@touches.command("plan")
@click.option("--ribs", type=click.IntRange(0, 40), required=True, help="Ribs of the piece, 0 = smooth.")
@click.option("--relief", is_flag=True, help="For a relief: twice as many touches to a rib.")
@_area_options
@click.option("--out", type=_FILE, required=True, help="Where the plan goes, CSV.")
def plan(
    ribs: int,
    relief: bool,
    west: float | None,
    east: float | None,
    south: float | None,
    north: float | None,
    out: Path,
) -> None:
    """Say where to touch a fresh piece, and how long it takes."""
    from engine.errors import EngineError
    from engine.touches import probe_plan

    try:
        found = probe_plan(ribs, relief=relief, area=_area(west, east, south, north))
        rows = zip(found.longitude_deg, found.latitude_deg, found.touch_numbers, strict=True)
        lines = ["longitude_deg,latitude_deg,touch", *(f"{a:.3f},{b:.3f},{n}" for a, b, n in rows)]
        out.write_text("\n".join(lines) + "\n", encoding="utf-8")
    except (EngineError, OSError) as error:
        refused(error, out)
    click.echo(f"{out}: {len(found.touch_numbers)} touches, about {found.seconds / 60:.0f} min")


@touches.command("look")
@click.option("--touches", "file", type=_FILE, required=True, help="Probe file, CSV.")
@click.option("--tip-radius-mm", type=float, help="Probe tip, when the file does not say [mm].")
@click.option("--out", type=_FILE, help="Where a picture of what is known goes, SVG.")
def look(file: Path, tip_radius_mm: float | None, out: Path | None) -> None:
    """Fit the skin and say what the touches are worth: noise, outliers, drift, what is not known."""
    from engine.body import own_axis, volume_mm3, weight_kg
    from engine.coverage import coverage_svg
    from engine.errors import EngineError
    from engine.surface import fit_surface
    from engine.touches import coverage

    try:
        scan = _scan(file, tip_radius_mm)
        surface, findings = fit_surface(scan)
        if out:
            out.write_text(coverage_svg(surface, title=file.name), encoding="utf-8")
        rms, worst = coverage(scan)
    except (EngineError, OSError) as error:
        refused(error, out or file)
    for finding in findings:
        click.echo(f"{finding.severity}: {finding.text}; {finding.fix}", err=True)
    stands = own_axis(surface.points_seat_mm)
    x, y, z = surface.origin_seat_mm
    click.echo(
        f"{file.name}: {len(surface.points_seat_mm)} places, middle at {x:.2f}, {y:.2f}, {z:.2f} mm; "
        f"a touch is good to {surface.noise_mm:.3f} mm, touches foretell each other to "
        f"{surface.rms_error_mm:.3f} mm; between base and stem the skin is known to {rms:.3f} mm RMS, "
        f"{worst:.2f} mm at worst"
    )
    leans = f"its own axis leans {stands.lean_deg:.1f} deg towards longitude {stands.towards_deg:.0f}"
    click.echo(
        f"it holds {volume_mm3(surface) * 1e-6:.2f} l, about {weight_kg(surface):.1f} kg as a whole squash; "
        + (leans if abs(stands.flatness - 1) > 0.03 else "it is too round to have an axis of its own")
    )


@touches.command("suggest")
@click.option("--touches", "file", type=_FILE, required=True, help="Probe file so far, CSV.")
@click.option("--count", type=click.IntRange(1, 60), default=10, show_default=True, help="How many more.")
@click.option("--tip-radius-mm", type=float, help="Probe tip, when the file does not say [mm].")
@_area_options
@click.option("--out", type=_FILE, help="Where they go, CSV: places and expected tip centres.")
@click.option("--picture", type=_FILE, help="Where a picture of them goes, SVG.")
def suggest(
    file: Path,
    count: int,
    tip_radius_mm: float | None,
    west: float | None,
    east: float | None,
    south: float | None,
    north: float | None,
    out: Path | None,
    picture: Path | None,
) -> None:
    """Say where the next touches help most, the most useful first."""
    import numpy as np

    from engine.coverage import coverage_svg
    from engine.errors import EngineError
    from engine.surface import fit_surface
    from engine.touches import suggest_touches

    try:
        scan = _scan(file, tip_radius_mm)
        found = suggest_touches(scan, count, area=_area(west, east, south, north))
        places = np.stack([found.longitude_deg, found.latitude_deg], axis=1)
        if out:
            head = "longitude_deg,latitude_deg,x_mm,y_mm,z_mm,i,j,k,deviation_mm"
            values = np.column_stack([places, found.centres_seat_mm, found.ways, found.deviation_mm])
            lines = [head, *(",".join(f"{v:.4f}" for v in row) for row in values.tolist())]
            out.write_text("\n".join(lines) + "\n", encoding="utf-8")
        if picture:
            surface, _ = fit_surface(scan)
            picture.write_text(coverage_svg(surface, title=file.name, suggested_deg=places), encoding="utf-8")
    except (EngineError, OSError) as error:
        refused(error, out or picture or file)
    for k, ((longitude, latitude), before, after) in enumerate(
        zip(places.tolist(), found.deviation_mm, found.rms_after_mm, strict=True), 1
    ):
        click.echo(
            f"{k:>3}  longitude {longitude:7.1f}  latitude {latitude:6.1f} deg   known there to "
            f"{before:.2f} mm   area then to {after:.3f} mm"
        )
    click.echo(f"the area is known to {found.rms_before_mm:.3f} mm RMS now")


@touches.command("refit")
@click.option("--touches", "file", type=_FILE, required=True, help="The piece's own probe file, CSV.")
@click.option("--again", type=_FILE, required=True, help="Six to nine touches as it lies now, CSV.")
@click.option("--tip-radius-mm", type=float, help="Probe tip, when the files do not say [mm].")
@click.option("--accept-mm", type=float, default=0.6, show_default=True, help="Below: as it was [mm RMS].")
@click.option("--rescan-mm", type=float, default=1.2, show_default=True, help="Above: afresh [mm RMS].")
@click.option("--longitude", type=float, default=0.0, show_default=True, help="Of the design [deg].")
@click.option("--latitude", type=float, default=5.0, show_default=True, help="Of the design [deg].")
@click.option("--turn", type=float, default=0.0, show_default=True, help="Of the design [deg].")
@click.option("--out", type=_FILE, help="Where the touches go as the piece lies now, CSV, to prepare from.")
@click.option("--pose", "pose_file", type=_FILE, help="Where the pose goes, JSON.")
def refit(
    file: Path,
    again: Path,
    tip_radius_mm: float | None,
    accept_mm: float,
    rescan_mm: float,
    longitude: float,
    latitude: float,
    turn: float,
    out: Path | None,
    pose_file: Path | None,
) -> None:
    """Fit a re-clamped piece: leave it, give it its new pose, or ask for a new scan (exit 3)."""
    import math

    from engine.errors import EngineError
    from engine.reclamp import Verdict, moved_placement, moved_scan
    from engine.reclamp import refit as fitted
    from engine.records import Placement
    from engine.surface import fit_surface

    try:
        scan = _scan(file, tip_radius_mm)
        surface, _ = fit_surface(scan)
        found = fitted(
            surface, _scan(again, tip_radius_mm, few=True), accept_mm=accept_mm, rescan_mm=rescan_mm
        )
        place = moved_placement(
            Placement(math.radians(longitude), math.radians(latitude), math.radians(turn)), found.pose
        )
        if out and found.verdict is not Verdict.RESCAN:
            out.write_text(_as_csv(moved_scan(scan, found.pose)), encoding="utf-8")
        if pose_file:
            said = {
                "verdict": str(found.verdict),
                "why": found.why,
                "rotation": found.pose.turn.tolist(),
                "shift_mm": found.pose.shift_mm.tolist(),
                "rms_as_placed_mm": found.rms_as_placed_mm,
                "rms_fitted_mm": found.rms_fitted_mm,
            }
            pose_file.write_text(json.dumps(said, indent=1) + "\n", encoding="utf-8")
    except (EngineError, OSError) as error:
        refused(error, out or pose_file or file)
    shift = ", ".join(f"{v:+.2f}" for v in found.pose.shift_mm)
    click.echo(f"{found.verdict}: {found.why}; turned {found.pose.turned_deg:.2f} deg, shifted {shift} mm")
    if found.verdict is Verdict.RESCAN:
        raise SystemExit(3)
    click.echo(
        f"the design lies at --longitude {math.degrees(place.longitude_rad):.3f} "
        f"--latitude {math.degrees(place.latitude_rad):.3f} --turn {math.degrees(place.turn_rad):.3f} now"
    )


def _as_csv(scan: ProbeScan) -> str:
    rows = zip(scan.centres_seat_mm.tolist(), scan.touch_numbers.tolist(), strict=True)
    lines = [f"# tip_radius_mm={scan.tip_radius_mm:g}", "x_mm,y_mm,z_mm,touch"]
    lines += [f"{x:.4f},{y:.4f},{z:.4f},{number}" for (x, y, z), number in rows]
    return "\n".join(lines) + "\n"


def _scan(file: Path, tip_radius_mm: float | None, few: bool = False) -> ProbeScan:
    from engine.files import FEWEST_PLACES, read_touches, text_of
    from engine.reclamp import FEWEST_TOUCHES

    fewest = FEWEST_TOUCHES if few else FEWEST_PLACES
    return read_touches(text_of(file.read_bytes(), file.name), file.name, tip_radius_mm, fewest)


def _area(west: float | None, east: float | None, south: float | None, north: float | None) -> Area | None:
    """Return the area of the options, None where none is given."""
    from engine.errors import BadInput
    from engine.touches import HIGHEST_DEG, LOWEST_DEG, Area

    if west is east is south is north is None:
        return None
    if (west is None) != (east is None):
        raise BadInput("--west and --east: both or neither were expected")
    low = LOWEST_DEG if south is None else south
    high = HIGHEST_DEG if north is None else north
    if west is None or east is None:
        return Area(0.0, 360.0, low, high)
    return Area(west, east if east > west else east + 360.0, low, high)


def refused(error: Exception, path: Path) -> NoReturn:
    """End with one line: 2 for bad input, 3 for what cannot be done."""
    from engine.errors import CannotBeDone

    text = (
        f"{error.filename or path}: {error.strerror or error}" if isinstance(error, OSError) else str(error)
    )
    refuse(text, CANNOT_BE_DONE if isinstance(error, CannotBeDone) else BAD_INPUT)
