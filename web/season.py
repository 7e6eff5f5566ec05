"""What runs where, until when? The season chart, and how far the long work is."""

from __future__ import annotations

from typing import Any

from flask import Blueprint, jsonify, render_template
from flask.typing import ResponseReturnValue

from planner.database import queries, queries_web
from planner.database.lines import WorkLine
from planner.database.states import Role
from web import words
from web.access import allow
from web.answers import season_answer
from web.chart import days_of
from web.filters import away, clock
from web.session import now, reading_db, the_season, zone

pages = Blueprint("season", __name__)
_ACTIVE = ("waiting", "running")
_SILENT_S = 30  # a worker that says nothing for longer is taken for gone


@pages.get("/")
@allow(Role.VIEWER)
def season() -> ResponseReturnValue:
    """Show the plan over the carve days."""
    with reading_db() as db:
        line = the_season(db)
        works = queries.work_progress(db)
        if line is None:
            return render_template("nothing.html", works=_progress(works))
        overview = queries.season_overview(db, line.season_id, now=now())
        chart = queries.season_chart(db, line.season_id)
        plan = queries_web.plan_facts(db, line.season_id)
        spares = queries_web.spare_jobs(db, line.season_id)
    return render_template(
        "season.html",
        overview=overview,
        chart=chart,
        plan=plan,
        answer=season_answer(overview, chart, now(), spares),
        days=days_of(chart, zone(), now(), plan.frozen_until_at if plan else None),
        works=_progress(works),
    )


@pages.get("/works.json")
@allow(Role.VIEWER)
def works() -> ResponseReturnValue:
    """Say how far the long work is."""
    with reading_db() as db:
        the_season(db)
        found = queries.work_progress(db)
    return jsonify(_progress(found))


def _progress(found: tuple[WorkLine, ...]) -> dict[str, Any]:
    """Return the long work in words; `mark` changes when any of it changes its state."""
    return {
        "mark": " ".join(f"{line.work_id}:{line.state}" for line in found),
        "at": clock(now()),
        "works": [_work(line) for line in found if line.state in _ACTIVE],
        "broken": [_work(line) for line in found[:1] if line.state == "failed"],
    }


def _work(line: WorkLine) -> dict[str, Any]:
    told = words.mark("work", line.state)
    return {
        "id": line.work_id,
        "title": words.WORK_KINDS.get(line.kind, line.kind.replace("_", " ")),
        "state": told.word,
        "done": line.done,
        "total": line.total,
        "note": line.error or line.note,
        "words": _words(line),
    }


def _words(line: WorkLine) -> str:
    count = f"{line.done} of {line.total}" if line.total else "not counted yet"
    if line.state == "waiting":
        return f"waiting for the worker, asked for by {line.asked_by}, {away(line.asked_at)}"
    if line.state == "failed":
        return f"broke off at {count}"
    if line.heartbeat_at and (now() - line.heartbeat_at).total_seconds() > _SILENT_S:
        return f"{count}; no sign of life from the worker since {clock(line.heartbeat_at)}"
    return count
