"""Do the settings come from the environment, with sound defaults?"""

from __future__ import annotations

from pathlib import Path

import pytest

from planner.config import settings_from
from planner.errors import PlannerError


def test_defaults() -> None:
    """Without any setting the files lie in one folder where the program is started."""
    settings = settings_from({})
    assert settings.database_url == "sqlite:///.lanternwright/lanternwright.db"
    assert settings.packages == Path(".lanternwright/packages")
    assert settings.time_zone == "UTC"


def test_environment() -> None:
    """Each setting has its variable; an empty one counts as not set."""
    settings = settings_from(
        {
            "LANTERNWRIGHT_DATABASE_URL": "postgresql://ann@localhost/season",
            "LANTERNWRIGHT_FOLDER": "store",
            "LANTERNWRIGHT_TIME_ZONE": "Europe/London",
        }
    )
    assert settings.database_url == "postgresql://ann@localhost/season"
    assert settings.packages == Path("store/packages")
    assert settings.zone.key == "Europe/London"
    assert settings_from({"LANTERNWRIGHT_FOLDER": ""}).folder == Path(".lanternwright")


def test_folder_moves_the_database() -> None:
    """The default database lies in the folder that is set."""
    assert settings_from({"LANTERNWRIGHT_FOLDER": "store"}).database_url == "sqlite:///store/lanternwright.db"


def test_time_zone_is_checked() -> None:
    """A zone that nobody knows is told at the start, by the variable's name."""
    with pytest.raises(PlannerError, match="LANTERNWRIGHT_TIME_ZONE: 'Larkmere'"):
        settings_from({"LANTERNWRIGHT_TIME_ZONE": "Larkmere"})
