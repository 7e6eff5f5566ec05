"""How are the pages served? By a small threaded server, alone or beside other work."""

from __future__ import annotations

import threading
from collections.abc import Callable
from datetime import datetime
from pathlib import Path

import click

from planner.config import Settings, settings_from

_HOST = "127.0.0.1"


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

    app = create_app(settings, clock=clock) if clock else create_app(settings)
    try:
        server = create_server(app, host=_HOST, port=port, threads=4)
    except OSError as error:
        raise click.ClickException(
            f"port {port} is taken ({error.strerror}); name another one with --port"
        ) from error
    threading.Thread(target=server.run, daemon=True).start()
    return f"http://{_HOST}:{port}/"


@click.command()
@click.option(
    "--folder", type=click.Path(path_type=Path, file_okay=False), help="Folder of the program's files."
)
@click.option("--port", type=click.IntRange(1, 65535), default=8470, show_default=True)
def serve(folder: Path | None, port: int) -> None:
    """Serve the pages on this machine."""
    from planner.database.migrate import upgrade

    settings = settings_from()
    if folder is not None:
        settings = Settings(f"sqlite:///{folder / 'lanternwright.db'}", folder, settings.time_zone)
    upgrade(settings.database_url)
    click.echo(f"pages: {serve_beside(settings, port)}  (ends with Ctrl-C)")
    threading.Event().wait()
