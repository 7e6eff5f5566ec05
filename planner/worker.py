"""Who does the long work? One process beside the pages: claims it, tells how far it is, keeps the result."""

from __future__ import annotations

import ctypes
import gc
import os
import socket
import sys
import time
import traceback
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor, wait
from contextlib import suppress
from dataclasses import asdict, dataclass, field
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from sqlalchemy import event, or_, select
from sqlalchemy.exc import DBAPIError
from sqlalchemy.orm import Session, sessionmaker

from engine.errors import EngineError
from planner.config import Settings
from planner.database import tables
from planner.database.session import reading, session_factory, unit_of_work
from planner.database.states import WorkState
from planner.errors import Conflict, PlannerError, Refused
from planner.services import works

_LOOK_S, _TELL_S = 0.7, 0.7
HUNG_S = 1800.0  # work that told nothing new for so long hangs; the worker gives it up and begins anew
_GAVE_UP = 75  # how the process ends then: try again (EX_TEMPFAIL of sysexits.h)


@dataclass(slots=True)
class Task:
    """One piece of work in hand: what was asked, where to keep it, and how far it is."""

    settings: Settings
    factory: sessionmaker[Session]
    arguments: dict[str, Any]
    by: str
    clock: Callable[[], datetime]
    latest: tuple[int, int, str] = (0, 0, "")
    stopped: bool = False
    result: dict[str, Any] = field(default_factory=dict)

    def report(self, done: int, total: int, words: str) -> None:
        """Tell how far it is; the newest word counts."""
        self.latest = (done, total, words)

    def stop(self) -> bool:
        """Return whether somebody asked for an end."""
        return self.stopped


def _forecast(task: Task) -> None:
    from planner.services.forecast import season_forecast

    with reading(task.factory) as db:
        made = season_forecast(db, task.arguments["season_id"])
    nights = [
        {
            "night": line.night.isoformat(),
            "temperature_c": line.temperature_c,
            "mean": round(line.mean, 1),
            "low": line.low,
            "high": line.high,
            "machine_h": round(line.machine_h, 1),
            "open_h": round(line.open_h, 1),
            "dark_chance": round(line.dark_chance, 3),
        }
        for line in made.nights
    ]
    task.result = {
        "mean": made.mean,
        "low": made.low,
        "high": made.high,
        "mean_per_night": made.mean / max(1, len(nights)),
        "first_dark_night": made.first_dark_night.isoformat() if made.first_dark_night else "",
        "nights": nights,
        "orders": [
            {
                "sort": line.sort,
                "lots": list(line.lots),
                "order": line.order,
                "pieces": line.pieces,
                "short": line.short,
                "by": line.by.isoformat() if line.by else "",
            }
            for line in made.orders
        ],
    }


def _draft(task: Task) -> None:
    from planner.services.drafts import draft_plan

    asked = task.arguments
    number = draft_plan(
        task.factory,
        asked["season_id"],
        why=asked.get("why", ""),
        by=task.by,
        now=task.clock(),
        seconds=asked.get("seconds", 4.0),
        down=[(row[0], row[1]) for row in asked.get("down", ())],
        more_people=asked.get("people", 0),
        longer_h=asked.get("longer_h", 0.0),
        report=task.report,
        stop=task.stop,
    )
    task.result = {"plan_id": number}


def _prepare_job(task: Task) -> None:
    from planner.services import preparing

    job_id, machine_id = task.arguments["job_id"], task.arguments.get("machine_id")
    with reading(task.factory) as db:
        inputs = preparing.inputs_of(db, job_id)
        timed = bool(db.scalar(select(tables.RunTime.id).where(tables.RunTime.job_id == job_id).limit(1)))
    if not timed:
        task.report(0, 2, "timing it on every machine")
        survey = preparing.survey(inputs)
        with unit_of_work(task.factory) as db:
            preparing.store_survey(db, survey, by=task.by, at=task.clock())
    with reading(task.factory) as db:
        times = db.scalars(
            select(tables.RunTime).where(tables.RunTime.job_id == job_id, tables.RunTime.eligible)
        ).all()
        able = sorted(times, key=lambda t: (t.machine_id != machine_id, t.run_min or 0.0))
        names = {m.id: m.name for m in db.scalars(select(tables.Machine))}
        name = names[able[0].machine_id] if able else ""
    if not name:
        raise Refused("no machine takes it; the reasons stand on the job's page")
    task.report(1, 2, f"writing and proving the program for {name}")
    prepared = preparing.prepare_for(inputs, name, task.settings.packages)
    with unit_of_work(task.factory) as db:
        preparing.store_preparation(db, prepared, by=task.by, at=task.clock())
    task.report(2, 2, f"prepared for {name}")
    if prepared.refused:
        raise Refused(f"{name}: {prepared.refused}")


