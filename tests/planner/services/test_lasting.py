"""Is the life of the walks offered, taken over by a person alone, used by forecasts, and taken back?"""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from typing import Any

import pytest
from sqlalchemy.orm import Session

from planner.database import tables
from planner.errors import Conflict
from planner.schedule.life import LifeModel, days_of_life, multiplier
from planner.schedule.refit import Refit
from planner.services import lasting, quality
from planner.services.forecast import season_forecast

AT = datetime(2026, 10, 24, 6, 0, tzinfo=UTC)
BY: dict[str, Any] = {"recorded_at": AT, "recorded_by": "Ann"}
NIGHT = date(2026, 10, 24)


@pytest.fixture
def stood(db: Session) -> tables.Season:
    """Twelve lanterns of 15 degrees that were sound after a day and a half and done after two and a half."""
    season = tables.Season(
        name="The Long Dusk", site="Larkmere", time_zone="Europe/London", opening_night=NIGHT,
        last_night=date(2026, 10, 29), dusk=time(17, 25), **BY,
    )  # fmt: skip
    season.nights = [tables.Night(night=NIGHT + timedelta(days=n), temperature_c=15) for n in range(6)]
    lot = tables.Lot(name="L-1", variety="Crown", kind="squash", quantity=12, received_on=AT.date(), **BY)
    machine = tables.Machine(
        name="Wren", description="{}", digest="0", max_diameter_mm=320, fixture_class="ring", **BY
    )
    db.add_all([season, lot, machine])
    for n in range(12):
        piece = tables.Workpiece(lot=lot, number=f"01{n:02d}", diameter_mm=284, height_mm=256, **BY)
        station = tables.Station(season=season, name=f"Gate {n}", area="Gate", size_class="large",
                                 kind="through", least_rating=6)  # fmt: skip
        job = tables.Job(
            season=season, station=station, workpiece=piece, night=NIGHT, state="placed", **BY
        )  # fmt: skip
        db.add(tables.Run(job=job, machine=machine, workpiece=piece, started_at=AT - timedelta(hours=1),
                          ended_at=AT, outcome="finished", **BY))  # fmt: skip
        db.flush()
        for days, verdict in ((1.5, "ok"), (2.5, "tonight")):
            at = AT + timedelta(days=days)
            quality.walk(db, job.id, at.date(), verdict, by="Bea", at=at)
    return season


def test_the_model_of_the_walks_is_the_factors_times_the_usual() -> None:
    """Factors 0.8 for all, 0.9 for through, 1.2 for relief and 0.7 for ten degrees more, by hand.

    At 15 degrees 6 x 0.8 x 0.9 days cut through, and 6 x 0.8 x 1.2 x 0.7 for a relief; at 25 degrees half of
    that, times 0.7.
    """
    one = (0.8, 0.7, 0.9)
    groups = {"treatment through": (0.9, 0, 0), "treatment relief": (1.2, 0, 0), "lot L-1": (1.1, 0, 0)}
    model = lasting.fitted(Refit(2.5, one, (0.7, 0.6, 0.8), groups, 40, 20))  # type: ignore[arg-type]
    assert days_of_life(model, 15.0) == pytest.approx(6 * 0.8 * 0.9)
    assert days_of_life(model, 25.0) == pytest.approx(6 * 0.8 * 0.9 / 2 * 0.7)
    assert float(days_of_life(model, 15.0)) * multiplier(model, relief=True) == pytest.approx(
        6 * 0.8 * 1.2 * 0.7
    )
    assert model.shape == 2.5


def test_nothing_changes_until_a_person_takes_it(db: Session, stood: tables.Season) -> None:
    """They lasted about two days where six are usual: offered shorter, in force once taken."""
    offered = lasting.offer(db, stood.id)
    assert offered is not None and offered.before == LifeModel()
    assert 1.5 < offered.after.days_at_reference < 4.5
    usual = season_forecast(db, stood.id).mean
    row = lasting.accept(db, stood.id, by="Ines", at=AT)
    assert lasting.model_of(db, stood.id).days_at_reference == pytest.approx(offered.after.days_at_reference)
    assert row.lots.keys() == {"L-1"} and row.ended == row.lanterns == 12
    assert season_forecast(db, stood.id).mean > 1.3 * usual
    lasting.take_back(db, row.id, by="Ines", at=AT)
    assert lasting.model_of(db, stood.id) == LifeModel()
    assert season_forecast(db, stood.id).mean == usual
    with pytest.raises(Conflict, match="taken back by Ines already"):
        lasting.take_back(db, row.id, by="Ines", at=AT)


def test_what_was_before_is_in_force_again(db: Session, stood: tables.Season) -> None:
    """Of two that were taken over the newer counts; without it the older one does."""
    older = lasting.accept(db, stood.id, by="Ines", at=AT)
    newer = lasting.accept(db, stood.id, by="Ines", at=AT)
    assert lasting.in_force(db, stood.id) is newer
    lasting.take_back(db, newer.id, by="Ines", at=AT)
    assert lasting.in_force(db, stood.id) is older


def test_too_few_lanterns_say_nothing(db: Session) -> None:
    """A season without walks offers nothing, and there is nothing to take over."""
    season = tables.Season(
        name="Dusk", site="Larkmere", time_zone="Europe/London", opening_night=NIGHT, last_night=NIGHT,
        dusk=time(17, 25), **BY,
    )  # fmt: skip
    season.nights = [tables.Night(night=NIGHT, temperature_c=11)]
    db.add(season)
    db.flush()
    assert lasting.offer(db, season.id) is None
    with pytest.raises(Conflict, match="too few lanterns"):
        lasting.accept(db, season.id, by="Ines", at=AT)
