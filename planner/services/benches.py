"""What is done at benches, by whom, and what of it does a job still need? Benches, carriers, hands.

Only where benches or hands are entered do plans know of them; without any, people are a number at the
machines. Times are common practice and replaced by a bench's own; who may do what is on the hand's card.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, time, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from sqlalchemy import select
from sqlalchemy.orm import Session

from planner.database import tables
from planner.database.states import BenchKind, BenchStep, LanternKind, PieceStepKind, ProduceKind
from planner.errors import Refused
from planner.services.common import name_of, refuse_taken, word_of

CUT = "probe and cut"
MACHINE, ANY = "machine", "any"
USUAL_MIN: Mapping[BenchStep, float] = {
    BenchStep.HOLLOW: 10,
    BenchStep.THIN: 4,
    BenchStep.GAUGE: 2,
    BenchStep.MOUNT: 3,
    BenchStep.FINISH: 5,
    BenchStep.LIT_CHECK: 2,
}
RELIEF_MIN: Mapping[BenchStep, float] = {BenchStep.THIN: 10, BenchStep.GAUGE: 6}
ROOT_HOLLOW_MIN = 15.0
RATERS = 2
"""A lit lantern is looked at by two people."""
MOST_WAITING = 3
"""So many hollowed pieces may wait at a machine: more of them wilt."""
HOLLOW_TO_CUT_MIN = 240
"""So long after hollowing a piece must be at its machine."""
_BEFORE = (BenchStep.HOLLOW, BenchStep.THIN, BenchStep.GAUGE, BenchStep.MOUNT)
_AFTER = (BenchStep.FINISH, BenchStep.LIT_CHECK)
_SAID = {
    PieceStepKind.HOLLOWED: BenchStep.HOLLOW,
    PieceStepKind.THINNED: BenchStep.THIN,
    PieceStepKind.GAUGED: BenchStep.GAUGE,
    PieceStepKind.MOUNTED: BenchStep.MOUNT,
    PieceStepKind.PROBED: BenchStep.MOUNT,
    PieceStepKind.FINISHED: BenchStep.FINISH,
    PieceStepKind.LIT_CHECKED: BenchStep.LIT_CHECK,
}
Spans = list[list[int]]


# --- entering ------------------------------------------------------------------------------------------


def add_bench(
    db: Session,
    name: str,
    steps: Sequence[str],
    *,
    by: str,
    at: datetime,
    places: int = 1,
    minutes: Mapping[str, float] | None = None,
) -> tables.Bench:
    """Add a bench: what is done there, for how many at once.

    Parameters
    ----------
    db : Session
        An open session; it is flushed, not committed [-].
    name : str
        Its name [-].
    steps : sequence of str
        The `BenchStep` done there [-].
    by : str
        Who records it [-].
    at : datetime
        When [-].
    places : int
        How many pieces at once [-].
    minutes : Mapping, optional
        Its own times by step [min].
    """
    words = [word_of(BenchStep, step, "step").value for step in steps]
    own = {
        word_of(BenchStep, step, "step").value: minutes_of(value) for step, value in (minutes or {}).items()
    }
    if not words:
        raise Refused(f"bench {name!r}: at least one step is done there")
    return _add(db, name, BenchKind.BENCH, words, places, own, by, at)


def add_carriers(db: Session, name: str, count: int, *, by: str, at: datetime) -> tables.Bench:
    """Add carrier plates, so many: a piece holds one from mounting to the lit check.

    Parameters
    ----------
    db : Session
        An open session; it is flushed, not committed [-].
    name : str
        What they are called [-].
    count : int
        How many there are [-].
    by : str
        Who records it [-].
    at : datetime
        When [-].
    """
    return _add(db, name, BenchKind.CARRIER, [], count, {}, by, at)


def _add(
    db: Session,
    name: str,
    kind: str,
    steps: list[str],
    places: int,
    own: dict[str, float],
    by: str,
    at: datetime,
) -> tables.Bench:
    name = name_of(name, "bench")
    refuse_taken(db, tables.Bench, tables.Bench.name, name)
    refuse_taken(db, tables.Machine, tables.Machine.name, name)
    if places < 1:
        raise Refused(f"{name}: {places} places, expected 1 or more")
    row = tables.Bench(
        name=name, kind=kind, steps=steps, places=places, minutes=own, recorded_by=by, recorded_at=at
    )
    db.add(row)
    db.flush()
    return row


def minutes_of(value: float) -> float:
    """Return the time of a step, or raise `Refused`; `value` [min]."""
    if not 0 < value <= 600:
        raise Refused(f"{value!r} min for a step, expected more than 0 and at most 600")
    return float(value)


def add_hand(
    db: Session,
    name: str,
    skills: Sequence[str],
    *,
    by: str,
    at: datetime,
    hours: tuple[time, time] | None = None,
) -> tables.Hand:
    """Add somebody who works at benches and machines.

    Parameters
    ----------
    db : Session
        An open session; it is flushed, not committed [-].
    name : str
        Who, as absences name them [-].
    skills : sequence of str
        What they can do: a `BenchStep`, "machine", or "any"; other words are kept and ask for nothing [-].
    by : str
        Who records it [-].
    at : datetime
        When [-].
    hours : tuple of time, optional
        Local, from and to; as the machines are manned when left out.
    """
    name = name_of(name, "hand")
    refuse_taken(db, tables.Hand, tables.Hand.name, name)
    words = [name_of(skill, "skill") for skill in skills]
    if not words:
        raise Refused(f"{name}: at least one skill is needed, {ANY!r} for all")
    refuse_hours(name, hours)
    row = tables.Hand(
        name=name,
        skills=words,
        from_time=hours[0] if hours else None,
        to_time=hours[1] if hours else None,
        recorded_by=by,
        recorded_at=at,
    )
    db.add(row)
    db.flush()
    return row


def refuse_hours(name: str, hours: tuple[time, time] | None) -> None:
    """Raise `Refused` where a hand's hours end before they begin."""
    if hours is not None and hours[0] >= hours[1]:
        raise Refused(
            f"{name}: there from {hours[0]:%H:%M} to {hours[1]:%H:%M}, expected an end after the start"
        )


