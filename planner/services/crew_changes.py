"""How are benches, carrier plates and hands changed, taken out of use, and brought back?"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime, time

from sqlalchemy.orm import Session

from planner.database import tables
from planner.database.states import BenchKind, BenchStep
from planner.errors import Refused
from planner.services.benches import minutes_of, refuse_hours
from planner.services.changes import note
from planner.services.common import found, name_of, word_of


def change_bench(
    db: Session,
    bench_id: int,
    *,
    by: str,
    at: datetime,
    steps: Sequence[str] | None = None,
    places: int | None = None,
    minutes: Mapping[str, float] | None = None,
    active: bool | None = None,
) -> tables.Change:
    """Change a bench or a set of carrier plates; what is left out stays as it is.

    Parameters
    ----------
    db : Session
        An open session; it is flushed, not committed [-].
    bench_id : int
        The bench [-].
    by : str
        Who says it [-].
    at : datetime
        When [-].
    steps : sequence of str, optional
        What is done there [-].
    places : int, optional
        How many pieces at once, or how many plates [-].
    minutes : mapping, optional
        Its own times by step [min].
    active : bool, optional
        Whether plans use it from now on [-].
    """
    bench = found(db, tables.Bench, bench_id)
    before = {key: getattr(bench, key) for key in ("steps", "places", "minutes", "active")}
    if steps is not None:
        if bench.kind == BenchKind.BENCH and not steps:
            raise Refused(f"bench {bench.name}: at least one step is done there; take it out of use instead")
        bench.steps = [word_of(BenchStep, step, "step").value for step in steps]
    if places is not None:
        if not 1 <= places <= 500:
            raise Refused(f"{bench.name}: {places} places, expected 1 to 500")
        bench.places = places
    if minutes is not None:
        bench.minutes = {step: minutes_of(value) for step, value in minutes.items() if step in bench.steps}
    if active is not None:
        bench.active = active
    undo = {"id": bench_id, "values": before}
    words = f"bench {bench.name} {_how(before['active'], bench.active)}"
    return note(db, "bench", words, by=by, at=at, undo=undo, about=f"bench {bench.name}")


def change_hand(
    db: Session,
    hand_id: int,
    *,
    by: str,
    at: datetime,
    skills: Sequence[str] | None = None,
    hours: tuple[time, time] | None = None,
    active: bool | None = None,
) -> tables.Change:
    """Change what a hand can do and when they are here; with skills the hours are those given too.

    Parameters
    ----------
    db : Session
        An open session; it is flushed, not committed [-].
    hand_id : int
        The hand [-].
    by : str
        Who says it [-].
    at : datetime
        When [-].
    skills : sequence of str, optional
        As for `benches.add_hand` [-].
    hours : tuple of time, optional
        Local, from and to; None = as the machines are manned.
    active : bool, optional
        Whether they still work here [-].
    """
    hand = found(db, tables.Hand, hand_id)
    before = {
        "skills": hand.skills,
        "active": hand.active,
        "from_time": hand.from_time.isoformat() if hand.from_time else None,
        "to_time": hand.to_time.isoformat() if hand.to_time else None,
    }
    if skills is not None:
        if not skills:
            raise Refused(f"{hand.name}: at least one skill is needed")
        hand.skills = [name_of(skill, "skill") for skill in skills]
        refuse_hours(hand.name, hours)
        hand.from_time, hand.to_time = hours or (None, None)
    if active is not None:
        hand.active = active
    undo = {"id": hand_id, "values": before}
    words = f"hand {hand.name} {_how(bool(before['active']), hand.active)}"
    return note(db, "hand", words, by=by, at=at, undo=undo, about=f"hand {hand.name}")


def _how(before: bool, after: bool) -> str:
    if before == after:
        return "changed"
    return "in use again" if after else "out of use"
