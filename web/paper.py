"""What goes on paper? Sheets and lists, black on white, A4 or Letter, legible when wet."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import Any

import segno
from flask import Blueprint, flash, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue
from markupsafe import Markup
from sqlalchemy.orm import Session

from planner.database import queries
from planner.database.lines import SeasonLine
from planner.database.queries import FloorRow
from planner.database.states import Role
from planner.errors import NotFound
from planner.services import handover
from planner.services.floor import CHECKS, LIT_FAULTS
from web import packages
from web.access import allow, name
from web.answers import shown_preparation
from web.remembered import remembered
from web.season import dates_between
from web.session import now, reading_db, tell_times_in, the_season, venue, writing_db, zone

pages = Blueprint("paper", __name__)

KINDS = {  # name in the address: title, and which question it answers
    "pick": ("Pick list", "Which pieces come out of the store, from which shelf, oldest first?"),
    "bench": ("Bench list", "Which pieces are opened, hollowed and thinned, to which wall?"),
    "cutters": ("Cutter change list", "Which cutter is changed where and when?"),
    "stations": ("Station list", "Which lantern goes where?"),
    "lit": ("Lit-check card", "How do today's lanterns look, lit?"),
    "walk": ("Night-walk list", "Which lantern is replaced tonight, tomorrow, or is ok?"),
    "handover": ("Hand-over note", "What must the next shift know?"),
    "intake": ("Lot intake sheet", "Is the lot taken in?"),
    "season": ("Season summary", "What is promised, planned and done?"),
}
# wall to thin to, from and to [mm], and how; common practice, a venue's own card replaces it
_THIN_TO = {"through": (20, 25, ""), "relief": (14, 18, ", even")}


def code_of(text: str) -> Markup:
    """Return a QR code (ISO/IEC 18004) as a drawing, to be printed.

    Parameters
    ----------
    text : str
        What it says [-].
    """
    code = segno.make(text, error="m", micro=False)
    return Markup(code.svg_inline(scale=4, border=2, omitsize=True, light="#fff"))


@pages.get("/paper")
@allow(Role.VIEWER)
@remembered
def index() -> ResponseReturnValue:
    """Show which lists can be printed."""
    with reading_db() as db:
        line = the_season(db)
        days = _days(db, line) if line else ()
    return render_template("paper_index.html", kinds=KINDS, days=days, day=_day(days))


@pages.get("/jobs/<int:job_id>/sheet")
@allow(Role.VIEWER)
def sheet(job_id: int) -> ResponseReturnValue:
    """Show a job's sheet for the machine, to be printed."""
    with reading_db() as db:
        job = queries.job_page(db, job_id)
        clamp = queries.clamp_number(db, job.piece.workpiece_id) if job.piece else 0
        plates = queries.carriers(db, job.piece.workpiece_id) if job.piece else ()
    tell_times_in(job.time_zone)
    shown = shown_preparation(job, request.args.get("preparation", type=int))
    package = packages.package_of(venue().settings.packages, shown.folder) if shown else None
    if shown is None or package is None:
        raise NotFound(f"job {job_id} has no program yet, so there is nothing to print; prepare it first")
    code = code_of(url_for("floor.tag", number=job.piece.number, _external=True)) if job.piece else ""
    here = next((line for line in job.planned if line.machine_id == shown.machine_id), None)
    return render_template(
        "paper_sheet.html",
        job=job,
        shown=shown,
        said=package.description,
        files=package.files,
        clamp=clamp,
        plate=plates[0].carrier if plates else "",
        code=code,
        here=here,
        checks=CHECKS,
        size=_size(),
    )


@pages.get("/paper/<kind>")
@allow(Role.VIEWER)
@remembered
def paper(kind: str) -> ResponseReturnValue:
    """Show a list of a day, to be printed."""
    return _paper(kind)


@pages.get("/paper/handover")
@allow(Role.VIEWER)
def note() -> ResponseReturnValue:
    """Show the note for the next shift: to each their own, for who gave it is not asked to take it."""
    return _paper("handover")


def _paper(kind: str) -> ResponseReturnValue:
    if kind not in KINDS:
        raise NotFound(f"there is no list called {kind!r}")
    with reading_db() as db:
        line = the_season(db)
        if line is None:
            return render_template("nothing.html", works=None)
        day = _day(_days(db, line))
        found = _LISTS[kind](db, line, day)
    title, question = KINDS[kind]
    return render_template(
        f"paper_{kind}.html", title=title, question=question, day=day, size=_size(), kind=kind, **found
    )


@pages.post("/paper/handover")
@allow(Role.HAND)
def hand_over() -> ResponseReturnValue:
    """Keep a hand-over note, signed by the one who goes."""
    with writing_db() as db:
        line = the_season(db)
        if line is None:
            raise NotFound("there is no season yet")
        since = _begin(now().astimezone(zone()).date())
        facts = _facts(db, line, since)
        handover.give(db, line.season_id, facts, request.form.get("words", ""), by=name(), at=now())
    flash("the note is signed by you; the next shift signs when it has read it")
    return redirect(url_for("paper.paper", kind="handover"))


@pages.post("/paper/handover/<int:note_id>/take")
@allow(Role.HAND)
def take_over(note_id: int) -> ResponseReturnValue:
    """Keep who took a hand-over note."""
    with writing_db() as db:
        handover.take(db, note_id, by=name(), at=now())
    flash("signed by both")
    return redirect(url_for("paper.paper", kind="handover"))


# --- which day, which paper ----------------------------------------------------------------------------


def _size() -> str:
    return "letter" if request.args.get("paper") == "letter" else "a4"


