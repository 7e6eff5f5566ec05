"""Which machines can be trusted, and what must be changed or bought? Machines and cutters, as reported."""

from __future__ import annotations

from flask import Blueprint, render_template
from flask.typing import ResponseReturnValue

from planner.database import queries
from planner.database.states import Role
from web.access import allow
from web.remembered import remembered
from web.session import now, reading_db, the_season

pages = Blueprint("fleet", __name__)


@pages.get("/machines")
@allow(Role.VIEWER)
@remembered
def machines() -> ResponseReturnValue:
    """Show the machines as they were reported."""
    with reading_db() as db:
        the_season(db)
        found = queries.machines(db, now=now())
        plates = queries.carriers(db)
    return render_template("machines.html", machines=found, plates=plates)


@pages.get("/cutters")
@allow(Role.VIEWER)
@remembered
def cutters() -> ResponseReturnValue:
    """Show the cutters by machine, the most worn first."""
    with reading_db() as db:
        the_season(db)
        found = queries.cutters(db)
    # fitted ones first, by machine; an empty machine name is the store
    ordered = sorted(found, key=lambda line: (not line.machine, line.machine, line.life_left, line.name))
    return render_template("cutters.html", cutters=ordered)
