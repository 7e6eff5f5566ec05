"""How does a season get its nights and stations? Opening to last night, and every place that must be lit."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime, time, timedelta
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from sqlalchemy import select
from sqlalchemy.orm import Session

from planner.database import tables
from planner.database.states import LanternKind, SizeClass
from planner.errors import Conflict, NotFound, Refused
from planner.services.common import amount_of, found, name_of, refuse_taken, word_of

_MOST_NIGHTS = 400


def add_season(
    db: Session,
    name: str,
    site: str,
    time_zone: str,
    opening_night: date,
    last_night: date,
    dusk: time,
    *,
    by: str,
    at: datetime,
    placed_before_dusk_min: int = 45,
) -> tables.Season:
    """Add a season with all its nights.

    Parameters
    ----------
    db : Session
        An open session; it is flushed, not committed [-].
    name, site : str
        As people call them [-].
    time_zone : str
        IANA name of the site's time zone [-].
    opening_night, last_night : date
        Both are lit [-].
    dusk : time
        Local time by which it is dark [-].
    by : str
        Who records it [-].
    at : datetime
        When, with a time zone [-].
    placed_before_dusk_min : int
        Lanterns stand in their places this long before dusk [min].
    """
    name, site = name_of(name, "name"), name_of(site, "site")
    try:
        ZoneInfo(time_zone)
    except (ZoneInfoNotFoundError, ValueError):
        raise Refused(f"time zone is {time_zone!r}, expected an IANA name such as Europe/London") from None
    count = (last_night - opening_night).days + 1
    if not 1 <= count <= _MOST_NIGHTS:
        raise Refused(
            f"from {opening_night} to {last_night} are {count} nights, expected 1 to {_MOST_NIGHTS}"
        )
    amount_of(placed_before_dusk_min, "time before dusk", 0, 720, "min")
    refuse_taken(db, tables.Season, tables.Season.name, name)
    season = tables.Season(
        name=name,
        site=site,
        time_zone=time_zone,
        opening_night=opening_night,
        last_night=last_night,
        dusk=dusk,
        placed_before_dusk_min=placed_before_dusk_min,
        nights=[tables.Night(night=opening_night + timedelta(days=n)) for n in range(count)],
        recorded_by=by,
        recorded_at=at,
    )
    db.add(season)
    db.flush()
    return season


def season_named(db: Session, name: str | None) -> tables.Season | None:
    """Return a season by its name, or the one that opens last; None where there is none at all.

    Parameters
    ----------
    db : Session
        An open session; it is only read [-].
    name : str or None
        The season's name; None = the newest [-].
    """
    seasons = select(tables.Season).order_by(tables.Season.opening_night.desc(), tables.Season.id)
    if name is None:
        return db.scalar(seasons.limit(1))
    row = db.scalar(seasons.where(tables.Season.name == name))
    if row is None:
        raise NotFound(f"there is no season {name[:60]!r}")
    return row


def set_temperature(db: Session, season_id: int, night: date, temperature_c: float) -> tables.Night:
    """Keep how warm a night is said to be.

    Parameters
    ----------
    db : Session
        An open session [-].
    season_id : int
        The season [-].
    night : date
        One of its nights [-].
    temperature_c : float
        Mean of the night [degree Celsius].
    """
    amount_of(temperature_c, "temperature", -60, 60, "°C")
    row = db.scalar(
        select(tables.Night).where(tables.Night.season_id == season_id, tables.Night.night == night)
    )
    if row is None:
        raise NotFound(f"season {season_id} has no night of {night}")
    row.temperature_c = temperature_c
    db.flush()
    return row


def add_station(
    db: Session,
    season_id: int,
    name: str,
    area: str,
    size_class: str,
    kind: str,
    *,
    least_rating: int = 7,
    design_ids: Sequence[int] = (),
) -> tables.Station:
    """Add a station; one design is fixed, several are a choice with the best first.

    Parameters
    ----------
    db : Session
        An open session [-].
    season_id : int
        The season [-].
    name, area : str
        As people call the place and where it is [-].
    size_class : str
        One of `SizeClass` [-].
    kind : str
        One of `LanternKind` [-].
    least_rating : int
        What the lit check must give, 1 to 10 [-].
    design_ids : sequence of int
        Designs that may hang here [-].
    """
    season = found(db, tables.Season, season_id)
    name, area = name_of(name, "name"), name_of(area, "area")
    amount_of(least_rating, "least rating", 1, 10, "")
    if len(set(design_ids)) != len(design_ids):
        raise Refused(f"station {name}: a design comes twice, expected every design once")
    designs = [found(db, tables.Design, design_id) for design_id in design_ids]
    taken = select(tables.Station.id).where(
        tables.Station.season_id == season_id, tables.Station.name == name
    )
    if db.scalar(taken) is not None:
        raise Conflict(f"season {season.name!r} has a station {name!r} already")
    station = tables.Station(
        season_id=season_id,
        name=name,
        area=area,
        size_class=word_of(SizeClass, size_class, "size class"),
        kind=word_of(LanternKind, kind, "kind"),
        least_rating=least_rating,
        choices=[tables.StationDesign(design=design, rank=rank) for rank, design in enumerate(designs)],
    )
    db.add(station)
    db.flush()
    return station
