"""Is nothing lost when processes are killed, a disk is full, or two act at once? A trial or two of each."""

from __future__ import annotations

import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from planner.database import tables
from planner.database.session import unit_of_work
from tests.bench.faults import FAULTS, MOUNTS, tried
from tests.bench.trials import judging, pages
from tests.bench.trials.disks import may_mount
from tests.bench.trials.processes import killed
from tests.bench.trials.seasons import Bench, bench_in

QUICK = ("two leads publish", "copy while people write", "kill migration", "kill command copying")
"""Two of these, one of the others; `python -m tests.bench faults` takes 50 of each."""


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Bench]:
    yield bench_in(tmp_path_factory.mktemp("faults"), seed=3)


@pytest.fixture(scope="module")
def server(bench: Bench, postgresql_folder: Path) -> Bench:
    return bench_in(bench.home, 3, postgresql_folder)


@pytest.mark.slow
@pytest.mark.parametrize("fault", list(FAULTS))
def test_nothing_is_lost(bench: Bench, fault: str) -> None:
    """The database opens, every rule holds, no plan or program is half, the work is done after all."""
    if fault in MOUNTS and not may_mount():
        pytest.skip("this user may not mount a small disk")
    assert tried(bench, fault, 2 if fault in QUICK else 1).wrong == []


@pytest.mark.slow
@pytest.mark.parametrize("fault", QUICK)
def test_nothing_is_lost_on_a_server(bench: Bench, server: Bench, fault: str) -> None:
    """The same where the database is a server, which goes on when who asked it is killed."""
    assert tried(server, fault, 1).wrong == []


@pytest.mark.slow
def test_no_worker_outlives_the_pages(bench: Bench) -> None:
    """The pages are killed with no word to their worker: it sees that, and ends by itself."""
    settings = bench.fresh("planned")
    with pages.served(settings) as (_, process):
        number, until = process.pid or 0, time.monotonic() + 60
        while not pages.workers_of(number) and time.monotonic() < until:
            time.sleep(0.05)
        assert len(pages.workers_of(number)) == 1
        killed(process)
        pages.none_outlive(number)
    assert pages.workers_of(number) == []


def test_a_fault_that_loses_something_is_seen(bench: Bench) -> None:
    """The trials can fail: a job that is cut without a piece is found by the rules."""
    settings = bench.fresh("planned")
    judging.judged(settings)
    with judging.opened(settings) as factory, unit_of_work(factory) as db:
        job = db.get(tables.Job, 1)
        assert job is not None
        job.state = "cut"
    with pytest.raises(judging.Wrong, match="piece"):
        judging.judged(settings)
