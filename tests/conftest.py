"""Which stores do the tests run on? Real schemas by migrations, once a session, undone after each test."""

from __future__ import annotations

import os
import pwd
import shutil
import subprocess
import tempfile
import uuid
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import pytest
from sqlalchemy import Connection, Engine, event, func, select, text
from sqlalchemy.orm import Session, sessionmaker

from planner.database import migrate
from planner.database.session import engine_for
from planner.database.tables import Base


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
        engine = engine_for(_postgresql_url(folder, "postgres"))
        with engine.connect().execution_options(isolation_level="AUTOCOMMIT") as connection:
            connection.execute(text(f"CREATE DATABASE {name}"))
        engine.dispose()
        return _postgresql_url(folder, name)

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


# --- a PostgreSQL server of our own --------------------------------------------------------------------


@pytest.fixture(scope="session")
def postgresql_folder() -> Iterator[Path]:
    """The socket folder of a server that lives as long as the session; skips where there is none."""
    programs = _postgresql_programs()
    if programs is None:
        pytest.skip("no PostgreSQL server is installed")
    owner = _server_owner()
    if owner == "root":
        pytest.skip("PostgreSQL does not run as root and there is no user postgres")
    # not below pytest's own folder: the server's user may not enter it, and a socket's path must be short
    folder = Path(tempfile.mkdtemp(prefix="lantern-pg-"))
    try:
        if os.geteuid() == 0:
            shutil.chown(folder, owner)
        _start_server(programs, folder, owner)
        try:
            yield folder
        finally:
            _run_as(owner, folder, programs / "pg_ctl", "-D", folder / "store", "-m", "immediate", "stop")
    finally:
        shutil.rmtree(folder)


def _start_server(programs: Path, folder: Path, owner: str) -> None:
    store, log = folder / "store", folder / "log"
    make = ("-U", "postgres", "-A", "trust", "-E", "UTF8", "--locale=C.UTF-8", "--no-sync")
    _run_as(owner, folder, programs / "initdb", "-D", store, *make)
    settings = f"-k {folder} -c listen_addresses='' -c fsync=off"
    _run_as(owner, folder, programs / "pg_ctl", "-D", store, "-l", log, "-o", settings, "-w", "start")


def _run_as(owner: str, folder: Path, *command: object) -> None:
    user = owner if os.geteuid() == 0 else None
    # the server inherits the output and would keep a pipe open for ever
    subprocess.run(
        [str(word) for word in command],
        user=user,
        cwd=folder,
        check=True,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )


def _postgresql_programs() -> Path | None:
    """Return the folder of the newest server: Debian keeps one per version, others have it on the path."""
    debian = sorted(
        Path("/usr/lib/postgresql").glob("*/bin/initdb"), key=lambda found: int(found.parts[-3].split(".")[0])
    )
    if debian:
        return debian[-1].parent
    on_path = shutil.which("initdb")
    return Path(on_path).resolve().parent if on_path else None


def _server_owner() -> str:
    """Return who runs the server: the user, or `postgres` where the user is root."""
    user = pwd.getpwuid(os.geteuid()).pw_name
    if os.geteuid() != 0:
        return user
    return "postgres" if any(entry.pw_name == "postgres" for entry in pwd.getpwall()) else "root"


def _postgresql_url(folder: Path, name: str) -> str:
    return f"postgresql+psycopg://postgres@/{name}?host={folder}"
