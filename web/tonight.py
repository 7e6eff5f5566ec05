"""Will every station be lit tonight, and what must be decided now? The lead's page, and its reports."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, datetime, timedelta
from typing import Any

from flask import Blueprint, flash, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue
from sqlalchemy.orm import Session

from planner.database import queries
from planner.database.lines import SeasonLine
from planner.database.states import Role
from planner.errors import NotFound
from planner.services import changes, trouble, works
from web.access import allow, local_path, name
from web.answers import coming_night, reasons_of
from web.paging import Page, page_number
from web.remembered import remembered, shared
from web.season import progress_of
from web.session import now, reading_db, the_season, writing_db, zone

pages = Blueprint("tonight", __name__)

DOWN_REASONS = ("belt", "spindle", "an axis", "controller", "power", "cleaning", "other")
LOST_REASONS = ("rot", "dropped", "taken by animals", "stolen", "not found")
_HOURS = (1, 2, 4, 8, 26)
_CHANGES = 60


@pages.get("/tonight")
@allow(Role.VIEWER)
@remembered
def tonight() -> ResponseReturnValue:
    """Show what must be lit, what is missing, and everything the morning's decisions need."""
    with reading_db() as db:
        line = the_season(db)
        if line is None:
            return render_template("nothing.html", works=progress_of(queries.work_progress(db)))
        overview = shared(queries.season_overview, db, line.season_id, now=now(), count_late=False)
        night = coming_night(overview, now())
        begin = _midnight(now().astimezone(zone()).date())
        found: dict[str, Any] = {
            "overview": overview,
            "night": night,
            "dusk_at": next((n.dusk_at for n in overview.nights if n.night == night), None),
            "facts": shared(queries.night_facts, db, line.season_id, night),
            "plan": shared(queries.plan_facts, db, line.season_id),
            "today": _today(db, line, begin),
            "machines": shared(queries.machines, db, now=now()),
            "runs": shared(queries.open_runs, db),
            "cutters": [c for c in shared(queries.cutters, db) if c.state in ("stored", "fitted")],
            "away": trouble_away(db),
            "people": [p for p in queries.people(db) if p.active],
            "drafts": queries.drafts(db, line.season_id),
            "changes": queries.changes(db, limit=8),
            "forecast": queries.newest_result(db, "forecast", line.season_id),
            "works": progress_of(queries.work_progress(db)),
        }
    plan = found["plan"]
    return render_template(
        "tonight.html",
        missing=reasons_of(plan.undone) if plan else (),
        down_reasons=DOWN_REASONS,
        lost_reasons=LOST_REASONS,
        hours=_HOURS,
        **found,
    )


def trouble_away(db: Session) -> list[tuple[str, datetime, str]]:
    """Return who is away now, until when and why."""
    return [(row.person, row.end_at, row.reason) for row in trouble.away_now(db, now=now())]


def _midnight(day: date) -> datetime:
    return datetime.combine(day, datetime.min.time(), zone())


def _today(db: Session, line: SeasonLine, begin: datetime) -> list[dict[str, Any]]:
    """Return today's list by machine: how many jobs, how many done by now as planned, first and last."""
    rows = queries.planned_rows(
        db, line.season_id, from_at=begin, until_at=begin + timedelta(days=1), limit=1000
    )
    out: dict[str, dict[str, Any]] = {}
    for row in rows:
        mine = out.setdefault(
            row.machine,
            {"machine": row.machine, "machine_id": row.machine_id, "rows": [], "done": 0, "due": 0},
        )
        mine["rows"].append(row)
        mine["done"] += row.state in ("cut", "placed")
        mine["due"] += row.end_at <= now()
    return sorted(out.values(), key=lambda one: str(one["machine"]))


# --- what is reported ----------------------------------------------------------------------------------


@pages.post("/trouble/<kind>")
@allow(Role.LEAD)
def report(kind: str) -> ResponseReturnValue:
    """Keep what went wrong, and ask at once what a new plan would move."""
    form = request.form
    steps: dict[str, Callable[[Session], Any]] = {
        "machine": lambda db: trouble.machine_down(
            db,
            form.get("machine", 0, type=int),
            form.get("hours", 4.0, type=float),
            form.get("reason", ""),
            by=name(),
            at=now(),
        ),
        "up": lambda db: trouble.machine_up(db, form.get("machine", 0, type=int), by=name(), at=now()),
        "cutter": lambda db: trouble.cutter_broken(
            db, form.get("cutter", 0, type=int), form.get("state", "broken"), by=name(), at=now()
        ),
        "piece": lambda db: trouble.piece_lost(
            db, form.get("number", ""), form.get("reason", ""), by=name(), at=now()
        ),
        "person": lambda db: trouble.person_away(
            db,
            form.get("person", ""),
            form.get("hours", 8.0, type=float),
            form.get("reason", ""),
            by=name(),
            at=now(),
        ),
    }
    if kind not in steps:
        raise NotFound(f"there is no report called {kind!r}")
    with writing_db() as db:
        line = the_season(db)
        words = steps[kind](db).words
        planned = line is not None and queries.plan_facts(db, line.season_id) is not None
        work_id = ask_for_draft(db, line.season_id, words) if line and planned else None
    flash(words)
    if work_id is None:
        return redirect(url_for("tonight.tonight"))
    return redirect(url_for("drafts.waiting", work_id=work_id))


def ask_for_draft(db: Session, season_id: int, why: str, **more: Any) -> int:
    """Ask the worker for a draft, and return the work's number."""
    said = {"season_id": season_id, "why": why, **more}
    return works.ask_for_work(db, "draft plan", said, by=name(), at=now()).id


@pages.post("/forecast")
@allow(Role.LEAD)
def forecast() -> ResponseReturnValue:
    """Ask for a forecast of replacements, anew."""
    with writing_db() as db:
        line = the_season(db)
        if line is None:
            raise NotFound("there is no season yet")
        works.ask_for_work(db, "forecast", {"season_id": line.season_id}, by=name(), at=now())
    flash("the forecast is being made")
    return redirect(url_for("tonight.tonight"))


@pages.post("/works/<int:work_id>/stop")
@allow(Role.LEAD)
def stop(work_id: int) -> ResponseReturnValue:
    """Ask for an end of long work; what was finished is kept."""
    with writing_db() as db:
        works.ask_to_cancel(db, work_id, at=now())
    flash("it stops as soon as it can; what was finished is kept")
    back = request.form.get("back")
    return redirect(local_path(back) if back else url_for("tonight.tonight"))


@pages.get("/changes")
@allow(Role.VIEWER)
@remembered
def history() -> ResponseReturnValue:
    """Show who changed what, the newest first; all, or what is about one thing."""
    number, about = page_number(), request.args.get("about", "").strip()[:60]
    with reading_db() as db:
        the_season(db)
        found = queries.changes(db, limit=_CHANGES, offset=(number - 1) * _CHANGES, about=about)
        total = queries.change_count(db, about=about)
    return render_template("changes.html", changes=found, page=Page(number, _CHANGES, total), about=about)


@pages.post("/changes/<int:change_id>/undo")
@allow(Role.LEAD)
def undo(change_id: int) -> ResponseReturnValue:
    """Take a change back."""
    with writing_db() as db:
        words = changes.take_back(db, change_id, by=name(), at=now()).words
    flash(f"taken back: {words}")
    back = request.form.get("back")
    if back == "changes":
        return redirect(url_for("tonight.history"))
    return redirect(local_path(back) if back else url_for("tonight.tonight"))
