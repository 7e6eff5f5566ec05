"""Is long work done by one worker at a time, taken over when he falls silent, and stopped when asked?"""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime, timedelta

import pytest
from sqlalchemy.orm import Session

from planner.database import migrate
from planner.database.session import session_factory, unit_of_work
from planner.errors import Conflict
from planner.services import works

AT = datetime(2026, 10, 21, 6, 0, tzinfo=UTC)
SECOND = timedelta(seconds=1)


def test_oldest_first_and_each_once(db: Session) -> None:
    """Work is taken in the order it was asked for, and what is taken is gone."""
    first = works.ask_for_work(db, "prepare", {"job": 1}, by="Ann", at=AT)
    second = works.ask_for_work(db, "plan", {}, by="Ann", at=AT)
    assert works.claim_work(db, "a", now=AT) is first
    assert works.claim_work(db, "b", now=AT) is second
    assert works.claim_work(db, "c", now=AT) is None


def test_progress_and_cancel(db: Session) -> None:
    """Progress is kept; the worker is told to stop once somebody has asked for it."""
    work = works.ask_for_work(db, "prepare", {}, by="Ann", at=AT)
    works.claim_work(db, "a", now=AT)
    assert works.save_progress(db, work.id, "a", 3, 10, "ordering", now=AT + SECOND) is False
    assert (work.done, work.total, work.note, work.heartbeat_at) == (3, 10, "ordering", AT + SECOND)
    works.ask_to_cancel(db, work.id, at=AT)
    assert works.save_progress(db, work.id, "a", 4, 10, "ordering", now=AT + SECOND) is True
    works.end_work(db, work.id, "a", "cancelled", now=AT + 2 * SECOND)
    assert (work.state, work.ended_at) == ("cancelled", AT + 2 * SECOND)
    with pytest.raises(Conflict, match="cancelled already"):
        works.ask_to_cancel(db, work.id, at=AT)


def test_waiting_work_is_cancelled_at_once(db: Session) -> None:
    """What nobody does yet needs no worker to end it."""
    work = works.ask_for_work(db, "prepare", {}, by="Ann", at=AT)
    assert works.ask_to_cancel(db, work.id, at=AT).state == "cancelled"
    assert works.claim_work(db, "a", now=AT) is None


def test_orphan_is_taken_over(db: Session) -> None:
    """A worker that was silent for more than 30 s loses his work, and what he says later does not count."""
    work = works.ask_for_work(db, "prepare", {}, by="Ann", at=AT)
    works.claim_work(db, "a", now=AT)
    assert works.claim_work(db, "b", now=AT + 30 * SECOND) is None
    assert works.claim_work(db, "b", now=AT + 31 * SECOND) is work
    assert works.save_progress(db, work.id, "a", 9, 10, "", now=AT + 32 * SECOND) is True
    assert work.done == 0
    with pytest.raises(Conflict, match="not in the hands of a"):
        works.end_work(db, work.id, "a", "done", now=AT + 33 * SECOND)
    works.end_work(db, work.id, "b", "failed", now=AT + 33 * SECOND, error="out of memory")
    assert (work.state, work.error) == ("failed", "out of memory")


def test_two_workers_at_once(new_database: Callable[[], str]) -> None:
    """A worker passes over what another one is taking in a transaction that is still open."""
    url = new_database()
    if url.startswith("sqlite"):
        pytest.skip("SQLite has one writer: the second worker waits for the first, as test_session.py shows")
    migrate.upgrade(url)
    factory = session_factory(url)
    with unit_of_work(factory) as db:
        for job in (1, 2):
            works.ask_for_work(db, "prepare", {"job": job}, by="Ann", at=AT)
    with unit_of_work(factory) as one, unit_of_work(factory) as other:
        first, second = works.claim_work(one, "a", now=AT), works.claim_work(other, "b", now=AT)
        assert first is not None
        assert second is not None
        assert (first.arguments, second.arguments) == ({"job": 1}, {"job": 2})
        assert works.claim_work(other, "c", now=AT) is None
    factory.kw["bind"].dispose()
