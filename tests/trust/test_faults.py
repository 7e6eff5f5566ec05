"""Is nothing lost when processes are killed, a disk is full, or two act at once? A few trials of each."""

from __future__ import annotations

import os
from collections.abc import Iterator

import pytest

from tests.bench.faults import FAULTS, MOUNTS, Bench, bench_in, may_mount, tried

TRIALS = {
    "kill web": 1,
    "kill command preparing": 1,
    "worker hangs": 1,
    "full disk": 1,
    "read-only folder": 1,
}
"""Two of the others; `python -m tests.bench faults` takes 50 of each."""


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Bench]:
    before = os.environ.pop("LANTERNWRIGHT_DATABASE_URL", None)
    yield bench_in(tmp_path_factory.mktemp("faults"), seed=3)
    if before is not None:
        os.environ["LANTERNWRIGHT_DATABASE_URL"] = before


@pytest.mark.slow
@pytest.mark.parametrize("fault", list(FAULTS))
def test_nothing_is_lost(bench: Bench, fault: str) -> None:
    """The database opens, every rule holds, no plan or program is half, the work is done after all."""
    if fault in MOUNTS and not may_mount():
        pytest.skip("this user may not mount a small disk")
    assert tried(bench, fault, TRIALS.get(fault, 2)).wrong == []


def test_a_fault_that_loses_something_is_seen(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    """The trials can fail: a worker that keeps half of what it did is found by the rules."""
    from tests.bench import faults

    settings = bench.fresh("planned")
    faults.judged(settings)
    from planner.database import tables
    from planner.database.session import session_factory, unit_of_work

    factory = session_factory(settings.database_url)
    with unit_of_work(factory) as db:
        job = db.get(tables.Job, 1)
        assert job is not None
        job.state = "cut"
    factory.kw["bind"].dispose()
    with pytest.raises(faults.Wrong, match="piece"):
        faults.judged(settings)
