"""Are many jobs prepared through one interface, each once, though workers are lost on the way?"""

from __future__ import annotations

import multiprocessing
import shutil
import subprocess
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from planner import batch
from planner.audit import audit
from planner.database.session import reading, session_factory
from planner.errors import PlannerError
from tests.bench.growth import began_and_waits, doubled, ended_always
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


def _certified(folder: Path, name: str) -> batch.Tls:
    """Make an authority, and a certificate that it signed, with OpenSSL."""
    made = batch.Tls(folder / f"{name}-ca.pem", folder / f"{name}.pem", folder / f"{name}.key")
    authority_key, asked = folder / f"{name}-ca.key", folder / f"{name}.csr"
    for words in (
        f"req -x509 -newkey rsa:2048 -nodes -days 1 -subj /CN=authority-{name} -keyout {authority_key} "
        f"-out {made.authority}",
        f"req -newkey rsa:2048 -nodes -subj /CN=localhost -keyout {made.key} -out {asked}",
        f"x509 -req -days 1 -in {asked} -CA {made.authority} -CAkey {authority_key} -CAcreateserial "
        f"-out {made.certificate}",
    ):
        subprocess.run(["openssl", *words.split()], check=True, capture_output=True)
    return made


@pytest.mark.slow
@pytest.mark.filterwarnings("ignore")
@pytest.mark.skipif(
    shutil.which("openssl") is None, reason="OpenSSL makes the certificates and is not installed"
)
def test_a_cluster_behind_certificates(tmp_path: Path) -> None:
    """Who shows a certificate of its authority is served, who shows another one's is not."""
    distributed = pytest.importorskip("distributed")
    ours, others = _certified(tmp_path, "ours"), _certified(tmp_path, "others")
    security = distributed.security.Security(
        require_encryption=True,
        tls_ca_file=str(ours.authority),
        **{
            f"tls_{who}_{what}": str(path)
            for who in ("scheduler", "worker", "client")
            for what, path in (("cert", ours.certificate), ("key", ours.key))
        },
    )
    calls = [(value, -1, str(tmp_path)) for value in range(4)]
    with distributed.LocalCluster(
        n_workers=1, threads_per_worker=1, dashboard_address=None, silence_logs=50, security=security,
        protocol="tls://",
    ) as here:  # fmt: skip
        address = here.scheduler_address
        assert address.startswith("tls://")
        found = list(batch.results(lambda: batch.cluster(address, ours), doubled, calls))
        with pytest.raises(PlannerError, match="no cluster answers"), batch.cluster(address, others):
            pass
    assert sorted(found) == [(value, 2 * value) for value in range(4)]


def test_processes_end_with_the_one_that_began_them(tmp_path: Path) -> None:
    """The command is killed in the middle of a call: the process that made the call ends too."""
    mark = tmp_path / "at work"
    command = multiprocessing.get_context("spawn").Process(target=began_and_waits, args=(str(mark),))
    command.start()
    until = time.monotonic() + 60
    while not mark.exists() and time.monotonic() < until:
        time.sleep(0.05)
    at_work = int(mark.read_text())
    command.kill()
    command.join()
    until = time.monotonic() + 30
    while Path(f"/proc/{at_work}").exists() and time.monotonic() < until:
        time.sleep(0.05)
    assert not Path(f"/proc/{at_work}").exists()
