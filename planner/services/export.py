"""How does a table leave the program? As CSV that a spreadsheet cannot be tricked with."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterator
from datetime import date, datetime, time
from typing import Any

from sqlalchemy import LargeBinary, Table, TypeDecorator, func, select
from sqlalchemy.orm import Session

from planner.database.tables import Base
from planner.errors import NotFound

SECRET = ("people", "sign_ins", "one_time_links", "sign_in_tries", "machine_tokens")
_RISKY = ("=", "+", "-", "@", "\t", "\r")  # OWASP: with these a spreadsheet begins a formula
_BLOCK = 500


def tables_to_export() -> tuple[str, ...]:
    """Return the names of all tables that may leave the program; those that hold keys may not."""
    return tuple(sorted(name for name in Base.metadata.tables if name not in SECRET))


def table_named(name: str) -> Table:
    """Return a table that may be exported."""
    if name not in tables_to_export():
        raise NotFound(f"there is no table {name!r} to export")
    return Base.metadata.tables[name]


def row_counts(db: Session) -> dict[str, int]:
    """Return how many rows each exportable table has."""
    return {
        name: db.scalar(select(func.count()).select_from(Base.metadata.tables[name])) or 0
        for name in tables_to_export()
    }


def csv_lines(db: Session, name: str) -> Iterator[str]:
    """Yield a table as CSV, header first; blobs are told by their size.

    Parameters
    ----------
    db : Session
        An open session; it is only read [-].
    name : str
        Of the table [-].
    """
    table = table_named(name)
    columns = list(table.columns)
    yield _line([column.name for column in columns])
    wanted = [func.length(c).label(c.name) if _is_blob(c.type) else c for c in columns]
    blobs = [_is_blob(c.type) for c in columns]
    key = table.c.id
    last = 0
    while True:
        rows = db.execute(select(*wanted).where(key > last).order_by(key).limit(_BLOCK)).all()
        if not rows:
            return
        for row in rows:
            yield _line(
                [
                    f"{value} bytes" if blob and value is not None else _cell(value)
                    for value, blob in zip(row, blobs, strict=True)
                ]
            )
        last = rows[-1].id


def _is_blob(kind: Any) -> bool:
    return isinstance(kind.impl if isinstance(kind, TypeDecorator) else kind, LargeBinary)


def _cell(value: Any) -> str | int | float:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int | float):
        return value
    if isinstance(value, datetime | date | time):
        return value.isoformat()
    text = value if isinstance(value, str) else json.dumps(value, ensure_ascii=False)
    return f"'{text}" if text.startswith(_RISKY) else text


def _line(cells: list[Any]) -> str:
    written = io.StringIO()
    csv.writer(written, lineterminator="\r\n").writerow(cells)  # RFC 4180
    return written.getvalue()