def enter(db: Session, source: Mapping[str, Any], *, by: str, at: datetime) -> tuple[int, int]:
    """Enter benches, carriers and hands out of one object; return how many places of work and hands came in.

    Parameters
    ----------
    db : Session
        An open session; it is flushed, not committed [-].
    source : Mapping
        `benches` with `name`, `steps`, `places`, `minutes`; `carriers` with `name`, `count`; `hands` with
        `name`, `skills`, `from`, `to` (06:00) [-].
    by : str
        Who records it [-].
    at : datetime
        When [-].
    """
    for name in source:
        if name not in ("benches", "carriers", "hands"):
            raise Refused(f"{name!r}: expected benches, carriers and hands")
    rows = {name: _rows(source, name) for name in ("benches", "carriers", "hands")}
    for one in rows["benches"]:
        _known(one, "bench", "name steps places minutes")
        add_bench(
            db, str(one.get("name", "")), list(one.get("steps", ())), places=_count(one.get("places", 1)),
            minutes=one.get("minutes"), by=by, at=at,
        )  # fmt: skip
    for one in rows["carriers"]:
        _known(one, "carriers", "name count")
        add_carriers(db, str(one.get("name", "")), _count(one.get("count")), by=by, at=at)
    for one in rows["hands"]:
        _known(one, "hand", "name skills from to")
        hours = (_clock(one["from"]), _clock(one["to"])) if "from" in one and "to" in one else None
        skills = [str(skill) for skill in one.get("skills", ())]
        add_hand(db, str(one.get("name", "")), skills, hours=hours, by=by, at=at)
    return len(rows["benches"]) + len(rows["carriers"]), len(rows["hands"])


def _rows(source: Mapping[str, Any], name: str) -> list[Mapping[str, Any]]:
    rows = source.get(name, [])
    if not isinstance(rows, list) or not all(isinstance(one, Mapping) for one in rows):
        raise Refused(f"{name}: a list of objects was expected")
    return rows


def _known(one: Mapping[str, Any], what: str, keys: str) -> None:
    for key in one:
        if key not in keys.split():
            raise Refused(f"{what} {one.get('name', '')!r}: no key {key!r}; known are {keys}")


