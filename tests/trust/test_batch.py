"""Are many jobs prepared through one interface, each once, though workers are lost on the way?"""

from __future__ import annotations

import shutil
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from planner import batch
from planner.audit import audit
from planner.database.session import reading, session_factory
from planner.errors import PlannerError
from tests.bench.growth import doubled, ended_always
from tests.bench.small import BY, NOW, build, settings_in


def test_calls_of_a_lost_worker_are_made_again(tmp_path: Path) -> None:
    """A process is killed in the middle of a call: every result comes, once."""
    calls = [(value, 3, str(tmp_path)) for value in range(6)]
    found = list(batch.results(lambda: batch.processes(1), doubled, calls))
    assert sorted(found) == [(value, 2 * value) for value in range(6)]


def test_a_call_that_always_kills_its_worker_is_told(tmp_path: Path) -> None:
    """It is given up after three times, and harms no other."""
    calls = [(value, 1, str(tmp_path)) for value in range(2)]
    found = dict(batch.results(lambda: batch.processes(1), ended_always, calls))
    assert found[0] == 0
    assert isinstance(found[1], batch.Lost) and "3 times" in found[1].words


def test_a_season_is_prepared_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Again from the same inputs: nothing is done, unless a package is no longer whole; then that one."""
    settings = settings_in(tmp_path)
    season = build(settings, 2)
    factory = session_factory(settings.database_url)

    def prepare() -> batch.Batch:
        return batch.prepare_season(
            factory, season, settings.packages, lambda: ThreadPoolExecutor(1), by=BY, clock=lambda: NOW
        )

    first = prepare()
    assert (first.timed, first.prepared, first.kept, first.refused, first.lost) == (2, 2, 0, [], [])
    with reading(factory) as db:
        assert audit(db, settings.packages).breaches == ()
    with monkeypatch.context() as none:
        none.setattr(batch.preparing, "prepare_for", lambda *_: pytest.fail("prepared twice"))
        again = prepare()
    assert (again.timed, again.prepared, again.kept) == (0, 0, 2)
    gone = sorted(settings.packages.iterdir())[0]
    shutil.rmtree(gone)
    mended = prepare()
    assert (mended.prepared, mended.kept) == (1, 1)
    assert gone.is_dir()
    factory.kw["bind"].dispose()


def test_a_batch_is_asked_for_and_done_by_the_worker(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The interface for programs asks, the worker does it through the same code, and its result is told."""
    from planner.worker import next_done
    from web import create_app

    settings = settings_in(tmp_path)
    build(settings, 1)
    app = create_app(settings, clock=lambda: NOW, demo=True)
    app.config["WTF_CSRF_ENABLED"] = False
    client = app.test_client()
    work_id = client.post("/api/v1/prepare-season").get_json()["work_id"]
    monkeypatch.setattr(batch, "processes", lambda count: ThreadPoolExecutor(1))
    factory = session_factory(settings.database_url)
    assert next_done(settings, factory, "worker", lambda: NOW)
    said = client.get(f"/api/v1/works/{work_id}").get_json()
    assert (said["state"], said["result"]["prepared"], said["result"]["lost"]) == ("done", 1, [])
    factory.kw["bind"].dispose()
    app.extensions["venue"].factory.kw["bind"].dispose()


def test_a_cluster_asks_for_certificates() -> None:
    """Calls are pickles, so that nobody else may send any: `tls://` without certificates is refused."""
    with pytest.raises(PlannerError, match="certificate"), batch.cluster("tls://127.0.0.1:1"):
        pass


@pytest.mark.slow
@pytest.mark.filterwarnings("ignore")
def test_a_cluster_of_two_workers(tmp_path: Path) -> None:
    """The same interface, and a worker that is killed on the way: every result comes, once."""
    distributed = pytest.importorskip("distributed")
    calls = [(value, 3, str(tmp_path)) for value in range(6)]
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, dashboard_address=None, silence_logs=50
    ) as here:
        found = list(batch.results(lambda: batch.cluster(here.scheduler_address), doubled, calls))
    assert sorted(found) == [(value, 2 * value) for value in range(6)]
