"""How does a command, a worker or a server run, and end at a random moment?

Each is a process of its own, forked from one that has loaded the program and its compiled kernels: it begins
with the work, so that the moment of a kill is drawn over the work and not over the interpreter's loading, and
a trial costs what its work costs.
"""

from __future__ import annotations

import itertools
import multiprocessing
import os
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from multiprocessing.context import ForkServerProcess
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

from sqlalchemy import select

from planner.config import Settings
from planner.database import tables
from planner.database.session import reading
from planner.services.works import ORPHAN_S
from tests.bench.small import NOW
from tests.bench.trials.judging import Missed, Wrong, counted, opened

if TYPE_CHECKING:
    from tests.bench.trials.seasons import Bench

LONGEST_S = 300.0
_FORKS = multiprocessing.get_context("forkserver")
_FORKS.set_forkserver_preload(["tests.bench.trials.warm"])
TAKEN_OVER_S = ORPHAN_S + 30  # by a clock so far ahead, silent workers are taken for dead


class Ran(NamedTuple):
    """How a command ended, and what it said."""

    code: int
    out: str
    err: str


def command(settings: Settings, *words: str, said: Path = Path(os.devnull)) -> ForkServerProcess:
    """Begin a command of the program on a season."""
    return _begun(_commanded, settings, words, str(said))


def _commanded(settings: Settings, words: tuple[str, ...], said: str) -> None:
    from planner.cli import main

    for stream, name in ((1, said), (2, said if said == os.devnull else f"{said}.err")):
        os.dup2(os.open(name, os.O_WRONLY | os.O_CREAT, 0o600), stream)
    os.environ.update(
        LANTERNWRIGHT_FOLDER=str(settings.folder),
        LANTERNWRIGHT_DATABASE_URL=settings.database_url,
        LANTERNWRIGHT_TIME_ZONE=settings.time_zone,
    )
    main(list(words), prog_name="lanternwright")


def worker(settings: Settings, ahead_s: float = 0.0) -> ForkServerProcess:
    """Begin a worker whose clock is so far from the season's beginning."""
    return _begun(_worked, settings, (NOW - datetime.now(UTC)).total_seconds() + ahead_s)


def _worked(settings: Settings, ahead_s: float) -> None:
    from planner.worker import main

    for stream in (1, 2):
        os.dup2(os.open(os.devnull, os.O_WRONLY), stream)
    sys.argv = ["worker", settings.database_url, str(settings.folder), settings.time_zone, f"{ahead_s:.1f}"]
    main()


def _begun(target: Callable[..., None], *arguments: object) -> ForkServerProcess:
    process = _FORKS.Process(target=target, args=arguments)
    process.start()
    return process


def killed(process: ForkServerProcess) -> None:
    """Kill a process with no word to it."""
    process.kill()
    process.join()


def run(
    settings: Settings,
    *words: str,
    well: bool = True,
    spent: Callable[[float], None] = lambda used: None,
) -> Ran:
    """Run a command to its end, and tell what processor time it took [s]."""
    with tempfile.TemporaryDirectory(prefix="lantern-said-") as folder:
        said = Path(folder) / "said"
        process = command(settings, *words, said=said)
        used, until = 0.0, time.monotonic() + LONGEST_S
        while process.exitcode is None:
            used = max(used, used_s(process))
            if time.monotonic() > until:
                killed(process)
                raise Wrong(f"{words[0]}: not ended after {LONGEST_S:.0f} s")
            process.join(0.01)
        spent(used)
        errors = Path(f"{said}.err").read_text()
        done = Ran(process.exitcode, said.read_text(), errors)
    if "Traceback" in done.err:
        raise Wrong(f"{words[0]}: a traceback: {done.err.strip().splitlines()[-1]}")
    if well and done.code:
        raise Wrong(f"{words[0]}: ended with {done.code}: {(done.err or done.out).strip()[-300:]}")
    return done


# --- random moments ------------------------------------------------------------------------------------


def used_s(process: ForkServerProcess) -> float:
    """Return the processor time of a process so far [s]; 0 once it has ended."""
    try:  # another process's clock: CPUCLOCK_SCHED of ~pid << 3, linux/posix-timers_types.h, from memory
        return time.clock_gettime(((~(process.pid or 0)) << 3) | 2)
    except OSError:
        return 0.0


def left_alone(bench: Bench, work: str, settings: Settings, *words: str) -> float:
    """Run a command to its end, remember what processor time it took, and return how long it took."""
    began = time.monotonic()
    run(settings, *words, spent=lambda used: bench.spans.update({work: used}))
    return time.monotonic() - began


def reached(process: ForkServerProcess, used: float, going_on: Callable[[], bool]) -> bool:
    """Wait until a process has used so much processor time; return whether it has before it was all over."""
    while going_on():
        if used_s(process) >= used:
            return True
        time.sleep(0.003)
    return False


def command_killed(bench: Bench, work: str, settings: Settings, *words: str) -> None:
    """Run a command and kill it at a random moment of the processor time it took when it was left alone.

    Processor time, so that other programs on the computer do not move the moment.
    """
    if work not in bench.spans:
        left_alone(bench, work, settings, *words)
        raise Missed
    process = command(settings, *words)
    came = reached(process, bench.chance.uniform(0, bench.spans[work]), process.is_alive)
    ended = process.exitcode is not None
    killed(process)
    if ended or not came:
        raise Missed


_OPEN = tables.Work.ended_at.is_(None)


def worker_killed(bench: Bench, work: str, settings: Settings, ahead_s: float = 0.0) -> None:
    """Let a worker take what waits, and kill it at a random moment of the processor time it took before."""
    with opened(settings) as factory, working(settings, ahead_s) as process:
        looks = itertools.count()

        def at_work() -> bool:  # the database is not asked all the time: that would slow the work
            return next(looks) % 20 > 0 or counted(factory, tables.Work, _OPEN) > 0

        taken = used_s(process)
        if work not in bench.spans:
            reached(process, float("inf"), at_work)
            bench.spans[work] = used_s(process) - taken
            raise Missed
        if not reached(process, taken + bench.chance.uniform(0, bench.spans[work]), at_work):
            raise Missed
    with opened(settings) as factory:
        if not counted(factory, tables.Work, _OPEN):
            raise Missed


@contextmanager
def working(settings: Settings, ahead_s: float = 0.0) -> Iterator[ForkServerProcess]:
    """Give a worker that has just taken the work; it is killed at the end."""
    process = worker(settings, ahead_s)
    try:
        with opened(settings) as factory:
            until = time.monotonic() + LONGEST_S
            while not counted(factory, tables.Work, tables.Work.state != "waiting"):
                if time.monotonic() > until:
                    raise Wrong("the worker took nothing")
                time.sleep(0.01)
        yield process
    finally:
        killed(process)


def worked_off(settings: Settings, *, ahead_s: float = 0.0, workers: int = 1) -> float:
    """Let workers end what waits or lies about, and return how long that took."""
    began = time.monotonic()
    takers = [worker(settings, ahead_s + TAKEN_OVER_S) for _ in range(workers)]
    try:
        with opened(settings) as factory:
            while counted(factory, tables.Work, _OPEN):
                if time.monotonic() - began > LONGEST_S:
                    raise Wrong("work was not taken up again")
                time.sleep(0.02)
            seconds = time.monotonic() - began
            with reading(factory) as db:
                failed = db.execute(
                    select(tables.Work.state, tables.Work.error).where(tables.Work.state != "done")
                ).first()
        if failed is not None:
            raise Wrong(f"work ended as {failed.state}: {failed.error}")
    finally:
        for taker in takers:
            killed(taker)
    return seconds
