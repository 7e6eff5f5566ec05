"""How do bench, machine and controller report?"""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from typing import Any

from flask import request

from planner.database.states import ReportKind, Role
from planner.errors import Refused
from planner.services import floor, people
from planner.services import reports as controllers
from web.access import MACHINE, SignInNeeded, name
from web.api import (
    INSTANT,
    NUMBER,
    TEXT,
    Done,
    operation,
    pages,
    value_of,
)
from web.session import now, writing_db

__all__ = ["pages"]


@operation(
    "POST",
    "/runs",
    Role.HAND,
    "Report that you start a job",
    Done,
    body={
        "job_id": NUMBER,
        "machine_id": NUMBER,
        "tag": {**TEXT, "maxLength": 40},
        "checks": {"type": "array", "items": {"type": "string"}, "maxItems": 12},
        "revision": {"type": "integer", "minimum": 0, "maximum": 2_000_000_000},
    },
    needed=("job_id", "machine_id", "tag", "checks"),
)
def start(job_id: int, machine_id: int, tag: str, checks: list[Any], revision: int | None = None) -> Done:
    """Keep that somebody starts a job."""
    with writing_db() as db:
        run = floor.start(
            db,
            job_id,
            machine_id,
            tag=tag,
            checks=[str(check) for check in checks],
            by=name(),
            at=now(),
            revision=revision,
        )
        return Done(f"run {run.id} is reported started")


@operation(
    "POST",
    "/runs/<int:run_id>/report",
    Role.HAND,
    "Report of an open run: pause, resume, finish, stop, lost (unknown - inspect), scrap",
    Done,
    body={
        "step": {"type": "string", "enum": ["pause", "resume", "finish", "stop", "lost", "scrap"]},
        "reason": {**TEXT, "maxLength": 200},
        "resume_from": {**TEXT, "maxLength": 120},
    },
    needed=("step",),
)
def report_run(run_id: int, step: str, reason: str = "", resume_from: str = "") -> Done:
    """Keep what happened to a run."""
    by, at = name(), now()
    with writing_db() as db:
        steps: dict[str, Callable[[], Any]] = {
            "pause": lambda: floor.pause(db, run_id, reason, by=by, at=at),
            "resume": lambda: floor.resume(db, run_id, at=at),
            "finish": lambda: floor.finish(db, run_id, by=by, at=at),
            "stop": lambda: floor.stop(db, run_id, by=by, at=at, resume_from=resume_from),
            "lost": lambda: floor.lost_sight(db, run_id, reason, by=by, at=at, resume_from=resume_from),
            "scrap": lambda: floor.scrap(db, run_id, reason, by=by, at=at),
        }
        steps[step]()
        return Done(f"run {run_id}: {step} is kept")


@operation(
    "POST",
    "/jobs/<int:job_id>/ratings",
    Role.HAND,
    "Rate a lit lantern, 10 down to 1",
    Done,
    body={
        "rating": {"type": "integer", "minimum": 1, "maximum": 10},
        "faults": {"type": "array", "items": {"type": "string"}, "maxItems": 12},
        "words": {"type": "string", "maxLength": 400},
    },
    needed=("rating",),
)
def rate(job_id: int, rating: int, faults: list[Any] | None = None, words: str = "") -> Done:
    """Keep a rating."""
    with writing_db() as db:
        floor.rate(db, job_id, rating, [str(f) for f in faults or ()], words, by=name(), at=now())
        return Done(f"job {job_id} is rated {rating}")


@operation("POST", "/jobs/<int:job_id>/place", Role.HAND, "Report a lantern in its place", Done)
def place(job_id: int) -> Done:
    """Keep that a lantern stands in its place."""
    with writing_db() as db:
        floor.place(db, job_id, by=name(), at=now())
        return Done(f"job {job_id} is in its place")


_REPORT = {
    "type": "object",
    "required": ["event", "kind", "at"],
    "properties": {
        "event": {**TEXT, "maxLength": 80},
        "kind": {"type": "string", "enum": [str(kind) for kind in ReportKind]},
        "at": INSTANT,
        "job_id": NUMBER,
        "said": {"type": "object"},
    },
}


def machine_reports(reports: list[Any], clock: datetime | None = None) -> Any:
    """Keep what a controller reports."""
    kind, _, token = request.headers.get("Authorization", "").partition(" ")
    with writing_db() as db:
        held = people.machine_of_token(db, token.strip()) if kind == "Bearer" and token else None
        if held is None:
            raise SignInNeeded("a machine's token is needed, as `Authorization: Bearer ...`")
        return controllers.take_reports(db, held, [_report(one) for one in reports], at=now(), clock=clock)


def _report(sent: Any) -> controllers.Report:
    if not isinstance(sent, dict):
        raise Refused("a report is no JSON object")
    fields: dict[str, Any] = _REPORT["properties"]  # type: ignore[assignment]
    for key in ("event", "kind", "at"):
        if key not in sent:
            raise Refused(f"a report has no {key!r}")
    read = {
        key: value_of(key, sent[key], schema) for key, schema in fields.items() if sent.get(key) is not None
    }
    return controllers.Report(read["event"], read["kind"], read["at"], read.get("job_id"), read.get("said"))


operation(
    "POST",
    "/machine-reports",
    MACHINE,
    "A controller's reports, in any order, late or twice; each counts once",
    list[controllers.Answer],
    body={"reports": {"type": "array", "items": _REPORT, "maxItems": 1000}, "clock": INSTANT},
    needed=("reports",),
)(machine_reports)
