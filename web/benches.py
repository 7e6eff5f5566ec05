"""Where is what done, by whom, and when are they here? Benches, carrier plates and hands."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import time
from typing import Any

from flask import Blueprint, flash, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue
from sqlalchemy.orm import Session

from planner.database.queries.crew import bench_list, hand_list
from planner.database.states import BenchStep, Role
from planner.errors import Refused
from planner.services import benches as services
from planner.services.changes import note
from web.access import allow, name
from web.remembered import remembered
from web.session import now, reading_db, the_season, writing_db

pages = Blueprint("benches", __name__)


@pages.get("/benches")
@allow(Role.VIEWER)
@remembered
def benches() -> ResponseReturnValue:
    """Show what is entered, and the forms for more."""
    with reading_db() as db:
        the_season(db)
        places, hands = bench_list(db), hand_list(db)
    return render_template(
        "benches.html",
        benches=[row for row in places if not row.is_carrier],
        carriers=[row for row in places if row.is_carrier],
        hands=hands,
        steps=tuple(BenchStep),
        usual=services.USUAL_MIN,
        skills=(services.ANY, services.MACHINE, *BenchStep),
        missing=unmanned(places, hands),
    )


def unmanned(places: Any, hands: Any) -> tuple[str, ...]:
    """Return the steps that are done at some bench and that no hand can do; none where no hand is entered."""
    able = {skill for hand in hands if hand.active for skill in hand.skills}
    if not able or services.ANY in able:
        return ()
    done = dict.fromkeys(step for row in places if row.active for step in row.steps)
    return tuple(step for step in (*done, services.MACHINE) if step not in able)


def keep(db: Session, source: Mapping[str, Any]) -> str:
    """Enter benches, carriers and hands, keep that somebody did, and say what came in."""
    for one in source.get("benches") or ():
        _whole(one, "steps")
    for one in source.get("hands") or ():
        _whole(one, "skills")
    services.enter(db, source, by=name(), at=now())
    words = []
    for what, kind in (("benches", "bench"), ("carriers", "bench"), ("hands", "hand")):
        for one in source.get(what) or ():
            told = "carrier plates" if what == "carriers" else kind
            words.append(f"{told} {one['name']}")
            note(db, kind, f"{words[-1]} entered", by=name(), at=now(), about=f"{kind} {one['name']}")
    if not words:
        raise Refused("nothing was named, expected benches, carriers or hands")
    return f"{', '.join(words)}: the next plan knows of it"


def _whole(one: Any, key: str) -> None:
    """Refuse a text where a list of words was meant."""
    if isinstance(one, Mapping) and not isinstance(one.get(key, []), list):
        raise Refused(f"{str(one.get('name', ''))[:40]}: {key} is no list of words")


@pages.post("/benches")
@allow(Role.LEAD)
def add_bench() -> ResponseReturnValue:
    """Enter a bench."""
    form = request.form
    own = {
        str(step): _number(form[f"minutes {step}"])
        for step in BenchStep
        if form.get(f"minutes {step}", "").strip() and str(step) in form.getlist("step")
    }
    row = {"name": form.get("name", ""), "steps": form.getlist("step"), "minutes": own}
    return _kept({"benches": [row | {"places": form.get("places", 1, type=int)}]})


@pages.post("/benches/carriers")
@allow(Role.LEAD)
def add_carriers() -> ResponseReturnValue:
    """Enter a set of carrier plates."""
    row = {"name": request.form.get("name", ""), "count": request.form.get("count", 0, type=int)}
    return _kept({"carriers": [row]})


@pages.post("/benches/hands")
@allow(Role.LEAD)
def add_hand() -> ResponseReturnValue:
    """Enter a hand with skills and hours."""
    form = request.form
    row: dict[str, Any] = {"name": form.get("name", ""), "skills": form.getlist("skill")}
    begin, end = form.get("from", "").strip(), form.get("to", "").strip()
    if bool(begin) != bool(end):
        raise Refused("hours need both a beginning and an end, or neither")
    return _kept({"hands": [row | ({"from": _clock(begin), "to": _clock(end)} if begin else {})]})


def _kept(source: Mapping[str, Any]) -> ResponseReturnValue:
    with writing_db() as db:
        words = keep(db, source)
    flash(words)
    return redirect(url_for("benches.benches"))


def _number(text: str) -> float:
    try:
        return float(text)
    except ValueError:
        raise Refused(f"{text[:20]!r} is no number of minutes") from None


def _clock(text: str) -> str:
    try:
        return f"{time.fromisoformat(text):%H:%M}"
    except ValueError:
        raise Refused(f"{text[:20]!r} is no time of day, expected such as 06:00") from None
