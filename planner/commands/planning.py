"""Who does what, where and when? Planning, re-planning, comparing and explaining on the command line."""

from __future__ import annotations

import json
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from planner.commands.common import (
    BAD_INPUT,
    instant_of,
    json_in,
    latest_season,
    now,
    print_rows,
    print_tiers,
    refuse,
)
from planner.config import settings_in

if TYPE_CHECKING:
    pass


@click.command()
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
                json_in(problem),
                seconds=seconds,
                workers=workers,
                seed=seed,
                ready=ready,
                begin=None if begin is None else json_in(begin),
            )
            out.write_text(json.dumps(result, indent=1))
            print_tiers(result["tiers"], result["undone"])
            _print_ready(result.get("ready"))
            return
        factory, season = latest_season(settings_in(folder))
        again = {"by": "command line", "seconds": seconds, "workers": workers, "seed": seed}
        if go_on:
            stored = planning.go_on(factory, season.id, now=instant_of(at, season) or now(), **again)  # type: ignore[arg-type]
        else:
            stored = plan_season(
                factory,
                season.id,
                now=now(),
                start=instant_of(at, season),
                ready=ready,
                **again,  # type: ignore[arg-type]
            )
        print_tiers(stored.tiers, list(stored.undone))
        _print_ready(stored.ready)
        print_rows(factory, stored.plan_id, season)
    except PlannerError as error:
        refuse(str(error), BAD_INPUT)
    except OSError as error:
        refuse(f"{error.filename}: {error.strerror or error}", BAD_INPUT)


@click.command()
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
        factory, season = latest_season(settings_in(folder))
        start = instant_of(at, season) or now()
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
                at=now(),
                end_at=start + timedelta(hours=down_h),
            )
        stored = plan_season(
            factory,
            season.id,
            by="command line",
            now=now(),
            start=start,
            seconds=seconds,
            published=True,
            most_moved=None if move_any else MOST_MOVED,
        )
        print_tiers(stored.tiers, list(stored.undone))
        click.echo(f"{len(stored.moved)} steps moved:")
        for moved in stored.moved:
            click.echo(f"  {moved.job}: {moved.before} -> {moved.after} ({moved.why})")
    except PlannerError as error:
        refuse(str(error), BAD_INPUT)


@click.command("compare")
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
            read = whatif.read_file(json_in(problem))
            live = read.published or ()
        else:
            factory, season = latest_season(settings_in(folder))
            with reading(factory) as session:
                read, live = whatif.live_problem(session, season.id, instant_of(at, season))
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


@click.command()
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
                json_in(problem), None if plan_file is None else json_in(plan_file), job, seconds=seconds
            )
        else:
            factory, season = latest_season(settings_in(folder))
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