def _count(value: object) -> int:
    if isinstance(value, bool) or not isinstance(value, int):
        raise Refused(f"{value!r}: a whole number was expected")
    return value


def _clock(value: object) -> time:
    try:
        return time.fromisoformat(str(value))
    except ValueError:
        raise Refused(f"{value!r}: a time such as 06:00 was expected") from None


# --- what a plan must know -----------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Crew:
    """All benches, carriers and hands, and what has been done to which piece."""

    benches: tuple[tables.Bench, ...] = ()
    carriers: tuple[tables.Bench, ...] = ()
    hands: tuple[tables.Hand, ...] = ()
    absences: tuple[tables.Absence, ...] = ()
    done: Mapping[int, frozenset[BenchStep]] = field(default_factory=dict)
    """By workpiece."""

    @property
    def is_empty(self) -> bool:
        """Whether a plan has nothing to know of benches and skills."""
        return not (self.benches or self.carriers or self.hands)

    def resources(self, opened: Spans) -> list[dict[str, Any]]:
        """Return benches and carriers in the problem's form; benches are open when people are there."""
        benches = [
            {"name": b.name, "kind": "bench", "capacity": b.places, "open": opened, "attended": 1.0}
            for b in self.benches
        ]
        return benches + [{"name": c.name, "kind": "carrier", "capacity": c.places} for c in self.carriers]

    def people(self, start: datetime, zone: ZoneInfo, opened: Spans) -> list[dict[str, Any]]:
        """Return the hands in the problem's form, those alike in one group; absences are left out."""
        groups: dict[tuple[tuple[str, ...], tuple[tuple[int, int], ...]], int] = {}
        for hand in self.hands:
            spans = _hours_of(hand, start, zone, opened)
            for absence in self.absences:
                if absence.person == hand.name:
                    spans = _without(spans, _minute(start, absence.start_at), _minute(start, absence.end_at))
            key = tuple(sorted(hand.skills)), tuple((a, b) for a, b in spans)
            groups[key] = groups.get(key, 0) + 1
        return [
            {"skill": list(skills), "open": [list(span) for span in spans], "count": count}
            for (skills, spans), count in groups.items()
            if spans
        ]

    def around(
        self, job: tables.Job, cut: list[dict[str, Any]], passed: Sequence[str] = ()
    ) -> dict[str, Any]:
        """Return the steps a job still needs, and what ties them together, around its options at machines.

        Parameters
        ----------
        job : Job
            With its workpiece [-].
        cut : list of dict
            Its options at machines [-].
        passed : sequence of str
            Steps that a plan in force has begun [-].
        """
        if self.hands:
            cut = [option | {"skill": MACHINE} for option in cut]
        piece = job.workpiece
        gone = set(self.done.get(piece.id, frozenset()) if piece else ()) | {BenchStep(s) for s in passed}
        before = [
            (step, options) for step in _BEFORE if step not in gone and (options := self._at(job, step))
        ]
        after = [(step, options) for step in _AFTER if step not in gone and (options := self._at(job, step))]
        named = [*before, (CUT, cut), *after]
        steps = [{"name": str(name), "options": options} for name, options in named]
        return {"steps": steps} | self._ties([str(name) for name, _ in named])

    def _at(self, job: tables.Job, step: BenchStep) -> list[dict[str, Any]]:
        """Return the benches at which a step of a job can be done."""
        if step in (BenchStep.HOLLOW, BenchStep.THIN, BenchStep.GAUGE) and _is_solid(job):
            return []
        options = []
        for bench in self.benches:
            if step in bench.steps:
                option = {
                    "resource": bench.name,
                    "run_min": round(bench.minutes.get(step, _usual_min(job, step))),
                }
                option["people"] = RATERS if step == BenchStep.LIT_CHECK else 1
                options.append(option | ({"skill": step.value} if self.hands else {}))
        return options

    def _ties(self, names: list[str]) -> dict[str, Any]:
        at = names.index(CUT)
        ties: dict[str, Any] = {}
        if BenchStep.HOLLOW in names:
            begin = names.index(BenchStep.HOLLOW)
            ties["waits_from"] = begin
            ties["within_min"] = [{"from_step": begin, "to_step": at, "most_min": HOLLOW_TO_CUT_MIN}]
        if self.carriers:
            begin = names.index(BenchStep.MOUNT) if BenchStep.MOUNT in names else at
            name = self.carriers[0].name
            ties["holds"] = [{"resource": name, "from_step": begin, "to_step": len(names) - 1}]
        return ties


