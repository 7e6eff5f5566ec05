"""What does the database say of a stretch of days? A handful of questions, whatever the number of runs."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta
from typing import Any

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import BigInteger, ColumnElement, and_, func, or_, select, type_coerce
from sqlalchemy.ext.compiler import compiles
from sqlalchemy.orm import Session
from sqlalchemy.sql.functions import FunctionElement
from sqlalchemy.types import NullType

from planner.database import tables
from planner.database.states import JobState, PlanState, RunOutcome
from planner.errors import Refused
from planner.schedule.kpi import Span
from planner.services.common import found, instant_of
from planner.services.review_facts import (
    EPOCH,
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
_EPOCH_S = int(EPOCH.timestamp())


class UsOf(FunctionElement[int]):
    """An instant as whole microseconds of the review's clock, worked out by the store."""

    name = "us_of"
    type = BigInteger()
    inherit_cache = True


@compiles(UsOf, "sqlite")
def _us_sqlite(element: UsOf, compiler: Any, **options: Any) -> str:
    column = compiler.process(element.clauses, **options)
    # kept as text, `2026-10-21 06:00:00.000000`
    return f"((strftime('%s', {column}) - {_EPOCH_S}) * 1000000 + CAST(substr({column}, 21, 6) AS INTEGER))"


@compiles(UsOf)
def _us_others(element: UsOf, compiler: Any, **options: Any) -> str:
    column = compiler.process(element.clauses, **options)
    return f"CAST((EXTRACT(EPOCH FROM {column}) - {_EPOCH_S}) * 1000000 AS BIGINT)"


def _us(column: Any) -> ColumnElement[int]:
    return UsOf(column)


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
    machines = {row.id: row for row in db.scalars(select(tables.Machine))}
    until = max(begin, min(end, now))  # what lies ahead is not judged
    planned = _planned(db, season_id)
    return Facts(
        begin=microseconds(begin),
        end=microseconds(until),
        shifts=_shifts(db, machines, begin, until),
        downs=_downs(db, machines, begin, until),
        columns=_runs(db, season_id, begin, until, planned),
        cutters=_cutters(db, season_id, begin, until),
        nights=_nights(db, season, begin, until),
        attended={row.name: row.attended for row in machines.values()},
        planned=[span[1] for span in planned.values()],
    )


def _shifts(
    db: Session, machines: Mapping[int, tables.Machine], begin: datetime, end: datetime
) -> dict[str, list[Span]]:
    shift = tables.MachineShift
    out: defaultdict[str, list[Span]] = defaultdict(list)
    for machine, start, stop in db.execute(
        select(shift.machine_id, _us(shift.start_at), _us(shift.end_at))
        .where(shift.start_at < end, shift.end_at > begin)
        .order_by(shift.start_at)
    ):
        out[machines[machine].name].append((start, stop))
    return dict(out)


def _downs(
    db: Session, machines: Mapping[int, tables.Machine], begin: datetime, end: datetime
) -> dict[str, list[tuple[Span, str]]]:
    down = tables.Breakdown
    out: defaultdict[str, list[tuple[Span, str]]] = defaultdict(list)
    for machine, start, stop, reason in db.execute(
        select(down.machine_id, _us(down.start_at), _us(func.coalesce(down.end_at, end)), down.reason)
        .where(down.start_at < end, or_(down.end_at.is_(None), down.end_at > begin))
        .order_by(down.start_at)
    ):
        out[machines[machine].name].append(((start, stop), reason))
    return dict(out)


class _Names:
    """Gives names their numbers."""

    def __init__(self) -> None:
        self.place: dict[str, int] = {}

    def __call__(self, name: str | None) -> int:
        return self.place.setdefault(name or "", len(self.place))


