"""How is one job prepared from files alone? And what does a step wedge say of a lot's flesh?"""

from __future__ import annotations

import math
import sys
from pathlib import Path

import click

from planner.commands.common import (
    BAD_INPUT,
    CANNOT_BE_DONE,
    now,
    refuse,
)


@click.command()
@click.option("--artwork", type=click.Path(path_type=Path), help="SVG, PNG, JPEG or TIFF.")
@click.option("--proof-mark", is_flag=True, help="A letter, a dot and an arrow in place of artwork.")
@click.option("--touches", type=click.Path(path_type=Path), required=True, help="Probe file, CSV.")
@click.option(
    "--machine", "machine_file", type=click.Path(path_type=Path), required=True, help="Axis chain, JSON."
)
@click.option(
    "--cutters", "cutters_file", type=click.Path(path_type=Path), required=True, help="Cutters, JSON."
)
@click.option(
    "--out",
    type=click.Path(path_type=Path, file_okay=False),
    required=True,
    help="Folder of the job package.",
)
@click.option("--wall", "wall_file", type=click.Path(path_type=Path), help="Wall readings, CSV.")
@click.option("--wall-mm", type=float, help="The same wall everywhere [mm]; 22 when nothing is said.")
@click.option("--width-mm", type=float, help="Width of the design [mm], height of a proof mark.")
@click.option("--longitude", type=float, default=0.0, show_default=True, help="Middle of the design [deg].")
@click.option("--latitude", type=float, default=5.0, show_default=True, help="Middle of the design [deg].")
@click.option(
    "--turn", type=float, default=0.0, show_default=True, help="Counter-clockwise, from outside [deg]."
)
@click.option("--mirror", is_flag=True, help="Turn the design over, for one read from inside.")
@click.option(
    "--treatment", type=click.Choice(["opening", "relief", "shave"]), help="For shapes that say nothing."
)
@click.option(
    "--kind", type=click.Choice(["squash", "turnip", "gourd", "foam"]), default="squash", show_default=True
)
@click.option("--tip-radius-mm", type=float, help="Probe tip, when the file does not say [mm].")
@click.option("--workpiece", default="", help="The piece's number, for program and sheet.")
@click.option("--keep-outs", "keep_outs_file", type=click.Path(path_type=Path), help="Stem, clamp..., CSV.")
@click.option("--light-per-mm", type=click.FloatRange(0.02, 3.0), help="Of the lot's step wedge [1/mm].")
@click.option("--weight-kg", type=float, help="Of the piece now, against the probe file's [kg].")
@click.option("--suggest-bridges", is_flag=True, help="Hold every island by the least bridges.")
@click.option("--dry-run", type=click.Path(path_type=Path), help="Where a program outside the skin goes.")
@click.option("--resume-at", help="Region at which a program goes on after a stop.")
@click.option("--resume-out", type=click.Path(path_type=Path), help="Where that program goes.")
def prepare(
    artwork: Path | None,
    proof_mark: bool,
    touches: Path,
    machine_file: Path,
    cutters_file: Path,
    out: Path,
    wall_file: Path | None,
    wall_mm: float | None,
    width_mm: float | None,
    longitude: float,
    latitude: float,
    turn: float,
    mirror: bool,
    treatment: str | None,
    kind: str,
    tip_radius_mm: float | None,
    workpiece: str,
    keep_outs_file: Path | None,
    light_per_mm: float | None,
    weight_kg: float | None,
    suggest_bridges: bool,
    dry_run: Path | None,
    resume_at: str | None,
    resume_out: Path | None,
) -> None:
    """Prepare one job from files alone and write its package; needs no database."""
    from engine import rehearsal
    from engine.artwork import read_artwork
    from engine.errors import BadInput, CannotBeDone
    from engine.files import (
        read_cutters,
        read_keep_outs,
        read_machine,
        read_touches,
        read_wall,
        text_of,
        uniform_wall,
    )
    from engine.package import likeness_words, write_package
    from engine.prepare import Names
    from engine.prepare import prepare as prepare_job
    from engine.records import Placement, Treatment
    from engine.rules import rules_for

    try:
        for name, value in (("longitude", longitude), ("latitude", latitude), ("turn", turn)):
            if not math.isfinite(value):
                raise BadInput(f"--{name} {value}: a finite number of degrees was expected")
        if abs(latitude) > 80:
            raise BadInput(f"--latitude {latitude}: between -80 and 80 deg was expected")
        if wall_file and wall_mm is not None:
            raise BadInput("--wall and --wall-mm: one of them, not both, was expected")
        if (artwork is None) != proof_mark:
            raise BadInput("--artwork and --proof-mark: one of them, not both, was expected")
        if (resume_at is None) != (resume_out is None):
            raise BadInput("--resume-at and --resume-out: both or neither were expected")
        wall = (
            read_wall(text_of(_read(wall_file), wall_file.name), wall_file.name)
            if wall_file
            else uniform_wall(22.0 if wall_mm is None else wall_mm)
        )
        scan = read_touches(text_of(_read(touches), touches.name), touches.name, tip_radius_mm)
        cutters = read_cutters(text_of(_read(cutters_file), cutters_file.name), cutters_file.name)
        if artwork is None:
            layers = rehearsal.proof_mark(min(c.diameter_mm for c in cutters), width_mm or 60.0)
        else:
            layers = read_artwork(
                _read(artwork),
                artwork.name,
                width_mm=width_mm,
                treatment=Treatment(treatment) if treatment else None,
            )
        placement = Placement(math.radians(longitude), math.radians(latitude), math.radians(turn), mirror)
        rules = rules_for(kind) if light_per_mm is None else rules_for(kind, light_per_mm=light_per_mm)
        keep_outs = (
            read_keep_outs(text_of(_read(keep_outs_file), keep_outs_file.name), keep_outs_file.name)
            if keep_outs_file
            else ()
        )
        job = prepare_job(
            scan,
            layers,
            placement,
            wall,
            cutters,
            read_machine(text_of(_read(machine_file), machine_file.name), machine_file.name),
            rules,
            names=Names(out.name, workpiece or touches.stem),
            keep_outs=keep_outs,
            suggest_bridges=suggest_bridges,
            now=now(),
            weight_kg=weight_kg,
            report=_step_line,
        )
        if dry_run:
            _write_programs(rehearsal.dry_run(job), dry_run)
        if resume_at is not None and resume_out:
            _write_programs(rehearsal.resumed(job, resume_at), resume_out)
        said = write_package(job, out)
    except BadInput as error:
        refuse(str(error), BAD_INPUT)
    except CannotBeDone as error:
        for finding in error.findings[:12]:
            click.echo(
                f"  {finding.severity}: {finding.text}" + (f"; {finding.fix}" if finding.fix else ""),
                err=True,
            )
        if error.picture:
            shown = out.with_name(f"{out.name}-refused.svg")
            out.parent.mkdir(parents=True, exist_ok=True)
            shown.write_text(error.picture, encoding="utf-8")
            click.echo(f"  where on the piece: {shown}", err=True)
        refuse(f"this cannot be done as asked: {error}", CANNOT_BE_DONE)
    except OSError as error:
        refuse(f"{error.filename or out}: {error.strerror or error}", BAD_INPUT)
    for one in job.bridges:
        click.echo(
            f"bridge in {one.region} at {one.x_mm:.1f}, {one.y_mm:.1f} mm of the sheet: "
            f"{one.width_mm:.1f} mm wide, {one.length_mm:.1f} mm long on the skin",
            err=True,
        )
    for finding in said["findings"]:
        click.echo(f"{finding['severity']}: {finding['text']}", err=True)
    proof = said["proof"]
    click.echo(
        f"{out}: {said['seconds']['total'] / 60:.1f} min on {said['machine']}, "
        f"{len(said['operations'])} passes; virtual cut: "
        f"outline within {proof['outline_max_mm']:.3f} mm (median {proof['outline_median_mm']:.3f}), "
        f"depth within {proof['depth_max_mm']:.3f} mm"
    )
    if said["likeness"]:
        click.echo(likeness_words(said["likeness"]))


