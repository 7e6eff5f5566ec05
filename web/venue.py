"""What does the venue get? Lit of what was promised, how good, how long it lasts, and what it took."""

from __future__ import annotations

from flask import Blueprint, render_template
from flask.typing import ResponseReturnValue

from planner.database import queries
from planner.database.states import Role
from web.access import allow
from web.remembered import remembered
from web.season import answer_of
from web.session import now, reading_db, the_season

pages = Blueprint("venue", __name__)


@pages.get("/venue")
@allow(Role.VIEWER)
@remembered
def venue() -> ResponseReturnValue:
    """Show the season on one page for the venue."""
    with reading_db() as db:
        line = the_season(db)
        if line is None:
            return render_template("nothing.html", works=None)
        overview = queries.season_overview(db, line.season_id, now=now(), count_late=False)
        plan = queries.plan_facts(db, line.season_id)
        answer = answer_of(db, line.season_id, overview, plan)
        rows = queries.station_rows(db, line.season_id, line.last_night)
        figures = queries.venue_figures(db, line.season_id, rows)
        forecast = queries.newest_result(db, "forecast", line.season_id)
    areas: dict[str, list[queries.StationRow]] = {}
    for row in rows:
        areas.setdefault(row.area, []).append(row)
    return render_template(
        "venue.html", overview=overview, figures=figures, areas=areas, answer=answer, forecast=forecast
    )
