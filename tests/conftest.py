"""Which stores do the tests run on? Real schemas by migrations, once a session, undone after each test."""

from __future__ import annotations

import uuid
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import pytest
from sqlalchemy import Connection, Engine, event, func, select
from sqlalchemy.orm import Session, sessionmaker

from planner.database import migrate
from planner.database.session import engine_for
from planner.database.tables import Base
from tests import postgresql


@pytest.fixture(scope="session", params=["sqlite", "postgresql"])
def store(request: pytest.FixtureRequest) -> str:
    """The kind of store; each test that opens a database runs on both."""
    return str(request.param)


@pytest.fixture(scope="session")
def new_database(
    store: str, request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> Callable[[], str]:
    """Make an empty database and return its URL."""
    if store == "sqlite":
        return lambda: f"sqlite:///{tmp_path_factory.mktemp('store') / 'store.db'}"
    folder = request.getfixturevalue("postgresql_folder")

    def new() -> str:
        name = f"test_{uuid.uuid4().hex}"
        postgresql.order(folder, f"CREATE DATABASE {name}")
        return postgresql.url_of(folder, name)

    return new


@pytest.fixture(scope="session")
def database_url(new_database: Callable[[], str]) -> str:
    """A database with the newest schema; what a test writes must be undone, see `db`."""
    url = new_database()
    migrate.upgrade(url)
    return url


@pytest.fixture(scope="session")
def database(database_url: str) -> Iterator[Engine]:
    """The engine of that database."""
    engine = engine_for(database_url)
    yield engine
    engine.dispose()


@pytest.fixture
def connection(database: Engine) -> Iterator[Connection]:
    """A connection in a transaction that is rolled back at the end of the test."""
    with database.connect() as connection, connection.begin() as transaction:
        yield connection
        transaction.rollback()


@pytest.fixture
def factory(connection: Connection) -> sessionmaker[Session]:
    """A maker of sessions for `unit_of_work` and `reading`; a commit ends a savepoint only."""
    return sessionmaker(connection, expire_on_commit=False, join_transaction_mode="create_savepoint")


@pytest.fixture
def db(factory: sessionmaker[Session]) -> Iterator[Session]:
    """A session on the real schema; everything it writes is undone."""
    with factory() as session:
        yield session


@dataclass
class CountedQueries:
    """The statements that were sent, without savepoints."""

    statements: list[str] = field(default_factory=list)

    def __len__(self) -> int:
        return len(self.statements)


@pytest.fixture
def query_counter(connection: Connection) -> Callable[[], AbstractContextManager[CountedQueries]]:
    """`with query_counter() as queries:` counts what is sent inside: `len(queries)`."""

    @contextmanager
    def counting() -> Iterator[CountedQueries]:
        counted = CountedQueries()

        def note(_c: object, _cursor: object, statement: str, *_rest: object) -> None:
            if not statement.startswith(("SAVEPOINT", "RELEASE", "ROLLBACK")):
                counted.statements.append(statement)

        event.listen(connection, "before_cursor_execute", note)
        try:
            yield counted
        finally:
            event.remove(connection, "before_cursor_execute", note)

    return counting


@pytest.fixture
def row_counts(connection: Connection) -> Callable[[], dict[str, int]]:
    """Count the rows of every table, to show that a refusal has left none."""

    def count() -> dict[str, int]:
        return {
            name: connection.scalar(select(func.count()).select_from(table)) or 0
            for name, table in Base.metadata.tables.items()
        }

    return count


@pytest.fixture(scope="session")
def postgresql_folder() -> Iterator[Path]:
    """The socket folder of a server that lives as long as the session; skips where there is none."""
    try:
        with postgresql.server() as folder:
            yield folder
    except postgresql.NoServer as none:
        pytest.skip(str(none))
