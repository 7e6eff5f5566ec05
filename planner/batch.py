"""How are many jobs prepared at once, here or on a cluster, whatever happens to single workers?

Work goes through `concurrent.futures.Executor`: processes of this computer, or a cluster's by its address. A
call is a function of plain values, and what comes back are values too, so that no disk is shared. Calls of a
worker that was lost are made again; the last time each alone, so that one bad call harms no other.
"""

from __future__ import annotations

import multiprocessing
import os
import tempfile
import threading
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import CancelledError, Executor, Future, ProcessPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session, sessionmaker

from engine.errors import EngineError
from planner.database import tables
from planner.database.session import reading, unit_of_work
from planner.database.states import JobState, PlanState, PreparationState
from planner.errors import PlannerError
from planner.services import preparing
from planner.services.preparing import JobInputs, Prepared, Survey, package_fault

_TRIES = 3
Opened = Callable[[], AbstractContextManager[Executor]]


@dataclass(frozen=True, slots=True)
class Tls:
    """Files by which a cluster's scheduler and we trust each other."""

    authority: Path
    certificate: Path
    key: Path


@contextmanager
def processes(count: int) -> Iterator[Executor]:
    """Give processes of this computer; they end at once when the work is given up, or with this process.

    Parameters
    ----------
    count : int
        How many [-].
    """
    pool = ProcessPoolExecutor(count, multiprocessing.get_context("spawn"), end_with_parent)
    try:
        yield pool
    finally:
        pool.shutdown(wait=True, cancel_futures=True)


def end_with_parent() -> None:
    """Have this process end when the one that began it does, however that ends."""
    parent = multiprocessing.parent_process()

    def watch() -> None:
        if parent is not None:  # a killed one closes no pipe that its children hold too
            parent.join()
            os._exit(1)

    threading.Thread(target=watch, daemon=True).start()


@contextmanager
def cluster(address: str, tls: Tls | None = None) -> Iterator[Executor]:
    """Give the workers of a Dask cluster (extra `cluster`).

    Parameters
    ----------
    address : str
        Of its scheduler, e.g. `tcp://127.0.0.1:8786` or `tls://host:8786` [-].
    tls : Tls, optional
        Needed for `tls://`: calls are pickles, so only those who show a certificate may send any [-].
    """
    try:
        from distributed import Client
        from distributed.security import Security
    except ImportError as missing:
        raise PlannerError(
            "a cluster needs the extra `cluster`: pip install 'lanternwright[cluster]'"
        ) from missing
    if address.startswith("tls://") and tls is None:
        raise PlannerError(f"{address}: a certificate, its key and the authority's were expected")
    security = None
    if tls is not None:
        security = Security(  # type: ignore[no-untyped-call]
            tls_ca_file=str(tls.authority),
            tls_client_cert=str(tls.certificate),
            tls_client_key=str(tls.key),
            require_encryption=True,
        )
    try:
        client = Client(address, security=security, timeout="10s", set_as_default=False)  # type: ignore[no-untyped-call]
    except (OSError, TimeoutError, ValueError) as away:
        raise PlannerError(f"no cluster answers at {address}") from away
    executor = client.get_executor(pure=False, retries=_TRIES)  # type: ignore[no-untyped-call]
    with client, executor:
        yield executor


@dataclass(frozen=True, slots=True)
class Lost:
    """A call that ended with its worker, or broke; why, in words."""

    words: str


def results(
    opened: Opened,
    work: Callable[..., Any],
    calls: Sequence[tuple[Any, ...]],
    *,
    stop: Callable[[], bool] = lambda: False,
) -> Iterator[tuple[int, Any]]:
    """Make calls of one function and yield each result with the number of its call, as it comes.

    Parameters
    ----------
    opened : callable
        Gives an executor; asked again where one broke.
    work : callable
        A module's function.
    calls : sequence of tuple
        The arguments of each call.
    stop : callable
        True: begin nothing more, and end.
    """
    left = set(range(len(calls)))
    for turn in range(_TRIES):
        groups = [sorted(left)] if turn < _TRIES - 1 else [[number] for number in sorted(left)]
        for group in groups:
            if not group:
                continue
            with opened() as executor:
                for number, result in _once(executor, work, calls, group):
                    if stop():
                        raise PlannerError("stopped; what was done so far is kept")
                    if isinstance(result, _WorkerLost):
                        continue
                    left.discard(number)
                    yield number, result
    for number in sorted(left):
        yield number, Lost(f"its worker was lost {_TRIES} times")


