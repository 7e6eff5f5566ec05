"""How do other programs say what went wrong, plan anew and take drafts?"""

from __future__ import annotations

from datetime import datetime

from sqlalchemy.orm import Session

from planner.database import queries, tables
from planner.database.states import Role
from planner.services import changes, drafts, trouble, works
from planner.services.common import found
from web.access import name
from web.api import (
    HOURS,
    INSTANT,
    NUMBER,
    TEXT,
    Done,
    _season,
    operation,
    pages,
)
from web.session import now, the_season, writing_db

__all__ = ["pages"]


def _asked(db: Session, change: tables.Change) -> Done:
    """Return what was kept, with the draft that shows what it would move."""
    line = the_season(db)
    if line is None or queries.plan_facts(db, line.season_id) is None:
        return Done(change.words, change.id)
    said = {"season_id": line.season_id, "why": change.words}
    return Done(change.words, change.id, works.ask_for_work(db, "draft plan", said, by=name(), at=now()).id)


@operation(
    "POST",
    "/machines/<int:machine_id>/down",
    Role.LEAD,
    "Report a machine down, and ask what that moves",
    Done,
    body={"hours": HOURS, "reason": {**TEXT, "maxLength": 400}},
)
def machine_down(machine_id: int, hours: float, reason: str) -> Done:
    """Keep that a machine is down."""
    with writing_db() as db:
        return _asked(db, trouble.machine_down(db, machine_id, hours, reason, by=name(), at=now()))


@operation("POST", "/machines/<int:machine_id>/up", Role.LEAD, "Report a machine up again", Done)
def machine_up(machine_id: int) -> Done:
    """Keep that a machine is up again."""
    with writing_db() as db:
        return _asked(db, trouble.machine_up(db, machine_id, by=name(), at=now()))


@operation(
    "POST",
    "/cutters/<int:cutter_id>/out",
    Role.LEAD,
    "Report a cutter broken, dull or retired",
    Done,
    body={"state": {"type": "string", "enum": ["broken", "dull", "retired"]}},
)
def cutter_out(cutter_id: int, state: str) -> Done:
    """Keep that a cutter is out of use."""
    with writing_db() as db:
        return _asked(db, trouble.cutter_broken(db, cutter_id, state, by=name(), at=now()))


@operation(
    "POST",
    "/pieces/lost",
    Role.LEAD,
    "Report a piece lost before it was cut",
    Done,
    body={"number": {**TEXT, "maxLength": 40}, "reason": {**TEXT, "maxLength": 200}},
)
def piece_lost(number: str, reason: str) -> Done:
    """Keep that a piece is lost."""
    with writing_db() as db:
        return _asked(db, trouble.piece_lost(db, number, reason, by=name(), at=now()))


@operation(
    "POST",
    "/people/away",
    Role.LEAD,
    "Report somebody away",
    Done,
    body={"person": {**TEXT, "maxLength": 60}, "hours": HOURS, "reason": {"type": "string"}},
    needed=("person", "hours"),
)
def person_away(person: str, hours: float, reason: str = "") -> Done:
    """Keep that somebody is away."""
    with writing_db() as db:
        return _asked(db, trouble.person_away(db, person, hours, reason, by=name(), at=now()))


@operation(
    "POST",
    "/drafts",
    Role.LEAD,
    "Ask for a draft of the plan, perhaps with a machine taken to be down, hands more or less, longer days",
    Done,
    body={
        "machine_id": NUMBER,
        "hours": HOURS,
        "people": {"type": "integer", "minimum": -20, "maximum": 20},
        "longer_h": {"type": "number", "minimum": -8, "maximum": 8},
    },
    needed=(),
)
def ask_draft(
    machine_id: int | None = None, hours: float = 26.0, people: int = 0, longer_h: float = 0.0
) -> Done:
    """Ask for a draft."""
    with writing_db() as db:
        line = _season(db)
        down = [[machine_id, hours]] if machine_id and found(db, tables.Machine, machine_id) else []
        said = {"season_id": line.season_id, "why": "asked for by a program", "down": down}
        said |= {"people": people, "longer_h": longer_h}
        return Done("asked for", None, works.ask_for_work(db, "draft plan", said, by=name(), at=now()).id)


@operation("POST", "/drafts/<int:plan_id>/take", Role.LEAD, "Put a draft in force", Done)
def take_draft(plan_id: int) -> Done:
    """Put a draft in force."""
    with writing_db() as db:
        change = drafts.accept(db, plan_id, by=name(), at=now())
        return Done(change.words, change.id)


@operation("POST", "/drafts/<int:plan_id>/drop", Role.LEAD, "Put a draft away", Done)
def drop_draft(plan_id: int) -> Done:
    """Put a draft away."""
    with writing_db() as db:
        drafts.drop(db, plan_id)
        return Done("put away")


@operation(
    "POST",
    "/pins",
    Role.LEAD,
    "Pin a job to a machine and a start, and ask what that moves",
    Done,
    body={"job_id": NUMBER, "machine_id": NUMBER, "start_at": INSTANT},
)
def pin(job_id: int, machine_id: int, start_at: datetime) -> Done:
    """Pin a job."""
    with writing_db() as db:
        return _asked(db, drafts.pin(db, job_id, 0, machine_id, start_at, by=name(), at=now()))


@operation("POST", "/jobs/<int:job_id>/unpin", Role.LEAD, "Let a job go where a plan puts it", Done)
def unpin(job_id: int) -> Done:
    """Let a job go."""
    with writing_db() as db:
        change = drafts.unpin(db, job_id, 0, by=name(), at=now())
        return Done(change.words, change.id)


@operation("POST", "/changes/<int:change_id>/undo", Role.LEAD, "Take a change back", Done)
def undo(change_id: int) -> Done:
    """Take a change back."""
    with writing_db() as db:
        return Done(f"taken back: {changes.take_back(db, change_id, by=name(), at=now()).words}")


@operation("POST", "/forecast", Role.LEAD, "Ask for a forecast of replacements", Done)
def forecast() -> Done:
    """Ask for a forecast."""
    with writing_db() as db:
        said = {"season_id": _season(db).season_id}
        return Done("asked for", None, works.ask_for_work(db, "forecast", said, by=name(), at=now()).id)


@operation(
    "POST",
    "/jobs/<int:job_id>/prepare",
    Role.LEAD,
    "Ask for a job's program",
    Done,
    body={"machine_id": NUMBER},
    needed=(),
)
def prepare(job_id: int, machine_id: int | None = None) -> Done:
    """Ask for a job's program."""
    with writing_db() as db:
        found(db, tables.Job, job_id)
        said = {"job_id": job_id} | ({"machine_id": machine_id} if machine_id else {})
        return Done("asked for", None, works.ask_for_work(db, "prepare job", said, by=name(), at=now()).id)


@operation("POST", "/prepare-season", Role.LEAD, "Ask for all open jobs to be timed and prepared", Done)
def ask_batch() -> Done:
    """Ask for all open jobs of the season to be prepared; what is prepared already is not done again."""
    with writing_db() as db:
        said = {"season_id": _season(db).season_id}
        return Done("asked for", None, works.ask_for_work(db, "prepare batch", said, by=name(), at=now()).id)


@operation("POST", "/works/<int:work_id>/stop", Role.LEAD, "Ask for an end of long work", Done)
def stop_work(work_id: int) -> Done:
    """Ask for an end of long work."""
    with writing_db() as db:
        works.ask_to_cancel(db, work_id, at=now())
        return Done("it stops as soon as it can")
