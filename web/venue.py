"""What does the venue get? Lit of what was promised, how good, how long it lasts, and what it took."""

from __future__ import annotations

from datetime import datetime, timedelta

from flask import Blueprint, flash, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue
from sqlalchemy.orm import Session

from planner.database import queries
from planner.database.lines import SeasonOverview
from planner.database.states import Role
from planner.errors import NotFound
from planner.services import prices
from planner.services.review import Cost, Rates, gather, review_of
from web.access import allow, name
from web.remembered import remembered, shared
from web.review import price_of, rates_said
from web.season import answer_of
from web.session import now, reading_db, the_season, writing_db, zone

pages = Blueprint("venue", __name__)
_BEFORE = timedelta(days=60)  # carving begins weeks before the opening


@pages.get("/venue")
@allow(Role.VIEWER)
@remembered
def venue() -> ResponseReturnValue:
    """Show the season on one page for the venue."""
    with reading_db() as db:
        line = the_season(db)
        if line is None:
            return render_template("nothing.html", works=None)
        overview = shared(queries.season_overview, db, line.season_id, now=now(), count_late=False)
        answer = shared(answer_of, db, line.season_id, now=now())
        rows = shared(queries.station_rows, db, line.season_id, line.last_night)
        figures = queries.venue_figures(db, line.season_id, rows)
        forecast = queries.newest_result(db, "forecast", line.season_id)
        rates = rates_said(prices.rates_of(db, line.season_id))
        cost = _cost(db, line.season_id, overview, rates)
        kinds = sorted({one.type_name for one in shared(queries.cutters, db)})
    areas: dict[str, list[queries.StationRow]] = {}
    for row in rows:
        areas.setdefault(row.area, []).append(row)
    return render_template(
        "venue.html",
        overview=overview,
        figures=figures,
        areas=areas,
        answer=answer,
        forecast=forecast,
        rates=rates,
        cost=cost,
        kinds=kinds,
        price_words=prices.PRICES,
    )


@pages.post("/venue/prices")
@allow(Role.KEEPER)
def keep_prices() -> ResponseReturnValue:
    """Keep what things cost."""
    said = {name: price_of(name, request.form.get(name, "")) for name in prices.PRICES}
    own = {
        f"{prices.CUTTER}{kind}": price_of(f"price of {kind}", price)
        for kind, price in zip(request.form.getlist("type"), request.form.getlist("type_price"), strict=False)
    }
    with writing_db() as db:
        line = the_season(db)
        if line is None:
            raise NotFound("there is no season yet")
        words = prices.keep_prices(
            db, line.season_id, said | own, request.form.get("currency", ""), by=name(), at=now()
        ).words
    flash(words)
    return redirect(url_for("venue.venue"))


def _cost(db: Session, season_id: int, overview: SeasonOverview, rates: Rates) -> Cost | None:
    """Return what lanterns took so far; None while nobody says a price, for all runs are read for it."""
    if rates.person_hour is None and rates.cutter_life is None and not rates.cutters:
        return None
    begin = datetime.combine(overview.opening_night - _BEFORE, datetime.min.time(), zone())
    facts = gather(db, season_id, begin, max(begin + timedelta(days=1), now()), now=max(begin, now()))
    return review_of(facts, rates).cost
