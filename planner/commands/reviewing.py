"""How did these days go? The review of a stretch of days on the command line."""

from __future__ import annotations

from datetime import datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

import click

from planner.commands.common import BAD_INPUT, refuse

if TYPE_CHECKING:
    from planner.schedule.kpi import Figure
    from planner.services.review import Review

_DATE = click.DateTime(["%Y-%m-%d"])
_HOUR_US = 3_600_000_000


@click.command("review")
@click.option("--from", "first", type=_DATE, required=True, help="First day, local to the season.")
@click.option("--to", "last", type=_DATE, required=True, help="Last day, it counts too.")
@click.option("--folder", type=click.Path(path_type=Path), help="Folder of the program's files.")
@click.option("--person-hour", type=click.FloatRange(0), help="What an hour of a person costs.")
@click.option("--cutter-life", type=click.FloatRange(0), help="What a cutter costs, new or sharpened.")
def review(
    first: datetime,
    last: datetime,
    folder: Path | None,
    person_hour: float | None,
    cutter_life: float | None,
) -> None:
    """Say how days went: key figures of ISO 22400-2, hours, cutters, cost, lit against promised."""
    from datetime import UTC

    from sqlalchemy import select

    from planner.config import settings_in
    from planner.database import tables
    from planner.database.session import reading, session_factory
    from planner.errors import PlannerError
    from planner.services.review import Rates, gather, review_of

    settings = settings_in(folder)
    if last < first:
        refuse(f"--to {last:%Y-%m-%d}: the day of --from or a later one was expected", BAD_INPUT)
    if not settings.folder.exists() and settings.database_url.startswith("sqlite"):
        refuse(f"{settings.folder}: no such folder; try `lanternwright demo` first", BAD_INPUT)
    try:
        with reading(session_factory(settings.database_url)) as db:
            season = db.scalar(select(tables.Season).order_by(tables.Season.opening_night.desc()).limit(1))
            if season is None:
                refuse("there is no season yet; enter one first, or try `lanternwright demo`", BAD_INPUT)
            begin = first.replace(tzinfo=season.zone)
            end = (last + timedelta(days=1)).replace(tzinfo=season.zone)
            facts = gather(db, season.id, begin, end, now=max(begin, datetime.now(UTC)))
            name = f"{season.name}, {season.site}"
    except PlannerError as error:
        refuse(str(error), BAD_INPUT)
    click.echo(f"{name}, {first:%Y-%m-%d} to {last:%Y-%m-%d}")
    _tell(review_of(facts, Rates(person_hour, cutter_life)))


def _tell(found: Review) -> None:
    for sentence in found.words:
        click.echo(sentence)
    click.echo()
    groups = (found.whole, *found.machines)
    click.echo(f"{'':<24}" + "".join(f"{group.name:>16}" for group in groups))
    for row in zip(*(group.figures for group in groups), strict=True):
        click.echo(f"{row[0].name:<24}" + "".join(f"{told(one):>16}" for one in row) + f"  {row[0].formula}")
    if found.untimed:
        click.echo(f"{found.untimed} pieces had no planned run time; in effectiveness they count as nought")
    click.echo()
    for name, parts in found.hours.items():
        said = ", ".join(f"{what} {us / _HOUR_US:.2f} h" for what, us in parts.items() if us)
        click.echo(f"{name}: {found.manned[name] / _HOUR_US:.2f} h of shifts = {said or 'nothing'}")
    if found.outside_min:
        click.echo(f"run outside of shifts: {found.outside_min / 60:.2f} h")
    for use in found.cutters:
        click.echo(f"cutter {use.type_name}: {use.minutes:.0f} min, {use.metres:.1f} m, {use.wear:.2f} lives")
    for reason, count in found.scrap.items():
        click.echo(f"scrapped, {reason}: {count}")
    if found.estimates is not None:
        told_of = found.estimates
        click.echo(
            f"estimates of the later {told_of.runs} runs: off by {told_of.error_before_min:.2f} min, by what "
            f"the earlier ones taught {told_of.error_after_min:.2f} min; "
            f"log score {told_of.score_before:.2f}, learned {told_of.score_after:.2f}"
        )
    cost = found.cost
    click.echo(
        f"per good lantern: {_number(cost.cutter_min_per_lantern, 'cutter min')}, "
        f"{_number(cost.person_h_per_lantern, 'person h')}, cost {_number(cost.per_lantern)}"
    )
    click.echo(
        f"per lit station-night: {_number(cost.machine_h_per_lit_night, 'machine h')}, "
        f"cost {_number(cost.per_lit_night)}"
    )
    for night in found.nights:
        click.echo(f"{night.night}: {night.lit} of {night.promised} stations had a lantern cut by dusk")


def told(figure: Figure) -> str:
    """Return a figure as words, 'n/a' where its denominator is nought.

    Parameters
    ----------
    figure : Figure
        From a review [-].
    """
    if figure.value is None:
        return "n/a"
    return f"{figure.value:.1%}" if not figure.unit else f"{figure.value:.2f} {figure.unit}"


def _number(value: float | None, unit: str = "") -> str:
    return "n/a" if value is None else f"{value:.2f} {unit}".rstrip()
