"""How do other programs ask? Everything the pages do is an operation, checked here and answered as JSON.

The operations stand in the modules `api_...`, by what they answer; `api_document` describes them all.

People's programs use the pages' sign-in and send the form token as `X-CSRFToken`; controllers use a token.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import date, datetime, time
from functools import cache
from typing import Any

from flask import Blueprint, Response, jsonify, request
from flask.typing import ResponseReturnValue
from sqlalchemy.orm import Session

from planner.database.lines import SeasonLine
from planner.errors import NotFound, Refused
from web.access import MACHINE, allow, csrf
from web.session import the_season, zone

pages = Blueprint("api", __name__, url_prefix="/api/v1")
VERSION = "1.0.0"

TEXT = {"type": "string", "minLength": 1, "maxLength": 4000}
NUMBER = {"type": "integer", "minimum": 1, "maximum": 2_000_000_000}
HOURS = {"type": "number", "minimum": 0.1, "maximum": 1440}
INSTANT = {"type": "string", "format": "date-time"}


@dataclass(frozen=True, slots=True)
class Operation:
    """One thing that can be asked for, as the document tells it."""

    method: str
    rule: str
    role: str
    summary: str
    query: dict[str, dict[str, Any]]
    body: dict[str, dict[str, Any]]
    needed: tuple[str, ...]
    answer: Any


OPERATIONS: list[Operation] = []
View = Callable[..., Any]


def operation(
    method: str,
    rule: str,
    role: str,
    summary: str,
    answer: Any,
    *,
    query: dict[str, dict[str, Any]] | None = None,
    body: dict[str, dict[str, Any]] | None = None,
    needed: Iterable[str] | None = None,
) -> Callable[[View], View]:
    """Make a route of a view and keep how it is described.

    Parameters
    ----------
    method, rule : str
        As in HTTP, and the path below `/api/v1` [-].
    role : str
        Least role [-].
    summary : str
        What it is for, in one line [-].
    answer : object
        A record, a list of one, or a schema [-].
    query, body : dict, optional
        Schemas by name [-].
    needed : iterable of str, optional
        Names of the body that must be there; all when left out [-].
    """
    fields = body or {}
    must = tuple(fields if needed is None else needed)
    OPERATIONS.append(Operation(method, rule, role, summary, query or {}, fields, must, answer))

    def registered(view: View) -> View:
        def answered(**values: Any) -> ResponseReturnValue:
            given = view(**values, **_body(fields, must)) if fields else view(**values)
            return given if isinstance(given, Response) else jsonify(plain(given))

        answered.__name__, answered.__doc__ = view.__name__, view.__doc__
        pages.add_url_rule(rule, view.__name__, allow(role)(answered), methods=[method])
        if role == MACHINE:  # a token in a header is nothing a browser sends by itself
            answered.__module__ = __name__
            csrf.exempt(answered)
        return view

    return registered


def plain(value: Any) -> Any:
    """Return records, instants and tuples as JSON has them; instants are ISO 8601 with their zone."""
    kind: Any = type(value)
    if value is None or kind in _AS_THEY_ARE:
        return value
    if names := _names(kind):
        return {name: plain(getattr(value, name)) for name in names}
    if isinstance(value, dict):
        return {str(key): plain(one) for key, one in value.items()}
    if isinstance(value, list | tuple):
        return [plain(one) for one in value]
    if isinstance(value, datetime | date | time):
        return value.isoformat()
    return value


_AS_THEY_ARE = frozenset((str, int, float, bool))


@cache
def _names(kind: type) -> tuple[str, ...]:
    """Return the names of a record's fields, looked up once a kind; none for what is no record."""
    return tuple(f.name for f in dataclasses.fields(kind)) if dataclasses.is_dataclass(kind) else ()


def _body(fields: dict[str, dict[str, Any]], needed: tuple[str, ...]) -> dict[str, Any]:
    """Return the body's values, each of its kind; refuse unknown and missing ones by name."""
    sent = request.get_json(silent=True)
    if not isinstance(sent, dict):
        raise Refused("the body is no JSON object")
    for key in sent:
        if key not in fields:
            raise Refused(f"{key[:60]!r} is not known here, expected {', '.join(fields)}")
    for key in needed:
        if key not in sent:
            raise Refused(f"{key!r} is missing")
    return {key: value_of(key, sent[key], schema) for key, schema in fields.items() if key in sent}


_KINDS: dict[str, tuple[type, ...]] = {
    "string": (str,),
    "integer": (int,),
    "number": (int, float),
    "array": (list,),
    "object": (dict,),
    "boolean": (bool,),
}


def value_of(key: str, value: Any, schema: dict[str, Any]) -> Any:
    """Return a value of a request as its schema says it is, or raise `Refused` with the key."""
    kind = schema["type"]
    fits = isinstance(value, _KINDS[kind]) and isinstance(value, bool) == (kind == "boolean")
    if not fits:
        raise Refused(f"{key!r} is no {kind}")
    if kind in ("integer", "number") and not (
        schema.get("minimum", value) <= value <= schema.get("maximum", value)
    ):
        raise Refused(f"{key!r} is {value}, expected {schema.get('minimum')} to {schema.get('maximum')}")
    if kind == "string":
        if not schema.get("minLength", 0) <= len(value) <= schema.get("maxLength", 10_000) or "\x00" in value:
            raise Refused(
                f"{key!r} has {len(value)} characters, expected {schema.get('minLength', 0)} or more"
            )
        if "enum" in schema and value not in schema["enum"]:
            raise Refused(f"{key!r} is {value[:60]!r}, expected one of {', '.join(schema['enum'])}")
        if schema.get("format") == "date-time":
            return _instant(key, value)
    return value


def _instant(key: str, value: str) -> datetime:
    try:
        read = datetime.fromisoformat(value)
        read = read if read.tzinfo else read.replace(tzinfo=zone())
        if not 2000 <= read.year <= 2100:  # beyond these a change of zone can leave the calendar
            raise ValueError
    except ValueError:
        raise Refused(
            f"{key!r} is {value[:40]!r}, expected a time such as 2026-10-21T09:15:00+01:00"
        ) from None
    return read


def _season(db: Session) -> SeasonLine:
    line = the_season(db)
    if line is None:
        raise NotFound("there is no season yet")
    return line


@dataclass(frozen=True, slots=True)
class Done:
    """What was kept, in words, and the number to take it back by."""

    words: str
    change_id: int | None = None
    work_id: int | None = None
