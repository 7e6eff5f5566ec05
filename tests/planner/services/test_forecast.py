"""Does the forecast of a season in the database say what it needs, and what it takes for granted?"""

from __future__ import annotations

from datetime import UTC, datetime
from itertools import combinations

import pytest
from sqlalchemy import select
from sqlalchemy.orm import Session, sessionmaker

from planner.database import tables
from planner.errors import Refused
from planner.services.forecast import ForecastSettings, forecast_lines, season_forecast, with_life
from seed_demo.season import write_base

AT = datetime(2026, 10, 20, 8, 0, tzinfo=UTC)


@pytest.fixture
def season_id(factory: sessionmaker[Session]) -> int:
    """The demo season without a job."""
    return write_base(factory, AT)


def test_before_anything_is_planned(db: Session, season_id: int) -> None:
    """About the 150 replacements that the scenario's author worked out; what is assumed is said."""
    found = season_forecast(db, season_id, ForecastSettings(seasons=1000))
    assert found.stations == 120
    assert found.mean == pytest.approx(150, rel=0.04)
    assert found.low < found.middle < found.high
    assert len(found.nights) == 10
    assert max(found.nights, key=lambda line: line.mean).temperature_c in (15.0, 17.0)
    assert any("no planned end" in note for note in found.assumed)
    text = "\n".join(forecast_lines(found))
    assert "120 stations; replacements in all" in text and "assumed: " in text


MACHINES = ("Wren", "Heron", "Badger", "Otter", "Stoat")


def test_the_opening_with_two_machines_down(db: Session, season_id: int) -> None:
    """Four days before, by the scenario's own rules: any two may be down and every station is lit.

    The scenario's reckoning: 40 min a lantern with all, 11 h a day, machines run for 75 % of it; 50 a day
    with four machines, 37 with three, 120 wanted in 3.5 days.
    """
    for down in combinations(MACHINES, 2):
        found = season_forecast(db, season_id, ForecastSettings(seasons=20), down=down)
        assert found.first_dark_night != found.nights[0].night, down


def test_the_opening_with_three_machines_down(db: Session, season_id: int) -> None:
    """With any three it is not met, and the first dark night is told with its cause: 25 a day, 87 of 120."""
    for down in combinations(MACHINES, 3):
        found = season_forecast(db, season_id, ForecastSettings(seasons=20), down=down)
        assert found.first_dark is not None and found.first_dark_night == found.nights[0].night, down
        assert found.first_dark.chance == 1.0, down
        assert found.first_dark.cause.startswith("too few hours on"), down


def test_pieces_to_order_follow_from_yields(db: Session, season_id: int) -> None:
    """Stations and replacements over (0.92 x 0.94 x 0.96), rounded up; what is accepted counts."""
    found = season_forecast(db, season_id, ForecastSettings(seasons=500))
    for line in found.orders:
        need = (line.stations + line.replacements_high) / (0.92 * 0.94 * 0.96)
        assert need <= line.order < need + 1
        assert line.short == max(0, line.order - line.pieces)
    assert sum(line.stations for line in found.orders) == 120


def test_a_colder_rack_and_a_longer_life_need_less(db: Session, season_id: int) -> None:
    """The settings reach the model."""
    plain = ForecastSettings(seasons=500)
    usual = season_forecast(db, season_id, plain).mean
    assert season_forecast(db, season_id, ForecastSettings(seasons=500, rack_c=4.0)).mean < usual
    assert season_forecast(db, season_id, with_life(plain, days_at_reference=9.0)).mean < 0.8 * usual


def test_refused_in_words(db: Session, season_id: int) -> None:
    """A machine that is not there, and a night without a temperature."""
    with pytest.raises(Refused, match="Ferret"):
        season_forecast(db, season_id, down=["Ferret"])
    night = db.scalars(select(tables.Night).where(tables.Night.season_id == season_id)).first()
    assert night is not None
    night.temperature_c = None
    db.flush()
    with pytest.raises(Refused, match="no temperature yet"):
        season_forecast(db, season_id)
