"""From open jobs to a plan with a proven program for each: survey, plan, prepare, and again where refused."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import Executor
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from sqlalchemy import select
from sqlalchemy.orm import Session, selectinload, sessionmaker

from planner.database import tables
from planner.database.session import reading, unit_of_work
from planner.database.states import JobState, PreparationState
from planner.services.planning import StoredPlan, plan_season, published_plan, stored_plan
from planner.services.preparing import (
    JobInputs,
    Prepared,
    Survey,
    each_done,
    inputs_of,
    prepare_for,
    store_preparation,
    store_survey,
    survey_or_prepare,
)

_ROUNDS = 5


@dataclass(frozen=True, slots=True)
class Opening:
    """What came out: the plan, how many programs are proven, and what was refused on the way."""

    plan: StoredPlan
    prepared: int
    refused: tuple[tuple[str, str], ...]  # job and machine, why


def prepare_opening(
    factory: sessionmaker[Session],
    season_id: int,
    packages: Path,
    executor: Executor,
    *,
    by: str,
    clock: Callable[[], datetime],
    start: datetime,
    seconds: float = 15.0,
    seed: int = 0,
    report: Callable[[int, int, str], None] = lambda done, total, note: None,
    stop: Callable[[], bool] = lambda: False,
) -> Opening:
    """Survey all open jobs, plan them, and write a proven program for the machine that got each.

    Where a machine's program is refused by the virtual cut, that machine is barred for that job and the
    plan is made again, moving only what must. What was surveyed, planned or prepared before from the same
    inputs is not done twice.

    Parameters
    ----------
    factory : sessionmaker
        Of the database [-].
    season_id : int
        The season [-].
    packages : Path
        The folder of job packages.
    executor : Executor
        Where the engine runs.
    by : str
        Who asked for it [-].
    clock : callable
        The present instant.
    start : datetime
        Minute 0 of the plan.
    seconds, seed
        Of the optimizer [s], [-].
    report, stop : callable
        Progress, and whether to end early.
    """
    with reading(factory) as db:
        todo = [inputs_of(db, job_id) for job_id in _unsurveyed(db, season_id)]
        total = 2 * len(_open_ids(db, season_id))

    done = total // 2 - len(todo)

    def surveyed(result: tuple[Survey, Prepared | None], number: int) -> None:
        nonlocal done
        times, ready = result
        with unit_of_work(factory) as db:
            store_survey(db, times, by=by, at=clock())
            if ready is not None:
                store_preparation(db, ready, by=by, at=clock())
        done += 1 if ready is None else 2
        what = "timed on every machine" if ready is None else "proved"
        report(done, total, f"{what}: {todo[number].label}")

    each_done(executor, survey_or_prepare, [(inputs, packages) for inputs in todo], surveyed, stop=stop)
    refused: list[tuple[str, str]] = []
    with reading(factory) as db:
        plan = stored_plan(db, season_id)
    settled = plan is not None and not todo and not plan.undone
    for _ in range(_ROUNDS):
        if plan is None or not settled:
            report(done, total, "planning the fleet")
            # after a refusal only what must moves, for the programs of the rest are written; where that
            # leaves a lantern undone, as much as helps
            for published, most_moved in _ways(plan is not None):
                plan = plan_season(
                    factory,
                    season_id,
                    by=by,
                    now=clock(),
                    start=start,
                    seconds=max(2.0, seconds / 4) if most_moved == 0.0 else seconds,
                    seed=seed,
                    stop=stop,
                    published=published,
                    most_moved=most_moved,
                )
                if not plan.undone:
                    break
        settled = False
        with reading(factory) as db:
            calls = _unprepared(db, season_id)

        def prepared(result: Prepared, number: int, calls: list[tuple[JobInputs, str]] = calls) -> None:
            nonlocal done
            inputs, machine = calls[number]
            with unit_of_work(factory) as db:
                store_preparation(db, result, by=by, at=clock())
            if result.refused:
                refused.append((f"{inputs.label} on {machine}", result.refused))
            else:
                done += 1
            report(min(done, total), total, f"proved on {machine}: {inputs.label}")

        before = len(refused)
        each_done(executor, prepare_for, [(i, m, packages) for i, m in calls], prepared, stop=stop)
        if len(refused) == before:
            break
    report(total, total, "all prepared and planned")
    assert plan is not None
    with reading(factory) as db:
        return Opening(plan, _prepared_count(db, season_id), tuple(refused))


def _ways(planned: bool) -> tuple[tuple[bool, float | None], ...]:
    """Return how to plan, one way after the other: kept to the published plan or not, what may move."""
    return ((True, 0.0), (True, None)) if planned else ((False, None),)


def _open_ids(db: Session, season_id: int) -> list[int]:
    return list(
        db.scalars(
            select(tables.Job.id)
            .where(
                tables.Job.season_id == season_id,
                tables.Job.state.in_((JobState.CHOSEN, JobState.PREPARED)),
            )
            .order_by(tables.Job.id)
        )
    )


def _unsurveyed(db: Session, season_id: int) -> list[int]:
    timed = set(db.scalars(select(tables.RunTime.job_id)))
    return [job_id for job_id in _open_ids(db, season_id) if job_id not in timed]


def _unprepared(db: Session, season_id: int) -> list[tuple[JobInputs, str]]:
    """Return the rows of the plan whose program is not yet written from the present inputs."""
    done = {
        (row.job_id, row.machine_id): row.inputs_digest
        for row in db.scalars(
            select(tables.Preparation).where(tables.Preparation.state == PreparationState.DONE)
        )
    }
    out = []
    for row in published_plan(db, season_id).rows:
        inputs = inputs_of(db, row.job_id)
        if done.get((row.job_id, row.machine_id)) != inputs.digest(row.machine.name):
            out.append((inputs, row.machine.name))
    return out


def _prepared_count(db: Session, season_id: int) -> int:
    jobs = db.scalars(
        select(tables.Job)
        .where(tables.Job.season_id == season_id, tables.Job.state == JobState.PREPARED)
        .options(selectinload(tables.Job.preparations))
    )
    return len(list(jobs))
