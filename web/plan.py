"""How good is the plan, what does it leave undone, what would slack cost, and can a search better it?"""

from __future__ import annotations

from flask import Blueprint, flash, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue
from sqlalchemy.orm import Session

from planner.database import queries
from planner.database.states import PlanState, Role
from planner.errors import Conflict, Refused
from planner.services import works
from web import slack
from web.access import allow, name
from web.answers import reasons_of
from web.remembered import remembered
from web.season import progress_of
from web.session import now, reading_db, the_season, writing_db

pages = Blueprint("plan", __name__)


@pages.get("/plan")
@allow(Role.VIEWER)
@remembered
def plan() -> ResponseReturnValue:
    """Show the plan's tiers with what is proven of them, the curve of slack, and the search that goes on."""
    with reading_db() as db:
        line = the_season(db)
        if line is None:
            return render_template("nothing.html", works=None)
        facts = queries.plan_facts(db, line.season_id)
        earlier = queries.plans(db, line.season_id)
        weighed = queries.newest_result(db, slack.KIND, line.season_id)
        progress = progress_of(queries.work_progress(db))
    missing = reasons_of(facts.undone) if facts else ()
    return render_template(
        "plan.html",
        plan=facts,
        missing=missing,
        plans=earlier,
        curve=slack.curve_of(weighed),
        works=progress,
        seconds=slack.SECONDS,
    )


def ask_for_slack(db: Session) -> int:
    """Ask the worker what slack would cost the plan in force, and return the work's number."""
    season_id, _ = _planned(db)
    return works.ask_for_work(db, slack.KIND, {"season_id": season_id}, by=name(), at=now()).id


def ask_to_search_on(db: Session, seconds: int) -> int:
    """Ask the worker to search on for a better plan, and return the work's number."""
    if not 1 <= seconds <= max(slack.SECONDS):
        raise Refused(f"{seconds} s to search, expected 1 to {max(slack.SECONDS)}")
    season_id, facts = _planned(db)
    if facts.start_at < now():
        raise Conflict("the plan in force has begun; ask for a new plan from now on instead")
    said = {"season_id": season_id, "seconds": float(seconds)}
    return works.ask_for_work(db, slack.SEARCH_ON, said, by=name(), at=now()).id


def _planned(db: Session) -> tuple[int, queries.PlanFacts]:
    line = the_season(db)
    facts = queries.plan_facts(db, line.season_id) if line else None
    if line is None or facts is None or facts.state != PlanState.PUBLISHED:
        raise Conflict("no plan is in force yet; make one first")
    return line.season_id, facts


@pages.post("/plan/slack")
@allow(Role.LEAD)
def weigh() -> ResponseReturnValue:
    """Ask what slack would cost."""
    with writing_db() as db:
        ask_for_slack(db)
    flash("slack is being weighed; the plan stays as it is")
    return redirect(url_for("plan.plan"))


@pages.post("/plan/search-on")
@allow(Role.LEAD)
def search_on() -> ResponseReturnValue:
    """Ask for a search that goes on."""
    with writing_db() as db:
        ask_to_search_on(db, request.form.get("seconds", 20, type=int))
    flash("the search goes on; a better plan is put in force, otherwise this one stays")
    return redirect(url_for("plan.plan"))
