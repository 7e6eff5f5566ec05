"""How do other programs read how the season stands?"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Any

from flask import request
from flask_wtf.csrf import generate_csrf

from planner.database import lines, queries, tables
from planner.database.states import Role
from planner.errors import Refused
from planner.services import drafts
from planner.services.common import found
from web.access import who
from web.answers import coming_night
from web.api import (
    TEXT,
    Done,
    _season,
    operation,
    pages,
)
from web.people import changed_password
from web.remembered import shared
from web.session import now, reading_db

__all__ = ["pages"]

_ROWS = 200  # on one page
PAGE = {"type": "integer", "minimum": 1, "maximum": 100_000, "default": 1}


def _page() -> int:
    return min(max(request.args.get("page", 1, type=int), 1), 100_000)


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
