"""What can be asked for on the command line? One command a task; every refusal is one clear line."""

from __future__ import annotations

import json
import math
import os
import sys
from datetime import datetime
from importlib.metadata import entry_points
from pathlib import Path
from typing import TYPE_CHECKING, Any, NoReturn

import click

from planner.auditing import check
from planner.batching import prepare_season
from planner.bringing import enter, log
from planner.charting import chart
from planner.config import settings_in
from planner.reviewing import review
from planner.touching import touches

if TYPE_CHECKING:
    from sqlalchemy.orm import Session, sessionmaker

    from planner.config import Settings
    from planner.database.tables import Season

# jobs run side by side in processes; threads inside them only get in the way (set before numpy is loaded)
for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

BAD_INPUT, CANNOT_BE_DONE = 2, 3
_LARGEST_JSON = 16_000_000


def refuse(text: str, code: int) -> NoReturn:
    """End with one line on standard error."""
    click.echo(f"lanternwright: {text}", err=True)
    sys.exit(code)


class _Commands(click.Group):
    """Commands that end in one line where the disk or the database gives up under them."""

    def invoke(self, ctx: click.Context) -> Any:
        """Run a command."""
        try:
            return super().invoke(ctx)
        except OSError as error:
            refuse(
                f"{error.filename or 'the disk'}: {error.strerror or error}; nothing half is kept", BAD_INPUT
            )
        except Exception as error:
            cause = getattr(error, "orig", None)  # of the database's driver
            if cause is None or not type(error).__module__.startswith("sqlalchemy"):
                raise
            told = (str(cause).splitlines() or [type(cause).__name__])[0]
            refuse(f"the database does not answer: {told}; nothing of this step was kept", BAD_INPUT)


