"""Does a season have all its nights, and a station what may hang there?"""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, date, datetime, time
from typing import Any

import pytest
from sqlalchemy.orm import Session

from planner.database import tables
from planner.errors import Conflict, NotFound, PlannerError, Refused
from planner.services import season

AT = datetime(2026, 10, 1, 8, 0, tzinfo=UTC)


def _a_season(db: Session, **changes: Any) -> tables.Season:
    given = {
        "name": "The Long Dusk",
        "site": "Larkmere Walled Garden",
        "time_zone": "Europe/London",
        "opening_night": date(2026, 10, 24),
        "last_night": date(2026, 11, 2),
        "dusk": time(17, 25),
    } | changes
    return season.add_season(db, by="Ann", at=AT, **given)


def test_every_night_is_there(db: Session) -> None:
    """From opening to last night, both counted: 24 October to 2 November are ten."""
    made = _a_season(db)
    db.expire_all()
    nights = [row.night for row in made.nights]
    assert len(nights) == 10
    assert (nights[0], nights[-1]) == (date(2026, 10, 24), date(2026, 11, 2))


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"last_night": date(2026, 10, 23)}, "are 0 nights"),
        ({"last_night": date(2028, 10, 23)}, "expected 1 to 400"),
        ({"time_zone": "Larkmere"}, "expected an IANA name"),
        ({"time_zone": "../etc/passwd"}, "expected an IANA name"),
        ({"name": ""}, "name is ''"),
        ({"placed_before_dusk_min": -1}, "time before dusk is -1 min"),
    ],
)
def test_season_refused(
    changes: dict[str, Any], words: str, db: Session, row_counts: Callable[[], dict[str, int]]
) -> None:
    """What cannot be is refused in words, and nothing is kept."""
    before = row_counts()
    with pytest.raises(Refused) as refusal:
        _a_season(db, **changes)
    assert words in str(refusal.value)
    assert not db.new
    assert row_counts() == before


def test_temperature(db: Session) -> None:
    """A night's temperature is kept; a night outside the season is not there."""
    made = _a_season(db)
    assert season.set_temperature(db, made.id, date(2026, 10, 29), 17).temperature_c == 17
    with pytest.raises(NotFound, match="no night of 2026-11-03"):
        season.set_temperature(db, made.id, date(2026, 11, 3), 5)


def test_station_with_a_choice(db: Session) -> None:
    """Designs that may hang at a station keep their order."""
    made = _a_season(db)
    designs = [tables.Design(name=name, recorded_at=AT, recorded_by="Ann") for name in ("Fern", "Fox")]
    db.add_all(designs)
    db.flush()
    station = season.add_station(
        db, made.id, "Lime Walk 7", "Lime Walk", "large", "through", design_ids=[designs[1].id, designs[0].id]
    )
    db.expire_all()
    assert [choice.design.name for choice in station.choices] == ["Fox", "Fern"]


def test_station_refused(db: Session, row_counts: Callable[[], dict[str, int]]) -> None:
    """A name twice, an unknown size, a rating of 11, a design twice or not there: nothing is kept."""
    made = _a_season(db)
    add = lambda *given, **more: season.add_station(db, made.id, *given, **more)  # noqa: E731
    add("Gate 1", "Gate", "XL", "through")
    before = row_counts()
    refused: list[tuple[tuple[str, ...], dict[str, Any], type[PlannerError]]] = [
        (("Gate 1", "Gate", "XL", "through"), {}, Conflict),
        (("Gate 2", "Gate", "huge", "through"), {}, Refused),
        (("Gate 2", "Gate", "XL", "etched"), {}, Refused),
        (("Gate 2", "Gate", "XL", "through"), {"least_rating": 11}, Refused),
        (("Gate 2", "Gate", "XL", "through"), {"design_ids": [9, 9]}, Refused),
        (("Gate 2", "Gate", "XL", "through"), {"design_ids": [999]}, NotFound),
    ]
    for given, more, kind in refused:
        with pytest.raises(kind):
            add(*given, **more)
        assert not db.new
        assert row_counts() == before
