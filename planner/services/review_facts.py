"""What was recorded in a stretch of days? Runs as columns, so that tens of thousands are judged at once.

Times are whole microseconds of one clock: sums come out exactly.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from planner.database.in_columns import EPOCH
from planner.database.states import RunOutcome
from planner.schedule.kpi import Span

SET_UP_REASONS = ("cutter change",)
"""Pauses that count as setting up; all others are delays."""
LEAST_RATING = 5  # of a spare; a station says its own; common practice
Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
_US = timedelta(microseconds=1)


def microseconds(instant: datetime) -> int:
    """Return an instant on the clock of all spans [us].

    Parameters
    ----------
    instant : datetime
        With a zone [-].
    """
    return (instant - EPOCH) // _US


def instant_at(us: int) -> datetime:
    """Return the instant of a time on the clock of all spans.

    Parameters
    ----------
    us : int
        From `microseconds` [us].
    """
    return EPOCH + timedelta(microseconds=us)


@dataclass(frozen=True, slots=True)
class RunFact:
    """One run as it was reported, with what was planned for it."""

    run_id: int
    machine: str
    design: str
    lot: str
    span: Span
    """So long the job was on the machine; until now where it still is [us]."""
    pauses: tuple[tuple[Span, str], ...] = ()
    outcome: str | None = None
    scrap_reason: str = ""
    planned_run_min: float | None = None
    rating: float | None = None
    least_rating: int = LEAST_RATING
    first: bool = True
    """Whether the piece was on a machine once only."""
    planned_span: Span | None = None
    wall_sigma_mm: float | None = None
    """How sure the piece's wall was."""
    wear: float | None = None
    """Largest share of a cutter's life that it used."""


@dataclass(frozen=True, slots=True)
class CutterFact:
    """What runs took out of cutters of one type."""

    type_name: str
    minutes: float
    metres: float
    wear: float


@dataclass(frozen=True, slots=True)
class NightFact:
    """How many stations had a lantern cut by dusk, of how many promised."""

    night: date
    promised: int
    lit: int


def _read_only(values: Any, kind: Any) -> Any:
    out = np.array(values, dtype=kind)
    out.setflags(write=False)
    return out


@dataclass(frozen=True, eq=False)
class Runs:
    """Runs as columns, in the order in which they began; names are numbers into `names`.

    Times [us], minutes [min]; what is not known is NaN, or -1 for a time.
    """

    machine: Ints
    design: Ints
    lot: Ints
    start: Ints
    end: Ints
    finished: Bools
    scrapped: Bools
    planned_min: Floats
    rating: Floats
    least: Floats
    first: Bools
    planned_start: Ints
    planned_end: Ints
    reason: Ints
    wall_sigma_mm: Floats
    wear: Floats
    pause_run: Ints
    pause_start: Ints
    pause_end: Ints
    pause_set_up: Bools
    names: tuple[str, ...]

    @cached_property
    def net_min(self) -> Floats:
        """Time on the machine without the pauses [min]; pauses of a run stand apart from each other."""
        stood = np.zeros(len(self.start))
        np.add.at(stood, self.pause_run, (self.pause_end - self.pause_start).astype(float))
        return np.asarray((self.end - self.start - stood) / 60e6)

    @cached_property
    def good(self) -> Bools:
        """Whether a finished run's piece is good: not rated, or rated as its station asks."""
        return np.asarray(self.finished & ~(self.rating < self.least))


