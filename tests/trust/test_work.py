"""Is long work done by one hand, and kept once, whatever clocks and workers do?"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path

import pytest
from sqlalchemy import func, select
from sqlalchemy.orm import Session, sessionmaker

from planner import worker
from planner.config import Settings
from planner.database import migrate, tables
from planner.database.session import reading, session_factory, unit_of_work
from planner.errors import Conflict
from planner.services import works
from tests.bench.soak import memory_mb

AT = datetime(2026, 10, 21, 9, tzinfo=UTC)


@pytest.fixture
def settings(new_database: Callable[[], str], tmp_path: Path) -> Settings:
    url = new_database()
    migrate.upgrade(url)
    return Settings(url, tmp_path, "UTC")


@pytest.fixture
def store_of(settings: Settings) -> Iterator[sessionmaker[Session]]:
    made = session_factory(settings.database_url)
    yield made
    made.kw["bind"].dispose()


def _lots(factory: sessionmaker[Session]) -> int:
    with reading(factory) as db:
        return db.scalar(select(func.count(tables.Lot.id))) or 0


def _keeps_a_lot(task: worker.Task) -> None:
    with unit_of_work(task.factory) as db:
        db.add(
            tables.Lot(
                name=f"L-{threading.get_ident()}-{id(task)}", variety="x", kind="foam", quantity=1,
                received_on=AT.date(), recorded_at=AT, recorded_by=task.by,
            )
        )  # fmt: skip


def _ask(factory: sessionmaker[Session]) -> int:
    with unit_of_work(factory) as db:
        return works.ask_for_work(db, "forecast", {}, by="Ines", at=AT).id


@pytest.mark.parametrize("jump", [timedelta(hours=1), timedelta(seconds=31), timedelta(days=365)])
def test_what_was_taken_over_gives_one_result(
    settings: Settings, store_of: sessionmaker[Session], monkeypatch: pytest.MonkeyPatch, jump: timedelta
) -> None:
    """A clock jumps ahead, or a worker hangs for 31 s: another one does the work; the first keeps nothing."""
    work_id = _ask(store_of)
    turns: list[str] = []

    def slow_at_first(task: worker.Task) -> None:
        turns.append("begun")
        if len(turns) == 1:  # while it hangs, somebody else comes by with a later clock
            assert worker.next_done(settings, store_of, "second", lambda: AT + jump)
        _keeps_a_lot(task)

    monkeypatch.setitem(worker.DOERS, "forecast", slow_at_first)
    monkeypatch.setattr(worker, "_TELL_S", 60.0)
    assert worker.next_done(settings, store_of, "first", lambda: AT)
    assert turns == ["begun", "begun"]
    assert _lots(store_of) == 1
    with reading(store_of) as db:
        row = db.get(tables.Work, work_id)
        assert row is not None
        assert (row.state, row.claimed_by) == ("done", "second")
    assert not worker.next_done(settings, store_of, "first", lambda: AT + 2 * jump)


def test_a_clock_that_jumps_back_takes_nothing_over(
    settings: Settings, store_of: sessionmaker[Session]
) -> None:
    """A sign of life from times to come is one: the work stays with its worker."""
    _ask(store_of)
    with unit_of_work(store_of) as db:
        assert works.claim_work(db, "first", now=AT) is not None
    with unit_of_work(store_of) as db:
        assert works.claim_work(db, "second", now=AT - timedelta(hours=1)) is None


def test_work_that_hangs_is_given_up(
    settings: Settings, store_of: sessionmaker[Session], monkeypatch: pytest.MonkeyPatch
) -> None:
    """It told nothing new for too long: failed, in words, and its process ends so that another one begins."""
    work_id = _ask(store_of)
    wake = threading.Event()
    ended: list[int] = []
    monkeypatch.setitem(worker.DOERS, "forecast", lambda task: wake.wait(30))
    monkeypatch.setattr(worker, "_TELL_S", 0.02)
    monkeypatch.setattr(worker, "HUNG_S", 0.1)
    monkeypatch.setattr(worker.os, "_exit", ended.append)
    assert worker.next_done(settings, store_of, "first", lambda: AT)
    wake.set()
    assert ended == [75]
    with reading(store_of) as db:
        row = db.get(tables.Work, work_id)
        assert row is not None
        assert row.state == "failed" and "told nothing new" in (row.error or "")


def test_memory_of_work_is_given_back(
    settings: Settings, store_of: sessionmaker[Session], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Work that used 200 MB in small pieces leaves a tenth at most, though one piece at the end stays."""
    stays: list[bytes] = []

    def uses_much(task: worker.Task) -> None:
        pieces = [bytes(2000) for _ in range(100_000)]
        stays.append(pieces[-1])

    monkeypatch.setitem(worker.DOERS, "forecast", uses_much)
    _ask(store_of)
    before = memory_mb()
    assert worker.next_done(settings, store_of, "first", lambda: AT)
    assert memory_mb() < before + 20


def test_nothing_is_kept_for_work_in_other_hands(store_of: sessionmaker[Session]) -> None:
    """The check stands in the same unit of work as what is kept."""
    work_id = _ask(store_of)
    with unit_of_work(store_of) as db:
        works.claim_work(db, "first", now=AT)
    with unit_of_work(store_of) as db:
        works.refuse_lost(db, work_id, "first")
    with pytest.raises(Conflict, match="nothing of it was kept"), unit_of_work(store_of) as db:
        works.refuse_lost(db, work_id, "second")


def test_a_season_across_the_change_of_clocks() -> None:
    """Clocks go back on 25 October 2026, 01:00 UTC (IANA, London): dusk comes 25 h after the last."""
    season = tables.Season(
        name="x", site="x", time_zone="Europe/London", opening_night=date(2026, 10, 24),
        last_night=date(2026, 10, 26), dusk=time(17, 25), placed_before_dusk_min=45,
    )  # fmt: skip
    due = [season.due_at(date(2026, 10, day)).astimezone(UTC) for day in (24, 25, 26)]
    assert due == [
        datetime(2026, 10, 24, 15, 40, tzinfo=UTC),
        datetime(2026, 10, 25, 16, 40, tzinfo=UTC),
        datetime(2026, 10, 26, 16, 40, tzinfo=UTC),
    ]
