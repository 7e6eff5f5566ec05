"""What runs where, until when? The season chart, and how far the long work is."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any

from flask import Blueprint, jsonify, render_template, request
from flask.typing import ResponseReturnValue
from markupsafe import Markup
from sqlalchemy.orm import Session

from planner.database import queries
from planner.database.lines import NightLine, SeasonChart, SeasonOverview, WorkLine
from planner.database.states import Role
from web import slack, words
from web.access import allow
from web.answers import SeasonAnswer, coming_night, season_answer
from web.chart import Day, days_of
from web.filters import away, clock
from web.remembered import remembered, shared
from web.session import now, reading_db, the_season, zone

pages = Blueprint("season", __name__)
_ACTIVE = ("waiting", "running")
_DAYS = 4  # drawn at once, at most
_ROWS = 160  # about as many jobs
_NIGHTS = 14  # or days, listed at once
_AS_IT_IS_H = 0.05  # a point of slack that makes days less shorter is the plan as it stands
_SILENT_S = 30  # a worker that says nothing for longer is taken for gone


@pages.get("/")
@allow(Role.VIEWER)
@remembered
def season() -> ResponseReturnValue:
    """Show the plan over some carve days."""
    with reading_db() as db:
        line = the_season(db)
        works = queries.work_progress(db)
        if line is None:
            return render_template("nothing.html", works=progress_of(works))
        overview = shared(queries.season_overview, db, line.season_id, now=now(), count_late=False)
        plan = shared(queries.plan_facts, db, line.season_id)
        answer = shared(answer_of, db, line.season_id, now=now())
        span = queries.plan_span(db, plan.plan_id) if plan else None
        dates = dates_between(span.first_at, span.last_at) if span else ()
        shown = _shown(dates, span.rows if span else 0)
        weighed = shared(queries.newest_result, db, slack.KIND, line.season_id)
        asked = request.args.get("season")
        drawn = shared(drawn_days, db, line.season_id, shown, asked, now=now()) if shown else None
    return render_template(
        "season.html",
        overview=overview,
        drawn=drawn,
        near=_near(dates, shown),
        chance=chance_of(slack.curve_of(weighed), plan.plan_id) if plan else None,
        plan=plan,
        answer=answer,
        dates=dates,
        shown=shown,
        nights=_nights(overview, answer.night),
        works=progress_of(works),
    )


def _near(dates: tuple[date, ...], shown: tuple[date, ...]) -> tuple[date, ...]:
    """Return the days that have a button of their own: two weeks round those that are drawn."""
    first = dates.index(shown[0]) if shown else 0
    start = max(0, min(first - 2, len(dates) - _NIGHTS))
    return dates[start : start + _NIGHTS]


def chance_of(curve: slack.SlackCurve | None, plan_id: int) -> float | None:
    """Return how likely all are ready in time by a plan as it stands; None where that was not weighed.

    Parameters
    ----------
    curve : SlackCurve or None
        What was weighed last [-].
    plan_id : int
        The plan [-].
    """
    if curve is None or curve.plan_id != plan_id:
        return None
    return next((point.chance for point in curve.points if point.earlier_h < _AS_IT_IS_H), None)


@dataclass(frozen=True, slots=True)
class DrawnDays:
    """Some days of a plan, drawn: the chart as numbers, what is done at benches, and a strip for each day."""

    chart: SeasonChart
    benches: tuple[queries.BenchStepLine, ...]
    strips: tuple[tuple[Day, Markup], ...]


def drawn_days(
    db: Session, season_id: int, shown: tuple[date, ...], asked: str | None, *, now: datetime
) -> DrawnDays | None:
    """Return the strips of some days; None where there is no plan.

    Parameters
    ----------
    db : Session
        An open session [-].
    season_id : int
        The season [-].
    shown : tuple of date
        From the first to the last [-].
    asked : str or None
        The season in the page's address; the strips' links keep it [-].
    now : datetime
        The present instant [-].
    """
    plan = shared(queries.plan_facts, db, season_id)
    if plan is None:
        return None
    begin = datetime.combine(shown[0], datetime.min.time(), zone())
    end = datetime.combine(shown[-1] + timedelta(days=1), datetime.min.time(), zone())
    chart = queries.chart_between(db, season_id, plan, begin, end)
    benches = queries.bench_steps(db, plan.plan_id, begin, end)
    days = days_of(chart, zone(), now, plan.frozen_until_at, benches)
    return DrawnDays(
        chart, benches, tuple((day, Markup(render_template("_chart.svg", day=day))) for day in days)
    )


def _nights(overview: SeasonOverview, coming: date) -> tuple[NightLine, ...]:
    """Return the nights that are listed: two weeks from the coming one on, all where all were asked for."""
    if request.args.get("nights") == "all":
        return overview.nights
    return tuple(line for line in overview.nights if line.night >= coming)[:_NIGHTS]


def answer_of(db: Session, season_id: int, *, now: datetime) -> SeasonAnswer:
    """Return the first sentence's facts: the coming night, what is late, what comes next.

    Parameters
    ----------
    db : Session
        An open session [-].
    season_id : int
        The season [-].
    now : datetime
        The present instant [-].
    """
    overview = shared(queries.season_overview, db, season_id, now=now, count_late=False)
    plan = shared(queries.plan_facts, db, season_id)
    night = coming_night(overview, now)
    facts = shared(queries.night_facts, db, season_id, night)
    due_at = next((line.due_at for line in overview.nights if line.night == night), None)
    late = queries.planned_rows(db, season_id, night=night, ends_after_at=due_at, open_only=True, limit=50)
    coming = queries.planned_rows(db, season_id, starts_from_at=now, open_only=True, limit=1)
    return season_answer(overview, night, facts, plan, late, coming[0] if coming else None)


def dates_between(first_at: datetime, last_at: datetime) -> tuple[date, ...]:
    """Return the local dates from one instant to another."""
    first, last = first_at.astimezone(zone()).date(), last_at.astimezone(zone()).date()
    return tuple(first + timedelta(days=n) for n in range((last - first).days + 1))


def _shown(dates: tuple[date, ...], rows: int) -> tuple[date, ...]:
    """Return the days that are drawn: from the one asked for, else from today or the first with jobs.

    As many days as a person can take in at once: four, fewer where they are full.
    """
    if not dates:
        return ()
    today = now().astimezone(zone()).date()
    try:
        wanted = date.fromisoformat(request.args.get("day", ""))
    except ValueError:
        wanted = today if today in dates else dates[0]
    count = min(_DAYS, max(1, _ROWS * len(dates) // max(1, rows)))
    start = max(0, min(len(dates) - count, (wanted - dates[0]).days))
    return dates[start : start + count]


@pages.get("/works.json")
@allow(Role.VIEWER)
def works() -> ResponseReturnValue:
    """Say how far the long work is."""
    with reading_db() as db:
        the_season(db)
        found = queries.work_progress(db)
    return jsonify(progress_of(found))


def progress_of(found: tuple[WorkLine, ...]) -> dict[str, Any]:
    """Return the long work in words; `mark` changes when any of it changes its state or falls silent."""
    going = [line for line in found if line.state in _ACTIVE and not _silent(line)]
    # what fell silent is told as stopped, with no bar that pretends to move
    ended = [line for line in found if _silent(line)] + [line for line in found[:1] if line.state == "failed"]
    return {
        "mark": " ".join(f"{line.work_id}:{line.state}{'!' * _silent(line)}" for line in found),
        "at": clock(now()),
        "works": [_work(line) for line in going],
        "broken": [_work(line) for line in ended],
    }


def _silent(line: WorkLine) -> bool:
    """Return whether a piece of work is said to go on while nobody has given a sign of life for long."""
    heard_at = line.heartbeat_at
    return line.state == "running" and heard_at is not None and (now() - heard_at).total_seconds() > _SILENT_S


def _work(line: WorkLine) -> dict[str, Any]:
    told = words.mark("work", line.state)
    return {
        "id": line.work_id,
        "title": words.WORK_KINDS.get(line.kind, line.kind.replace("_", " ")),
        "state": told.word,
        "done": line.done,
        "total": line.total,
        "note": line.error or ("" if _silent(line) else line.note),
        "words": _words(line),
    }


def _words(line: WorkLine) -> str:
    count = f"{line.done} of {line.total}" if line.total else "not counted yet"
    if line.state == "waiting":
        return f"waiting for the worker, asked for by {line.asked_by}, {away(line.asked_at)}"
    if line.state == "failed":
        return f"broke off at {count}"
    if _silent(line):
        return f"stopped at {count}; no sign of life from the worker since {clock(line.heartbeat_at)}"
    return count
