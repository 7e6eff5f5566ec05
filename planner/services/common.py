"""What do all use cases check in the same way? That a thing is there, a word is known, a file reads."""

from __future__ import annotations

import math
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime
from enum import StrEnum
from typing import TypeVar

from sqlalchemy import select
from sqlalchemy.orm import InstrumentedAttribute, Session

from engine.errors import BadInput
from planner.database import tables
from planner.errors import Conflict, NotFound, Refused

Row = TypeVar("Row", bound=tables.Base)
Word = TypeVar("Word", bound=StrEnum)
_FIRST_YEAR, _LAST_YEAR = 1970, 2200


def found(db: Session, table: type[Row], row_id: int) -> Row:
    """Return a row by its number, or raise `NotFound`.

    Parameters
    ----------
    db : Session
        An open session [-].
    table : type
        One of `planner.database.tables` [-].
    row_id : int
        Its number [-].
    """
    row = db.get(table, row_id)
    if row is None:
        raise NotFound(f"there is no {_called(table)} {row_id}")
    return row


def refuse_taken(
    db: Session, table: type[tables.Base], column: InstrumentedAttribute[str], value: str
) -> None:
    """Raise `Conflict` where a name that must be the only one is there already."""
    if db.scalar(select(column).where(column == value)) is not None:
        raise Conflict(f"{_called(table)} {value!r} is there already")


def refuse_stale(row: tables.Job | tables.Plan | tables.Machine, revision: int | None) -> None:
    """Raise `Conflict` where a page showed an older state than the row now has; None = not asked."""
    if revision is not None and revision != row.revision:
        raise Conflict(
            f"{_called(type(row))} {row.id} was changed in the meantime "
            f"(revision {row.revision}, the page showed {revision}); nothing was kept, look again"
        )


def word_of(kinds: type[Word], value: str, what: str) -> Word:
    """Return a state or kind by its word, or raise `Refused` with the words there are."""
    try:
        return kinds(value)
    except ValueError:
        raise Refused(f"{what} is {value!r}, expected one of {', '.join(kinds)}") from None


def name_of(value: str, what: str, longest: int = 120) -> str:
    """Return a name without blanks around it, or raise `Refused` when it is empty or too long."""
    name = value.strip()
    if not name or len(name) > longest or not name.isprintable():
        raise Refused(f"{what} is {value[:longest]!r}, expected 1 to {longest} printable characters")
    return name


def amount_of(value: float, what: str, low: float, high: float, unit: str) -> float:
    """Return a number within limits, or raise `Refused`; limits are part of the range."""
    if not (math.isfinite(value) and low <= value <= high):
        raise Refused(f"{what} is {value:g} {unit}, expected {low:g} to {high:g} {unit}".replace("  ", " "))
    return float(value)


def instant_of(value: datetime, what: str) -> datetime:
    """Return an instant, or raise `Refused` when it has no time zone or lies in no season's years."""
    if value.tzinfo is None:
        raise Refused(f"{what} is {value.isoformat()}, expected a time with its time zone")
    if not _FIRST_YEAR <= value.year <= _LAST_YEAR:  # at the ends of the calendar no zone can be told
        raise Refused(f"{what} is {value.isoformat()}, expected a year from {_FIRST_YEAR} to {_LAST_YEAR}")
    return value


@contextmanager
def refusing_bad_input() -> Iterator[None]:
    """Turn the engine's `BadInput` into `Refused` with the same one line."""
    try:
        yield
    except BadInput as bad:
        raise Refused(str(bad)) from bad


def _called(table: type[tables.Base]) -> str:
    """Return what people call a row of a table, e.g. `design version`."""
    name = table.__name__
    return "".join(f" {c.lower()}" if c.isupper() else c for c in name).strip()
