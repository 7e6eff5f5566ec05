"""Is work done once, though its worker is killed, hangs, or lives by another clock?"""

from __future__ import annotations

import os
import signal
import time
from typing import Any

from sqlalchemy import select

from planner.config import Settings
from planner.database import tables
from planner.database.session import reading, unit_of_work
from planner.services import works
from tests.bench.small import BY, NOW
from tests.bench.trials.judging import Wrong, count, judged, one_draft, one_in_force, opened
from tests.bench.trials.processes import killed, worked_off, worker, worker_killed, working
from tests.bench.trials.seasons import Bench

_EARLY_S = -3600.0  # the search goes on only before the plan in force begins
_DRAFT = {"season_id": 1, "why": "trial", "seconds": 0.5}


def ask(settings: Settings, kind: str, arguments: dict[str, Any]) -> None:
    """Ask for a piece of long work."""
    with opened(settings) as factory, unit_of_work(factory) as db:
        works.ask_for_work(db, kind, arguments, by=BY, at=NOW)


def preparing(bench: Bench) -> float:
    """Kill the worker while it times and prepares a job; another one prepares it, once."""
    settings = bench.fresh("timed")
    with opened(settings) as factory, unit_of_work(factory) as db:
        for row in db.scalars(select(tables.RunTime).where(tables.RunTime.job_id == 1)):
            db.delete(row)
    ask(settings, "prepare job", {"job_id": 1})
    worker_killed(bench, "worker preparing", settings)
    judged(settings)
    seconds = worked_off(settings)
    judged(settings)
    if count(settings, tables.Preparation, tables.Preparation.state == "done") != 1:
        raise Wrong("the job was not prepared exactly once")
    return seconds


def planning(bench: Bench) -> float:
    """Kill the worker while it makes a draft; the plan in force stays, and one draft is made."""
    settings = bench.fresh("planned")
    ask(settings, "draft plan", _DRAFT)
    worker_killed(bench, "worker planning", settings)
    judged(settings)
    one_in_force(settings)
    seconds = worked_off(settings)
    judged(settings)
    one_draft(settings)
    one_in_force(settings)
    return seconds


def publishing(bench: Bench) -> float:
    """Kill the worker while it searches on and puts what it found in force; one plan is, before and after."""
    settings = bench.fresh("planned")
    ask(settings, "search on", {"season_id": 1, "seconds": 0.5})
    worker_killed(bench, "worker publishing", settings, _EARLY_S)
    judged(settings)
    one_in_force(settings)
    seconds = worked_off(settings, ahead_s=_EARLY_S)
    judged(settings)
    one_in_force(settings)
    return seconds


def hanging(bench: Bench) -> float:
    """Stop a worker in its tracks; two others see it, one takes over, the first one wakes: one result."""
    settings = bench.fresh("planned")
    ask(settings, "draft plan", _DRAFT)
    with working(settings) as first:
        time.sleep(bench.chance.uniform(0, 0.5))
        os.kill(first.pid or 0, signal.SIGSTOP)
        seconds = worked_off(settings, workers=2)
        os.kill(first.pid or 0, signal.SIGCONT)
        time.sleep(1.0)
    judged(settings)
    one_draft(settings)
    return seconds


_JUMPS_S = (works.ORPHAN_S + 1, 3600.0, 86400.0, 366 * 86400.0, -3600.0, -86400.0)


def other_clock(bench: Bench) -> float:
    """A second worker comes by whose clock is ahead, or behind, by up to a year: one result."""
    settings = bench.fresh("planned")
    ask(settings, "draft plan", _DRAFT)
    with working(settings) as first:
        time.sleep(bench.chance.uniform(0, 0.5))
        second = worker(settings, bench.chance.choice(_JUMPS_S))
        try:
            began = time.monotonic()
            with opened(settings) as factory:
                while not _ended(factory):
                    if time.monotonic() - began > 60 or not (first.is_alive() and second.is_alive()):
                        raise Wrong("the work did not end, or a worker did")
                    time.sleep(0.02)
            seconds = time.monotonic() - began
            time.sleep(1.0)  # the one that was overtaken ends too
        finally:
            killed(second)
    judged(settings)
    one_draft(settings)
    return seconds


def _ended(factory: Any) -> bool:
    with reading(factory) as db:
        return db.scalar(select(tables.Work.id).where(tables.Work.state == "done")) is not None