@click.group(cls=_Commands, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(package_name="lanternwright")
def main() -> None:
    """Plan a season of carved, lit lanterns, from touches and drawings to programs and a fleet plan."""


@main.command()
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
            now=_now(),
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


main.add_command(touches)
main.add_command(chart)
main.add_command(review)
main.add_command(log)
main.add_command(enter)
main.add_command(check)
main.add_command(prepare_season)


@main.command()
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


@main.group()
def db() -> None:
    """Look after the database."""


@db.command("upgrade")
@click.option("--url", help="SQLAlchemy URL; else LANTERNWRIGHT_DATABASE_URL, else the default.")
def db_upgrade(url: str | None) -> None:
    """Bring the database's tables up to date; makes them where there are none."""
    from planner.config import settings_from
    from planner.database.migrate import upgrade

    upgrade(url or settings_from().database_url)
    click.echo("the database is up to date")


@main.command("backup")
@click.option("--folder", type=click.Path(path_type=Path), help="Folder of the program's files.")
@click.option(
    "--out", type=click.Path(path_type=Path, dir_okay=False), required=True, help="The file to write."
)
def make_backup(folder: Path | None, out: Path) -> None:
    """Write all tables and job packages into one file; others may go on working."""
    from planner.errors import PlannerError
    from planner.services.backup import backup

    try:
        copied = backup(settings_in(folder), out)
    except PlannerError as error:
        refuse(str(error), BAD_INPUT)
    except OSError as error:
        refuse(f"{error.filename or out}: {error.strerror or error}", BAD_INPUT)
    click.echo(f"{out}: {copied.rows} rows and {copied.files} files, {copied.bytes / 1e6:.1f} MB")


@main.command("restore")
@click.option("--folder", type=click.Path(path_type=Path), help="Folder of the program's files.")
@click.option(
    "--from",
    "source",
    type=click.Path(path_type=Path, dir_okay=False),
    required=True,
    help="The file to read.",
)
def bring_back(folder: Path | None, source: Path) -> None:
    """Bring a backup back into an empty database and its folder."""
    from planner.errors import PlannerError
    from planner.services.backup import restore

    try:
        copied = restore(settings_in(folder), source)
    except PlannerError as error:
        refuse(str(error), BAD_INPUT)
    except OSError as error:
        refuse(f"{error.filename or source}: {error.strerror or error}", BAD_INPUT)
    click.echo(f"{source}: {copied.rows} rows and {copied.files} files are back")


@main.command()
@click.option("--problem", type=click.Path(path_type=Path), help="Plan problem, JSON; needs no database.")
@click.option("--out", type=click.Path(path_type=Path), help="Where the plan goes, JSON.")
@click.option("--folder", type=click.Path(path_type=Path), help="Folder of the program's files.")
@click.option("--at", type=click.DateTime(), help="Start of the plan, local to the season; now if absent.")
@click.option("--seconds", type=click.FloatRange(0.1, 3600), default=30.0, show_default=True)
@click.option("--workers", type=click.IntRange(1, 64), default=2, show_default=True)
@click.option("--seed", type=int, default=0, show_default=True)
@click.option("--ready", type=click.FloatRange(0, 1), help="Chance of all ready that comes before nights.")
@click.option("--begin", type=click.Path(path_type=Path), help="A plan of that problem, JSON, to go on from.")
@click.option("--go-on", is_flag=True, help="Go on from the season's plan in force, before it has begun.")
def plan(
    problem: Path | None,
    out: Path | None,
    folder: Path | None,
    at: datetime | None,
    seconds: float,
    workers: int,
    seed: int,
    ready: float | None,
    begin: Path | None,
    go_on: bool,
) -> None:
    """Plan who cuts what, where and when: a season, or any problem in a file."""
    from planner.errors import PlannerError
    from planner.services import planning
    from planner.services.planning import plan_season, solve_checked

    try:
        if problem is not None:
            if out is None:
                refuse("--problem needs --out FILE for the plan", BAD_INPUT)
            result = solve_checked(
                _json(problem),
                seconds=seconds,
                workers=workers,
                seed=seed,
                ready=ready,
                begin=None if begin is None else _json(begin),
            )
            out.write_text(json.dumps(result, indent=1))
            _print_tiers(result["tiers"], result["undone"])
            _print_ready(result.get("ready"))
            return
        factory, season = _season(settings_in(folder))
        again = {"by": "command line", "seconds": seconds, "workers": workers, "seed": seed}
        if go_on:
            stored = planning.go_on(factory, season.id, now=_instant(at, season) or _now(), **again)  # type: ignore[arg-type]
        else:
            stored = plan_season(
                factory,
                season.id,
                now=_now(),
                start=_instant(at, season),
                ready=ready,
                **again,  # type: ignore[arg-type]
            )
        _print_tiers(stored.tiers, list(stored.undone))
        _print_ready(stored.ready)
        _print_rows(factory, stored.plan_id, season)
    except PlannerError as error:
        refuse(str(error), BAD_INPUT)
    except OSError as error:
        refuse(f"{error.filename}: {error.strerror or error}", BAD_INPUT)


@main.command()
@click.option("--machine", required=True, help="Name of the machine that is down.")
@click.option("--down-h", type=click.FloatRange(0.1, 24 * 60), required=True, help="For how long [h].")
@click.option("--reason", default="breakdown", show_default=True)
@click.option("--folder", type=click.Path(path_type=Path), help="Folder of the program's files.")
@click.option("--at", type=click.DateTime(), help="When it broke, local to the season; now if absent.")
@click.option("--seconds", type=click.FloatRange(0.1, 3600), default=10.0, show_default=True)
@click.option("--move-any", is_flag=True, help="Let as many steps move as help.")
def replan(
    machine: str,
    down_h: float,
    reason: str,
    folder: Path | None,
    at: datetime | None,
    seconds: float,
    move_any: bool,
) -> None:
    """Plan again after a breakdown; what runs and what starts within the hour stays where it can."""
    from datetime import timedelta

    from sqlalchemy import select

    from planner.database import tables
    from planner.database.session import reading, unit_of_work
    from planner.errors import PlannerError
    from planner.services.fleet import report_breakdown
    from planner.services.planning import MOST_MOVED, plan_season, published_plan

    try:
        factory, season = _season(settings_in(folder))
        start = _instant(at, season) or _now()
        with reading(factory) as session:
            published_plan(session, season.id)  # refused in words when there is none
            down = session.scalar(select(tables.Machine.id).where(tables.Machine.name == machine))
            names = sorted(session.scalars(select(tables.Machine.name)))
        if down is None:
            refuse(f"--machine {machine}: one of {', '.join(names)} was expected", BAD_INPUT)
        with unit_of_work(factory) as session:
            report_breakdown(
                session,
                down,
                start,
                reason,
                by="command line",
                at=_now(),
                end_at=start + timedelta(hours=down_h),
            )
        stored = plan_season(
            factory,
            season.id,
            by="command line",
            now=_now(),
            start=start,
            seconds=seconds,
            published=True,
            most_moved=None if move_any else MOST_MOVED,
        )
        _print_tiers(stored.tiers, list(stored.undone))
        click.echo(f"{len(stored.moved)} steps moved:")
        for moved in stored.moved:
            click.echo(f"  {moved.job}: {moved.before} -> {moved.after} ({moved.why})")
    except PlannerError as error:
        refuse(str(error), BAD_INPUT)


@main.command()
@click.option("--folder", type=click.Path(path_type=Path), help="Folder of the program's files.")
@click.option("--down", multiple=True, help="A machine that is taken to be down all season; may be repeated.")
@click.option(
    "--life-days", type=click.FloatRange(0.1, 365), default=6.0, show_default=True, help="At 15 °C."
)
@click.option(
    "--relief-life", type=click.FloatRange(0.01, 10), default=0.7, show_default=True, help="Factor."
)
@click.option("--rack-c", type=float, help="Where carved lanterns wait [°C]; as the first night if absent.")
@click.option(
    "--running", type=click.FloatRange(0.05, 1), default=0.75, show_default=True, help="Share of hours."
)
@click.option("--seasons", type=click.IntRange(10, 100_000), default=5000, show_default=True, help="Drawn.")
@click.option("--seed", type=int, default=0, show_default=True)
def forecast(
    folder: Path | None,
    down: tuple[str, ...],
    life_days: float,
    relief_life: float,
    rack_c: float | None,
    running: float,
    seasons: int,
    seed: int,
) -> None:
    """Say what the season still needs: replacements, produce, hours, the first night that would be dark."""
    from planner.database.session import reading
    from planner.errors import PlannerError
    from planner.services.forecast import ForecastSettings, forecast_lines, season_forecast, with_life

    try:
        factory, season = _season(settings_in(folder))
        settings = with_life(
            ForecastSettings(rack_c=rack_c, running=running, seasons=seasons, seed=seed),
            days_at_reference=life_days,
            relief=relief_life,
        )
        with reading(factory) as session:
            found = season_forecast(session, season.id, settings, down=down)
        for line in forecast_lines(found):
            click.echo(line)
    except PlannerError as error:
        refuse(str(error), BAD_INPUT)


@main.command()
@click.option("--folder", type=click.Path(path_type=Path), help="Folder of the program's files.")
@click.option("--night", "nights", type=click.DateTime(["%Y-%m-%d"]), multiple=True, help="First lit then.")
@click.option(
    "--on", type=click.DateTime(["%Y-%m-%d"]), help="Day to which ages are counted; today if absent."
)
@click.option("--accept", is_flag=True, help="Write the suggestions into their jobs.")
@click.option("--by", default="command line", show_default=True, help="Who accepts them.")
def choose(
    folder: Path | None, nights: tuple[datetime, ...], on: datetime | None, accept: bool, by: str
) -> None:
    """Suggest a piece for every lantern of the nights, with reasons; what a person chose stays."""
    from planner.database.session import unit_of_work
    from planner.errors import PlannerError
    from planner.services import choosing

    try:
        factory, season = _season(settings_in(folder))
        today = on.date() if on else _now().astimezone(season.zone).date()
        with unit_of_work(factory) as session:
            found = choosing.suggest(session, season.id, today=today, nights=[n.date() for n in nights])
            for one in found:
                click.echo(one.words)
            if accept:
                taken = choosing.accept(session, season.id, found, by=by, at=_now())
                click.echo(f"{len(taken)} pieces chosen as suggested")
    except PlannerError as error:
        refuse(str(error), BAD_INPUT)


@main.command()
@click.option("--file", "source", type=click.Path(path_type=Path), required=True, help="JSON, see the guide.")
@click.option("--folder", type=click.Path(path_type=Path), help="Folder of the program's files.")
@click.option("--by", default="command line", show_default=True, help="Who enters them.")
def benches(source: Path, folder: Path | None, by: str) -> None:
    """Enter benches, carrier plates and hands with their skills; plans know of them from then on."""
    from planner.database.session import unit_of_work
    from planner.errors import PlannerError
    from planner.services.benches import enter

    try:
        factory, _ = _season(settings_in(folder))
        with unit_of_work(factory) as session:
            places, hands = enter(session, _json(source), by=by, at=_now())
        click.echo(f"{places} benches and sets of carriers, {hands} hands entered")
    except PlannerError as error:
        refuse(str(error), BAD_INPUT)
    except OSError as error:
        refuse(f"{error.filename}: {error.strerror or error}", BAD_INPUT)


@main.command("compare")
@click.option("--problem", type=click.Path(path_type=Path), help="Plan problem, JSON; needs no database.")
@click.option("--folder", type=click.Path(path_type=Path), help="Folder of the program's files.")
@click.option(
    "--at", type=click.DateTime(), help="From when on, local to the season; the plan's start if absent."
)
@click.option("--down", multiple=True, help="Machine that is down, NAME or NAME:HOURS; may be repeated.")
@click.option("--people", type=int, default=0, show_default=True, help="So many people more, or less (-1).")
@click.option(
    "--longer-h", type=click.FloatRange(0, 24), default=0.0, show_default=True, help="Longer days [h]."
)
@click.option("--outages", type=click.IntRange(1, 4), help="Try every set of up to so many machines down.")
@click.option("--seconds", type=click.FloatRange(0.1, 3600), default=5.0, show_default=True)
def what_if(
    problem: Path | None,
    folder: Path | None,
    at: datetime | None,
    down: tuple[str, ...],
    people: int,
    longer_h: float,
    outages: int | None,
    seconds: float,
) -> None:
    """Solve a copy with something changed beside the live plan, which stays as it is."""
    from planner.database.session import reading
    from planner.errors import PlannerError
    from planner.services import whatif

    try:
        if problem is not None:
            read = whatif.read_file(_json(problem))
            live = read.published or ()
        else:
            factory, season = _season(settings_in(folder))
            with reading(factory) as session:
                read, live = whatif.live_problem(session, season.id, _instant(at, season))
        if outages is not None:
            for found in whatif.how_many_down(read, outages):
                for outage in found:
                    click.echo(outage.verdict)
            return
        copy = whatif.changed(read, down=[_down(text) for text in down], people=people, longer_h=longer_h)
        for line in whatif.compared_lines(whatif.what_if(read, live, copy, seconds=seconds)):
            click.echo(line)
    except PlannerError as error:
        refuse(str(error), BAD_INPUT)
    except OSError as error:
        refuse(f"{error.filename}: {error.strerror or error}", BAD_INPUT)


@main.command()
@click.argument("job")
@click.option("--problem", type=click.Path(path_type=Path), help="Plan problem, JSON; needs no database.")
@click.option(
    "--plan", "plan_file", type=click.Path(path_type=Path), help="Its plan, JSON; solved if absent."
)
@click.option("--folder", type=click.Path(path_type=Path), help="Folder of the program's files.")
@click.option("--seconds", type=click.FloatRange(0.1, 3600), default=10.0, show_default=True)
def explain(
    job: str, problem: Path | None, plan_file: Path | None, folder: Path | None, seconds: float
) -> None:
    """Say why JOB is undone or late: which facts clash, and the cheapest ways out."""
    from planner.database.session import reading
    from planner.errors import PlannerError
    from planner.services import whatif

    try:
        if problem is not None:
            found = whatif.why_in_file(
                _json(problem), None if plan_file is None else _json(plan_file), job, seconds=seconds
            )
        else:
            factory, season = _season(settings_in(folder))
            with reading(factory) as session:
                found = whatif.why_in_plan(session, season.id, job)
        click.echo(found)
    except PlannerError as error:
        refuse(str(error), BAD_INPUT)
    except OSError as error:
        refuse(f"{error.filename}: {error.strerror or error}", BAD_INPUT)


def _down(text: str) -> tuple[str, float | None]:
    name, colon, hours = text.rpartition(":")
    if not colon:
        return text, None
    try:
        return name, float(hours)
    except ValueError:
        refuse(f"--down {text}: NAME or NAME:HOURS was expected", BAD_INPUT)


def _now() -> datetime:
    from datetime import UTC

    return datetime.now(UTC)


def _instant(at: datetime | None, season: Season) -> datetime | None:
    from datetime import UTC

    return None if at is None else at.replace(tzinfo=season.zone).astimezone(UTC)


def _season(settings: Settings) -> tuple[sessionmaker[Session], Season]:
    """Return the database and its latest season."""
    from planner.database.migrate import upgrade
    from planner.database.session import reading, session_factory
    from planner.errors import NotFound
    from planner.services.season import season_named

    upgrade(settings.database_url)
    factory = session_factory(settings.database_url)
    with reading(factory) as session:
        season = season_named(session, None)
        if season is not None:
            session.expunge(season)  # so that it can be read after the session has ended
    if season is None:
        raise NotFound(
            f"no season in {settings.database_url}; bring one in with `lanternwright enter`, "
            "or try `lanternwright demo`"
        )
    return factory, season


def _json(path: Path) -> dict[str, Any]:
    return json_of(path.read_bytes(), path.name)


def json_of(content: bytes, name: str) -> dict[str, Any]:
    """Return the one JSON object that a file holds, or refuse it in one line.

    Parameters
    ----------
    content : bytes
        The file [-].
    name : str
        Shown in messages [-].
    """
    from planner.errors import Refused

    if len(content) > _LARGEST_JSON:
        raise Refused(f"{name}: {len(content) / 1e6:.1f} MB, expected {_LARGEST_JSON / 1e6:g} MB at most")
    try:
        found = json.loads(content.decode("utf-8"))
    except (ValueError, RecursionError) as error:
        raise Refused(f"{name}: not JSON ({error})") from error
    if not isinstance(found, dict):
        raise Refused(f"{name}: one JSON object was expected")
    return found


def _print_tiers(tiers: dict[str, Any], undone: list[str]) -> None:
    for name, tier in tiers.items():
        click.echo(f"{name:<14} {tier['value']:>8}   proven at least {tier['bound']}   {tier['status']}")
    if undone:
        click.echo("undone: " + ", ".join(undone))


def _print_ready(ready: dict[str, Any] | None) -> None:
    if ready is None:
        return
    met = "met" if ready["met"] else "missed"
    click.echo(f"all ready in time: {ready['chance']:.0%}, target {ready['target']:.0%} {met}")
    for point in ready["curve"]:
        click.echo(
            f"  shifts planned to {point['share']:4.0%}: stored nights {point['stored_nights']}, "
            f"undone {point['undone']}, all ready {point['chance']:.0%}"
        )


def _print_rows(factory: sessionmaker[Session], plan_id: int, season: Season) -> None:
    from planner.database.queries import season_chart
    from planner.database.session import reading

    with reading(factory) as session:
        chart = season_chart(session, season.id, plan_id)
    for lane in chart.lanes:
        click.echo(lane.name)
        for row in lane.rows:
            start, end = row.start_at.astimezone(season.zone), row.end_at.astimezone(season.zone)
            click.echo(f"  {start:%a %d %b %H:%M} - {end:%H:%M}  {row.label}  {row.design}")


for _entry in entry_points(group="lanternwright.commands"):  # the floors above bring their own commands
    main.add_command(_entry.load(), _entry.name)


if __name__ == "__main__":
    main()