class _WorkerLost:
    pass


def _once(
    executor: Executor, work: Callable[..., Any], calls: Sequence[tuple[Any, ...]], group: Sequence[int]
) -> Iterator[tuple[int, Any]]:
    futures: dict[Future[Any], int] = {}
    try:
        try:
            for number in group:
                futures[executor.submit(work, *calls[number])] = number
        except BrokenProcessPool:  # what was not sent any more is left for the next turn
            pass
        for future in as_completed(futures):
            yield futures[future], _outcome(future)
    finally:
        for future in futures:
            future.cancel()


def _outcome(future: Future[Any]) -> Any:
    try:
        return future.result()
    except (BrokenProcessPool, CancelledError):
        return _WorkerLost()
    except (EngineError, PlannerError) as refusal:
        return Lost(str(refusal))
    except Exception as broken:
        if type(broken).__name__ == "KilledWorker":  # of the cluster, which need not be installed
            return _WorkerLost()
        return Lost(f"{type(broken).__name__}: {broken}")


# --- what is sent --------------------------------------------------------------------------------------


def prepared_elsewhere(inputs: JobInputs, machine: str) -> tuple[Prepared, dict[str, bytes]]:
    """Prepare a job on any computer and return its package's files beside the result.

    Parameters
    ----------
    inputs : JobInputs
        From `inputs_of` [-].
    machine : str
        Name of the machine [-].
    """
    with tempfile.TemporaryDirectory() as there:
        result = preparing.prepare_for(inputs, machine, Path(there))
        folder = Path(there) / result.folder
        files = {path.name: path.read_bytes() for path in folder.iterdir()} if result.folder else {}
    return result, files


# --- a season ------------------------------------------------------------------------------------------


@dataclass(slots=True)
class Batch:
    """What became of the jobs of a season."""

    timed: int = 0
    prepared: int = 0
    kept: int = 0
    """Prepared before from the same inputs; not done again."""
    refused: list[tuple[str, str]] = field(default_factory=list)
    """Job and machine, and why."""
    lost: list[tuple[str, str]] = field(default_factory=list)


def prepare_season(
    factory: sessionmaker[Session],
    season_id: int,
    packages: Path,
    opened: Opened,
    *,
    by: str,
    clock: Callable[[], datetime],
    report: Callable[[int, int, str], None] = lambda done, total, note: None,
    stop: Callable[[], bool] = lambda: False,
) -> Batch:
    """Time every open job of a season and prepare it for its machine; each result is kept as it comes.

    A job goes to the machine that the published plan gives it, else to the fastest that takes it; where the
    virtual cut refuses a program, to the next one. What was prepared before from the same inputs is not done
    again.

    Parameters
    ----------
    factory : sessionmaker
        Of the database [-].
    season_id : int
        The season [-].
    packages : Path
        The folder of job packages.
    opened : callable
        Gives the executor: `processes` or `cluster`.
    by : str
        Who asked for it [-].
    clock : callable
        The present instant.
    report, stop : callable
        Progress, and whether to end early.
    """
    batch = Batch()
    with reading(factory) as db:
        jobs = _open_jobs(db, season_id)
        timed = set(db.scalars(select(tables.RunTime.job_id)))
        inputs = _gathered(db, jobs, batch)
    total = 2 * len(inputs)
    todo = [one for one in inputs if one.job_id not in timed]
    done = len(inputs) - len(todo)
    for number, result in results(opened, preparing.survey, [(one,) for one in todo], stop=stop):
        done += 1
        if isinstance(result, Survey):
            with unit_of_work(factory) as db:
                preparing.store_survey(db, result, by=by, at=clock())
            batch.timed += 1
        else:
            batch.lost.append((todo[number].label, result.words))
        report(done, total, f"timed on every machine: {todo[number].label}")
    barred: set[tuple[int, int]] = set()
    waiting = {one.job_id: one for one in inputs}
    while waiting:
        with reading(factory) as db:
            machines = _machines(db, season_id, list(waiting), barred)
        calls = [(one, machines[one.job_id]) for one in waiting.values() if one.job_id in machines]
        fresh = []
        for one, (machine_id, name) in calls:
            if _is_prepared(factory, packages, one, machine_id, name):
                batch.kept += 1
                done += 1
                waiting.pop(one.job_id)
            else:
                fresh.append((one, machine_id, name))
        again: dict[int, JobInputs] = {}
        sent = [(one, name) for one, _, name in fresh]
        for number, result in results(opened, prepared_elsewhere, sent, stop=stop):
            one, machine_id, name = fresh[number]
            if isinstance(result, Lost):
                batch.lost.append((f"{one.label} on {name}", result.words))
                done += 1
                continue
            prepared, files = result
            _keep(factory, packages, prepared, files, by, clock())
            if prepared.refused:
                batch.refused.append((f"{one.label} on {name}", prepared.refused))
                barred.add((one.job_id, machine_id))
                again[one.job_id] = one
            else:
                batch.prepared += 1
                done += 1
            report(min(done, total), total, f"proved on {name}: {one.label}")
        waiting = again
    report(total, total, "all is prepared that can be")
    return batch


