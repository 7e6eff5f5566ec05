"""How much faster is a season prepared by more processes, here or on a cluster of two workers?

`python -m tests.bench growth [--jobs 40] [--cluster]`: prepares the same season with one process and with
two, and, with `--cluster`, on a Dask cluster of two workers on this computer. Prints jobs an hour, the speed-up,
and how long it takes to find that all is prepared already.
"""

# ruff: noqa: E501
from __future__ import annotations

import argparse
import os
import signal
import tempfile
import time
from collections.abc import Callable
from contextlib import AbstractContextManager
from pathlib import Path
from typing import Any

from planner import batch
from planner.database.session import session_factory
from planner.services.preparing import compile_kernels
from tests.bench.small import BY, NOW, build, settings_in


def doubled(value: int, fatal: int, marks: str, *, always: bool = False) -> int:
    """Return twice a value; the fatal one ends its process without a word, once or always."""
    mark = Path(marks) / str(value)
    if value == fatal and (always or not mark.exists()):
        mark.touch()
        time.sleep(0.2)
        os.kill(os.getpid(), signal.SIGKILL)
    return 2 * value


def ended_always(value: int, fatal: int, marks: str) -> int:
    """Return twice a value; the fatal one ends its process each time."""
    return doubled(value, fatal, marks, always=True)


def waits(mark: str) -> None:
    """Tell which process this is, and work for long."""
    beside = Path(f"{mark}.part")
    beside.write_text(str(os.getpid()))
    beside.rename(mark)
    time.sleep(600)


def began_and_waits(mark: str) -> None:
    """Begin a process that works for long, and wait for it."""
    with batch.processes(1) as pool:
        pool.submit(waits, mark).result()


def prepared(
    jobs: int, opened: Callable[[], AbstractContextManager[Any]]
) -> tuple[float, float, batch.Batch]:
    """Prepare a fresh season; return the seconds of the first and the second time, and what was done."""
    with tempfile.TemporaryDirectory(prefix="lantern-growth-") as home:
        settings = settings_in(Path(home))
        season = build(settings, jobs)
        factory = session_factory(settings.database_url)
        seconds, done = [], []
        for _ in range(2):
            began = time.monotonic()
            done.append(
                batch.prepare_season(factory, season, settings.packages, opened, by=BY, clock=lambda: NOW)
            )
            seconds.append(time.monotonic() - began)
        factory.kw["bind"].dispose()
    if done[1].prepared or done[1].kept != done[0].prepared:
        raise AssertionError(f"prepared twice: {done[1]}")
    return seconds[0], seconds[1], done[0]


def main(arguments: list[str]) -> int:
    """Measure, and return 1 where a job was lost."""
    asked = argparse.ArgumentParser(prog="python -m tests.bench growth")
    asked.add_argument("--jobs", type=int, default=40)
    asked.add_argument("--cluster", action="store_true")
    options = asked.parse_args(arguments)
    compile_kernels()
    print(
        f"{'executor':<24}{'prepared':>9}{'seconds':>9}{'jobs an hour':>14}{'again':>8}{'speed-up':>10}",
        flush=True,
    )
    first = 0.0
    lost = 0

    def line(name: str, opened: Callable[[], AbstractContextManager[Any]]) -> None:
        nonlocal first, lost
        seconds, again, done = prepared(options.jobs, opened)
        first = first or seconds
        lost += len(done.lost) + options.jobs - done.prepared - len(done.refused)
        hour = 3600 * done.prepared / seconds
        print(
            f"{name:<24}{done.prepared:>9}{seconds:>9.1f}{hour:>14.0f}{again:>7.1f} s{first / seconds:>10.2f}",
            flush=True,
        )

    line("one process", lambda: batch.processes(1))
    line("two processes", lambda: batch.processes(2))
    if options.cluster:
        from distributed import LocalCluster

        with LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None) as here:
            line("cluster of two workers", lambda: batch.cluster(here.scheduler_address))
    return 1 if lost else 0
