"""Which benches, carrier plates and hands are entered?"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import time

from sqlalchemy import select
from sqlalchemy.orm import Session

from planner.database import tables
from planner.database.states import BenchKind


@dataclass(frozen=True, slots=True)
class BenchLine:
    """A bench or a set of carrier plates, as entered."""

    bench_id: int
    name: str
    kind: str  # BenchKind
    steps: tuple[str, ...]  # BenchStep
    places: int
    minutes: dict[str, float]
    active: bool

    @property
    def is_carrier(self) -> bool:
        """Whether it is held rather than worked at."""
        return self.kind == BenchKind.CARRIER


@dataclass(frozen=True, slots=True)
class HandLine:
    """Somebody who works at benches and machines, as entered."""

    hand_id: int
    name: str
    skills: tuple[str, ...]
    from_time: time | None
    to_time: time | None
    active: bool


def bench_list(db: Session) -> tuple[BenchLine, ...]:
    """Return benches and carrier plates in the order in which they were entered."""
    rows = db.scalars(select(tables.Bench).order_by(tables.Bench.id))
    return tuple(
        BenchLine(row.id, row.name, row.kind, tuple(row.steps), row.places, row.minutes, row.active)
        for row in rows
    )


def hand_list(db: Session) -> tuple[HandLine, ...]:
    """Return the hands by name."""
    rows = db.scalars(select(tables.Hand).order_by(tables.Hand.name))
    return tuple(
        HandLine(row.id, row.name, tuple(row.skills), row.from_time, row.to_time, row.active) for row in rows
    )
