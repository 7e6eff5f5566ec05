"""What does the big screen say, four metres away? Tonight with its stations, and today's machines."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any

from flask import Blueprint, render_template
from flask.typing import ResponseReturnValue

from planner.database import queries
from planner.database.states import JobState, Role
from web.access import allow
from web.answers import coming_night
from web.chart import Day, days_of
from web.remembered import remembered, shared
from web.season import answer_of, dates_between
from web.session import now, reading_db, the_season, zone

pages = Blueprint("wall", __name__)
_DONE = (JobState.CUT, JobState.PLACED)
_MOST_TILES = 220  # more do not fit on a screen; then only what is open has a tile


@pages.get("/wall")
@allow(Role.VIEWER)
@remembered
def tonight() -> ResponseReturnValue:
    """Show the coming night: every station by area, what is missing, and the machines."""
    with reading_db() as db:
        line = the_season(db)
        if line is None:
            return render_template("nothing.html", works=None)
        overview = shared(queries.season_overview, db, line.season_id, now=now(), count_late=False)
        answer = shared(answer_of, db, line.season_id, now=now())
        rows = shared(queries.station_rows, db, line.season_id, coming_night(overview, now()))
        machines = shared(queries.machines, db, now=now())
        runs = shared(queries.open_runs, db)
        first = shared(queries.next_rows, db, line.season_id)
    return render_template(
        "wall_tonight.html",
        overview=overview,
        answer=answer,
        areas=areas_of(rows),
        few=len(rows) <= _MOST_TILES,
        machines=machines,
        runs=runs,
        first=first,
    )


def areas_of(rows: tuple[queries.StationRow, ...]) -> list[dict[str, Any]]:
    """Return stations by area, in the order in which they were recorded, with how many have their lantern."""
    areas: dict[str, list[queries.StationRow]] = {}
    for row in rows:
        areas.setdefault(row.area, []).append(row)
    return [
        {
            "name": name,
            "rows": mine,
            "open": [row for row in mine if row.state not in _DONE],
            "done": sum(row.state in _DONE for row in mine),
        }
        for name, mine in areas.items()
    ]


@pages.get("/wall/season")
@allow(Role.VIEWER)
@remembered
def season() -> ResponseReturnValue:
    """Show today's lanes, or the first day on which something is planned."""
    with reading_db() as db:
        line = the_season(db)
        if line is None:
            return render_template("nothing.html", works=None)
        overview = shared(queries.season_overview, db, line.season_id, now=now(), count_late=False)
        plan = shared(queries.plan_facts, db, line.season_id)
        answer = shared(answer_of, db, line.season_id, now=now())
        day = _day(db, line.season_id, plan) if plan else None
    return render_template("wall_season.html", overview=overview, plan=plan, answer=answer, day=day)


def _day(db: Any, season_id: int, plan: queries.PlanFacts) -> Day | None:
    """Return the strip of today, else of the next day with jobs, else of the last one."""
    span = queries.plan_span(db, plan.plan_id)
    if span is None:
        return None
    today = now().astimezone(zone()).date()
    coming = queries.planned_rows(db, season_id, ends_after_at=now(), limit=1)
    next_day = coming[0].start_at.astimezone(zone()).date() if coming else None
    shown = max(today, next_day) if next_day else dates_between(span.first_at, span.last_at)[-1]
    begin = datetime.combine(shown, datetime.min.time(), zone())
    end = begin + timedelta(days=1)
    chart = queries.chart_between(db, season_id, plan, begin, end)
    benches = queries.bench_steps(db, plan.plan_id, begin, end)
    days = days_of(chart, zone(), now(), plan.frozen_until_at, benches)
    return next((day for day in days if day.day == shown), None)
