"""Does everything that is kept fit together? The audit of a database on the command line."""

from __future__ import annotations

from pathlib import Path

import click

from planner.commands.common import BAD_INPUT, refuse


@click.command("check")
@click.option("--folder", type=click.Path(path_type=Path), help="Folder of the program's files.")
@click.option("--rule", "rules", multiple=True, help="One rule by its name; may be repeated. All if absent.")
@click.option("--most", type=click.IntRange(1), default=20, show_default=True, help="Breaches told a rule.")
def check(folder: Path | None, rules: tuple[str, ...], most: int) -> None:
    """Judge the database and its packages by every rule of the shop; end with 3 where one is broken."""
    from sqlalchemy.exc import DBAPIError

    from planner import audit
    from planner.config import settings_in
    from planner.database import migrate
    from planner.database.session import reading, session_factory
    from planner.errors import PlannerError

    try:
        settings = settings_in(folder)
    except PlannerError as wrong:
        refuse(str(wrong), BAD_INPUT)
    if not settings.folder.exists() and settings.database_url.startswith("sqlite"):
        refuse(f"{settings.folder}: no such folder; name another one with --folder", BAD_INPUT)
    unknown = [rule for rule in rules if rule not in audit.RULES]
    if unknown:
        refuse(f"--rule {unknown[0]!r}: one of {', '.join(map(repr, audit.RULES))} was expected", BAD_INPUT)
    try:
        if not migrate.is_current(settings.database_url):
            refuse(
                "the database is not at the newest revision; run `lanternwright db upgrade` first", BAD_INPUT
            )
        with reading(session_factory(settings.database_url)) as db:
            found = audit.audit(db, settings.packages, rules=rules or None)
    except DBAPIError as wrong:
        refuse(f"the database does not answer: {str(wrong.orig).splitlines()[0]}", BAD_INPUT)
    for rule in found.rules:
        broken = [one.words for one in found.breaches if one.rule == rule]
        click.echo(f"{'holds' if not broken else f'BROKEN {len(broken)}':<12}{rule}")
        for words in broken[:most]:
            click.echo(f"            {words}")
    click.echo(f"{len(found.rules)} rules, {found.rows} rows, {len(found.breaches)} breaches")
    if found.breaches:
        raise SystemExit(3)
