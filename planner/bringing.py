"""How does a controller's own log get in? From a CSV file on the command line, each report counted once."""

from __future__ import annotations

from pathlib import Path

import click


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
    from planner.config import Settings, settings_from
    from planner.database.session import session_factory, unit_of_work
    from planner.errors import PlannerError
    from planner.services.controller_log import import_log

    settings = settings_from()
    if folder:
        settings = Settings(f"sqlite:///{folder / 'lanternwright.db'}", folder, settings.time_zone)
    try:
        text = text_of(file.read_bytes(), file.name)
        with unit_of_work(session_factory(settings.database_url)) as db:
            answers = import_log(db, machine, text, file.name, settings.zone, by=by, at=datetime.now(UTC))
    except (BadInput, PlannerError) as error:
        click.echo(f"lanternwright: {error}", err=True)
        raise SystemExit(2) from None
    kept = sum(answer.kept for answer in answers)
    click.echo(f"{kept} reports kept, {len(answers) - kept} were kept before")
    for words, count in Counter(answer.answer for answer in answers if answer.kept).most_common(20):
        click.echo(f"{count} x {words}")
