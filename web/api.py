"""How do other programs read and report? Everything the pages do, as JSON, described by its own document.

People's programs use the pages' sign-in and send the form token as `X-CSRFToken`; controllers use a token.
"""

from __future__ import annotations

import dataclasses
import types
import typing
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from datetime import date, datetime, time
from functools import cache
from typing import Any

from flask import Blueprint, Response, jsonify, render_template, request, stream_with_context
from flask.typing import ResponseReturnValue
from flask_wtf.csrf import generate_csrf
from sqlalchemy.orm import Session

from planner.database import lines, queries, tables
from planner.database.lines import SeasonLine
from planner.database.states import ReportKind, Role
from planner.errors import NotFound, Refused
from planner.services import changes, drafts, export, floor, people, trouble, works
from planner.services import reports as controllers
from planner.services.common import found
from web.access import MACHINE, OPEN, SignInNeeded, allow, csrf, name, who
from web.answers import coming_night
from web.people import changed_password
from web.remembered import shared
from web.session import now, reading_db, the_season, writing_db, zone

pages = Blueprint("api", __name__, url_prefix="/api/v1")
_ROWS = 200
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
    return {key: _value(key, sent[key], schema) for key, schema in fields.items() if key in sent}


_KINDS: dict[str, tuple[type, ...]] = {
    "string": (str,),
    "integer": (int,),
    "number": (int, float),
    "array": (list,),
    "object": (dict,),
}


def _value(key: str, value: Any, schema: dict[str, Any]) -> Any:
    kind = schema["type"]
    fits = isinstance(value, _KINDS[kind]) and not isinstance(value, bool)
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


@dataclass(frozen=True, slots=True)
class Me:
    """Who asks, and the token that every change must carry as `X-CSRFToken`."""

    name: str
    role: str
    csrf_token: str


@dataclass(frozen=True, slots=True)
class Jobs:
    """One page of jobs."""

    total: int
    rows: tuple[lines.JobLine, ...]


@dataclass(frozen=True, slots=True)
class Tonight:
    """How the coming night stands."""

    night: date
    dusk_at: datetime | None
    wanted: int
    ready: int
    in_time: int
    late: int
    undone: tuple[dict[str, Any], ...] = field(default=())


@dataclass(frozen=True, slots=True)
class Draft:
    """A draft: what it moves and what it costs."""

    plan_id: int
    state: str
    why: str
    moves: tuple[drafts.Moved, ...]
    tiers: tuple[drafts.DraftTier, ...]


PAGE = {"type": "integer", "minimum": 1, "maximum": 100_000, "default": 1}


def _page() -> int:
    return min(max(request.args.get("page", 1, type=int), 1), 100_000)


# --- reading -------------------------------------------------------------------------------------------


@operation("GET", "/me", Role.VIEWER, "Who asks", Me)
def me() -> Me:
    """Say who asks."""
    person = who()
    assert person is not None  # the guard let nobody else in
    return Me(person.name, person.role, generate_csrf())


@operation(
    "POST",
    "/me/password",
    Role.VIEWER,
    "Change one's own password; every device signs in anew",
    Done,
    body={"old": {**TEXT, "maxLength": 4000}, "new": {**TEXT, "maxLength": 4000}},
)
def own_password(old: str, new: str) -> Done:
    """Change the password of whoever asks."""
    if not changed_password(old, new):
        raise Refused("that was not the password of now")
    return Done("the password is changed; sign in with the new one")


@operation("GET", "/seasons", Role.VIEWER, "All seasons, the newest first", list[lines.SeasonLine])
def seasons() -> Any:
    """Give the seasons."""
    with reading_db() as db:
        return queries.seasons(db)


@operation("GET", "/tonight", Role.VIEWER, "How the coming night stands", Tonight)
def tonight() -> Tonight:
    """Give the coming night."""
    with reading_db() as db:
        line = _season(db)
        overview = shared(queries.season_overview, db, line.season_id, now=now(), count_late=False)
        night = coming_night(overview, now())
        facts = shared(queries.night_facts, db, line.season_id, night)
        plan = shared(queries.plan_facts, db, line.season_id)
    dusk_at = next((one.dusk_at for one in overview.nights if one.night == night), None)
    undone = plan.undone if plan else ()
    return Tonight(night, dusk_at, facts.wanted, facts.ready, facts.in_time, facts.late, undone)


@operation(
    "GET",
    "/jobs",
    Role.VIEWER,
    "Jobs in which every word stands",
    Jobs,
    query={"q": {"type": "string"}, "state": {"type": "string"}, "page": PAGE},
)
def jobs() -> Jobs:
    """Give a page of jobs."""
    words, state = request.args.get("q", "")[:100], request.args.get("state") or None
    with reading_db() as db:
        line = _season(db)
        found_jobs = queries.found_jobs(
            db, line.season_id, words=words, state=state, limit=_ROWS, offset=(_page() - 1) * _ROWS
        )
    return Jobs(found_jobs.total, found_jobs.lines)


