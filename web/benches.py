"""Where is what done, by whom, and when are they here? Benches, carrier plates and hands."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import time
from typing import Any

from flask import Blueprint, flash, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue
from sqlalchemy import select
from sqlalchemy.orm import Session

from planner.database import tables
from planner.database.queries.crew import bench_list, hand_list
from planner.database.states import BenchStep, Role
from planner.errors import Refused
from planner.services import benches as services
from planner.services import crew_changes
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
            called = str(one["name"]).strip()
            words.append(f"{told} {called}")
            table = tables.Hand if kind == "hand" else tables.Bench
            undo = {"id": db.scalar(select(table.id).where(table.name == called)), "values": None}
            note(db, kind, f"{words[-1]} entered", by=name(), at=now(), undo=undo, about=f"{kind} {called}")
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
    row = {"name": form.get("name", ""), "steps": form.getlist("step"), "minutes": _own_minutes()}
    return _kept({"benches": [row | {"places": form.get("places", 1, type=int)}]})


def _own_minutes() -> dict[str, float]:
    """Return the times that the form says for the steps that are ticked [min]."""
    form = request.form
    return {
        str(step): _number(form[f"minutes {step}"])
        for step in BenchStep
        if form.get(f"minutes {step}", "").strip() and str(step) in form.getlist("step")
    }


@pages.post("/benches/carriers")
@allow(Role.LEAD)
def add_carriers() -> ResponseReturnValue:
    """Enter a set of carrier plates."""
    row = {"name": request.form.get("name", ""), "count": request.form.get("count", 0, type=int)}
    return _kept({"carriers": [row]})


@pages.post("/benches/<int:bench_id>")
@allow(Role.LEAD)
def change_bench(bench_id: int) -> ResponseReturnValue:
    """Change a bench or carrier plates, or take them out of use."""
    form = request.form
    if "active" in form:
        return _changed(
            lambda db: crew_changes.change_bench(
                db, bench_id, active=form["active"] == "1", by=name(), at=now()
            )
        )
    steps = form.getlist("step") if form.get("steps") else None
    return _changed(
        lambda db: crew_changes.change_bench(
            db,
            bench_id,
            steps=steps,
            places=form.get("places", 0, type=int),
            minutes=None if steps is None else _own_minutes(),
            by=name(),
            at=now(),
        )
    )


@pages.post("/benches/hands/<int:hand_id>")
@allow(Role.LEAD)
def change_hand(hand_id: int) -> ResponseReturnValue:
    """Change what a hand can do and when, or that they are here no more."""
    form = request.form
    if "active" in form:
        return _changed(
            lambda db: crew_changes.change_hand(
                db, hand_id, active=form["active"] == "1", by=name(), at=now()
            )
        )
    said = _hours()
    hours = (time.fromisoformat(said["from"]), time.fromisoformat(said["to"])) if said else None
    return _changed(
        lambda db: crew_changes.change_hand(
            db, hand_id, skills=form.getlist("skill"), hours=hours, by=name(), at=now()
        )
    )


def _changed(change: Callable[[Session], tables.Change]) -> ResponseReturnValue:
    with writing_db() as db:
        words = change(db).words
    flash(f"{words}: the next plan knows of it")
    return redirect(url_for("benches.benches"))


@pages.post("/benches/hands")
@allow(Role.LEAD)
def add_hand() -> ResponseReturnValue:
    """Enter a hand with skills and hours."""
    form = request.form
    row: dict[str, Any] = {"name": form.get("name", ""), "skills": form.getlist("skill")}
    return _kept({"hands": [row | _hours()]})


def _hours() -> dict[str, str]:
    """Return from when to when a hand is here, by the form; nothing where nothing is said."""
    begin, end = request.form.get("from", "").strip(), request.form.get("to", "").strip()
    if bool(begin) != bool(end):
        raise Refused("hours need both a beginning and an end, or neither")
    return {"from": _clock(begin), "to": _clock(end)} if begin else {}


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