def columns_of(runs: Sequence[RunFact]) -> Runs:
    """Return runs as columns.

    Parameters
    ----------
    runs : sequence of RunFact
        In any order [-].
    """
    ordered = sorted(runs, key=lambda run: run.span)
    place: dict[str, int] = {}

    def number(name: str) -> int:
        return place.setdefault(name, len(place))

    pauses = [(n, span, reason) for n, run in enumerate(ordered) for span, reason in run.pauses]
    nan = float("nan")
    columns = {
        "machine": ([number(run.machine) for run in ordered], np.int64),
        "design": ([number(run.design) for run in ordered], np.int64),
        "lot": ([number(run.lot) for run in ordered], np.int64),
        "start": ([run.span[0] for run in ordered], np.int64),
        "end": ([run.span[1] for run in ordered], np.int64),
        "finished": ([run.outcome == RunOutcome.FINISHED for run in ordered], np.bool_),
        "scrapped": ([run.outcome == RunOutcome.SCRAPPED for run in ordered], np.bool_),
        "planned_min": (
            [nan if r.planned_run_min is None else r.planned_run_min for r in ordered],
            np.float64,
        ),
        "rating": ([nan if run.rating is None else run.rating for run in ordered], np.float64),
        "least": ([run.least_rating for run in ordered], np.float64),
        "first": ([run.first for run in ordered], np.bool_),
        "planned_start": ([run.planned_span[0] if run.planned_span else -1 for run in ordered], np.int64),
        "planned_end": ([run.planned_span[1] if run.planned_span else -1 for run in ordered], np.int64),
        "reason": ([number(run.scrap_reason or "no reason") for run in ordered], np.int64),
        "wall_sigma_mm": (
            [nan if r.wall_sigma_mm is None else r.wall_sigma_mm for r in ordered],
            np.float64,
        ),
        "wear": ([nan if run.wear is None else run.wear for run in ordered], np.float64),
        "pause_run": ([n for n, _, _ in pauses], np.int64),
        "pause_start": ([span[0] for _, span, _ in pauses], np.int64),
        "pause_end": ([span[1] for _, span, _ in pauses], np.int64),
        "pause_set_up": ([reason in SET_UP_REASONS for _, _, reason in pauses], np.bool_),
    }
    arrays = {name: _read_only(values, kind) for name, (values, kind) in columns.items()}
    return Runs(**arrays, names=tuple(place))


@dataclass(frozen=True, eq=False)
class Facts:
    """What was recorded between two instants."""

    begin: int
    end: int
    shifts: Mapping[str, Sequence[Span]]
    """By machine [us]."""
    downs: Mapping[str, Sequence[tuple[Span, str]]] = field(default_factory=dict)
    runs: Sequence[RunFact] = ()
    cutters: Sequence[CutterFact] = ()
    nights: Sequence[NightFact] = ()
    attended: Mapping[str, float] = field(default_factory=dict)
    """Share of a run that needs a person, by machine [-]."""
    columns: Runs | None = None
    """The runs, where they were read as columns."""
    planned: Sequence[int] | Ints = ()
    """When jobs of the plan in force are to be done, those that were never begun included [us]."""

    @cached_property
    def table(self) -> Runs:
        """The runs as columns."""
        return self.columns if self.columns is not None else columns_of(self.runs)

    @property
    def machines(self) -> list[str]:
        """All machines that had a shift or a run."""
        names = self.table.names
        return sorted({*self.shifts, *(names[n] for n in np.unique(self.table.machine))})


class Time:
    """Time as spans that stand apart; how much of it lies within others is asked for many at once."""

    def __init__(self, start: Ints, end: Ints) -> None:
        some = end > start
        start, end = start[some], end[some]
        order = np.argsort(start, kind="stable")
        start, end = start[order], np.maximum.accumulate(end[order]) if len(end) else end
        first = np.ones(len(start), bool)
        first[1:] = start[1:] > end[:-1]
        last = np.ones(len(start), bool)
        last[:-1] = first[1:]
        self.start, self.end = start[first], end[last]
        self.before = np.concatenate([[0], np.cumsum(self.end - self.start)]).astype(np.int64)

    @classmethod
    def of(cls, spans: Iterable[Span]) -> Time:
        """Return spans as time."""
        pairs = np.array(list(spans), dtype=np.int64).reshape(-1, 2)
        return cls(pairs[:, 0], pairs[:, 1])

    def joined(self, other: Time) -> Time:
        """Return the time that is in one or in both."""
        return Time(np.concatenate([self.start, other.start]), np.concatenate([self.end, other.end]))

    def until(self, at: Ints) -> Ints:
        """Return how much of it lies before instants [us]."""
        place = np.searchsorted(self.start, at, side="right")
        inside = np.maximum(place - 1, 0)
        over = (
            np.where(place > 0, np.minimum(at, self.end[inside]) - self.start[inside], 0)
            if len(self.start)
            else 0
        )
        return np.asarray(self.before[inside] * (place > 0) + over, dtype=np.int64)

    def within(self, start: Ints, end: Ints) -> Ints:
        """Return how much of it lies in each of some spans [us]."""
        return np.asarray(self.until(end) - self.until(start))

    @property
    def length(self) -> int:
        """How long it is [us]."""
        return int(self.before[-1])
