"""What do people, cutters and produce cost? A keeper says it once; venue and review reckon with it."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime

from sqlalchemy.orm import Session

from planner.database import tables
from planner.errors import Refused
from planner.services.changes import note
from planner.services.common import amount_of, found
from planner.services.review import Rates

PRICES = {
    "person_hour": "an hour of a person",
    "cutter_life": "a cutter's whole life, new or sharpened",
    "piece": "a piece of produce",
}
CUTTER = "cutter "  # before the name of a type whose life has a price of its own
_MOST = 1e6


def rates_of(db: Session, season_id: int) -> Rates:
    """Return the prices of a season.

    Parameters
    ----------
    db : Session
        An open session; it is only read [-].
    season_id : int
        The season [-].
    """
    season = found(db, tables.Season, season_id)
    own = {
        name.removeprefix(CUTTER): price for name, price in season.prices.items() if name.startswith(CUTTER)
    }
    return Rates(**{name: season.prices.get(name) for name in PRICES}, cutters=own, currency=season.currency)


def keep_prices(
    db: Session, season_id: int, prices: Mapping[str, float | None], currency: str, *, by: str, at: datetime
) -> tables.Change:
    """Keep what things cost in a season; what is not said is not known any more.

    Parameters
    ----------
    db : Session
        An open session; it is flushed, not committed [-].
    season_id : int
        The season [-].
    prices : mapping
        By the words of `PRICES`, or `cutter 6F` for a type of its own; 0 or more, all in one currency [-].
    currency : str
        As people write it, e.g. EUR [-].
    by : str
        Who says it [-].
    at : datetime
        When [-].
    """
    season = found(db, tables.Season, season_id)
    before = {"season": season_id, "prices": dict(season.prices), "currency": season.currency}
    told = {
        name: amount_of(price, PRICES.get(name, name), 0, _MOST, "in money")
        for name, price in prices.items()
        if price is not None
    }
    for name in told:
        if name not in PRICES and not name.startswith(CUTTER):
            raise Refused(f"there is no price of {name[:40]!r}, expected one of {', '.join(PRICES)}")
    currency = currency.strip()
    if len(currency) > 8 or not currency.isprintable():
        raise Refused(f"currency is {currency[:20]!r}, expected a short word such as EUR")
    season.prices, season.currency = told, currency
    words = ", ".join(
        f"{PRICES.get(name, name)} {price:g} {currency}".strip() for name, price in told.items()
    )
    return note(db, "prices", f"prices: {words or 'none'}", by=by, at=at, undo=before, about="venue")
