"""Which lantern must be replaced tonight, which tomorrow, which is ok? The night walk, station by station."""

from __future__ import annotations

from datetime import date, timedelta

from flask import Blueprint, flash, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue

from planner.database import queries
from planner.database.lines import SeasonLine
from planner.database.states import Role
from planner.errors import Refused
from planner.services import quality
from web.access import allow, name
from web.remembered import remembered
from web.session import now, reading_db, the_season, writing_db, zone

pages = Blueprint("walks", __name__)
_MORNING = timedelta(hours=12)
"""A walk after midnight is still one of the night before."""


def night_of_walk(line: SeasonLine, said: str) -> date:
    """Return the night that is walked: the one asked for, else the present one, within the season.

    Parameters
    ----------
    line : SeasonLine
        The season [-].
    said : str
        A day such as 2026-10-24; empty = not said [-].
    """
    try:
        night = date.fromisoformat(said) if said else (now().astimezone(zone()) - _MORNING).date()
    except ValueError:
        raise Refused(f"night is {said[:20]!r}, expected a day such as {line.opening_night}") from None
    held = min(max(night, line.opening_night), line.last_night)
    if said and held != night:
        raise Refused(f"night is {night}, expected one from {line.opening_night} to {line.last_night}")
    return held


@pages.get("/walk")
@allow(Role.VIEWER)
@remembered
def walk() -> ResponseReturnValue:
    """Show the stations in walking order, with what was said of each."""
    with reading_db() as db:
        line = the_season(db)
        if line is None:
            return render_template("nothing.html", works=None)
        night = night_of_walk(line, request.args.get("night", ""))
        rows = queries.walk_rows(db, line.season_id, night)
    return render_template(
        "walk.html",
        night=night,
        before=night - timedelta(days=1) if night > line.opening_night else None,
        after=night + timedelta(days=1) if night < line.last_night else None,
        rows=rows,
        standing=[row for row in rows if row.job_id],
        seen=[row for row in rows if row.walk_id],
        faults=quality.WALK_FAULTS,
    )


@pages.post("/walk/<int:job_id>")
@allow(Role.HAND)
def tell(job_id: int) -> ResponseReturnValue:
    """Keep what the walker says of a lantern, and go on to the next station."""
    form = request.form
    with writing_db() as db:
        line = the_season(db)
        if line is None:
            raise Refused("there is no season yet")
        night = night_of_walk(line, form.get("night", ""))
        row = quality.walk(
            db,
            job_id,
            night,
            form.get("verdict", ""),
            by=name(),
            at=now(),
            faults=form.getlist("fault"),
            words=form.get("words", ""),
        )
        told = f"{row.job.station.name if row.job.station else f'job {job_id}'}: {row.verdict}"
    flash(told)
    return redirect(_place(night, form.get("then", type=int)))


@pages.post("/walk/back/<int:walk_id>")
@allow(Role.HAND)
def take_back(walk_id: int) -> ResponseReturnValue:
    """Take back what was said of a lantern."""
    with writing_db() as db:
        row = quality.walk_back(db, walk_id, by=name(), at=now())
        night, station_id = row.night, row.job.station_id
    flash("taken back; say it again or walk on")
    return redirect(_place(night, station_id))


def _place(night: date, station_id: int | None) -> str:
    """Return the address of the page at a station, so that it holds its place."""
    return url_for("walks.walk", night=night, _anchor=f"station-{station_id}" if station_id else "content")
