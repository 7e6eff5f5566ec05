"""How did we do, and what shall we change? The review of a stretch of days, as a page and on paper."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, datetime, timedelta
from typing import Any

from flask import Blueprint, render_template, request
from flask.typing import ResponseReturnValue

from planner.database.lines import SeasonLine
from planner.database.states import Role
from planner.errors import Refused
from planner.services import insights, learning, prices
from planner.services import review as reviews
from web.access import allow
from web.session import now, reading_db, the_season, zone

pages = Blueprint("review", __name__)


@pages.get("/review")
@allow(Role.VIEWER)
def review() -> ResponseReturnValue:
    """Show how a stretch of days went."""
    return _shown("review.html")


@pages.get("/review/paper")
@allow(Role.VIEWER)
def printout() -> ResponseReturnValue:
    """Show the same, to be printed."""
    return _shown("paper_review.html")


def _shown(template: str) -> ResponseReturnValue:
    with reading_db() as db:
        line = the_season(db)
        if line is None:
            return render_template("nothing.html", works=None)
        first, last = _days(line)
        rates = rates_said(prices.rates_of(db, line.season_id))
        begin = datetime.combine(first, datetime.min.time(), zone())
        end = datetime.combine(last + timedelta(days=1), datetime.min.time(), zone())
        facts = reviews.gather(db, line.season_id, begin, end, now=max(begin, now()))
        often = learning.rates(db, line.season_id)
    ways: dict[str, Any] = {"from": first, "to": last}
    ways |= {key: request.args.get(key) for key in prices.PRICES if request.args.get(key)}
    found = reviews.review_of(facts, rates)
    shifts = [(*map(datetime.fromisoformat, group.name.split("/")), group) for group in found.shifts]
    size = "letter" if request.args.get("paper") == "letter" else "a4"
    return render_template(
        template,
        found=found,
        shifts=shifts,
        insights=insights.insights(facts),
        often=often,
        first=first,
        last=last,
        rates=rates,
        ways=ways,
        size=size,
    )


def _days(line: SeasonLine) -> tuple[date, date]:
    """Return first and last day: those asked for, else the week until today."""
    today = now().astimezone(zone()).date()
    last = _day("to", today)
    first = _day("from", last - timedelta(days=6))
    if last < first:
        raise Refused(f"from {first} to {last}: the last day is before the first")
    return first, last


def _day(name: str, default: date) -> date:
    said = request.args.get(name, "")
    try:
        return date.fromisoformat(said) if said else default
    except ValueError:
        raise Refused(f"{name} is {said[:20]!r}, expected a day such as {default}") from None


def rates_said(kept: reviews.Rates) -> reviews.Rates:
    """Return the season's prices; those that the address says stand in their place, to see what they do."""

    def price(name: str, otherwise: float | None) -> float | None:
        said = price_of(name, request.args.get(name, ""))
        return otherwise if said is None else said

    return replace(
        kept,
        person_hour=price("person_hour", kept.person_hour),
        cutter_life=price("cutter_life", kept.cutter_life),
        piece=price("piece", kept.piece),
    )


def price_of(name: str, said: str) -> float | None:
    """Return a price that somebody wrote; None where nothing is written."""
    try:
        price = float(said.strip().replace(",", ".")) if said.strip() else None
    except ValueError:
        price = -1.0
    if price is not None and not 0 <= price < 1e6:
        raise Refused(f"{name.replace('_', ' ')} is {said[:20]!r}, expected a price of 0 or more")
    return price