@operation("GET", "/jobs/<int:job_id>", Role.VIEWER, "One job with all that belongs to it", lines.JobPage)
def job(job_id: int) -> Any:
    """Give one job."""
    with reading_db() as db:
        return queries.job_page(db, job_id)


@operation("GET", "/machines", Role.VIEWER, "Machines, as reported", list[lines.MachineLine])
def machines() -> Any:
    """Give the machines."""
    with reading_db() as db:
        return queries.machines(db, now=now())


@operation("GET", "/cutters", Role.VIEWER, "Cutters with their life left", list[lines.CutterLine])
def cutters() -> Any:
    """Give the cutters."""
    with reading_db() as db:
        return queries.cutters(db)


@operation("GET", "/workpieces", Role.VIEWER, "Pieces", list[lines.WorkpieceLine], query={"page": PAGE})
def workpieces() -> Any:
    """Give a page of pieces."""
    with reading_db() as db:
        return queries.workpieces(db, state=None, limit=_ROWS, offset=(_page() - 1) * _ROWS)


@operation("GET", "/lots", Role.VIEWER, "Lots, and what became of their pieces", list[lines.LotLine])
def lots() -> Any:
    """Give the lots."""
    with reading_db() as db:
        return queries.lots(db)


@operation("GET", "/designs", Role.VIEWER, "Designs with their versions", list[lines.DesignLine])
def designs() -> Any:
    """Give the designs."""
    with reading_db() as db:
        return queries.designs(db)


@operation("GET", "/stations", Role.VIEWER, "Stations of the season", list[lines.StationLine])
def stations() -> Any:
    """Give the stations."""
    with reading_db() as db:
        return queries.stations(db, _season(db).season_id)


@operation(
    "GET",
    "/plan",
    Role.VIEWER,
    "Steps of the plan in force, by time",
    list[queries.FloorRow],
    query={"page": PAGE},
)
def plan() -> Any:
    """Give a page of the plan's steps."""
    with reading_db() as db:
        return queries.planned_rows(db, _season(db).season_id, limit=_ROWS, offset=(_page() - 1) * _ROWS)


@operation("GET", "/venue", Role.VIEWER, "What a venue asks for", queries.VenueFigures)
def venue() -> Any:
    """Give the venue's figures."""
    with reading_db() as db:
        return queries.venue_figures(db, _season(db).season_id)


@operation("GET", "/works", Role.VIEWER, "Long work, the newest first", list[lines.WorkLine])
def long_work() -> Any:
    """Give the long work."""
    with reading_db() as db:
        return queries.work_progress(db)


@operation("GET", "/works/<int:work_id>", Role.VIEWER, "One long piece of work", queries.WorkResult)
def one_work(work_id: int) -> Any:
    """Give one piece of long work."""
    with reading_db() as db:
        return queries.work_result(db, work_id)


@operation(
    "GET",
    "/changes",
    Role.VIEWER,
    "Who changed what, all or about one thing: job 12, piece 0147, machine Wren, cutter 6F-01, plan 3",
    list[queries.ChangeLine],
    query={"page": PAGE, "about": {"type": "string", "maxLength": 60}},
)
def history() -> Any:
    """Give a page of changes."""
    about = request.args.get("about", "").strip()[:60]
    with reading_db() as db:
        return queries.changes(db, limit=_ROWS, offset=(_page() - 1) * _ROWS, about=about)


@operation("GET", "/drafts/<int:plan_id>", Role.VIEWER, "What a draft moves, and its cost", Draft)
def draft(plan_id: int) -> Draft:
    """Give a draft."""
    with reading_db() as db:
        row = found(db, tables.Plan, plan_id)
        return Draft(
            plan_id, row.state, drafts.why_asked(row), drafts.moves(db, row), drafts.draft_tiers(row)
        )


# --- deciding ------------------------------------------------------------------------------------------


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


# --- reporting from bench and machine ------------------------------------------------------------------


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
        key: _value(key, sent[key], schema) for key, schema in fields.items() if sent.get(key) is not None
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


# --- tables --------------------------------------------------------------------------------------------


@operation("GET", "/tables", Role.LEAD, "Tables that can be had as CSV, with their rows", {"type": "object"})
def table_list() -> Any:
    """Give the names and row counts of the tables."""
    with reading_db() as db:
        return export.row_counts(db)


@operation(
    "GET", "/tables/<table>.csv", Role.LEAD, "A whole table as CSV", {"type": "string", "format": "csv"}
)
def table_csv(table: str) -> Response:
    """Give a table as CSV."""
    export.table_named(table)

    def written() -> Iterator[str]:
        with reading_db() as db:
            yield from export.csv_lines(db, table)

    answer = Response(stream_with_context(written()), mimetype="text/csv")
    answer.headers["Content-Disposition"] = f"attachment; filename={table}.csv"
    return answer


tables_page = Blueprint("export", __name__)


