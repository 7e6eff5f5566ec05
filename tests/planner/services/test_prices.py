"""Are prices kept with a season, refused where they make no sense, and taken back?"""

from __future__ import annotations

from datetime import UTC, date, datetime, time

import pytest
from sqlalchemy.orm import Session

from planner.database import tables
from planner.errors import Refused
from planner.services import changes, prices

AT = datetime(2026, 10, 21, 7, 15, tzinfo=UTC)


@pytest.fixture
def season(db: Session) -> tables.Season:
    row = tables.Season(
        name="Dusk", site="Larkmere", time_zone="Europe/London", opening_night=date(2026, 10, 24),
        last_night=date(2026, 10, 26), dusk=time(17, 25), recorded_at=AT, recorded_by="Ines",
    )  # fmt: skip
    db.add(row)
    db.flush()
    return row


def test_prices_are_kept_and_taken_back(db: Session, season: tables.Season) -> None:
    """A type with a price of its own goes before the price of all; taken back, what stood before counts."""
    first = {"person_hour": 20.0, "cutter_life": 30.0, "piece": None}
    prices.keep_prices(db, season.id, first, "EUR", by="Ada", at=AT)
    second = prices.keep_prices(db, season.id, {"cutter_life": 30, "cutter 3B": 55}, "EUR", by="Ada", at=AT)
    rates = prices.rates_of(db, season.id)
    assert (rates.person_hour, rates.life_of("6F"), rates.life_of("3B")) == (None, 30.0, 55.0)
    assert "cutter 3B 55 EUR" in second.words
    changes.take_back(db, second.id, by="Ada", at=AT)
    rates = prices.rates_of(db, season.id)
    assert (rates.person_hour, rates.life_of("3B"), rates.currency) == (20.0, 30.0, "EUR")


@pytest.mark.parametrize(
    ("said", "currency", "words"),
    [
        ({"person_hour": -1.0}, "", "an hour of a person is -1"),
        ({"person_hour": float("nan")}, "", "an hour of a person is nan"),
        ({"lamp": 3.0}, "", "no price of 'lamp'"),
        ({}, "pieces of eight", "expected a short word"),
    ],
)
def test_refused(
    db: Session, season: tables.Season, said: dict[str, float], currency: str, words: str
) -> None:
    """What cannot be meant is refused in one line."""
    with pytest.raises(Refused, match=words):
        prices.keep_prices(db, season.id, said, currency, by="Ada", at=AT)
