"""Which machines can be trusted, and what must be changed or bought? Machines and cutters, as reported."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from flask import Blueprint, flash, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue
from sqlalchemy.orm import Session

from planner.database import queries
from planner.database.states import Role
from planner.errors import NotFound, Refused
from planner.services import ledger, ledger_life, ledger_stock
from web import life_chart
from web.access import allow, name
from web.remembered import remembered, shared
from web.session import now, reading_db, the_season, writing_db

pages = Blueprint("fleet", __name__)


@pages.get("/machines")
@allow(Role.VIEWER)
@remembered
def machines() -> ResponseReturnValue:
    """Show the machines as they were reported."""
    with reading_db() as db:
        the_season(db)
        found = shared(queries.machines, db, now=now())
        plates = queries.carriers(db)
    return render_template("machines.html", machines=found, plates=plates)


@pages.get("/cutters")
@allow(Role.VIEWER)
@remembered
def cutters() -> ResponseReturnValue:
    """Show the cutters by machine, the most worn first."""
    with reading_db() as db:
        line = the_season(db)
        found = shared(queries.cutters, db)
        needs = shared(cutter_needs, db, line.season_id if line else None, now=now())
    # fitted ones first, by machine; an empty machine name is the store
    ordered = sorted(found, key=lambda line: (not line.machine, line.machine, line.life_left, line.name))
    return render_template(
        "cutters.html",
        cutters=ordered,
        left={line.cutter: line for line in needs.left},
        needs=needs,
        curves=[life_chart.drawn(model) for model in needs.models],
    )


@dataclass(frozen=True, slots=True)
class CutterNeeds:
    """What is left of the cutters, which to change when, what to order, and the laws of life."""

    left: tuple[ledger_stock.Left, ...]
    due: tuple[ledger_stock.ChangeDue, ...]
    orders: tuple[ledger_stock.Reorder, ...]
    models: tuple[ledger_life.LifeModel, ...]


def cutter_needs(db: Session, season_id: int | None, *, now: datetime) -> CutterNeeds:
    """Return what must be changed and bought, for a season.

    Parameters
    ----------
    db : Session
        An open session [-].
    season_id : int or None
        Of the plan in force; None = there is no season yet [-].
    now : datetime
        What is planned later counts [-].
    """
    models = ledger_life.life_models(db)
    return CutterNeeds(
        ledger_stock.life_left(db, models),
        ledger_stock.changes_due(db, season_id, now=now) if season_id is not None else (),
        ledger_stock.reorder_points(db, now=now),
        models,
    )


@pages.get("/cutters/<int:cutter_id>")
@allow(Role.VIEWER)
@remembered
def cutter(cutter_id: int) -> ResponseReturnValue:
    """Show one cutter's ledger, and what can be written into it."""
    with reading_db() as db:
        the_season(db)
        line = next((one for one in shared(queries.cutters, db) if one.cutter_id == cutter_id), None)
        if line is None:
            raise NotFound(f"there is no cutter {cutter_id}")
        left = next((one for one in ledger_stock.life_left(db) if one.cutter == line.name), None)
        entries = ledger.ledger_of(db, cutter_id)
        places = [(one.machine_id, one.name) for one in shared(queries.machines, db, now=now()) if one.active]
    return render_template(
        "cutter.html", cutter=line, left=left, entries=entries, machines=places, looks=ledger.LOOKS
    )


@pages.post("/cutters/<int:cutter_id>/ledger")
@allow(Role.HAND)
def keep_entry(cutter_id: int) -> ResponseReturnValue:
    """Write a line into a cutter's ledger."""
    form = request.form
    with writing_db() as db:
        row = ledger.keep_entry(
            db,
            cutter_id,
            form.get("kind", ""),
            by=name(),
            at=now(),
            machine_id=form.get("machine", type=int),
            stick_out_mm=_length_mm("stick_out_mm", "stick-out"),
            wear_mm=_length_mm("wear_mm", "flank wear"),
            look=form.get("look", ""),
            words=form.get("words", ""),
        )
        told = f"{row.kind} stands in the ledger"
    flash(told)
    return redirect(url_for("fleet.cutter", cutter_id=cutter_id))


def _length_mm(key: str, called: str) -> float | None:
    """Return a length of the form [mm]; None where nothing was written."""
    said = request.form.get(key, "").strip().replace(",", ".")
    try:
        return float(said) if said else None
    except ValueError:
        raise Refused(f"{called} is {said[:20]!r}, expected a number of millimetres") from None


@pages.post("/cutters/<int:cutter_id>/issue")
@allow(Role.LEAD)
def issue(cutter_id: int) -> ResponseReturnValue:
    """Issue a new cutter like this one."""
    with writing_db() as db:
        fresh = ledger.issue(db, cutter_id, request.form.get("name", ""), by=name(), at=now())
        number, told = fresh.id, f"{fresh.name} is issued, sharp, in the store"
    flash(told)
    return redirect(url_for("fleet.cutter", cutter_id=number))
