"""What may stand in a table that people bring, and in the form beside it? Columns: text in, values out."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from datetime import date, datetime, time
from enum import StrEnum
from typing import Any
from zoneinfo import ZoneInfo

from planner.errors import Refused

MOST_ROWS = 20_000
MOST_CHARACTERS = 20_000_000
_YES, _NO = ("yes", "y", "true", "1"), ("no", "n", "false", "0", "")


class Holds(StrEnum):
    """What a column's values are."""

    TEXT = "text"
    NUMBER = "number"
    WHOLE = "whole number"
    DAY = "day"
    CLOCK = "time of day"
    INSTANT = "day and time"
    YES = "yes or no"
    WORDS = "words"  # several, with semicolons between
    FILE = "file"  # the name of a file that comes along


@dataclass(frozen=True, slots=True)
class Column:
    """One column of a table, one field of a form."""

    name: str
    label: str
    holds: Holds = Holds.TEXT
    needed: bool = False
    unit: str = ""
    one_of: tuple[str, ...] = ()
    usual: str = ""
    hint: str = ""

    def value(self, text: str, zone: ZoneInfo) -> Any:
        """Return a text's value: None where nothing is said and nothing is usual.

        Parameters
        ----------
        text : str
            As somebody wrote it [-].
        zone : ZoneInfo
            Of times without one.
        """
        said = text.strip() or self.usual
        if not said and self.holds is not Holds.YES:
            if self.needed:
                raise Refused(f"{self.label} is missing")
            return () if self.holds is Holds.WORDS else None
        try:
            found = _READ[self.holds](said, zone)
        except (ValueError, OverflowError):
            raise Refused(f"{self.label} is {said[:40]!r}, expected {_EXPECTED[self.holds]}") from None
        words = found if self.holds is Holds.WORDS else (found,)
        for word in words if self.one_of else ():
            if word not in self.one_of:
                raise Refused(f"{self.label} is {word[:40]!r}, expected one of {', '.join(self.one_of)}")
        return found


def _number(said: str, zone: ZoneInfo) -> float:
    return float(said.replace(",", ".") if said.count(",") == 1 and "." not in said else said)


def _yes(said: str, zone: ZoneInfo) -> bool:
    if said.lower() not in (*_YES, *_NO):
        raise ValueError
    return said.lower() in _YES


def _instant(said: str, zone: ZoneInfo) -> datetime:
    found = datetime.fromisoformat(said)
    return found if found.tzinfo else found.replace(tzinfo=zone)


_READ: dict[Holds, Callable[[str, ZoneInfo], Any]] = {
    Holds.TEXT: lambda said, zone: said,
    Holds.FILE: lambda said, zone: said,
    Holds.NUMBER: _number,
    Holds.WHOLE: lambda said, zone: int(said),
    Holds.DAY: lambda said, zone: date.fromisoformat(said),
    Holds.CLOCK: lambda said, zone: time.fromisoformat(said),
    Holds.INSTANT: _instant,
    Holds.YES: _yes,
    Holds.WORDS: lambda said, zone: tuple(word.strip() for word in said.split(";") if word.strip()),
}
_EXPECTED = {
    Holds.TEXT: "a text",
    Holds.FILE: "the name of a file",
    Holds.NUMBER: "a number",
    Holds.WHOLE: "a whole number",
    Holds.DAY: "a day such as 2026-10-24",
    Holds.CLOCK: "a time of day such as 17:25",
    Holds.INSTANT: "a day and time such as 2026-10-21 08:30",
    Holds.YES: "yes or no",
    Holds.WORDS: "words with semicolons between",
}


def values_of(columns: tuple[Column, ...], said: Mapping[str, str], zone: ZoneInfo) -> dict[str, Any]:
    """Return the values of one row by the columns' names; one that cannot be read refuses it.

    Parameters
    ----------
    columns : tuple of Column
        What the table may hold [-].
    said : Mapping
        Texts by the columns' names [-].
    zone : ZoneInfo
        Of times without one.
    """
    return {column.name: column.value(said.get(column.name) or "", zone) for column in columns}


def rows_of(columns: tuple[Column, ...], text: str, file_name: str) -> Iterator[tuple[int, dict[str, str]]]:
    """Yield line number and texts of each row of a CSV table, commas or semicolons between the columns.

    Parameters
    ----------
    columns : tuple of Column
        What the table may hold [-].
    text : str
        The file's text [-].
    file_name : str
        Shown in messages [-].
    """
    if len(text) > MOST_CHARACTERS:
        raise Refused(
            f"{file_name}: {len(text) / 1e6:.0f} MB, expected {MOST_CHARACTERS / 1e6:g} MB at most; "
            "divide the table"
        )
    head = text.removeprefix("\ufeff").split("\n", 1)[0]
    mark = ";" if head.count(";") > head.count(",") else ","
    rows = csv.DictReader(
        io.StringIO(text.removeprefix("\ufeff"), newline=""), delimiter=mark, strict=True, restval=""
    )
    names = [column.name for column in columns]
    try:
        header = [name.strip() for name in rows.fieldnames or ()]
        _judge_header(header, columns, names, file_name)
        rows.fieldnames = header
        for count, row in enumerate(rows):
            if count >= MOST_ROWS:
                raise Refused(f"{file_name}: more than {MOST_ROWS} rows; divide the table")
            if None in row:
                raise Refused(
                    f"{file_name}, line {rows.line_num}: more values than the {len(header)} columns of line 1"
                )
            if any(value.strip() for value in row.values()):
                yield rows.line_num, row
    except csv.Error:
        raise Refused(
            f"{file_name}, line {rows.line_num}: no row that can be read, expected values with commas between"
        ) from None


def _judge_header(header: list[str], columns: tuple[Column, ...], names: list[str], file_name: str) -> None:
    unknown = [name for name in header if name not in names]
    if unknown:
        known = ", ".join(names)
        raise Refused(f"{file_name}, line 1: column {unknown[0][:40]!r} is not known, there are {known}")
    twice = [name for name in header if header.count(name) > 1]
    if twice:
        raise Refused(f"{file_name}, line 1: column {twice[0]!r} comes twice")
    missing = [c.name for c in columns if c.needed and not c.usual and c.name not in header]
    if missing:
        raise Refused(f"{file_name}, line 1: no column {missing[0]!r}, which must be there")
