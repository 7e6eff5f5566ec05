"""How do other programs choose pieces, weigh slack, search on, and enter benches and hands?"""

from __future__ import annotations

from datetime import time
from typing import Any

from planner.database.queries.crew import BenchLine, HandLine, bench_list, hand_list
from planner.database.states import Role
from planner.errors import Refused
from planner.services import crew_changes
from web import benches, choosing, plan, slack
from web.access import name
from web.api import NUMBER, TEXT, Done, _season, operation, pages
from web.session import now, reading_db, writing_db

__all__ = ["pages"]

DAY = {"type": "string", "format": "date", "minLength": 10, "maxLength": 10}
_SOME = {"type": "array", "items": {"type": "object"}, "maxItems": 200}
_WORDS = {"type": "array", "items": {"type": "string"}, "maxItems": 20}
_CLOCK = {"type": "string", "minLength": 5, "maxLength": 5}
_JOBS = {"type": "array", "items": {"type": "integer"}, "maxItems": 2000}


# --- choosing pieces -----------------------------------------------------------------------------------


@operation("POST", "/choosing", Role.LEAD, "Ask for pieces for a night's lanterns", Done, body={"night": DAY})
def ask_choosing(night: str) -> Done:
    """Ask for suggestions; the work's result holds them."""
    with writing_db() as db:
        return Done("asked for", None, choosing.ask_for(db, _season(db), night))


@operation(
    "POST",
    "/choosing/<int:work_id>/take",
    Role.LEAD,
    "Take suggestions for some jobs, or all that are still open",
    Done,
    body={"jobs": _JOBS},
    needed=(),
)
def take_choosing(work_id: int, jobs: list[Any] | None = None) -> Done:
    """Write suggestions into their jobs."""
    if jobs is not None and not all(type(one) is int for one in jobs):
        raise Refused("'jobs' holds something that is no integer")
    with writing_db() as db:
        return Done(choosing.take(db, _season(db).season_id, work_id, jobs))


@operation(
    "POST",
    "/pieces/skin",
    Role.HAND,
    "Say what was seen of a piece's skin: ribs, and blemishes as longitude in degrees and width in mm",
    Done,
    body={
        "number": {**TEXT, "maxLength": 40},
        "rib_mm": {"type": "number", "minimum": 0, "maximum": 60},
        "blemishes": {"type": "array", "items": {"type": "object"}, "maxItems": 40},
    },
    needed=("number",),
)
def skin(number: str, rib_mm: float | None = None, blemishes: list[Any] | None = None) -> Done:
    """Keep what was seen of a skin."""
    places = [_blemish(one) for one in blemishes or ()]
    with writing_db() as db:
        return Done(choosing.keep_skin(db, number, rib_mm, places))


def _blemish(one: Any) -> tuple[float, float]:
    keys = ("longitude_deg", "width_mm")
    if not isinstance(one, dict) or set(one) != set(keys):
        raise Refused("a blemish is an object with longitude_deg and width_mm")
    values = [one[key] for key in keys]
    if not all(isinstance(value, int | float) and not isinstance(value, bool) for value in values):
        raise Refused("longitude_deg and width_mm of a blemish are numbers")
    return float(values[0]), float(values[1])


# --- the plan in force ---------------------------------------------------------------------------------


@operation("POST", "/plan/slack", Role.LEAD, "Ask what slack would cost the plan in force", Done)
def weigh_slack() -> Done:
    """Ask for the curve; the work's result holds its points."""
    with writing_db() as db:
        return Done("asked for", None, plan.ask_for_slack(db))


@operation(
    "POST",
    "/plan/search-on",
    Role.LEAD,
    "Search on for a better plan; one that is found is put in force",
    Done,
    body={"seconds": {"type": "integer", "minimum": 1, "maximum": max(slack.SECONDS)}},
    needed=(),
)
def search_plan_on(seconds: int = 20) -> Done:
    """Ask for a search that goes on."""
    with writing_db() as db:
        return Done("asked for", None, plan.ask_to_search_on(db, seconds))


# --- benches and hands ---------------------------------------------------------------------------------


@operation("GET", "/benches", Role.VIEWER, "Benches and carrier plates, as entered", list[BenchLine])
def all_benches() -> Any:
    """Give benches and plates."""
    with reading_db() as db:
        return bench_list(db)


@operation("GET", "/hands", Role.VIEWER, "Hands with their skills and hours", list[HandLine])
def all_hands() -> Any:
    """Give the hands."""
    with reading_db() as db:
        return hand_list(db)


@operation(
    "POST",
    "/benches",
    Role.LEAD,
    "Enter benches (name, steps, places, minutes), carriers (name, count), hands (name, skills, from, to)",
    Done,
    body={"benches": _SOME, "carriers": _SOME, "hands": _SOME},
    needed=(),
)
def enter_benches(**source: Any) -> Done:
    """Enter what plans shall know of."""
    with writing_db() as db:
        return Done(benches.keep(db, source))


@operation(
    "POST",
    "/benches/<int:bench_id>",
    Role.LEAD,
    "Change a bench or plates, or take them out of use; what is left out stays",
    Done,
    body={
        "steps": _WORDS,
        "places": NUMBER,
        "minutes": {"type": "object", "additionalProperties": {"type": "number"}, "maxProperties": 12},
        "active": {"type": "boolean"},
    },
    needed=(),
)
def change_bench(bench_id: int, **source: Any) -> Done:
    """Change a bench."""
    with writing_db() as db:
        change = crew_changes.change_bench(db, bench_id, **source, by=name(), at=now())
        return Done(change.words, change.id)


@operation(
    "POST",
    "/hands/<int:hand_id>",
    Role.LEAD,
    "Change what a hand can do, with their hours, or that they are here no more",
    Done,
    body={"skills": _WORDS, "from": _CLOCK, "to": _CLOCK, "active": {"type": "boolean"}},
    needed=(),
)
def change_hand(hand_id: int, **source: Any) -> Done:
    """Change a hand."""
    begin, end = source.get("from"), source.get("to")
    if (begin is None) != (end is None):
        raise Refused("hours need both a beginning and an end, or neither")
    hours = (_time(begin), _time(end)) if begin and end else None
    said = {key: source[key] for key in ("skills", "active") if key in source}
    with writing_db() as db:
        change = crew_changes.change_hand(db, hand_id, **said, hours=hours, by=name(), at=now())
        return Done(change.words, change.id)


def _time(said: str) -> time:
    try:
        return time.fromisoformat(said)
    except ValueError:
        raise Refused(f"{said[:20]!r} is no time of day, expected such as 06:00") from None
