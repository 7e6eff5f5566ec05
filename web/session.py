"""What does a page stand on? The database it reads, the present instant and the season it is about."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import AbstractContextManager
from dataclasses import dataclass
from datetime import datetime
from zoneinfo import ZoneInfo

from flask import current_app, g, request
from sqlalchemy.orm import Session, sessionmaker

from planner.config import Settings
from planner.database import queries
from planner.database.lines import SeasonLine
from planner.database.session import reading, unit_of_work
from planner.errors import NotFound


@dataclass(frozen=True, slots=True)
class Venue:
    """What all pages share."""

    settings: Settings
    factory: sessionmaker[Session]
    clock: Callable[[], datetime]


def venue() -> Venue:
    """Return what this application was made with."""
    found: Venue = current_app.extensions["venue"]
    return found


def reading_db() -> AbstractContextManager[Session]:
    """Give a session for one page; it keeps nothing."""
    return reading(venue().factory)


def writing_db() -> AbstractContextManager[Session]:
    """Give a session for one change: kept as a whole at the end, or not at all."""
    return unit_of_work(venue().factory)


def now() -> datetime:
    """Return the present instant, the same for the whole of one request."""
    if "now" not in g:
        g.now = venue().clock()
    instant: datetime = g.now
    return instant


def zone() -> ZoneInfo:
    """Return the time zone in which this page tells times."""
    found: ZoneInfo = g.get("zone") or venue().settings.zone
    return found


def the_season(db: Session) -> SeasonLine | None:
    """Return the season that was asked for, else the newest, and tell times in its zone from here on.

    Parameters
    ----------
    db : Session
        An open session [-].
    """
    seasons = queries.seasons(db)
    g.seasons = seasons
    wanted = request.args.get("season")
    found = next((line for line in seasons if wanted in (None, str(line.season_id))), None)
    if found is None and wanted is not None:
        raise NotFound(f"there is no season {wanted}")
    if found is not None:
        g.season, g.zone = found, ZoneInfo(found.time_zone)
    return found


def tell_times_in(time_zone: str) -> None:
    """Tell times in a zone from here on in this request.

    Parameters
    ----------
    time_zone : str
        IANA name [-].
    """
    g.zone = ZoneInfo(time_zone)
