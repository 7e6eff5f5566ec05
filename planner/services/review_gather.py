"""What does the database say of a stretch of days? A handful of questions, whatever the number of runs."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import ColumnElement, Select, and_, func, or_, select
from sqlalchemy.orm import Session

from planner.database import tables
from planner.database.in_columns import EPOCH, in_columns
from planner.database.states import JobState, PlanState, RunOutcome
from planner.errors import Refused
from planner.schedule.kpi import Span
from planner.services.common import found, instant_of
from planner.services.review_facts import (
    LEAST_RATING,
    SET_UP_REASONS,
    CutterFact,
    Facts,
    NightFact,
    Runs,
    microseconds,
)

_READY = (JobState.CUT, JobState.PLACED)
_MOST_DAYS = 400


def gather(db: Session, season_id: int, begin: datetime, end: datetime, *, now: datetime) -> Facts:
    """Return what was recorded of a season between two instants.

    Parameters
    ----------
    db : Session
        An open session; it is only read [-].
    season_id : int
        The season [-].
    begin, end : datetime
        With zones, at most 400 days apart [-].
    now : datetime
        What is still going on is counted until now [-].
    """
    if not timedelta(0) < instant_of(end, "end") - instant_of(begin, "begin") <= timedelta(days=_MOST_DAYS):
        raise Refused(f"from {begin} to {end}: expected an end after the begin, {_MOST_DAYS} days at most")
    season = found(db, tables.Season, season_id)
    machine = tables.Machine
    rows = db.execute(select(machine.id, machine.name, machine.attended)).all()
    machines = {number: name for number, name, _ in rows}
    until = max(begin, min(end, now))  # what lies ahead is not judged
    planned, ever = _planned(db, season_id), _ever(db, season_id)
    return Facts(
        begin=microseconds(begin),
        end=microseconds(until),
        shifts=_shifts(db, machines, begin, until),
        downs=_downs(db, machines, begin, until),
        columns=_runs(db, season_id, begin, until, planned, ever),
        cutters=_cutters(db, season_id, begin, until),
        nights=_nights(db, season, begin, until, ever),
        attended={name: attended for _, name, attended in rows},
        planned=planned.end,
    )


def gather_season(db: Session, season_id: int, *, now: datetime) -> Facts:
    """Return what was recorded of a whole season so far: from its first run, or dusk, to now.

    Parameters
    ----------
    db : Session
        An open session; it is only read [-].
    season_id : int
        The season [-].
    now : datetime
        What is still going on is counted until now [-].
    """
    season = found(db, tables.Season, season_id)
    first_run = db.scalar(
        select(func.min(tables.Run.started_at)).join(tables.Job).where(tables.Job.season_id == season_id)
    )
    end = min(now, season.dusk_at(season.last_night) + timedelta(days=_MOST_DAYS // 4))
    begin = min(first_run or end, season.dusk_at(season.opening_night), end - timedelta(days=1))
    return gather(db, season_id, max(begin, end - timedelta(days=_MOST_DAYS)), end, now=now)


def _shifts(
    db: Session, machines: Mapping[int, str], begin: datetime, end: datetime
) -> dict[str, list[Span]]:
    shift = tables.MachineShift
    question = select(shift.machine_id, shift.start_at, shift.end_at).where(
        shift.start_at < end, shift.end_at > begin
    )
    out: defaultdict[str, list[Span]] = defaultdict(list)
    for machine, start, stop in zip(*(column.tolist() for column in in_columns(db, question)), strict=True):
        out[machines[machine]].append((start, stop))
    return {name: sorted(spans) for name, spans in out.items()}


def _downs(
    db: Session, machines: Mapping[int, str], begin: datetime, end: datetime
) -> dict[str, list[tuple[Span, str]]]:
    down = tables.Breakdown
    out: defaultdict[str, list[tuple[Span, str]]] = defaultdict(list)
    for machine, start, stop, reason in db.execute(
        select(down.machine_id, down.start_at, func.coalesce(down.end_at, end), down.reason)
        .where(down.start_at < end, or_(down.end_at.is_(None), down.end_at > begin))
        .order_by(down.start_at)
    ):
        out[machines[machine]].append(((microseconds(start), microseconds(stop)), reason))
    return dict(out)


class _Names:
    """Gives names their numbers."""

    def __init__(self) -> None:
        self.place: dict[str, int] = {}

    def __call__(self, name: str) -> int:
        return self.place.setdefault(name, len(self.place))

    def table(
        self, db: Session, question: Select[*tuple[Any, ...]]
    ) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """Return row numbers with the numbers of their names."""
        rows = db.execute(question).all()
        return (
            np.array([key for key, _ in rows], dtype=np.int64),
            np.array([self(name) for _, name in rows], dtype=np.int64),
        )


@dataclass(frozen=True, eq=False)
class _Planned:
    """When jobs are to be on machines, by job and machine [us]."""

    key: NDArray[np.int64]
    start: NDArray[np.int64]
    end: NDArray[np.int64]

    def of(self, jobs: NDArray[np.int64], machines: NDArray[np.int64]) -> tuple[NDArray[Any], NDArray[Any]]:
        """Return the start and the end planned for each job on its machine, -1 where it was not planned."""
        keys = _key(jobs, machines)
        return _looked_up(keys, (self.key, self.start), -1), _looked_up(keys, (self.key, self.end), -1)


@dataclass(frozen=True, eq=False)
class _Ever:
    """Job, piece, whether it was finished, and end of every run of a season."""

    job: NDArray[np.int64]
    piece: NDArray[np.int64]
    finished: NDArray[np.int64]
    end: NDArray[np.int64]

    def tried_again(self) -> NDArray[np.int64]:
        """Return job and piece of those that were on a machine more than once, each pair as one number."""
        pairs, count = np.unique(_key(self.job, self.piece), return_counts=True)
        return pairs[count > 1]

    def first_done(self, jobs: NDArray[np.int64]) -> NDArray[np.int64]:
        """Return when each job was finished first; before all times where nobody told [us]."""
        done = np.flatnonzero(self.finished > 0)
        done = done[np.argsort(self.end[done], kind="stable")]
        job, place = np.unique(self.job[done], return_index=True)
        return np.asarray(_looked_up(jobs, (job, self.end[done][place]), 0))


def _ever(db: Session, season_id: int) -> _Ever:
    """Return every run of the season as columns: what came of a job tells of it on other days too."""
    run, job = tables.Run, tables.Job
    question = (
        select(run.job_id, run.workpiece_id, run.outcome == RunOutcome.FINISHED, run.ended_at)
        .join(job, job.id == run.job_id)
        .where(job.season_id == season_id)
    )
    return _Ever(*in_columns(db, question))


def _runs(
    db: Session, season_id: int, begin: datetime, end: datetime, planned: _Planned, ever: _Ever
) -> Runs:
    run, job, other = tables.Run, tables.Job, tables.RunTime
    within = and_(run.started_at < end, or_(run.ended_at.is_(None), run.ended_at >= begin))
    told = in_columns(
        db,
        select(
            run.id, run.started_at, func.coalesce(run.ended_at, end), run.job_id, run.workpiece_id,
            run.machine_id, run.outcome == RunOutcome.FINISHED, run.outcome == RunOutcome.SCRAPPED,
            tables.Workpiece.lot_id, job.design_version_id, tables.Preparation.run_s, other.run_min,
            job.station_id,
        )
        .join(job, job.id == run.job_id)
        .join(tables.Workpiece, tables.Workpiece.id == run.workpiece_id)
        .outerjoin(tables.Preparation, tables.Preparation.id == run.preparation_id)
        .outerjoin(other, and_(other.job_id == run.job_id, other.machine_id == run.machine_id))
        .where(job.season_id == season_id, within),
    )  # fmt: skip
    by_time = np.lexsort(told[:2][::-1])
    number, start, stop, jobs, piece, at, finished, scrapped, lot, version, run_s, run_min, station = (
        column[by_time] for column in told
    )
    names = _Names()
    machines = names.table(db, select(tables.Machine.id, tables.Machine.name))
    lots = names.table(db, select(tables.Lot.id, tables.Lot.name))
    designs = names.table(
        db, select(tables.DesignVersion.id, tables.Design.name).join(tables.Design)
    )  # fmt: skip
    stations = in_columns(db, select(tables.Station.id, tables.Station.least_rating))
    reasons = names.table(
        db,
        select(run.id, run.scrap_reason)
        .join(job)
        .where(job.season_id == season_id, within, run.scrap_reason.is_not(None)),
    )
    plan_start, plan_end = planned.of(jobs, at)
    return Runs(
        machine=_looked_up(at, machines, names("")),
        design=_looked_up(version, designs, names("")),
        lot=_looked_up(lot, lots, names("")),
        start=start,
        end=stop,
        finished=finished > 0,
        scrapped=scrapped > 0,
        planned_min=np.where(np.isnan(run_s), run_min, run_s / 60),
        rating=np.where(finished > 0, _ratings(db, season_id, jobs), np.nan),
        least=_looked_up(station, stations, LEAST_RATING).astype(float),
        first=~np.isin(_key(jobs, piece), ever.tried_again()),
        planned_start=plan_start,
        planned_end=plan_end,
        reason=_looked_up(number, reasons, names("no reason")),
        wall_sigma_mm=_wall_sigmas(db, season_id, piece),
        wear=_wears(db, season_id, number),
        **_pauses(db, season_id, within, end, number),
        names=tuple(names.place),
    )


def _looked_up(keys: NDArray[Any], pairs: Sequence[NDArray[Any]], missing: float) -> NDArray[Any]:
    """Return the value that belongs to each key, by pairs of different keys and values."""
    known, values = pairs
    if not len(known):
        return np.full(len(keys), missing)
    order = np.argsort(known)
    place = np.minimum(np.searchsorted(known, keys, sorter=order), len(known) - 1)
    here = order[place]
    return np.where(known[here] == keys, values[here], missing)


def _key(one: NDArray[np.int64], other: NDArray[np.int64]) -> NDArray[np.int64]:
    """Return a number for each pair of row numbers, the same for the same pair alone."""
    return (one << 31) + other


def _means(keys: NDArray[Any], owner: NDArray[Any], values: NDArray[Any]) -> NDArray[np.float64]:
    """Return for each key the mean of the values that it owns, NaN where it owns none."""
    owners, place = np.unique(owner, return_inverse=True)
    sums = np.bincount(place, weights=values, minlength=len(owners)) / np.maximum(np.bincount(place), 1)
    return np.asarray(_looked_up(keys, (owners, sums), np.nan))


def _pauses(
    db: Session, season_id: int, within: ColumnElement[bool], end: datetime, runs: NDArray[np.int64]
) -> dict[str, Any]:
    """Return the pauses as columns; a run is told by its place among the runs."""
    row = tables.Pause
    owner, start, stop, set_up = in_columns(
        db,
        select(row.run_id, row.start_at, func.coalesce(row.end_at, end), row.reason.in_(SET_UP_REASONS))
        .join(tables.Run, tables.Run.id == row.run_id)
        .join(tables.Job, tables.Job.id == tables.Run.job_id)
        .where(tables.Job.season_id == season_id, within),
    )
    place = _looked_up(owner, (runs, np.arange(len(runs))), -1)
    return {"pause_run": place, "pause_start": start, "pause_end": stop, "pause_set_up": set_up > 0}


def _ratings(db: Session, season_id: int, jobs: NDArray[np.int64]) -> NDArray[np.float64]:
    check = tables.LitCheck
    question = (
        select(check.job_id, check.rating)
        .join(tables.Job, tables.Job.id == check.job_id)
        .where(tables.Job.season_id == season_id)
    )
    return _means(jobs, *in_columns(db, question))


def _wall_sigmas(db: Session, season_id: int, pieces: NDArray[np.int64]) -> NDArray[np.float64]:
    """Return how sure the wall of each piece is, the mean of its readings in force [mm]."""
    wall = tables.WallReading
    of_jobs = select(tables.Job.workpiece_id).where(tables.Job.season_id == season_id)
    question = select(wall.workpiece_id, wall.sigma_mm).where(wall.active, wall.workpiece_id.in_(of_jobs))
    return _means(pieces, *in_columns(db, question))


def _wears(db: Session, season_id: int, runs: NDArray[np.int64]) -> NDArray[np.float64]:
    """Return the largest share of a cutter's life that each run used."""
    use = tables.CutterUse
    question = (
        select(use.run_id, use.wear)
        .join(tables.Run, tables.Run.id == use.run_id)
        .join(tables.Job, tables.Job.id == tables.Run.job_id)
        .where(tables.Job.season_id == season_id)
    )
    owner, wear = in_columns(db, question)
    most_last = np.lexsort((wear, owner))
    owner, wear = owner[most_last], wear[most_last]
    last = np.append(owner[1:] != owner[:-1], True) if len(owner) else np.zeros(0, dtype=bool)
    return np.asarray(_looked_up(runs, (owner[last], wear[last]), np.nan))


