"""How is a database made, kept elsewhere and brought back, from the command line?"""

from __future__ import annotations

from pathlib import Path

import click

from planner.commands.common import (
    BAD_INPUT,
    refuse,
)
from planner.config import settings_in


@click.group()
def db() -> None:
    """Look after the database."""


@db.command("upgrade")
@click.option("--url", help="SQLAlchemy URL; else LANTERNWRIGHT_DATABASE_URL, else the default.")
def db_upgrade(url: str | None) -> None:
    """Bring the database's tables up to date; makes them where there are none."""
    from planner.config import settings_from
    from planner.database.migrate import upgrade

    upgrade(url or settings_from().database_url)
    click.echo("the database is up to date")


@click.command("backup")
@click.option("--folder", type=click.Path(path_type=Path), help="Folder of the program's files.")
@click.option(
    "--out", type=click.Path(path_type=Path, dir_okay=False), required=True, help="The file to write."
)
def make_backup(folder: Path | None, out: Path) -> None:
    """Write all tables and job packages into one file; others may go on working."""
    from planner.errors import PlannerError
    from planner.services.backup import backup

    try:
        copied = backup(settings_in(folder), out)
    except PlannerError as error:
        refuse(str(error), BAD_INPUT)
    except OSError as error:
        refuse(f"{error.filename or out}: {error.strerror or error}", BAD_INPUT)
    click.echo(f"{out}: {copied.rows} rows and {copied.files} files, {copied.bytes / 1e6:.1f} MB")


@click.command("restore")
@click.option("--folder", type=click.Path(path_type=Path), help="Folder of the program's files.")
@click.option(
    "--from",
    "source",
    type=click.Path(path_type=Path, dir_okay=False),
    required=True,
    help="The file to read.",
)
def bring_back(folder: Path | None, source: Path) -> None:
    """Bring a backup back into an empty database and its folder."""
    from planner.errors import PlannerError
    from planner.services.backup import restore

    try:
        copied = restore(settings_in(folder), source)
    except PlannerError as error:
        refuse(str(error), BAD_INPUT)
    except OSError as error:
        refuse(f"{error.filename or source}: {error.strerror or error}", BAD_INPUT)
    click.echo(f"{source}: {copied.rows} rows and {copied.files} files are back")
