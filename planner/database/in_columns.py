"""How are tens of thousands of rows read at once? As columns.

The store joins each column into one text, which numpy reads: making a row of each costs more than finding it.
What is not known is -1 among whole numbers, days and instants, and NaN among others.
"""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import Boolean, Date, Float, Select, Text, func
from sqlalchemy.ext.compiler import compiles
from sqlalchemy.orm import Session
from sqlalchemy.sql.functions import FunctionElement

from planner.database.columns import UtcDateTime

EPOCH = datetime(2000, 1, 1, tzinfo=UTC)
"""Where the clock of all columns begins; it counts whole microseconds, so that sums come out exactly."""
_DAY_US = 86_400_000_000
_EPOCH_DAY = int(np.datetime64("2000-01-01", "D").astype(np.int64))


class _AsWords(FunctionElement[str]):
    """A value as text that is read back without loss."""

    name = "as_words"
    type = Text()
    inherit_cache = True


@compiles(_AsWords, "sqlite")
def _words_sqlite(element: _AsWords, compiler: Any, **options: Any) -> str:
    (clause,) = element.clauses
    column = compiler.process(clause, **options)
    if isinstance(clause.type, Float):
        # 17 digits tell any two apart
        return f"CASE WHEN {column} IS NULL THEN 'nan' ELSE printf('%!.17g', {column}) END"
    # instants are kept as text, `2026-10-21 06:00:00.000000`, days as `2026-10-21`
    missing = {UtcDateTime: "'1999-12-31 23:59:59.999999'", Date: "'1999-12-31'"}.get(type(clause.type), "-1")
    return f"coalesce({column}, {missing})"


@compiles(_AsWords)
def _words_others(element: _AsWords, compiler: Any, **options: Any) -> str:
    (clause,) = element.clauses
    column = compiler.process(clause, **options)
    if isinstance(clause.type, Float):
        return f"coalesce(CAST({column} AS TEXT), 'nan')"
    if isinstance(clause.type, UtcDateTime):
        since = f"(EXTRACT(EPOCH FROM {column}) - {int(EPOCH.timestamp())}) * 1000000"
        return f"CAST(coalesce(CAST({since} AS BIGINT), -1) AS TEXT)"
    if isinstance(clause.type, Date):
        return f"CAST(coalesce({column}, DATE '1999-12-31') AS TEXT)"
    if isinstance(clause.type, Boolean):
        return f"CAST(coalesce(CAST({column} AS INTEGER), -1) AS TEXT)"
    return f"CAST(coalesce({column}, -1) AS TEXT)"


def in_columns(db: Session, question: Select[*tuple[Any, ...]]) -> tuple[NDArray[Any], ...]:
    """Return what a question asks for as one array a column, all in the same order, which is not told.

    Parameters
    ----------
    db : Session
        An open session; it is only read [-].
    question : Select
        Of single numbers, truths, days and instants; neither grouped nor ordered [-].
    """
    kinds = [column.type for column in question.selected_columns]
    asked = question.with_only_columns(
        *(func.aggregate_strings(_AsWords(column), ",") for column in question.selected_columns)
    )
    told = db.execute(asked).one()
    as_text = db.get_bind().dialect.name == "sqlite"
    return tuple(_read(words or "", kind, as_text) for words, kind in zip(told, kinds, strict=True))


def _read(words: str, kind: Any, instants_as_text: bool) -> NDArray[Any]:
    if isinstance(kind, Date):
        days = np.frombuffer(f"{words},".encode() if words else b"", dtype="S11").astype("S10")
        return np.asarray(days.astype("datetime64[D]").astype(np.int64) - _EPOCH_DAY)
    if isinstance(kind, UtcDateTime) and instants_as_text:
        read = (
            np.frombuffer(f"{words},".encode() if words else b"", dtype="S27")
            .astype("S26")
            .astype("datetime64[us]")
        )
        return np.asarray(read.astype(np.int64) - _EPOCH_DAY * _DAY_US)
    return np.fromstring(words, sep=",", dtype=np.float64 if isinstance(kind, Float) else np.int64)
