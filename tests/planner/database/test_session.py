"""Does a unit of work keep all or nothing, and does a second writer learn of the first?"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest
from sqlalchemy import Engine, func, select, text
from sqlalchemy.exc import IntegrityError
from sqlalchemy.orm import Session, sessionmaker
from sqlalchemy.orm.exc import StaleDataError

from planner.database import migrate, tables
from planner.database.session import engine_for, reading, session_factory, unit_of_work
from planner.errors import Conflict

AT = datetime(2026, 10, 21, 6, 0, tzinfo=UTC)


@pytest.fixture
def own_factory(new_database: Callable[[], str]) -> Iterator[sessionmaker[Session]]:
    """A database of the test's own, for what really commits."""
    url = new_database()
    migrate.upgrade(url)
    made = session_factory(url)
    yield made
    made.kw["bind"].dispose()


def _a_machine(**changes: object) -> tables.Machine:
    fields: dict[str, object] = {
        "name": "Wren",
        "description": "{}",
        "digest": "0" * 12,
        "max_diameter_mm": 320,
        "fixture_class": "ring",
        "recorded_at": AT,
        "recorded_by": "Ann",
    }
    return tables.Machine(**(fields | changes))


def _machines(factory: sessionmaker[Session]) -> int:
    with reading(factory) as db:
        return db.scalar(select(func.count()).select_from(tables.Machine)) or 0


def test_unit_of_work_commits(own_factory: sessionmaker[Session]) -> None:
    """What a unit of work wrote is there for the next session."""
    with unit_of_work(own_factory) as db:
        db.add(_a_machine())
    assert _machines(own_factory) == 1


def test_unit_of_work_forgets_on_an_error(own_factory: sessionmaker[Session]) -> None:
    """An error after a flush leaves nothing behind, and comes out as it was."""
    with pytest.raises(RuntimeError, match="belt"), unit_of_work(own_factory) as db:
        db.add(_a_machine())
        db.flush()
        raise RuntimeError("belt")
    assert _machines(own_factory) == 0


def test_reading_keeps_nothing(own_factory: sessionmaker[Session]) -> None:
    """A session for looking forgets what was written in it."""
    with reading(own_factory) as db:
        db.add(_a_machine())
        db.flush()
    assert _machines(own_factory) == 0


def test_outer_rollback_undoes_a_commit(database: Engine) -> None:
    """A commit inside an outer transaction ends a savepoint only; the outer rollback leaves no row."""
    with database.connect() as connection, connection.begin() as outer:
        inner = sessionmaker(connection, join_transaction_mode="create_savepoint")
        with unit_of_work(inner) as db:
            db.add(_a_machine())
        assert connection.scalar(text("SELECT count(*) FROM machines")) == 1
        outer.rollback()
    with database.connect() as connection:
        assert connection.scalar(text("SELECT count(*) FROM machines")) == 0


def _edited_by_two(factory: sessionmaker[Session]) -> Session:
    """Return a session that changed a machine which somebody else changed and committed since it was read."""
    with unit_of_work(factory) as db:
        db.add(_a_machine())
    first = factory()
    machine = first.scalars(select(tables.Machine)).one()
    first.commit()  # the page was shown; the form comes later
    with unit_of_work(factory) as second:
        second.scalars(select(tables.Machine)).one().max_diameter_mm = 330
    machine.max_diameter_mm = 310
    return first


def test_second_writer_is_stale(own_factory: sessionmaker[Session]) -> None:
    """Who writes to a row that somebody else changed since it was read gets `StaleDataError`."""
    with _edited_by_two(own_factory) as first, pytest.raises(StaleDataError):
        first.flush()


def test_second_writer_gets_a_conflict(own_factory: sessionmaker[Session]) -> None:
    """Out of a unit of work it comes as a `Conflict`, and the first writer's value stays."""
    first = _edited_by_two(own_factory)
    with pytest.raises(Conflict, match="nothing was kept"), unit_of_work(lambda: first):  # type: ignore[arg-type]
        pass
    with reading(own_factory) as db:
        assert db.scalar(select(tables.Machine.max_diameter_mm)) == 330


def test_foreign_keys_hold(db: Session) -> None:
    """A row cannot point to one that is not there."""
    db.add(tables.Breakdown(machine_id=999, start_at=AT, reason="belt", recorded_at=AT, recorded_by="Ann"))
    with pytest.raises(IntegrityError, match=r"(?i)foreign key"):
        db.flush()


def test_nan_is_not_stored_as_json(db: Session) -> None:
    """NaN is not JSON and goes into neither store."""
    db.add(tables.Work(kind="prepare", arguments={"width": float("nan")}, recorded_at=AT, recorded_by="Ann"))
    with pytest.raises(Exception, match="not JSON compliant"):
        db.flush()


def test_sqlite_settings(tmp_path: Path) -> None:
    """The folder is made; readers do not block the writer, foreign keys hold, a writer waits for another."""
    engine = engine_for(f"sqlite:///{tmp_path / 'deep' / 'store.db'}")
    with engine.connect() as connection:
        found = {
            name: connection.exec_driver_sql(f"PRAGMA {name}").scalar()
            for name in ("journal_mode", "foreign_keys", "busy_timeout")
        }
    engine.dispose()
    assert found["journal_mode"] == "wal"
    assert found["foreign_keys"] == 1
    assert found["busy_timeout"] >= 1000


def test_sqlite_units_that_read_and_write_take_turns(tmp_path: Path) -> None:
    """Two threads that count up one number at once lose no count and get no `database is locked`."""
    url = f"sqlite:///{tmp_path / 'store.db'}"
    migrate.upgrade(url)
    factory = session_factory(url)
    with unit_of_work(factory) as db:
        db.add(tables.Work(kind="count", recorded_at=AT, recorded_by="Ann"))
    errors: list[BaseException] = []

    def count_up() -> None:
        try:
            for _ in range(25):
                with unit_of_work(factory) as db:
                    db.scalars(select(tables.Work)).one().done += 1
        except BaseException as error:
            errors.append(error)

    threads = [threading.Thread(target=count_up) for _ in range(2)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    with reading(factory) as db:
        assert db.scalar(select(tables.Work.done)) == 50
    factory.kw["bind"].dispose()
    assert errors == []


def test_sqlite_page_is_read_while_another_writes(tmp_path: Path) -> None:
    """A page that only looks does not wait for a writer and sees what was committed before."""
    url = f"sqlite:///{tmp_path / 'store.db'}"
    migrate.upgrade(url)
    factory = session_factory(url)
    with unit_of_work(factory) as writer:
        writer.add(_a_machine())
        writer.flush()
        assert _machines(factory) == 0
    assert _machines(factory) == 1
    factory.kw["bind"].dispose()


def test_postgresql_address_means_psycopg() -> None:
    """`postgresql://` needs no driver's name."""
    engine = engine_for("postgresql://ann@localhost/season")
    assert engine.dialect.driver == "psycopg"
    engine.dispose()
