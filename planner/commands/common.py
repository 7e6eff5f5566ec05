"""What do all commands have in common? How they refuse, which season they are about, what they print."""

from __future__ import annotations

import json
import sys
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, NoReturn

import click

if TYPE_CHECKING:
    from sqlalchemy.orm import Session, sessionmaker

    from planner.config import Settings
    from planner.database.tables import Season

BAD_INPUT, CANNOT_BE_DONE = 2, 3
_LARGEST_JSON = 12_000_000


def refuse(text: str, code: int) -> NoReturn:
    """End with one line on standard error."""
    click.echo(f"lanternwright: {text}", err=True)
    sys.exit(code)


def now() -> datetime:
    """Return the present instant."""
    from datetime import UTC

    return datetime.now(UTC)


def instant_of(at: datetime | None, season: Season) -> datetime | None:
    """Return the instant of a time that was told as the season's clocks show it."""
    from datetime import UTC

    return None if at is None else at.replace(tzinfo=season.zone).astimezone(UTC)


def latest_season(settings: Settings) -> tuple[sessionmaker[Session], Season]:
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


def json_in(path: Path) -> dict[str, Any]:
    """Return the one JSON object of a file."""
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


def print_tiers(tiers: dict[str, Any], undone: list[str]) -> None:
    """Print what a plan costs, tier by tier."""
    for name, tier in tiers.items():
        click.echo(f"{name:<14} {tier['value']:>8}   proven at least {tier['bound']}   {tier['status']}")
    if undone:
        click.echo("undone: " + ", ".join(undone))


def print_rows(factory: sessionmaker[Session], plan_id: int, season: Season) -> None:
    """Print who does what and when, machine by machine."""
    from planner.database.queries import season_chart
    from planner.database.session import reading

    with reading(factory) as session:
        chart = season_chart(session, season.id, plan_id)
    for lane in chart.lanes:
        click.echo(lane.name)
        for row in lane.rows:
            start, end = row.start_at.astimezone(season.zone), row.end_at.astimezone(season.zone)
            click.echo(f"  {start:%a %d %b %H:%M} - {end:%H:%M}  {row.label}  {row.design}")
