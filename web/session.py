"""What does a page stand on? The database it reads, the present instant and the season it is about."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import AbstractContextManager
from contextvars import ContextVar
from dataclasses import dataclass
from datetime import datetime
from zoneinfo import ZoneInfo

from flask import Flask, current_app, g, request
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


def venue_of(app: Flask) -> Venue:
    """Return what an application was made with."""
    found: Venue = app.extensions["venue"]
    return found


def venue() -> Venue:
    """Return what this application was made with."""
    return venue_of(current_app)


def reading_db() -> AbstractContextManager[Session]:
    """Give a session for one page; it keeps nothing."""
    return reading(venue().factory)


def writing_db() -> AbstractContextManager[Session]:
    """Give a session for one change: kept as a whole at the end, or not at all."""
    return unit_of_work(venue().factory)


# a page tells hundreds of times: instant and zone are kept where they are found without a detour
_NOW: ContextVar[datetime | None] = ContextVar("now", default=None)
_ZONE: ContextVar[ZoneInfo | None] = ContextVar("zone", default=None)


def now() -> datetime:
    """Return the present instant, the same for the whole of one request."""
    instant = _NOW.get()
    if instant is None:
        instant = venue().clock()
        _NOW.set(instant)
    return instant


def zone() -> ZoneInfo:
    """Return the time zone in which this page tells times."""
    return _ZONE.get() or venue().settings.zone


def begin_anew(*_: object) -> None:
    """Forget instant and zone of the request before; a thread serves many."""
    _NOW.set(None)
    _ZONE.set(None)


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
        g.season = found
        tell_times_in(found.time_zone)
    return found


def tell_times_in(time_zone: str) -> None:
    """Tell times in a zone from here on in this request.

    Parameters
    ----------
    time_zone : str
        IANA name [-].
    """
    g.zone = ZoneInfo(time_zone)
    _ZONE.set(g.zone)
