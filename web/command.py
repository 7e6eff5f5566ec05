"""How are the pages served? By a small threaded server, with one worker beside it for the long work."""

from __future__ import annotations

import os
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import click
from flask import Flask
from sqlalchemy import func, select

from planner.config import Settings, settings_in
from planner.database import tables
from planner.database.session import reading, session_factory, unit_of_work

_HOST = "127.0.0.1"
_DEMO = "demo-season"  # the file by which a folder of the demo is known


def serve_beside(settings: Settings, port: int, clock: Callable[[], datetime] | None = None) -> str:
    """Serve the pages in a thread of this process and return their address.

    Parameters
    ----------
    settings : Settings
        Database and folder [-].
    port : int
        On this machine only [-].
    clock : callable, optional
        The present instant; the machine's own clock if absent.
    """
    from waitress import create_server

    from web import create_app

    clock = clock or _wall_clock
    app = create_app(settings, clock=clock, demo=(settings.folder / _DEMO).exists())
    try:
        server = create_server(app, host=_HOST, port=port, threads=8, ident=None)
    except OSError as error:
        raise click.ClickException(
            f"port {port} is taken ({error.strerror}); name another one with --port"
        ) from error
    threading.Thread(target=server.run, daemon=True).start()
    threading.Thread(target=read_ahead, args=(app,), daemon=True).start()
    threading.Thread(target=_keep_worker, args=(settings, clock), daemon=True).start()
    return f"http://{_HOST}:{port}/"


def read_ahead(app: Flask) -> None:
    """Load what the first page, round picture and review need, so that nobody waits for it."""
    from planner.services import learning, trying

    for name in app.jinja_env.list_templates():
        app.jinja_env.get_template(name)
    learning.rate("first", 1, 2)  # its library loads slowly
    trying.read_ahead()


def _wall_clock() -> datetime:
    return datetime.now(UTC)


def _keep_worker(settings: Settings, clock: Callable[[], datetime], *, rest_s: float = 2.0) -> None:
    """Keep a worker in a process of its own and begin anew where it ended; it ends with this process."""
    ahead_s = (clock() - _wall_clock()).total_seconds()
    command = [sys.executable, "-m", "planner.worker", settings.database_url, str(settings.folder)]
    while True:
        worker = subprocess.Popen(
            [*command, settings.time_zone, f"{ahead_s:.3f}", str(os.getpid())], stdin=subprocess.DEVNULL
        )
        worker.wait()
        time.sleep(rest_s)  # one that cannot begin at all shall not fill the log


def clock_of(settings: Settings) -> Callable[[], datetime]:
    """Return the wall's clock; on the demo's folder one that goes on from the demo's newest record.

    Parameters
    ----------
    settings : Settings
        Database and folder [-].
    """
    if not (settings.folder / _DEMO).exists():
        return _wall_clock
    factory = session_factory(settings.database_url)
    with reading(factory) as db:
        newest = [
            db.scalar(select(func.max(column, type_=column.type)))
            for column in (
                tables.Plan.recorded_at,
                tables.Work.heartbeat_at,
                tables.Run.started_at,
                tables.Run.ended_at,
                tables.Change.recorded_at,
                tables.LitCheck.recorded_at,
            )
        ]
    factory.kw["bind"].dispose()
    known = [instant for instant in newest if instant is not None]
    ahead = max(known) - _wall_clock() if known else timedelta()
    return lambda: _wall_clock() + ahead


@click.command()
@click.option(
    "--folder", type=click.Path(path_type=Path, file_okay=False), help="Folder of the program's files."
)
@click.option("--port", type=click.IntRange(1, 65535), default=8470, show_default=True)
def serve(folder: Path | None, port: int) -> None:
    """Serve the pages on this machine, with a worker for the long work."""
    from planner.database.migrate import upgrade

    settings = settings_in(folder)
    upgrade(settings.database_url)
    address = serve_beside(settings, port, clock_of(settings))
    click.echo(f"pages: {address}  (ends with Ctrl-C)")
    _say_first_invitation(settings, address)
    try:
        threading.Event().wait()
    except KeyboardInterrupt:
        click.echo("ended")


@click.command("second-factor")
@click.option("--person", required=True, help="A keeper's name.")
@click.option(
    "--folder", type=click.Path(path_type=Path, file_okay=False), help="Folder of the program's files."
)
def show_second_factor(person: str, folder: Path | None) -> None:
    """Show what a keeper's device reads to make codes; asked for with LANTERNWRIGHT_SECOND_FACTOR=1."""
    import segno

    from planner.services.second_factor import address_for, secret_of
    from web.access import secret

    settings = settings_in(folder)
    factory = session_factory(settings.database_url)
    with reading(factory) as db:
        found = db.scalar(select(tables.Person).where(tables.Person.name == person))
        address = "" if found is None else address_for(secret_of(secret(settings.folder), found), found.name)
    factory.kw["bind"].dispose()
    if not address:
        click.echo(f"lanternwright: there is no person {person[:60]!r}", err=True)
        sys.exit(2)
    segno.make(address).terminal(compact=True)
    click.echo(f"{address}\nwhoever sees this can make the codes: show it to {person} alone")


def _say_first_invitation(settings: Settings, address: str) -> None:
    """Print the address that makes the first lead, where nobody can sign in yet."""
    from planner.services.people import first_invitation

    if (settings.folder / _DEMO).exists():
        click.echo("demo: a browser on this computer is signed in by itself, as a demo lead")
        return
    factory = session_factory(settings.database_url)
    with unit_of_work(factory) as db:
        token = first_invitation(db, at=_wall_clock())
    factory.kw["bind"].dispose()
    if token is not None:
        click.echo(
            f"nobody can sign in yet; this address makes the first lead, once: {address}welcome/{token}"
        )