@tables_page.get("/export")
@allow(Role.LEAD)
def export_page() -> ResponseReturnValue:
    """Show the tables that can be had as CSV."""
    with reading_db() as db:
        the_season(db)
        counts = export.row_counts(db)
    return render_template("export.html", counts=counts)


# --- the document --------------------------------------------------------------------------------------


@pages.get("/openapi.json")
@allow(OPEN)
def document() -> ResponseReturnValue:
    """Give the description of all this."""
    return jsonify(description())


def description() -> dict[str, Any]:
    """Return the OpenAPI document (3.1)."""
    schemas: dict[str, Any] = {
        "Error": {
            "type": "object",
            "required": ["error", "status"],
            "properties": {"error": {"type": "string"}, "status": {"type": "integer"}},
        }
    }
    paths: dict[str, Any] = {}
    for one in OPERATIONS:
        path, params = _path(one)
        paths.setdefault(f"/api/v1{path}", {})[one.method.lower()] = _described(one, params, schemas)
    return {
        "openapi": "3.1.0",
        "info": {
            "title": "Lanternwright",
            "version": VERSION,
            "description": "Reads and reports; nothing here starts, stops or moves a machine.",
        },
        "paths": paths,
        "components": {
            "schemas": schemas,
            "securitySchemes": {
                "person": {"type": "apiKey", "in": "cookie", "name": "lanternwright"},
                "machine": {"type": "http", "scheme": "bearer"},
            },
        },
    }


def _path(one: Operation) -> tuple[str, list[dict[str, Any]]]:
    """Return a rule as the document writes it, and its parameters."""
    parts, params = [], []
    for part in one.rule.split("/"):
        if part.startswith("<"):
            inner, _, rest = part[1:].partition(">")
            kind, _, called = inner.rpartition(":")
            schema = NUMBER if kind == "int" else {"type": "string", "pattern": "^[a-z_]+$"}
            params.append({"name": called, "in": "path", "required": True, "schema": schema})
            part = f"{{{called}}}{rest}"
        parts.append(part)
    params += [{"name": key, "in": "query", "schema": schema} for key, schema in one.query.items()]
    return "/".join(parts), params


def _described(one: Operation, params: list[dict[str, Any]], schemas: dict[str, Any]) -> dict[str, Any]:
    refused = {"application/json": {"schema": {"$ref": "#/components/schemas/Error"}}}
    media = "text/csv" if one.rule.endswith(".csv") else "application/json"
    said: dict[str, Any] = {
        "summary": one.summary,
        "operationId": f"{one.method.lower()}{one.rule.replace('/', '_').replace('<', '').replace('>', '')}",
        "description": f"Least role: {one.role}.",
        "parameters": params,
        "security": [{"machine": []}] if one.role == MACHINE else [{"person": []}],
        "responses": {
            "200": {"description": "Done.", "content": {media: {"schema": schema_of(one.answer, schemas)}}},
            **{
                str(status): {"description": words, "content": refused}
                for status, words in (
                    (400, "The form token is missing or old."),
                    (401, "Somebody must sign in first."),
                    (403, "The role does not allow it."),
                    (404, "It is not here."),
                    (409, "Changed meanwhile, or its state does not allow it."),
                    (422, "Read and found wrong; nothing was kept."),
                    (503, "The database does not answer."),
                )
            },
        },
    }
    if one.body:
        shape: dict[str, Any] = {"type": "object", "properties": one.body, "additionalProperties": False}
        if one.needed:
            shape["required"] = list(one.needed)
        said["requestBody"] = {"required": True, "content": {"application/json": {"schema": shape}}}
    return said


_SIMPLE: dict[Any, dict[str, Any]] = {
    str: {"type": "string"},
    int: {"type": "integer"},
    float: {"type": "number"},
    bool: {"type": "boolean"},
    datetime: {"type": "string", "format": "date-time"},
    date: {"type": "string", "format": "date"},
    time: {"type": "string"},
    Any: {},
    type(None): {"type": "null"},
}


def schema_of(kind: Any, schemas: dict[str, Any]) -> dict[str, Any]:
    """Return the schema of a record's type; records go under `components`."""
    if isinstance(kind, dict):
        return kind
    if kind in _SIMPLE:
        return _SIMPLE[kind]
    origin, inner = typing.get_origin(kind), typing.get_args(kind)
    if origin in (list, tuple):
        return {"type": "array", "items": schema_of(inner[0], schemas)}
    if origin is dict:
        return {"type": "object", "additionalProperties": schema_of(inner[1], schemas)}
    if origin in (typing.Union, types.UnionType):
        return {"anyOf": [schema_of(one, schemas) for one in inner]}
    if kind.__name__ not in schemas:
        schemas[kind.__name__] = {}
        hints = typing.get_type_hints(kind)
        fields = [f.name for f in dataclasses.fields(kind)]
        schemas[kind.__name__] = {
            "type": "object",
            "required": fields,
            "properties": {key: schema_of(hints[key], schemas) for key in fields},
        }
    return {"$ref": f"#/components/schemas/{kind.__name__}"}
