"""How is a whole season prepared from the command line, on this computer or on a cluster?"""

from __future__ import annotations

import os
import time
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import click

from planner.commands.common import BAD_INPUT, refuse

_FILE = click.Path(path_type=Path, dir_okay=False, exists=True)


@click.command("prepare-season")
@click.option("--folder", type=click.Path(path_type=Path), help="Folder of the program's files.")
@click.option(
    "--processes", type=click.IntRange(1, 512), help="On this computer; as many as cores if absent."
)
@click.option("--cluster", "address", help="Address of a Dask scheduler: tcp://HOST:PORT or tls://HOST:PORT.")
@click.option("--tls-ca", type=_FILE, help="Certificate of the authority, for tls://.")
@click.option("--tls-cert", type=_FILE, help="Our own certificate.")
@click.option("--tls-key", type=_FILE, help="Its key.")
def prepare_season(
    folder: Path | None,
    processes: int | None,
    address: str | None,
    tls_ca: Path | None,
    tls_cert: Path | None,
    tls_key: Path | None,
) -> None:
    """Time and prepare every open job of the newest season; what is prepared already is not done again."""
    from sqlalchemy import select

    from planner import batch
    from planner.config import settings_in
    from planner.database import tables
    from planner.database.migrate import upgrade
    from planner.database.session import reading, session_factory
    from planner.errors import PlannerError

    try:
        settings = settings_in(folder)
        given = (tls_ca, tls_cert, tls_key)
        if any(given) and not all(given):
            refuse("--tls-ca, --tls-cert and --tls-key: all three or none were expected", BAD_INPUT)
        tls = batch.Tls(tls_ca, tls_cert, tls_key) if tls_ca and tls_cert and tls_key else None
        upgrade(settings.database_url)
        factory = session_factory(settings.database_url)
        with reading(factory) as db:
            season_id = db.scalar(
                select(tables.Season.id).order_by(tables.Season.opening_night.desc()).limit(1)
            )
        if season_id is None:
            refuse("there is no season yet; enter one first, or try `lanternwright demo`", BAD_INPUT)
        count = processes or os.cpu_count() or 1
        began = time.monotonic()
        done = batch.prepare_season(
            factory,
            season_id,
            settings.packages,
            (lambda: batch.cluster(address, tls)) if address else (lambda: batch.processes(count)),
            by="command line",
            clock=lambda: datetime.now(UTC),
            report=_tenths(),
        )
    except PlannerError as error:
        refuse(str(error), BAD_INPUT)
    for label, why in (*done.refused, *done.lost):
        click.echo(f"{label}: {why}", err=True)
    click.echo(
        f"{done.timed} timed, {done.prepared} prepared, {done.kept} were prepared already, "
        f"{len(done.refused)} refused, {len(done.lost)} lost, in {time.monotonic() - began:.1f} s"
    )
    if done.lost:
        raise SystemExit(3)


def _tenths() -> Callable[[int, int, str], None]:
    shown = -1

    def report(done: int, total: int, note: str) -> None:
        nonlocal shown
        tenth = 10 * done // max(total, 1)
        if tenth != shown:
            shown = tenth
            click.echo(f"{done}/{total} {note}", err=True)

    return report
