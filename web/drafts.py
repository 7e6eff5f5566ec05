"""What would a new plan move, and why? Drafts beside the plan in force, before one of them is taken."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from flask import Blueprint, flash, jsonify, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue
from sqlalchemy.orm import Session

from planner.database import queries, tables
from planner.database.states import Role
from planner.errors import NotFound, Refused
from planner.services import drafts as services
from planner.services.common import found
from web.access import allow, name
from web.season import progress_of
from web.session import now, reading_db, tell_times_in, the_season, writing_db, zone
from web.tonight import ask_for_draft

pages = Blueprint("drafts", __name__)
_SIDES = 4  # drafts beside each other; more nobody compares


@pages.get("/drafts/waiting/<int:work_id>")
@allow(Role.VIEWER)
def waiting(work_id: int) -> ResponseReturnValue:
    """Show how far a draft is, and go to it when it is made."""
    with reading_db() as db:
        the_season(db)
        work = queries.work_result(db, work_id)
        works = progress_of(queries.work_progress(db))
    if work.state == "done" and "plan_id" in work.result:
        return redirect(url_for("drafts.draft", plan_id=work.result["plan_id"]))
    return render_template("draft_waiting.html", work=work, works=works)


@pages.get("/drafts/waiting/<int:work_id>.json")
@allow(Role.VIEWER)
def waiting_state(work_id: int) -> ResponseReturnValue:
    """Say whether a draft is made."""
    with reading_db() as db:
        work = queries.work_result(db, work_id)
    return jsonify(state=work.state, **work.result)


@pages.get("/drafts")
@allow(Role.VIEWER)
def compare() -> ResponseReturnValue:
    """Show the newest drafts side by side: what each costs, moves and leaves out."""
    with reading_db() as db:
        line = the_season(db)
        if line is None:
            return render_template("nothing.html", works=None)
        plan = queries.plan_facts(db, line.season_id)
        sides = [_side(db, one) for one in queries.drafts(db, line.season_id, limit=_SIDES)]
    tiers = list(dict.fromkeys(name for side in sides for name in side["tiers"]))
    return render_template("drafts.html", sides=sides, tiers=tiers, plan=plan)


def _side(db: Session, plan: tables.Plan) -> dict[str, Any]:
    """Return one draft's column."""
    moved = services.moves(db, plan)
    return {
        "plan_id": plan.id,
        "why": services.why_asked(plan),
        "made_at": plan.recorded_at,
        "tiers": {tier.name: tier for tier in services.draft_tiers(plan)},
        "moved": moved,
        "lost": [one for one in moved if one.after == "not planned"],
    }


@pages.get("/drafts/<int:plan_id>")
@allow(Role.VIEWER)
def draft(plan_id: int) -> ResponseReturnValue:
    """Show what a draft moves and what it costs, before it is taken."""
    with reading_db() as db:
        line = the_season(db)
        plan = found(db, tables.Plan, plan_id)
        moved = services.moves(db, plan)
        tiers = services.draft_tiers(plan)
        others = [
            (one.id, services.why_asked(one), services.draft_tiers(one))
            for one in (queries.drafts(db, line.season_id) if line else ())
            if one.id != plan_id
        ]
        told = {
            "plan_id": plan.id,
            "state": plan.state,
            "why": services.why_asked(plan),
            "made_at": plan.recorded_at,
            "made_by": plan.recorded_by,
            "undone": [str(entry.get("job", "")).rsplit(" #", 1)[0] for entry in plan.undone],
        }
    return render_template("draft.html", moved=moved, tiers=tiers, others=others, **told)


@pages.post("/drafts")
@allow(Role.LEAD)
def ask() -> ResponseReturnValue:
    """Ask for a draft: as things are, or as they would be with a machine down."""
    form = request.form
    machine_id = form.get("machine", type=int)
    hours = form.get("hours", 26.0, type=float)
    people, longer_h = form.get("people", 0, type=int), form.get("longer", 0.0, type=float)
    if not (-20 <= people <= 20 and -8.0 <= longer_h <= 8.0):
        raise Refused("expected up to 20 hands more or less, and up to 8 h longer or shorter days")
    with writing_db() as db:
        line = the_season(db)
        if line is None:
            raise NotFound("there is no season yet")
        ifs, down = [], []
        if machine_id:
            ifs.append(f"{found(db, tables.Machine, machine_id).name} is down for {hours:g} h")
            down.append([machine_id, hours])
        if people:
            ifs.append(
                f"{abs(people)} {'hand' if abs(people) == 1 else 'hands'} {'more' if people > 0 else 'less'}"
            )
        if longer_h:
            ifs.append(f"every day {abs(longer_h):g} h {'longer' if longer_h > 0 else 'shorter'}")
        why = f"what if {' and '.join(ifs)}" if ifs else "asked for by hand"
        work_id = ask_for_draft(db, line.season_id, why, down=down, people=people, longer_h=longer_h)
    return redirect(url_for("drafts.waiting", work_id=work_id))


@pages.post("/drafts/<int:plan_id>/take")
@allow(Role.LEAD)
def take(plan_id: int) -> ResponseReturnValue:
    """Put a draft in force."""
    with writing_db() as db:
        words = services.accept(db, plan_id, by=name(), at=now()).words
    flash(f"{words}; it can be taken back until something of it is cut")
    return redirect(url_for("tonight.tonight"))


@pages.post("/drafts/<int:plan_id>/drop")
@allow(Role.LEAD)
def drop(plan_id: int) -> ResponseReturnValue:
    """Put a draft away."""
    with writing_db() as db:
        services.drop(db, plan_id)
    flash("the draft is put away; the plan in force stays")
    return redirect(url_for("tonight.tonight"))


@pages.get("/jobs/<int:job_id>/move")
@allow(Role.LEAD)
def move(job_id: int) -> ResponseReturnValue:
    """Show the form for moving or pinning a job, for those who do not drag."""
    with reading_db() as db:
        job = queries.job_page(db, job_id)
    tell_times_in(job.time_zone)
    planned = job.planned[0] if job.planned else None
    start_at = (planned.start_at if planned else now()).astimezone(zone())
    return render_template("move.html", job=job, planned=planned, start=f"{start_at:%Y-%m-%dT%H:%M}")


@pages.post("/pins")
@allow(Role.LEAD)
def pin() -> ResponseReturnValue:
    """Keep where a lead wants a job, and ask what that moves."""
    job_id = request.form.get("job", 0, type=int)
    with writing_db() as db:
        the_season(db)
        job = queries.job_page(db, job_id)
        tell_times_in(job.time_zone)
        try:
            start_at = datetime.fromisoformat(request.form.get("start", ""))
        except ValueError:
            raise Refused("the start is no date and time, expected such as 2026-10-22T09:15") from None
        start_at = start_at if start_at.tzinfo else start_at.replace(tzinfo=zone())
        change = services.pin(
            db, job_id, 0, request.form.get("machine", 0, type=int), start_at, by=name(), at=now()
        )
        work_id = ask_for_draft(db, job.season_id, change.words)
        words = change.words
    flash(words)
    return redirect(url_for("drafts.waiting", work_id=work_id))


@pages.post("/jobs/<int:job_id>/unpin")
@allow(Role.LEAD)
def unpin(job_id: int) -> ResponseReturnValue:
    """Let a job go where a new plan puts it."""
    with writing_db() as db:
        words = services.unpin(db, job_id, 0, by=name(), at=now()).words
    flash(words)
    return redirect(url_for("jobs.job", job_id=job_id))
