"""Where are the database and the job packages, and which time zone do people read? From the environment."""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from planner.errors import PlannerError


@dataclass(frozen=True, slots=True)
class Settings:
    """Everything that differs from one venue's computer to the next."""

    database_url: str
    """SQLAlchemy URL of the database, SQLite or PostgreSQL."""
    folder: Path
    """Where the program keeps its files; made when first needed."""
    time_zone: str
    """IANA name; used where no season says otherwise."""

    @property
    def packages(self) -> Path:
        """The folder of the job packages."""
        return self.folder / "packages"

    @property
    def zone(self) -> ZoneInfo:
        """The time zone as `zoneinfo` knows it."""
        return ZoneInfo(self.time_zone)


def settings_from(environment: Mapping[str, str] | None = None) -> Settings:
    """Return the settings: the environment first, then the defaults.

    Parameters
    ----------
    environment : Mapping, optional
        Names and values [-]; the environment of this run when left out.
    """
    given = os.environ if environment is None else environment
    folder = Path(given.get("LANTERNWRIGHT_FOLDER") or ".lanternwright")
    database_url = given.get("LANTERNWRIGHT_DATABASE_URL") or f"sqlite:///{folder / 'lanternwright.db'}"
    time_zone = given.get("LANTERNWRIGHT_TIME_ZONE") or "UTC"
    _check_zone(time_zone)
    return Settings(database_url, folder, time_zone)


def settings_in(folder: Path | None) -> Settings:
    """Return the settings for a folder that was named, with its own SQLite database; without, this run's.

    Parameters
    ----------
    folder : Path or None
        Of the program's files.
    """
    usual = settings_from()
    return Settings(f"sqlite:///{folder / 'lanternwright.db'}", folder, usual.time_zone) if folder else usual


def asks_keepers_for_codes(environment: Mapping[str, str] | None = None) -> bool:
    """Return whether keepers type a one-time code beside their password.

    Parameters
    ----------
    environment : Mapping, optional
        Names and values [-]; the environment of this run when left out.
    """
    given = os.environ if environment is None else environment
    return given.get("LANTERNWRIGHT_SECOND_FACTOR", "") == "1"


def behind_https(environment: Mapping[str, str] | None = None) -> bool:
    """Return whether people reach the pages through HTTPS: then cookies are sent through it alone.

    Parameters
    ----------
    environment : Mapping, optional
        Names and values [-]; the environment of this run when left out.
    """
    given = os.environ if environment is None else environment
    return given.get("LANTERNWRIGHT_HTTPS", "") == "1"


def _check_zone(time_zone: str) -> None:
    try:
        ZoneInfo(time_zone)
    except (ZoneInfoNotFoundError, ValueError) as unknown:
        raise PlannerError(
            f"LANTERNWRIGHT_TIME_ZONE: {time_zone!r} is not an IANA time zone such as Europe/London"
        ) from unknown
