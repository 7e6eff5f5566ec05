"""What can be asked for on the command line? One command a task; every refusal is one clear line."""

from __future__ import annotations

import os

for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")  # jobs run side by side in processes; threads inside them only get in the way

import json
import math
import sys
from pathlib import Path
from typing import NoReturn

import click

BAD_INPUT, CANNOT_BE_DONE = 2, 3


def refuse(text: str, code: int) -> NoReturn:
    """End with one line on standard error."""
    click.echo(f"lanternwright: {text}", err=True)
    sys.exit(code)


@click.group(context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(package_name="lanternwright")
def main() -> None:
    """Plan a season of carved, lit lanterns, from touches and drawings to programs and a fleet plan."""


@main.command()
@click.option("--artwork", type=click.Path(path_type=Path), required=True, help="SVG, PNG, JPEG or TIFF.")
@click.option("--touches", type=click.Path(path_type=Path), required=True, help="Probe file, CSV.")
@click.option("--machine", "machine_file", type=click.Path(path_type=Path), required=True, help="Axis chain, JSON.")
@click.option("--cutters", "cutters_file", type=click.Path(path_type=Path), required=True, help="Cutters, JSON.")
@click.option("--out", type=click.Path(path_type=Path, file_okay=False), required=True, help="Folder of the job package.")
@click.option("--wall", "wall_file", type=click.Path(path_type=Path), help="Wall readings, CSV.")
@click.option("--wall-mm", type=float, help="The same wall everywhere [mm]; 22 when nothing is said.")
@click.option("--width-mm", type=float, help="Width of the design [mm]; a drawing knows its own.")
@click.option("--longitude", type=float, default=0.0, show_default=True, help="Middle of the design [deg].")
@click.option("--latitude", type=float, default=5.0, show_default=True, help="Middle of the design [deg].")
@click.option("--turn", type=float, default=0.0, show_default=True, help="Counter-clockwise, from outside [deg].")
@click.option("--mirror", is_flag=True, help="Turn the design over, for one read from inside.")
@click.option("--treatment", type=click.Choice(["opening", "relief", "shave"]), help="For shapes that say nothing.")
@click.option("--kind", type=click.Choice(["squash", "turnip", "gourd", "foam"]), default="squash", show_default=True)
@click.option("--tip-radius-mm", type=float, help="Probe tip, when the file does not say [mm].")
@click.option("--workpiece", default="", help="The piece's number, for program and sheet.")
def prepare(
    artwork: Path,
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
) -> None:
    """Prepare one job from files alone and write its package; needs no database."""
    from engine.artwork import read_artwork
    from engine.errors import BadInput, CannotBeDone
    from engine.files import read_cutters, read_machine, read_touches, read_wall, text_of, uniform_wall
    from engine.package import write_package
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
        wall = (
            read_wall(text_of(_read(wall_file), wall_file.name), wall_file.name)
            if wall_file
            else uniform_wall(22.0 if wall_mm is None else wall_mm)
        )
        job = prepare_job(
            read_touches(text_of(_read(touches), touches.name), touches.name, tip_radius_mm),
            read_artwork(
                _read(artwork), artwork.name, width_mm=width_mm, treatment=Treatment(treatment) if treatment else None
            ),
            Placement(math.radians(longitude), math.radians(latitude), math.radians(turn), mirror),
            wall,
            read_cutters(text_of(_read(cutters_file), cutters_file.name), cutters_file.name),
            read_machine(text_of(_read(machine_file), machine_file.name), machine_file.name),
            rules_for(kind),
            names=Names(out.name, workpiece or touches.stem),
            report=_step_line,
        )
        said = write_package(job, out)
    except BadInput as error:
        refuse(str(error), BAD_INPUT)
    except CannotBeDone as error:
        for finding in error.findings[:12]:
            click.echo(f"  {finding.severity}: {finding.text}" + (f"; {finding.fix}" if finding.fix else ""), err=True)
        refuse(f"this cannot be done as asked: {error}", CANNOT_BE_DONE)
    except OSError as error:
        refuse(f"{error.filename or out}: {error.strerror or error}", BAD_INPUT)
    for finding in said["findings"]:
        click.echo(f"{finding['severity']}: {finding['text']}", err=True)
    proof = said["proof"]
    click.echo(
        f"{out}: {said['seconds']['total'] / 60:.1f} min on {said['machine']}, {len(said['operations'])} passes; virtual cut: "
        f"outline within {proof['outline_max_mm']:.3f} mm (median {proof['outline_median_mm']:.3f}), "
        f"depth within {proof['depth_max_mm']:.3f} mm"
    )


def _read(path: Path) -> bytes:
    return path.read_bytes()


def _step_line(done: int, total: int, note: str) -> None:
    if sys.stderr.isatty():
        click.echo(f"\r{done + 1}/{total} {note:<24}", nl=done + 1 == total, err=True)


if __name__ == "__main__":
    main()
