"""How is the database opened? One engine a program, one unit of work a request."""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import AbstractContextManager, contextmanager, nullcontext
from functools import partial
from pathlib import Path
from threading import Lock
from typing import Any

from sqlalchemy import Engine, create_engine, event
from sqlalchemy.engine import Connection, make_url
from sqlalchemy.orm import ORMExecuteState, Session, sessionmaker, with_loader_criteria
from sqlalchemy.orm.exc import StaleDataError

from planner.database.tables import Corrected
from planner.errors import Conflict

_WRITES = "lanternwright_writes"  # execution option: this transaction is going to write
_BUSY_MS = 5000  # how long a writer waits for another one
_LOCKS: dict[str, Lock] = {}  # by SQLite file: writers of one program queue here

# NaN is not JSON: PostgreSQL would refuse it and SQLite keep it, so neither gets it
_to_json = partial(json.dumps, allow_nan=False, ensure_ascii=False)


def engine_for(url: str) -> Engine:
    """Return an engine for a database URL; the folder of an SQLite file is made.

    Parameters
    ----------
    url : str
        SQLAlchemy URL [-]; `postgresql://` means the psycopg driver.
    """
    parsed = make_url(url)
    if parsed.drivername in ("postgresql", "postgres"):
        parsed = parsed.set(drivername="postgresql+psycopg")
    if parsed.get_backend_name() != "sqlite":
        return create_engine(parsed, json_serializer=_to_json, pool_pre_ping=True)
    if parsed.database and parsed.database != ":memory:":
        Path(parsed.database).parent.mkdir(parents=True, exist_ok=True)
    engine = create_engine(parsed, json_serializer=_to_json)
    event.listen(engine, "connect", _on_connect)
    event.listen(engine, "begin", _on_begin)
    return engine


def _on_connect(connection: Any, _record: object) -> None:
    """Take transactions out of the driver's hands, so that savepoints and rollbacks do what they say."""
    connection.isolation_level = None
    for pragma in ("foreign_keys = ON", f"busy_timeout = {_BUSY_MS}", "journal_mode = WAL"):
        connection.execute(f"PRAGMA {pragma}").close()


def _on_begin(connection: Connection) -> None:
    # a transaction that reads first and writes later fails at once when another one wrote in between,
    # whatever the busy timeout; a unit of work therefore takes the write lock before it reads
    writes = connection.get_execution_options().get(_WRITES, False)
    connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")


@event.listens_for(Session, "do_orm_execute")
def _leave_out_void(state: ORMExecuteState) -> None:
    """Leave facts that were corrected out of every question that does not ask `with_void`."""
    if state.is_select and not state.execution_options.get("with_void", False):
        state.statement = state.statement.options(_COUNTS)


_COUNTS = with_loader_criteria(Corrected, lambda fact: fact.voided_at.is_(None), include_aliases=True)


def session_factory(url: str) -> sessionmaker[Session]:
    """Return a maker of sessions on a database URL."""
    return sessionmaker(engine_for(url), expire_on_commit=False)


@contextmanager
def unit_of_work(factory: sessionmaker[Session]) -> Iterator[Session]:
    """Give a session; commit at the end, roll back on any error, close in both cases.

    A second writer of one row (see `version_id_col` in the tables) gets a `Conflict`.

    Parameters
    ----------
    factory : sessionmaker
        From `session_factory` [-].
    """
    with _turn(factory), factory() as db:
        try:
            db.connection(execution_options={_WRITES: True})
            yield db
            db.commit()
        except StaleDataError as stale:
            db.rollback()
            raise Conflict(
                "somebody else changed this in the meantime; nothing was kept, look again"
            ) from stale
        except BaseException:
            db.rollback()
            raise


def _turn(factory: sessionmaker[Session]) -> AbstractContextManager[object]:
    """Return the lock on which writers of one SQLite file wait for each other.

    SQLite wakes its waiting writers at random, so that of several busy ones some wait until they give up; a
    lock of this program lets each have its turn.
    """
    engine = getattr(factory, "kw", {}).get("bind")
    if not isinstance(engine, Engine) or engine.dialect.name != "sqlite":
        return nullcontext()
    return _LOCKS.setdefault(str(engine.url), Lock())


@contextmanager
def reading(factory: sessionmaker[Session]) -> Iterator[Session]:
    """Give a session that waits for no writer and keeps nothing; for pages that only look.

    Parameters
    ----------
    factory : sessionmaker
        From `session_factory` [-].
    """
    with factory() as db:
        try:
            yield db
        finally:
            db.rollback()