def _write_programs(programs: tuple[tuple[str, str], ...], path: Path) -> None:
    """Write programs beside each other: at the path itself, or numbered, one for each fitting of a cutter."""
    for number, (_, text) in enumerate(programs, 1):
        one = path if len(programs) == 1 else path.with_name(f"{path.stem}_{number}{path.suffix}")
        one.write_text(text, encoding="utf-8")


def _read(path: Path) -> bytes:
    return path.read_bytes()


def _step_line(done: int, total: int, note: str) -> None:
    if sys.stderr.isatty():
        click.echo(f"\r{done + 1}/{total} {note:<24}", nl=done + 1 == total, err=True)


@click.command()
@click.option("--readings", type=click.Path(path_type=Path), required=True, help="thickness_mm,reading; CSV.")
@click.option("--dark", type=float, default=0.0, show_default=True, help="Reading with the light off.")
@click.option("--wall-sigma-mm", type=float, default=0.7, show_default=True, help="Of the gauged wall [mm].")
def wedge(readings: Path, dark: float, wall_sigma_mm: float) -> None:
    """Say from a step wedge how light falls off in a lot's flesh, and how many tones that makes."""
    from engine.errors import BadInput
    from engine.files import read_wedge, text_of
    from engine.records import Rules
    from engine.wedge import fit_wedge, tones_told_apart

    try:
        thickness, light = read_wedge(text_of(_read(readings), readings.name), readings.name)
        found = fit_wedge(thickness, light, dark)
        rules = Rules()
        tones = tones_told_apart(rules.relief_max_wall_mm - rules.relief_min_wall_mm, wall_sigma_mm)
    except BadInput as error:
        refuse(str(error), BAD_INPUT)
    except OSError as error:
        refuse(f"{error.filename}: {error.strerror or error}", BAD_INPUT)
    known = (
        "its error is not known of two steps"
        if math.isnan(found.sigma_per_mm)
        else (f"standard deviation {found.sigma_per_mm:.4f}")
    )
    click.echo(
        f"--light-per-mm {found.light_per_mm:.4f} ({known}); a wall known to {wall_sigma_mm:g} mm "
        f"shows {tones:.1f} tones between {rules.relief_min_wall_mm:g} and {rules.relief_max_wall_mm:g} mm"
    )
