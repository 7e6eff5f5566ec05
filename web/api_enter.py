"""How do other programs enter a season, its pieces and its fleet? Through the same sheets as people."""

from __future__ import annotations

import binascii
from base64 import b64decode
from dataclasses import dataclass
from typing import Any

from flask import request

from planner.database.states import Role
from planner.errors import Forbidden, Refused
from planner.services import wanting
from planner.services.sheets import SHEETS, Sheet, sheet_of
from web import enter
from web.access import who
from web.api import Done, _season, operation, pages
from web.session import reading_db, writing_db

__all__ = ["pages"]

DAY = {"type": "string", "format": "date", "minLength": 10, "maxLength": 10}
_ROWS = {"type": "array", "items": {"type": "object"}, "minItems": 1, "maxItems": 2000}
_FILES = {"type": "object", "additionalProperties": {"type": "string"}}
_NUMBERS = {"type": "array", "items": {"type": "integer"}, "maxItems": 2000}


@dataclass(frozen=True, slots=True)
class SheetColumn:
    """One column of a sheet."""

    name: str
    label: str
    holds: str
    needed: bool
    unit: str
    one_of: tuple[str, ...]
    usual: str


@dataclass(frozen=True, slots=True)
class SheetLine:
    """What can be entered, by whom, with which columns."""

    name: str
    question: str
    role: str
    columns: tuple[SheetColumn, ...]


@operation("GET", "/sheets", Role.HAND, "What can be entered, and with which columns", list[SheetLine])
def sheets() -> Any:
    """Give the sheets."""
    return [_line(sheet) for sheet in SHEETS]


def _line(sheet: Sheet) -> SheetLine:
    return SheetLine(
        sheet.name,
        sheet.question,
        str(sheet.role),
        tuple(
            SheetColumn(c.name, c.label, str(c.holds), c.needed, c.unit, tuple(map(str, c.one_of)), c.usual)
            for c in sheet.columns
        ),
    )


@operation(
    "POST",
    "/sheets/<sheet_name>",
    Role.HAND,
    "Enter rows of a sheet, all or none; files that rows name come along in base64 by their names",
    Done,
    body={"rows": _ROWS, "files": _FILES},
    needed=("rows",),
)
def enter_rows(sheet_name: str, rows: list[Any], files: dict[str, Any] | None = None) -> Done:
    """Enter rows."""
    sheet = sheet_of(sheet_name)
    person = who()
    if person is None or not person.may(sheet.role):
        raise Forbidden(f"a {sheet.role} may enter {sheet.name}; nothing was kept")
    known = {column.name for column in sheet.columns}
    said = []
    for n, row in enumerate(rows, 1):
        if not isinstance(row, dict) or not set(row) <= known:
            raise Refused(f"row {n} is no object of {', '.join(sorted(known))}")
        said.append({key: _text(value, n, key) for key, value in row.items()})
    brought = {name: _content(name, value) for name, value in (files or {}).items()}
    with writing_db() as db:
        words = enter.enter_rows(db, sheet.name, said, brought)
    return Done(words[0] if len(words) == 1 else f"{len(words)} rows: {words[0]} and others")


def _text(value: Any, row: int, key: str) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    if value is None:
        return ""
    if not isinstance(value, str | int | float):
        raise Refused(f"row {row}: {key} is neither text nor number")
    return str(value)


def _content(name: str, value: Any) -> bytes:
    try:
        return b64decode(value, validate=True)
    except (binascii.Error, ValueError, TypeError):
        raise Refused(f"file {name[:60]!r} is no base64") from None


@dataclass(frozen=True, slots=True)
class WantLine:
    """A lantern that a night wants and that nobody asked for."""

    station_id: int
    station: str
    why: str
    design: str


@operation(
    "GET", "/wanted", Role.VIEWER, "Lanterns that a night wants and nobody asked for yet", list[WantLine],
    query={"night": DAY},
)  # fmt: skip
def wanted() -> Any:
    """Give what a night still wants."""
    with reading_db() as db:
        line = _season(db)
        night = enter.night_of(line, request.args.get("night", ""))
        wants = wanting.still_wanted(db, line.season_id, night)
        return [WantLine(want.station_id, want.station, want.why, want.design) for want in wants]


@operation(
    "POST", "/wanted", Role.LEAD, "Ask for a night's lanterns, at some stations or all", Done,
    body={"night": DAY, "stations": _NUMBERS}, needed=("night",),
)  # fmt: skip
def ask(night: str, stations: list[Any] | None = None) -> Done:
    """Ask for lanterns."""
    if stations is not None and not all(type(one) is int for one in stations):
        raise Refused("'stations' holds something that is no integer")
    with writing_db() as db:
        return Done(enter.ask_for(db, night, frozenset(stations or ())))