def _open_jobs(db: Session, season_id: int) -> list[int]:
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


def _gathered(db: Session, jobs: Sequence[int], batch: Batch) -> list[JobInputs]:
    out = []
    for job_id in jobs:
        try:
            out.append(preparing.inputs_of(db, job_id))
        except PlannerError as missing:
            batch.refused.append((f"job {job_id}", str(missing)))
    return out


def _machines(
    db: Session, season_id: int, jobs: Sequence[int], barred: set[tuple[int, int]]
) -> dict[int, tuple[int, str]]:
    """Return for each job the machine it goes to: the planned one, else the fastest that takes it."""
    planned = {
        (row.job_id, row.machine_id)
        for row in db.execute(
            select(tables.PlanRow.job_id, tables.PlanRow.machine_id)
            .join(tables.Plan)
            .where(tables.Plan.season_id == season_id, tables.Plan.state == PlanState.PUBLISHED)
        )
    }
    names = {row.id: row.name for row in db.execute(select(tables.Machine.id, tables.Machine.name))}
    time = tables.RunTime
    wanted = set(jobs)
    best: dict[int, tuple[bool, float, int]] = {}
    for row in db.execute(select(time.job_id, time.machine_id, time.run_min).where(time.eligible)):
        if row.job_id in wanted and (row.job_id, row.machine_id) not in barred:
            rank = ((row.job_id, row.machine_id) not in planned, row.run_min, row.machine_id)
            best[row.job_id] = min(best.get(row.job_id, rank), rank)
    return {job: (machine, names[machine]) for job, (_, _, machine) in best.items()}


def _is_prepared(
    factory: sessionmaker[Session], packages: Path, inputs: JobInputs, machine_id: int, machine: str
) -> bool:
    """Return whether a program from the same inputs is kept, in the database and whole on the disk."""
    digest = inputs.digest(machine)
    row = tables.Preparation
    with reading(factory) as db:
        folder = db.scalar(
            select(row.folder).where(
                row.job_id == inputs.job_id,
                row.machine_id == machine_id,
                row.inputs_digest == digest,
                row.state == PreparationState.DONE,
            )
        )
    return folder is not None and not package_fault(packages, folder, digest)


def _keep(
    factory: sessionmaker[Session],
    packages: Path,
    prepared: Prepared,
    files: dict[str, bytes],
    by: str,
    at: datetime,
) -> None:
    """Write a package, then say in the database that it is there."""
    from engine.package import write_all_or_nothing

    if files:
        write_all_or_nothing(packages / prepared.folder, files)
    with unit_of_work(factory) as db:
        preparing.store_preparation(db, prepared, by=by, at=at)