def _prepare_batch(task: Task) -> None:
    from planner import batch

    count = max(1, (os.cpu_count() or 2) // 2)  # the pages have the other half
    done = batch.prepare_season(
        task.factory,
        task.arguments["season_id"],
        task.settings.packages,
        lambda: batch.processes(count),
        by=task.by,
        clock=task.clock,
        report=task.report,
        stop=task.stop,
    )
    task.result = {
        "timed": done.timed,
        "prepared": done.prepared,
        "kept": done.kept,
        "refused": [list(pair) for pair in done.refused],
        "lost": [list(pair) for pair in done.lost],
    }


def _try_on(task: Task) -> None:
    from planner.services import preparing, trying

    with reading(task.factory) as db:
        inputs = trying.trial_inputs(db, trying.Trial(**task.arguments["trial"]))
    task.report(0, max(1, len(inputs.machines)), "laying the passes and timing them on every machine")
    task.result = trying.survey_of(inputs, preparing.survey)


def _choose(task: Task) -> None:
    from planner.services.choosing import suggest
    from planner.services.common import found

    night = date.fromisoformat(task.arguments["night"])
    with reading(task.factory) as db:
        season = found(db, tables.Season, task.arguments["season_id"])
        today = task.clock().astimezone(ZoneInfo(season.time_zone)).date()
        made = suggest(db, season.id, today=today, nights=[night])
    kept = [{**asdict(one), "night": one.night.isoformat(), "reasons": list(one.reasons)} for one in made]
    task.result = {"suggestions": kept}


def _slack(task: Task) -> None:
    from planner.services.planning import published_plan
    from planner.services.whatif import slack_of

    season_id = task.arguments["season_id"]
    task.report(0, 1, "planning with whole shifts down to three quarters of them")
    with reading(task.factory) as db:
        plan = published_plan(db, season_id)
        plan_id, resources = plan.id, plan.problem["resources"]
    spans = [b - a for row in resources if row["kind"] == "machine" for a, b in row.get("open") or ()]
    shift_h = sum(spans) / len(spans) / 60 if spans else 0.0
    points = slack_of(task.factory, season_id)
    kept = [{**asdict(one), "earlier_h": round((1 - one.share) * shift_h, 2)} for one in points]
    task.result = {"plan_id": plan_id, "points": kept}


def _search_on(task: Task) -> None:
    from planner.services import planning
    from planner.services.changes import note

    season_id = task.arguments["season_id"]
    with reading(task.factory) as db:
        before = planning.published_plan(db, season_id).id
    stored = planning.go_on(
        task.factory,
        season_id,
        by=task.by,
        now=task.clock(),
        seconds=task.arguments.get("seconds", 20.0),
        workers=1,  # the pages have the other half
        report=task.report,
        stop=task.stop,
    )
    task.result = {"plan_id": stored.plan_id, "before": before}
    if stored.plan_id != before:
        at = task.clock()
        undo = {"plan": stored.plan_id, "before": before, "published": at.isoformat()}
        words = f"plan {stored.plan_id} is in force: found by searching on from plan {before}"
        with unit_of_work(task.factory) as db:
            note(db, "plan", words, by=task.by, at=at, undo=undo, about=f"plan {stored.plan_id}")


DOERS: dict[str, Callable[[Task], None]] = {
    "forecast": _forecast,
    "draft plan": _draft,
    "prepare job": _prepare_job,
    "prepare batch": _prepare_batch,
    "try on": _try_on,
    "choose pieces": _choose,
    "slack": _slack,
    "search on": _search_on,
}


def work_on(settings: Settings, clock: Callable[[], datetime], going_on: Callable[[], bool]) -> None:
    """Do what is asked for, one after the other, as long as `going_on` says so.

    Parameters
    ----------
    settings : Settings
        Database and folder [-].
    clock : callable
        The present instant.
    going_on : callable
        Asked between two pieces of work.
    """
    factory = session_factory(settings.database_url)
    name = f"{socket.gethostname()} {os.getpid()}"[:120]
    while going_on():
        try:
            done = next_done(settings, factory, name, clock)
        except DBAPIError as away:  # a full disk, a locked file, a server that restarts: look again later
            print(f"the database does not answer: {away.orig}", file=sys.stderr)
            done = False
        if not done:
            time.sleep(_LOOK_S)


def next_done(
    settings: Settings, factory: sessionmaker[Session], name: str, clock: Callable[[], datetime]
) -> bool:
    """Do the oldest piece of work that waits; return whether there was one."""
    if not _something_waits(factory, clock()):
        return False
    with unit_of_work(factory) as db:
        claimed = works.claim_work(db, name, now=clock(), kinds=tuple(DOERS))
        if claimed is None:
            return False
        work_id, kind = claimed.id, claimed.kind
        task = Task(settings, factory, dict(claimed.arguments), claimed.recorded_by, clock)
    task.factory = _held(factory, work_id, name)
    error = _watched(factory, task, DOERS[kind], work_id, name)
    state = WorkState.CANCELLED if task.stopped else WorkState.FAILED if error else WorkState.DONE
    try:
        with unit_of_work(factory) as db:
            ended = works.end_work(db, work_id, name, state, now=clock(), error=error)
            ended.result = task.result
            ended.done = ended.total = max(ended.total, 1) if state == WorkState.DONE else ended.total
    except Conflict:  # this worker was silent for too long, and another one has taken it over
        return True
    _give_back()
    if error == _HUNG:  # its thread cannot be ended; whoever started this process starts it anew
        os._exit(_GAVE_UP)
    return True


def _give_back() -> None:
    """Give the computer back what the work has used; glibc would keep most of it for what may come."""
    gc.collect()
    with suppress(OSError, AttributeError, TypeError):  # elsewhere there is no such call
        ctypes.CDLL(None).malloc_trim(0)


def _held(factory: sessionmaker[Session], work_id: int, name: str) -> sessionmaker[Session]:
    """Return a maker of sessions that keep nothing once the work has gone to another worker."""
    held = sessionmaker(**factory.kw)
    event.listen(held, "before_commit", lambda db: works.refuse_lost(db, work_id, name))
    return held


def _something_waits(factory: sessionmaker[Session], now: datetime) -> bool:
    """Look without a lock: the write lock is only taken when there is something to claim."""
    work = tables.Work
    silent = (work.state == WorkState.RUNNING) & (work.heartbeat_at < now - timedelta(seconds=works.ORPHAN_S))
    with reading(factory) as db:
        free = or_(work.state == WorkState.WAITING, silent)
        return db.scalar(select(work.id).where(free, work.kind.in_(tuple(DOERS))).limit(1)) is not None


_HUNG = f"it told nothing new for {HUNG_S / 60:.0f} min and was given up"


def _watched(
    factory: sessionmaker[Session], task: Task, doer: Callable[[Task], None], work_id: int, name: str
) -> str | None:
    """Run a piece of work in a thread, tell how far it is meanwhile, and return why it failed, if it did."""
    pool = ThreadPoolExecutor(1)
    try:
        future = pool.submit(doer, task)
        told, since = task.latest, time.monotonic()
        while not future.done():
            wait([future], timeout=_TELL_S)
            if task.latest != told:
                told, since = task.latest, time.monotonic()
            elif time.monotonic() - since > HUNG_S:
                return _HUNG
            try:
                with unit_of_work(factory) as db:
                    task.stopped |= works.save_progress(db, work_id, name, *task.latest, now=task.clock())
            except DBAPIError as busy:  # a full disk or a locked file: the work goes on
                print(f"progress of work {work_id} was not kept: {busy.orig}", file=sys.stderr)
        try:
            future.result()
        except (PlannerError, EngineError) as refusal:
            return str(refusal)
        except Exception as broken:
            traceback.print_exc()
            return f"the program broke: {type(broken).__name__}: {broken}"
    finally:
        pool.shutdown(wait=False, cancel_futures=True)
    return None


def main() -> None:
    """Work beside the process that started this one, and end with it."""
    url, folder, time_zone, ahead_s = sys.argv[1:5]
    # told by who started us: asked for only now, it might have ended meanwhile
    parent = int(sys.argv[5]) if len(sys.argv) > 5 else os.getppid()
    ahead = timedelta(seconds=float(ahead_s))  # the demo's clock is not the wall's
    work_on(
        Settings(url, Path(folder), time_zone),
        lambda: datetime.now(UTC) + ahead,
        lambda: os.getppid() == parent,
    )


if __name__ == "__main__":
    main()
