"""How does a PostgreSQL server of our own start, and end? On a socket, in a folder that goes with it."""

from __future__ import annotations

import os
import pwd
import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from sqlalchemy import text

from planner.database.session import engine_for


class NoServer(Exception):
    """No server can run here; why, in words."""


@contextmanager
def server() -> Iterator[Path]:
    """Give the socket folder of a server that lives as long as this context."""
    programs = _programs()
    if programs is None:
        raise NoServer("no PostgreSQL server is installed")
    owner = _owner()
    if owner == "root":
        raise NoServer("PostgreSQL does not run as root and there is no user postgres")
    # not below pytest's own folder: the server's user may not enter it, and a socket's path must be short
    folder = Path(tempfile.mkdtemp(prefix="lantern-pg-"))
    try:
        if os.geteuid() == 0:
            shutil.chown(folder, owner)
        _start(programs, folder, owner)
        try:
            yield folder
        finally:
            _run_as(owner, folder, programs / "pg_ctl", "-D", folder / "store", "-m", "immediate", "stop")
    finally:
        shutil.rmtree(folder)


def url_of(folder: Path, name: str) -> str:
    """Return the URL of a database of a server."""
    return f"postgresql+psycopg://postgres@/{name}?host={folder}"


def order(folder: Path, words: str) -> None:
    """Have a server make or drop a database."""
    engine = engine_for(url_of(folder, "postgres"))
    with engine.connect().execution_options(isolation_level="AUTOCOMMIT") as connection:
        connection.execute(text(words))
    engine.dispose()


def _start(programs: Path, folder: Path, owner: str) -> None:
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


def _programs() -> Path | None:
    """Return the folder of the newest server: Debian keeps one per version, others have it on the path."""
    debian = sorted(
        Path("/usr/lib/postgresql").glob("*/bin/initdb"), key=lambda found: int(found.parts[-3].split(".")[0])
    )
    if debian:
        return debian[-1].parent
    on_path = shutil.which("initdb")
    return Path(on_path).resolve().parent if on_path else None


def _owner() -> str:
    """Return who runs the server: the user, or `postgres` where the user is root."""
    user = pwd.getpwuid(os.geteuid()).pw_name
    if os.geteuid() != 0:
        return user
    return "postgres" if any(entry.pw_name == "postgres" for entry in pwd.getpwall()) else "root"
