"""Is a machine still as true as it was? Ring gauge and full turn as trends, ticks with their age.

A machine is never told to do anything: people look, measure and tick.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np
from sqlalchemy import select
from sqlalchemy.orm import Session

from planner.database import tables
from planner.database.states import MachineCheckKind
from planner.errors import Refused
from planner.services import fleet
from planner.services.changes import note
from planner.services.common import amount_of, found, word_of

LIMITS = {
    MachineCheckKind.RING_GAUGE: (0.3, "mm"),  # the probe's limit of repeat; common practice
    MachineCheckKind.FULL_TURN: (0.1, "deg"),  # 0.26 mm on a radius of 150 mm
}
"""Largest error of what is measured, with its unit."""
DUE_DAYS = {
    MachineCheckKind.CLEANED: 1,
    MachineCheckKind.EARTH_LEAKAGE: 1,
    MachineCheckKind.EMERGENCY_STOP: 1,
    MachineCheckKind.RING_GAUGE: 7,
    MachineCheckKind.FULL_TURN: 7,
    MachineCheckKind.SERVICED: 14,
}
"""How often each is done; common practice."""
_LOOK_BACK = timedelta(days=200)
_FEWEST = 3


def keep_check(
    db: Session,
    machine_id: int,
    kind: str,
    *,
    by: str,
    at: datetime,
    value: float | None = None,
    passed: bool = True,
    words: str = "",
) -> tables.MachineCheck:
    """Keep a tick or a reading; a full turn that misses its mark makes the machine's proof mark void.

    Parameters
    ----------
    db : Session
        An open session; it is flushed, not committed [-].
    machine_id : int
        The machine [-].
    kind : str
        One of `MachineCheckKind` [-].
    by : str
        Who looked [-].
    at : datetime
        When [-].
    value : float, optional
        What was measured, needed for what has a limit: the error [mm] or [deg].
    passed : bool
        Of a tick: whether all was well; a reading is judged by its limit [-].
    words : str
        A note, may be empty [-].
    """
    machine = found(db, tables.Machine, machine_id)
    word = MachineCheckKind(word_of(MachineCheckKind, kind, "kind"))
    limit, unit = LIMITS.get(word, (None, ""))
    if limit is not None:
        if value is None:
            raise Refused(f"{word}: the error in {unit} was expected")
        amount_of(value, f"error of the {word}", -360, 360, unit)
        passed = abs(value) <= limit
    elif value is not None:
        raise Refused(f"{word} is a tick; nothing is measured")
    row = tables.MachineCheck(
        machine_id=machine_id, kind=word, made_at=at, value=value, passed=passed, note=words.strip()[:400],
        recorded_by=by, recorded_at=at,
    )  # fmt: skip
    db.add(row)
    db.flush()
    measured = "" if value is None else f" {value:+g} {unit}"
    told = f"{machine.name}, {word}:{measured} {'passed' if passed else 'not passed'}"
    note(db, "check", told, by=by, at=at, about=f"machine {machine.name}")
    if word == MachineCheckKind.FULL_TURN and not passed:
        why = f"a full turn came back {value:+g} deg off its mark, {limit:g} deg are allowed"
        fleet.void_proof_marks(db, machine_id, why, by=by, at=at)
    return row


@dataclass(frozen=True, slots=True)
class Reading:
    """One reading of what has a limit."""

    at: datetime
    value: float
    passed: bool
    by: str


@dataclass(frozen=True, slots=True)
class Trend:
    """Readings of one kind at one machine, by time, and where they lead."""

    kind: str
    unit: str
    limit: float
    readings: tuple[Reading, ...]
    per_week: float | None
    """Slope of the least-squares line; None with fewer than three readings on different days."""
    weeks_left: float | None
    """Until the line reaches the limit; None where it does not lead there."""


@dataclass(frozen=True, slots=True)
class Tick:
    """When something was last done at a machine, and whether it is due again; None = never."""

    kind: str
    at: datetime | None
    by: str
    passed: bool
    due: bool


@dataclass(frozen=True, slots=True)
class Checked:
    """One machine's checks."""

    machine_id: int
    machine: str
    ticks: tuple[Tick, ...]
    trends: tuple[Trend, ...]

    @property
    def late(self) -> bool:
        """Whether anything is due."""
        return any(tick.due for tick in self.ticks)


def checked(db: Session, *, now: datetime) -> tuple[Checked, ...]:
    """Return the checks of all machines in use, in two questions.

    Parameters
    ----------
    db : Session
        An open session; it is only read [-].
    now : datetime
        What lies 200 days back counts no longer [-].
    """
    check, machine = tables.MachineCheck, tables.Machine
    rows: dict[tuple[int, str], list[tables.MachineCheck]] = {}
    for row in db.scalars(
        select(check).where(check.made_at > now - _LOOK_BACK).order_by(check.made_at, check.id)
    ):
        rows.setdefault((row.machine_id, row.kind), []).append(row)
    return tuple(
        Checked(
            number,
            name,
            tuple(_tick(kind, rows.get((number, kind), []), now) for kind in DUE_DAYS),
            tuple(_trend(kind, rows[number, kind], now) for kind in LIMITS if (number, kind) in rows),
        )
        for number, name in db.execute(
            select(machine.id, machine.name).where(machine.active).order_by(machine.name)
        )
    )


def _tick(kind: MachineCheckKind, rows: list[tables.MachineCheck], now: datetime) -> Tick:
    if not rows:
        return Tick(kind, None, "", False, True)
    last = rows[-1]
    due = not last.passed or now - last.made_at > timedelta(days=DUE_DAYS[kind])
    return Tick(kind, last.made_at, last.recorded_by, last.passed, due)


def _trend(kind: MachineCheckKind, rows: list[tables.MachineCheck], now: datetime) -> Trend:
    limit, unit = LIMITS[kind]
    readings = tuple(Reading(r.made_at, r.value or 0.0, r.passed, r.recorded_by) for r in rows)
    weeks = np.array([(one.at - now) / timedelta(weeks=1) for one in readings])
    if len(readings) < _FEWEST or np.ptp(weeks) < 1 / 7:
        return Trend(kind, unit, limit, readings, None, None)
    slope, here = (float(c) for c in np.polyfit(weeks, [one.value for one in readings], 1))
    left = (np.copysign(limit, slope) - here) / slope if abs(slope) > 1e-9 else None
    return Trend(kind, unit, limit, readings, slope, None if left is None else max(0.0, float(left)))
