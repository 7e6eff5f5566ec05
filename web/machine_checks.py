"""Is each machine as true as it was, and what is due? Ticks, and readings drawn against their limits."""

from __future__ import annotations

from dataclasses import dataclass

from flask import Blueprint, flash, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue

from planner.database.states import MachineCheckKind, Role
from planner.errors import Refused
from planner.services import machine_checks as services
from web.access import allow, name
from web.session import now, reading_db, the_season, writing_db

pages = Blueprint("machine_checks", __name__)
_WIDE, _HIGH, _EDGE = 600.0, 120.0, 10.0


@dataclass(frozen=True, slots=True)
class Drawn:
    """A trend as it is drawn: places of the readings, and how high nought and the limits lie [px]."""

    trend: services.Trend
    places: tuple[tuple[float, float], ...]
    nought: float
    limits: tuple[float, float]


@pages.get("/machines/checks")
@allow(Role.VIEWER)
def checks() -> ResponseReturnValue:
    """Show the machines' checks, with forms for new ones."""
    with reading_db() as db:
        the_season(db)
        found = services.checked(db, now=now())
    return render_template(
        "machine_checks.html",
        found=found,
        drawn={one.machine_id: [drawn(trend) for trend in one.trends] for one in found},
        kinds=list(MachineCheckKind),
        limits=services.LIMITS,
    )


def drawn(trend: services.Trend) -> Drawn:
    """Return where the readings of a trend lie in its picture.

    Parameters
    ----------
    trend : Trend
        With one reading at least [-].
    """
    first, last = trend.readings[0].at.timestamp(), trend.readings[-1].at.timestamp()
    most = max(trend.limit, *(abs(one.value) for one in trend.readings)) * 1.1

    def height(value: float) -> float:
        return _HIGH / 2 - value / most * (_HIGH / 2 - _EDGE / 2)

    span = (last - first) or 1.0
    places = tuple(
        (_EDGE + (one.at.timestamp() - first) / span * (_WIDE - 2 * _EDGE), height(one.value))
        for one in trend.readings
    )
    return Drawn(trend, places, height(0.0), (height(trend.limit), height(-trend.limit)))


@pages.post("/machines/<int:machine_id>/checks")
@allow(Role.HAND)
def keep(machine_id: int) -> ResponseReturnValue:
    """Keep a tick or a reading."""
    form = request.form
    with writing_db() as db:
        row = services.keep_check(
            db,
            machine_id,
            form.get("kind", ""),
            by=name(),
            at=now(),
            value=_error(form.get("value", "")),
            passed=form.get("passed", "yes") == "yes",
            words=form.get("words", ""),
        )
        told = f"{row.kind}: {'passed' if row.passed else 'not passed'}"
    flash(told)
    return redirect(url_for("machine_checks.checks", _anchor=f"machine-{machine_id}"))


def _error(said: str) -> float | None:
    """Return an error that was typed; None where nothing was."""
    try:
        return float(said.strip().replace(",", ".")) if said.strip() else None
    except ValueError:
        raise Refused(f"error is {said[:20]!r}, expected a number") from None