def _runs(
    db: Session, season_id: int, begin: datetime, end: datetime, planned: Mapping[tuple[int, int], Span]
) -> Runs:
    run, job, other = tables.Run, tables.Job, tables.RunTime
    within = and_(run.started_at < end, or_(run.ended_at.is_(None), run.ended_at >= begin))
    rows = db.execute(
        select(
            run.id, run.job_id, run.workpiece_id, run.machine_id, _us(run.started_at),
            func.coalesce(_us(run.ended_at), microseconds(end)), run.outcome, run.scrap_reason,
            tables.Workpiece.lot_id, job.design_version_id, tables.Preparation.run_s, other.run_min,
            job.station_id,
        )
        .join(job, job.id == run.job_id)
        .join(tables.Workpiece, tables.Workpiece.id == run.workpiece_id)
        .outerjoin(tables.Preparation, tables.Preparation.id == run.preparation_id)
        .outerjoin(other, and_(other.job_id == run.job_id, other.machine_id == run.machine_id))
        .where(job.season_id == season_id, within)
        .order_by(run.started_at, run.id)
    ).all()  # fmt: skip
    columns = list(zip(*rows, strict=True)) if rows else [()] * 13
    number, jobs, piece, at, start, stop, outcome, reason, lot, version, run_s, run_min, station = columns
    names = _Names()
    machine_name = {
        key: names(name) for key, name in db.execute(select(tables.Machine.id, tables.Machine.name))
    }
    lot_name = {key: names(name) for key, name in db.execute(select(tables.Lot.id, tables.Lot.name))}
    design_name: dict[int | None, int] = {
        key: names(name)
        for key, name in db.execute(select(tables.DesignVersion.id, tables.Design.name).join(tables.Design))
    }
    design_name[None] = names("")
    asked = db.execute(select(tables.Station.id, tables.Station.least_rating))
    least = {key: rating for key, rating in asked}
    reason_name = {word: names(word or "no reason") for word in set(reason)}
    ratings = _ratings(db, season_id)
    tries = _tried_again(db, season_id)
    finished = np.array([word == RunOutcome.FINISHED for word in outcome], dtype=bool)
    nan = float("nan")
    spans = [planned.get(key, (-1, -1)) for key in zip(jobs, at, strict=True)]
    rated = np.array([ratings.get(key, nan) for key in jobs], dtype=float)
    return Runs(
        machine=np.array([machine_name[key] for key in at], dtype=np.int64),
        design=np.array([design_name[key] for key in version], dtype=np.int64),
        lot=np.array([lot_name[key] for key in lot], dtype=np.int64),
        start=np.array(start, dtype=np.int64),
        end=np.array(stop, dtype=np.int64),
        finished=finished,
        scrapped=np.array([word == RunOutcome.SCRAPPED for word in outcome], dtype=bool),
        planned_min=np.array(
            [
                s / 60 if s is not None else nan if m is None else m
                for s, m in zip(run_s, run_min, strict=True)
            ],
            dtype=float,
        ),
        rating=np.where(finished, rated, nan),
        least=np.array([least.get(key, LEAST_RATING) for key in station], dtype=float),
        first=np.array([key not in tries for key in zip(jobs, piece, strict=True)], dtype=bool),
        planned_start=np.array([span[0] for span in spans], dtype=np.int64),
        planned_end=np.array([span[1] for span in spans], dtype=np.int64),
        reason=np.array([reason_name[word] for word in reason], dtype=np.int64),
        **_pauses(db, within, end, number),
        names=tuple(names.place),
    )


def _pauses(db: Session, within: ColumnElement[bool], end: datetime, runs: Sequence[int]) -> dict[str, Any]:
    """Return the pauses as columns; a run is told by its place among the runs."""
    row = tables.Pause
    rows = db.execute(
        select(row.run_id, type_coerce(row.start_at, _AsKept), type_coerce(row.end_at, _AsKept), row.reason)
        .join(tables.Run, tables.Run.id == row.run_id)
        .where(within)
    ).all()
    run_ids, start, stop, reason = zip(*rows, strict=True) if rows else ((), (), (), ())
    owner = np.array(run_ids, dtype=np.int64)
    numbers = np.asarray(runs, dtype=np.int64)
    order = np.argsort(numbers)
    place = np.searchsorted(numbers, owner, sorter=order)
    known = place < len(numbers)
    here = order[np.where(known, place, 0)] if len(numbers) else np.zeros(len(owner), dtype=np.int64)
    known = known & (numbers[here] == owner) if len(numbers) else np.zeros(len(owner), dtype=bool)
    return {
        "pause_run": here[known],
        "pause_start": _clock(start, end)[known],
        "pause_end": _clock(stop, end)[known],
        "pause_set_up": np.array([word in SET_UP_REASONS for word in reason], dtype=bool)[known],
    }


