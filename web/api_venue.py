"""How do other programs read and say what things cost?"""

from __future__ import annotations

from typing import Any

from planner.database.states import Role
from planner.errors import Refused
from planner.services import prices
from planner.services.review import Rates
from web import api
from web.access import name
from web.api import Done, _season, operation
from web.session import now, reading_db, writing_db

pages = api.pages
"""The same blueprint: these operations stand beside the others."""

_PRICE = {"type": "number", "minimum": 0, "maximum": 1e6}


@operation("GET", "/prices", Role.VIEWER, "What hours, cutters and pieces cost", Rates)
def rates() -> Rates:
    """Give the prices of the season."""
    with reading_db() as db:
        return prices.rates_of(db, _season(db).season_id)


@operation(
    "POST",
    "/prices",
    Role.KEEPER,
    "Keep what hours, cutters and pieces cost; what is not said is not known any more",
    Done,
    body={
        "person_hour": _PRICE,
        "cutter_life": _PRICE,
        "piece": _PRICE,
        "cutters": {"type": "object", "additionalProperties": _PRICE, "maxProperties": 100},
        "currency": {"type": "string", "maxLength": 8},
    },
)
def keep_rates(
    person_hour: float | None = None,
    cutter_life: float | None = None,
    piece: float | None = None,
    cutters: dict[str, Any] | None = None,
    currency: str = "",
) -> Done:
    """Keep the prices of the season."""
    own = {f"{prices.CUTTER}{kind}": _money(kind, price) for kind, price in (cutters or {}).items()}
    said = {"person_hour": person_hour, "cutter_life": cutter_life, "piece": piece}
    with writing_db() as db:
        line = _season(db)
        change = prices.keep_prices(db, line.season_id, said | own, currency, by=name(), at=now())
        return Done(change.words, change.id)


def _money(kind: str, price: Any) -> float:
    if isinstance(price, bool) or not isinstance(price, int | float):
        raise Refused(f"the price of {kind[:40]} is no number")
    return float(price)