def _planned(db: Session, season_id: int) -> _Planned:
    """Return when the plan in force has jobs on machines."""
    row, plan = tables.PlanRow, tables.Plan
    question = (
        select(row.job_id, row.machine_id, row.start_at, row.end_at)
        .join(plan, plan.id == row.plan_id)
        .where(plan.season_id == season_id, plan.state == PlanState.PUBLISHED)
    )
    job, machine, start, end = in_columns(db, question)
    return _Planned(_key(job, machine), start, end)


def _cutters(db: Session, season_id: int, begin: datetime, end: datetime) -> list[CutterFact]:
    use, run, job = tables.CutterUse, tables.Run, tables.Job
    rows = db.execute(
        select(tables.Cutter.type_name, func.sum(use.minutes), func.sum(use.metres), func.sum(use.wear))
        .join(tables.Cutter, tables.Cutter.id == use.cutter_id)
        .join(run, run.id == use.run_id)
        .join(job, job.id == run.job_id)
        .where(job.season_id == season_id, run.ended_at >= begin, run.ended_at < end)
        .group_by(tables.Cutter.type_name)
    )
    return [CutterFact(name, minutes, metres, wear) for name, minutes, metres, wear in rows]


def _nights(
    db: Session, season: tables.Season, begin: datetime, end: datetime, ever: _Ever
) -> list[NightFact]:
    """Return for each night whose dusk lies in the stretch how many stations had their lantern cut by dusk.

    A station's lantern is the newest that is wanted by that night, as on all pages.
    """
    stations = (
        db.scalar(select(func.count(tables.Station.id)).where(tables.Station.season_id == season.id)) or 0
    )
    job = tables.Job
    question = select(job.night, job.id, job.station_id, job.state.in_(_READY)).where(
        job.season_id == season.id, job.station_id.is_not(None), job.state != JobState.CANCELLED
    )
    columns = in_columns(db, question)
    by_night = np.lexsort(columns[:2][::-1])
    night, number, station, ready = (column[by_night] for column in columns)
    done = np.where(ready > 0, ever.first_done(number), np.iinfo(np.int64).max)
    ahead = np.searchsorted(night, [(one.night - EPOCH.date()).days for one in season.nights], side="right")
    rows = list(zip(station.tolist(), number.tolist(), done.tolist(), strict=True))
    out: list[NightFact] = []
    newest: dict[int, tuple[int, int]] = {}
    at = 0
    for one, until in zip(season.nights, ahead.tolist(), strict=True):
        for place, job_id, done_at in rows[at:until]:
            newest[place] = max(newest.get(place, (0, 0)), (job_id, done_at))
        at = until
        dusk = season.dusk_at(one.night)
        if begin <= dusk < end:
            latest = microseconds(dusk)
            lit = sum(done_at <= latest for _, done_at in newest.values())
            out.append(NightFact(one.night, stations, lit))
    return out