def _days(db: Session, line: SeasonLine) -> tuple[date, ...]:
    """Return the days over which the plan in force reaches."""
    plan = queries.plan_facts(db, line.season_id)
    span = queries.plan_span(db, plan.plan_id) if plan else None
    return dates_between(span.first_at, span.last_at) if span else ()


def _day(days: tuple[date, ...]) -> date:
    """Return the day that was asked for, else today or the next one with jobs."""
    today = now().astimezone(zone()).date()
    try:
        return date.fromisoformat(request.args.get("day", ""))
    except ValueError:
        return next((day for day in days if day >= today), days[-1] if days else today)


def _begin(day: date) -> datetime:
    return datetime.combine(day, datetime.min.time(), zone()).astimezone(UTC)


def _rows(db: Session, line: SeasonLine, day: date) -> tuple[FloorRow, ...]:
    return queries.planned_rows(
        db, line.season_id, from_at=_begin(day), until_at=_begin(day + timedelta(days=1)), limit=2000
    )


# --- the lists -----------------------------------------------------------------------------------------


def _pick(db: Session, line: SeasonLine, day: date) -> dict[str, Any]:
    rows = [row for row in _rows(db, line, day) if row.workpiece]
    facts = queries.bench_facts(db, [row.job_id for row in rows])
    shelves: defaultdict[str, list[FloorRow]] = defaultdict(list)
    for row in sorted(rows, key=lambda r: (facts[r.job_id].received_on, r.start_at)):
        shelves[row.store_place or "place not recorded"].append(row)
    return {"shelves": sorted(shelves.items()), "facts": facts, "count": len(rows)}


def _bench(db: Session, line: SeasonLine, day: date) -> dict[str, Any]:
    rows = [row for row in _rows(db, line, day) if row.workpiece]
    facts = queries.bench_facts(db, [row.job_id for row in rows])
    return {"rows": rows, "facts": facts, "thin_to": _THIN_TO}


@dataclass(frozen=True, slots=True)
class _CutterChange:
    at: datetime
    put_in: tuple[str, ...]
    before: str


def _cutters(db: Session, line: SeasonLine, day: date) -> dict[str, Any]:
    fitted: dict[int, set[str]] = {}
    machines: defaultdict[str, list[_CutterChange]] = defaultdict(list)
    for row in _rows(db, line, day):
        there = fitted.setdefault(row.machine_id, set())
        fresh = tuple(cutter for cutter in row.cutters if cutter not in there)
        if fresh:
            machines[row.machine].append(_CutterChange(row.start_at, fresh, row.label))
        there.update(row.cutters)
    low = [c for c in queries.cutters(db) if c.state in ("stored", "fitted") and c.life_left < 0.2]
    return {"machines": sorted(machines.items()), "low": low}


def _night_of(line: SeasonLine, day: date) -> date:
    return min(max(day, line.opening_night), line.last_night)


def _by_area(db: Session, line: SeasonLine, day: date) -> dict[str, Any]:
    areas: defaultdict[str, list[queries.StationRow]] = defaultdict(list)
    for row in queries.station_rows(db, line.season_id, _night_of(line, day)):
        areas[row.area].append(row)
    return {"areas": list(areas.items()), "night": _night_of(line, day), "faults": LIT_FAULTS}


def _lit(db: Session, line: SeasonLine, day: date) -> dict[str, Any]:
    return {"rows": _rows(db, line, day), "faults": LIT_FAULTS}


def _handover(db: Session, line: SeasonLine, day: date) -> dict[str, Any]:
    since = _begin(now().astimezone(zone()).date())
    return {
        "facts": _facts(db, line, since),
        "notes": queries.hand_overs(db, line.season_id),
        "changes": queries.changes(db, limit=12),
    }


def _intake(db: Session, line: SeasonLine, day: date) -> dict[str, Any]:
    return {"lots": queries.lots(db)}


def _season(db: Session, line: SeasonLine, day: date) -> dict[str, Any]:
    return {
        "overview": queries.season_overview(db, line.season_id, now=now(), count_late=False),
        "plan": queries.plan_facts(db, line.season_id),
        "lots": queries.lots(db),
        "done": queries.venue_figures(db, line.season_id),
    }


def _facts(db: Session, line: SeasonLine, since: datetime) -> list[str]:
    """Return what a hand-over note says by itself."""
    runs = queries.runs_between(db, since, now())
    return list(
        handover.facts(
            finished=[run.label for run in runs if run.outcome == "finished"],
            scrapped=[
                f"{run.label} on {run.machine}: {run.scrap_reason}"
                for run in runs
                if run.outcome == "scrapped"
            ],
            open_runs=[f"{run.label} on {run.machine}" for run in runs if run.ended_at is None],
            stopped=[f"{run.label} on {run.machine}" for run in runs if run.outcome == "stopped"],
            down=[
                f"{m.name}: {m.down.reason}" for m in queries.machines(db, now=now()) if m.down is not None
            ],
            low=[
                f"{c.name} {c.life_left:.0%}"
                for c in queries.cutters(db)
                if c.state == "fitted" and c.life_left < 0.2
            ],
            late=_late(queries.planned_rows(db, line.season_id, open_only=True, until_at=now())),
        )
    )


def _late(rows: Iterable[FloorRow]) -> list[str]:
    return [f"{row.label} on {row.machine}" for row in rows if row.end_at < now() and row.state != "cutting"]


_LISTS: dict[str, Callable[[Session, SeasonLine, date], dict[str, Any]]] = {
    "pick": _pick,
    "bench": _bench,
    "cutters": _cutters,
    "stations": _by_area,
    "lit": _lit,
    "walk": _by_area,
    "handover": _handover,
    "intake": _intake,
    "season": _season,
}