class _AsKept(NullType):
    """An instant as the driver gives it: text on one store, an instant on the other."""

    cache_ok = True


def _clock(instants: Sequence[Any], end: datetime) -> NDArray[np.int64]:
    """Return instants as the driver gave them on the review's clock; None = until the end [us]."""
    first = next((one for one in instants if one is not None), None)
    if isinstance(first, datetime):
        return np.array([microseconds(end if one is None else one) for one in instants], dtype=np.int64)
    read = np.array(instants, dtype="datetime64[us]")
    return np.where(np.isnat(read), microseconds(end), read.astype(np.int64) - _EPOCH_S * 1_000_000)


def _tried_again(db: Session, season_id: int) -> set[tuple[int, int]]:
    """Return job and piece of those that were on a machine more than once."""
    run, job = tables.Run, tables.Job
    rows = db.execute(
        select(run.job_id, run.workpiece_id)
        .join(job, job.id == run.job_id)
        .where(job.season_id == season_id)
        .group_by(run.job_id, run.workpiece_id)
        .having(func.count() > 1)
    )
    return {(job_id, piece_id) for job_id, piece_id in rows}


def _ratings(db: Session, season_id: int) -> dict[int, float]:
    check = tables.LitCheck
    rows = db.execute(
        select(check.job_id, func.avg(check.rating))
        .join(tables.Job, tables.Job.id == check.job_id)
        .where(tables.Job.season_id == season_id)
        .group_by(check.job_id)
    )
    return {job_id: float(rating) for job_id, rating in rows}


def _planned(db: Session, season_id: int) -> dict[tuple[int, int], Span]:
    """Return when the plan in force has jobs on machines."""
    row, plan = tables.PlanRow, tables.Plan
    rows = db.execute(
        select(row.job_id, row.machine_id, _us(row.start_at), _us(row.end_at))
        .join(plan, plan.id == row.plan_id)
        .where(plan.season_id == season_id, plan.state == PlanState.PUBLISHED)
    )
    return {(job, at): (start, end) for job, at, start, end in rows}


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


def _nights(db: Session, season: tables.Season, begin: datetime, end: datetime) -> list[NightFact]:
    """Return for each night whose dusk lies in the stretch how many stations had their lantern cut by dusk.

    A station's lantern is the newest that is wanted by that night, as on all pages.
    """
    stations = (
        db.scalar(select(func.count(tables.Station.id)).where(tables.Station.season_id == season.id)) or 0
    )
    job, run = tables.Job, tables.Run
    ended = (
        select(run.job_id, func.min(run.ended_at).label("ended_at"))
        .where(run.outcome == RunOutcome.FINISHED, run.voided_at.is_(None))
        .group_by(run.job_id)
        .subquery()
    )
    rows = db.execute(
        select(job.station_id, job.night, job.id, job.state, type_coerce(ended.c.ended_at, _AsKept))
        .outerjoin(ended, ended.c.job_id == job.id)
        .where(job.season_id == season.id, job.station_id.is_not(None), job.state != JobState.CANCELLED)
        .order_by(job.night, job.id)
    ).all()
    # a piece of which nobody told the end was there before all nights
    told = _clock([row[4] for row in rows], EPOCH).tolist() if rows else []
    out, at = [], 0
    newest: dict[int | None, tuple[int, str, int]] = {}
    for night in (row.night for row in season.nights):
        while at < len(rows) and rows[at][1] <= night:
            station, _, number, state, _ = rows[at]
            if station not in newest or number > newest[station][0]:
                newest[station] = (number, state, told[at])
            at += 1
        dusk = season.dusk_at(night)
        if begin <= dusk < end:
            latest = microseconds(dusk)
            lit = sum(state in _READY and done <= latest for _, state, done in newest.values())
            out.append(NightFact(night, stations, lit))
    return out
