"""How does a venue bring in its own season? One row or a whole table of a sheet, all of it or nothing.

The command line, the pages and the API are all made from the sheets.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from sqlalchemy import event, func, select
from sqlalchemy.orm import Session, UOWTransaction

from planner.database import tables
from planner.errors import PlannerError, Refused
from planner.services.changes import note
from planner.services.columns import rows_of, values_of
from planner.services.sheets import SHEETS, Entering, Files, Sheet, sheet_of


def enter(
    db: Session,
    sheet_name: str,
    rows: Sequence[Mapping[str, str]],
    *,
    season_id: int | None,
    zone: ZoneInfo,
    by: str,
    at: datetime,
    files: Files,
    places: Sequence[str] = (),
) -> tuple[str, ...]:
    """Enter rows of a sheet, all of them or none, and say in words what came in.

    Parameters
    ----------
    db : Session
        An open unit of work; on a refusal it must be rolled back [-].
    sheet_name : str
        One of `SHEETS` [-].
    rows : sequence of Mapping
        Texts by the columns' names [-].
    season_id : int or None
        The season that rows are of, where there is one [-].
    zone : ZoneInfo
        Of times that say none.
    by : str
        Who enters [-].
    at : datetime
        When [-].
    files : callable
        Gives the files that rows name.
    places : sequence of str
        Where each row stands, for messages [-].
    """
    sheet = sheet_of(sheet_name)
    if not rows:
        raise Refused(f"nothing to enter: no row of a {sheet.one} was found")
    entering = Entering(db, season_id, zone, files, by, at)
    words = []
    with _rows_added(db) as added:
        for n, row in enumerate(rows):
            place = f"{places[n]}: " if n < len(places) else ""
            try:
                words.append(sheet.enter(entering, values_of(sheet.columns, row, zone)))
            except PlannerError as error:
                raise type(error)(f"{place}{error}; nothing was kept" if place else str(error)) from None
    said = words[0] if len(words) == 1 else f"{len(words)} {sheet.name} entered: {words[0]} and others"
    note(
        db, "entered", said[:400], by=by, at=at, about=f"{sheet.one} {next(iter(rows[0].values()), '')}",
        undo={"rows": added} if sheet.undone else None,
    )  # fmt: skip
    return tuple(words)


def enter_table(
    db: Session,
    sheet_name: str,
    text: str,
    file_name: str,
    *,
    season_id: int | None,
    zone: ZoneInfo,
    by: str,
    at: datetime,
    files: Files,
) -> tuple[str, ...]:
    """Enter a CSV table, all of it or nothing; the line that cannot be read is named.

    Parameters
    ----------
    db : Session
        An open unit of work; on a refusal it must be rolled back [-].
    sheet_name : str
        One of `SHEETS` [-].
    text : str
        The table [-].
    file_name : str
        Shown in messages [-].
    season_id, zone, by, at, files
        As in `enter`.
    """
    read = list(rows_of(sheet_of(sheet_name).columns, text, file_name))
    return enter(
        db, sheet_name, [row for _, row in read], season_id=season_id, zone=zone, by=by, at=at, files=files,
        places=[f"{file_name}, line {line}" for line, _ in read],
    )  # fmt: skip


def counts(db: Session) -> dict[str, int]:
    """Return how many things of each sheet there are.

    Parameters
    ----------
    db : Session
        An open session; it is only read [-].
    """
    asked = [
        select(func.count(sheet.counted)).scalar_subquery().label(sheet.name)
        for sheet in SHEETS
        if sheet.counted is not None
    ]
    return {name: int(count) for name, count in db.execute(select(*asked)).one()._mapping.items()}


def empty_table(sheet: Sheet) -> str:
    """Return the header line of a sheet, to be filled in.

    Parameters
    ----------
    sheet : Sheet
        One of `SHEETS` [-].
    """
    return ",".join(column.name for column in sheet.columns) + "\r\n"


@contextmanager
def _rows_added(db: Session) -> Iterator[list[list[Any]]]:
    """Collect table and number of every row that is added meanwhile, in the order of adding."""
    added: list[list[Any]] = []

    def listen(session: Session, context: UOWTransaction) -> None:
        new = [row for row in session.new if not isinstance(row, tables.Change)]
        added.extend([row.__tablename__, row.id] for row in new)

    event.listen(db, "after_flush", listen)
    try:
        yield added
        db.flush()
    finally:
        event.remove(db, "after_flush", listen)