def crew_of(db: Session) -> Crew:
    """Return what is entered of benches, carriers and hands; empty where nothing is.

    Parameters
    ----------
    db : Session
        An open session; it is only read [-].
    """
    benches = db.scalars(select(tables.Bench).where(tables.Bench.active).order_by(tables.Bench.id)).all()
    hands = db.scalars(select(tables.Hand).where(tables.Hand.active).order_by(tables.Hand.id)).all()
    if not benches and not hands:
        return Crew()
    absences = db.scalars(
        select(tables.Absence).where(tables.Absence.voided_at.is_(None)).order_by(tables.Absence.id)
    )
    return Crew(
        benches=tuple(b for b in benches if b.kind == BenchKind.BENCH),
        carriers=tuple(b for b in benches if b.kind == BenchKind.CARRIER),
        hands=tuple(hands),
        absences=tuple(absences),
        done=_done(db),
    )


def _done(db: Session) -> dict[int, frozenset[BenchStep]]:
    """Return what has been done to each piece: as it was said, and as its facts show."""
    done: dict[int, set[BenchStep]] = {}
    steps = tables.PieceStep
    for piece, step in db.execute(select(steps.workpiece_id, steps.step)):
        known = _SAID.get(PieceStepKind(step))
        if known is not None:
            done.setdefault(piece, set()).add(known)
    pieces = tables.Workpiece
    for piece in db.scalars(select(pieces.id).where(pieces.hollowed_at.is_not(None))):
        done.setdefault(piece, set()).add(BenchStep.HOLLOW)
    walls = tables.WallReading
    for piece in db.scalars(select(walls.workpiece_id).where(walls.active).distinct()):
        done.setdefault(piece, set()).update((BenchStep.THIN, BenchStep.GAUGE))
    scans = tables.Scan
    for piece in db.scalars(select(scans.workpiece_id).where(scans.active)):
        # what is probed stands on its carrier: what came before is done, or is left for after the cut
        done.setdefault(piece, set()).update(_BEFORE)
    return {piece: frozenset(known) for piece, known in done.items()}


def _is_solid(job: tables.Job) -> bool:
    return job.workpiece is not None and job.workpiece.lot.kind == ProduceKind.FOAM


def _usual_min(job: tables.Job, step: BenchStep) -> float:
    if step == BenchStep.HOLLOW and job.workpiece and job.workpiece.lot.kind == ProduceKind.TURNIP:
        return ROOT_HOLLOW_MIN
    if job.station is not None and job.station.kind == LanternKind.RELIEF:
        return RELIEF_MIN.get(step, USUAL_MIN[step])
    return USUAL_MIN[step]


def _hours_of(hand: tables.Hand, start: datetime, zone: ZoneInfo, opened: Spans) -> Spans:
    if hand.from_time is None or hand.to_time is None or not opened:
        return [list(span) for span in opened]
    day = (start + timedelta(minutes=min(a for a, _ in opened))).astimezone(zone).date()
    last = (start + timedelta(minutes=max(b for _, b in opened))).astimezone(zone).date()
    spans = []
    while day <= last:
        a = _minute(start, datetime.combine(day, hand.from_time, zone))
        b = _minute(start, datetime.combine(day, hand.to_time, zone))
        if b > max(0, a):
            spans.append([max(0, a), b])
        day += timedelta(days=1)
    return spans


def _without(spans: Spans, start: int, end: int) -> Spans:
    """Return spans less the time between two minutes."""
    parts = [part for a, b in spans for part in ([a, min(b, start)], [max(a, end), b])]
    return [part for part in parts if part[1] > part[0]]


def _minute(start: datetime, instant: datetime) -> int:
    return round((instant - start).total_seconds() / 60)
