"""How good is the plan, and what does it leave undone? Tiers with what is proven of them."""

from __future__ import annotations

from flask import Blueprint, render_template
from flask.typing import ResponseReturnValue

from planner.database import queries
from planner.database.states import Role
from web.access import allow
from web.answers import reasons_of
from web.remembered import remembered
from web.session import reading_db, the_season

pages = Blueprint("plan", __name__)


@pages.get("/plan")
@allow(Role.VIEWER)
@remembered
def plan() -> ResponseReturnValue:
    """Show the plan's tiers with what is proven of them."""
    with reading_db() as db:
        line = the_season(db)
        if line is None:
            return render_template("nothing.html", works=None)
        facts = queries.plan_facts(db, line.season_id)
        earlier = queries.plans(db, line.season_id)
    missing = reasons_of(facts.undone) if facts else ()
    return render_template("plan.html", plan=facts, missing=missing, plans=earlier)
