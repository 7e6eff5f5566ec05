"""How long do lanterns last here? What the walks say, beside what forecasts reckon with so far."""

from __future__ import annotations

from dataclasses import dataclass

from flask import Blueprint, flash, redirect, render_template, url_for
from flask.typing import ResponseReturnValue

from planner.database.states import Role
from planner.errors import Refused
from planner.schedule.life import LifeModel, days_of_life, multiplier
from planner.services import lasting as services
from web.access import allow, name
from web.remembered import remembered
from web.session import now, reading_db, the_season, writing_db

pages = Blueprint("lasting", __name__)
_WARMTHS_C = (5.0, 10.0, 15.0, 20.0)


@dataclass(frozen=True, slots=True)
class Days:
    """How long lanterns last at a temperature, cut through and relief [d]."""

    warmth_c: float
    through: float
    relief: float


def days_of(model: LifeModel) -> tuple[Days, ...]:
    """Return how long lanterns last by a model, at a few temperatures.

    Parameters
    ----------
    model : LifeModel
        The settings [-].
    """
    return tuple(
        Days(
            warmth,
            float(days_of_life(model, warmth)),
            float(days_of_life(model, warmth)) * multiplier(model, relief=True),
        )
        for warmth in _WARMTHS_C
    )


@pages.get("/lasting")
@allow(Role.VIEWER)
@remembered
def lasting() -> ResponseReturnValue:
    """Show the life model in force beside that of the walks."""
    with reading_db() as db:
        line = the_season(db)
        if line is None:
            return render_template("nothing.html", works=None)
        offered = services.offer(db, line.season_id)
        fit = services.in_force(db, line.season_id)
        taken = fit and {"id": fit.id, "lanterns": fit.lanterns, "by": fit.recorded_by, "at": fit.recorded_at}
        before = days_of(services.model_of(db, line.season_id))
    return render_template(
        "lasting.html",
        offered=offered,
        fit=taken,
        rows=list(zip(before, days_of(offered.after) if offered else before, strict=True)),
    )


@pages.post("/lasting")
@allow(Role.LEAD)
def accept() -> ResponseReturnValue:
    """Let forecasts reckon with what the walks say."""
    with writing_db() as db:
        line = the_season(db)
        if line is None:
            raise Refused("there is no season yet")
        row = services.accept(db, line.season_id, by=name(), at=now())
        told = f"forecasts reckon with {row.days_at_reference:.1f} days at 15 °C from now on"
    flash(told)
    return redirect(url_for("lasting.lasting"))


@pages.post("/lasting/<int:fit_id>/back")
@allow(Role.LEAD)
def take_back(fit_id: int) -> ResponseReturnValue:
    """Reckon with what was in force before."""
    with writing_db() as db:
        services.take_back(db, fit_id, by=name(), at=now())
    flash("taken back; what was in force before is again")
    return redirect(url_for("lasting.lasting"))
