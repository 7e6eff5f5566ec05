"""How does what others wrote down get in, from the command line? A controller's log, tables of a season."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import click

from planner.commands.common import BAD_INPUT, refuse
from planner.config import settings_in


@click.command("log")
@click.argument("file", type=click.Path(exists=True, dir_okay=False, path_type=Path))
@click.option("--machine", required=True, help="Whose controller it is.")
@click.option("--by", required=True, help="Who brings it.")
@click.option("--folder", type=click.Path(path_type=Path), help="Folder of the program's files.")
def log(file: Path, machine: str, by: str, folder: Path | None) -> None:
    """Take a controller's own log in, event,kind,at and optional job_id; all of it or none."""
    from collections import Counter
    from datetime import UTC, datetime

    from engine.errors import BadInput
    from engine.files import text_of
    from planner.database.session import session_factory, unit_of_work
    from planner.errors import PlannerError
    from planner.services.controller_log import import_log

    try:
        settings = settings_in(folder)
        text = text_of(file.read_bytes(), file.name)
        with unit_of_work(session_factory(settings.database_url)) as db:
            answers = import_log(db, machine, text, file.name, settings.zone, by=by, at=datetime.now(UTC))
    except (BadInput, PlannerError) as error:
        refuse(str(error), BAD_INPUT)
    kept = sum(answer.kept for answer in answers)
    click.echo(f"{kept} reports kept, {len(answers) - kept} were kept before")
    for words, count in Counter(answer.answer for answer in answers if answer.kept).most_common(20):
        click.echo(f"{count} x {words}")


@click.command("enter")
@click.argument("sheet")
@click.argument("file", required=False, type=click.Path(exists=True, dir_okay=False, path_type=Path))
@click.option("--by", default="", help="Who enters it.")
@click.option("--season", help="Name of the season it is of; the newest where left out.")
@click.option("--header", is_flag=True, help="Show the sheet's columns instead, to be filled in.")
@click.option("--folder", type=click.Path(path_type=Path), help="Folder of the program's files.")
def enter(
    sheet: str, file: Path | None, by: str, season: str | None, header: bool, folder: Path | None
) -> None:
    """Enter a CSV table of a SHEET: seasons, nights, designs, stations, lots, pieces and so on.

    Files that a row names lie beside the table. It is taken in as a whole or not at all.
    """
    from datetime import UTC, datetime

    from engine.errors import BadInput
    from engine.files import text_of
    from planner.database.migrate import upgrade
    from planner.database.session import session_factory, unit_of_work
    from planner.errors import PlannerError, Refused
    from planner.services import entering
    from planner.services.season import season_named
    from planner.services.sheets import sheet_of

    try:
        wanted = sheet_of(sheet)
        if header:
            click.echo(entering.empty_table(wanted), nl=False)
            return
        if file is None or not by.strip():
            raise Refused(f"{'a table' if file is None else '--by'} is missing: enter {sheet} FILE --by NAME")
        settings = settings_in(folder)
        upgrade(settings.database_url)
        text = text_of(file.read_bytes(), file.name)
        with unit_of_work(session_factory(settings.database_url)) as db:
            line = season_named(db, season)
            words = entering.enter_table(
                db,
                sheet,
                text,
                file.name,
                season_id=line.id if line else None,
                zone=line.zone if line else settings.zone,
                by=by,
                at=datetime.now(UTC),
                files=_beside(file.parent),
            )
    except (BadInput, PlannerError) as error:
        refuse(str(error), BAD_INPUT)
    for said in words[:20]:
        click.echo(said)
    if len(words) > 20:
        click.echo(f"and {len(words) - 20} more")


def _beside(folder: Path) -> Callable[[str], bytes]:
    """Return what reads the files that lie in a folder, and no others."""
    from planner.errors import Refused
    from planner.services.sheets import MOST_BYTES

    def read(name: str) -> bytes:
        path = (folder / name).resolve()
        if not path.is_relative_to(folder.resolve()) or not path.is_file():
            raise Refused(f"there is no file {name[:60]!r} beside the table")
        if path.stat().st_size > MOST_BYTES:
            raise Refused(
                f"{name[:60]}: {path.stat().st_size / 1e6:.0f} MB, expected {MOST_BYTES / 1e6:g} MB at most"
            )
        return path.read_bytes()

    return read
