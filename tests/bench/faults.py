"""What is lost when a process is killed, a disk is full, a folder is read-only, or two people act at once?

`python -m tests.bench faults [--trials 50] [--fault NAME ...] [--seed 0]`: each trial begins with a fresh copy of
a small season, breaks one thing at a random moment, judges the database and its packages by every rule of
`lanternwright check`, and takes up the work again. Prints trials, what was lost or wrong (must be 0) and the time
until all was done again; ends with 1 where anything was wrong.
"""

# ruff: noqa: E501
from __future__ import annotations

import argparse
import json
import os
import random
import re
import shutil
import signal
import subprocess
import sys
import tempfile
import threading
import time
import urllib.error
import urllib.request
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from datetime import timedelta
from pathlib import Path
from statistics import median
from typing import Any

from sqlalchemy import func, select, text

from planner.audit import audit
from planner.config import Settings
from planner.database import migrate, tables
from planner.database.session import engine_for, reading, session_factory, unit_of_work
from planner.errors import Conflict
from planner.services import drafts, works
from planner.services.backup import backup, contents_of
from planner.services.planning import plan_season
from planner.services.preparing import compile_kernels, inputs_of, store_survey, survey
from tests.bench.small import BY, NOW, build, settings_in

_COMMAND = [sys.executable, "-c", "from planner.cli import main; main()"]
_LONGEST_S = 120.0


class Wrong(AssertionError):
    """Something was lost, half written or done twice."""


@dataclass
class Result:
    """What came of the trials of one fault."""

    fault: str
    trials: int = 0
    wrong: list[str] = field(default_factory=list)
    back_s: list[float] = field(default_factory=list)


@dataclass
class Bench:
    """Prepared seasons, of which each trial gets a copy."""

    home: Path
    chance: random.Random
    spans: dict[str, float] = field(default_factory=dict)
    copies: int = 0

    def fresh(self, kind: str) -> Settings:
        """Return a copy of a prepared season in a folder of its own."""
        self.copies += 1
        folder = self.home / f"trial{os.getpid()}-{self.copies}"
        shutil.copytree(self.home / kind, folder)
        return settings_in(folder)

    def killed(self, fault: str, command: list[str], folder: Path) -> bool:
        """Run a command, kill it at a random moment of its usual time, and return whether it had ended before.

        The first run of each kind is left alone, in a copy of the folder, to learn how long it takes.
        """
        if fault not in self.spans:
            spare = folder.with_name(folder.name + "-spare")
            shutil.copytree(folder, spare)
            began = time.monotonic()
            run([part.replace(str(folder), str(spare)) for part in command])
            self.spans[fault] = time.monotonic() - began
            shutil.rmtree(spare)
        process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        # before this the interpreter is still loading, and nothing can be lost
        with suppress(subprocess.TimeoutExpired):
            process.wait(self.spans[fault] * self.chance.uniform(0.25, 1.05))
            return True
        process.send_signal(signal.SIGKILL)
        process.wait()
        return False


def run(command: list[str], *, well: bool = True) -> subprocess.CompletedProcess[str]:
    """Run a command to its end."""
    done = subprocess.run(command, capture_output=True, text=True, timeout=_LONGEST_S, check=False)
    if "Traceback" in done.stderr:
        raise Wrong(f"a traceback: {done.stderr.strip().splitlines()[-1]}")
    if well and done.returncode:
        raise Wrong(f"ended with {done.returncode}: {(done.stderr or done.stdout).strip()[-300:]}")
    return done


def lantern(settings: Settings, *words: str) -> list[str]:
    """Return a command on a season's folder."""
    return [*_COMMAND, *words, "--folder", str(settings.folder)]


def judged(settings: Settings) -> None:
    """Open the database and judge it by every rule."""
    factory = session_factory(settings.database_url)
    try:
        with reading(factory) as db:
            found = audit(db, settings.packages)
            if found.breaches:
                raise Wrong(f"{found.breaches[0].rule}: {found.breaches[0].words}")
    finally:
        factory.kw["bind"].dispose()


def ask(settings: Settings, kind: str, arguments: dict[str, Any]) -> None:
    """Ask for a piece of long work."""
    factory = session_factory(settings.database_url)
    with unit_of_work(factory) as db:
        works.ask_for_work(db, kind, arguments, by=BY, at=NOW)
    factory.kw["bind"].dispose()


def worker(settings: Settings, ahead_s: float) -> list[str]:
    """Return a worker whose clock is so far from the season's beginning."""
    from datetime import UTC, datetime

    ahead = (NOW - datetime.now(UTC)).total_seconds() + ahead_s
    return [
        sys.executable,
        "-m",
        "planner.worker",
        settings.database_url,
        str(settings.folder),
        "UTC",
        f"{ahead:.1f}",
    ]


def worked_off(settings: Settings, ahead_s: float) -> float:
    """Let a worker end what waits or lies about, and return how long that took."""
    factory = session_factory(settings.database_url)
    began = time.monotonic()
    process = subprocess.Popen(
        worker(settings, ahead_s), stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    )
    try:
        while True:
            with reading(factory) as db:
                open_ones = db.scalar(
                    select(func.count(tables.Work.id)).where(tables.Work.ended_at.is_(None))
                )
                failed = db.scalar(select(tables.Work.error).where(tables.Work.state == "failed"))
            if failed:
                raise Wrong(f"work failed: {failed}")
            if not open_ones:
                return time.monotonic() - began
            if time.monotonic() - began > _LONGEST_S:
                raise Wrong("work was not taken up again")
            time.sleep(0.05)
    finally:
        process.kill()
        process.wait()
        factory.kw["bind"].dispose()


def count(settings: Settings, *tables_and_conditions: Any) -> int:
    """Count rows of a table under conditions."""
    factory = session_factory(settings.database_url)
    table, *conditions = tables_and_conditions
    with reading(factory) as db:
        found = db.scalar(select(func.count()).select_from(table).where(*conditions)) or 0
    factory.kw["bind"].dispose()
    return found


# --- kill -9 -------------------------------------------------------------------------------------------


def worker_preparing(bench: Bench) -> float:
    """Kill the worker while it prepares a job; another one prepares it, once."""
    settings = bench.fresh("timed")
    ask(settings, "prepare job", {"job_id": 1})
    _worker_killed(bench, "worker preparing", settings)
    judged(settings)
    seconds = worked_off(settings, 60.0)
    judged(settings)
    if count(settings, tables.Preparation, tables.Preparation.state == "done") != 1:
        raise Wrong("the job was not prepared exactly once")
    return seconds


def _worker_killed(bench: Bench, fault: str, settings: Settings) -> None:
    """Start a worker, wait until it has taken the work, and kill it at a random moment of what that takes."""
    if fault not in bench.spans:
        spare = settings_in(settings.folder.with_name(settings.folder.name + "-spare"))
        shutil.copytree(settings.folder, spare.folder)
        with _working(spare):
            began = time.monotonic()
            while count(spare, tables.Work, tables.Work.ended_at.is_(None)):
                time.sleep(0.02)
            bench.spans[fault] = time.monotonic() - began
        shutil.rmtree(spare.folder)
    with _working(settings):
        time.sleep(bench.spans[fault] * bench.chance.uniform(0, 1))


@contextmanager
def _working(settings: Settings) -> Iterator[None]:
    """Give a worker that has just taken the work; it is killed at the end."""
    process = subprocess.Popen(worker(settings, 0.0), stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    try:
        until = time.monotonic() + _LONGEST_S
        while not count(settings, tables.Work, tables.Work.state != "waiting"):
            if time.monotonic() > until:
                raise Wrong("the worker took nothing")
            time.sleep(0.02)
        yield
    finally:
        process.kill()
        process.wait()


def worker_planning(bench: Bench) -> float:
    """Kill the worker while it makes a draft; the plan in force stays, and one draft is made."""
    settings = bench.fresh("planned")
    ask(settings, "draft plan", {"season_id": 1, "why": "trial", "seconds": 0.5})
    _worker_killed(bench, "worker planning", settings)
    judged(settings)
    seconds = worked_off(settings, 60.0)
    judged(settings)
    if count(settings, tables.Plan, tables.Plan.state == "draft") != 1:
        raise Wrong("not exactly one draft was made")
    if count(settings, tables.Plan, tables.Plan.state == "published") != 1:
        raise Wrong("the plan in force is gone")
    return seconds


def command_publishing(bench: Bench) -> float:
    """Kill the command that plans and publishes; the plan before stays in force, or the new one is whole."""
    settings = bench.fresh("planned")
    words = ("plan", "--seconds", "0.5", "--workers", "1", "--at", "2026-10-21T09:00:00")
    bench.killed("command publishing", lantern(settings, *words), settings.folder)
    judged(settings)
    if count(settings, tables.Plan, tables.Plan.state == "published") != 1:
        raise Wrong("there is not exactly one plan in force")
    began = time.monotonic()
    run(lantern(settings, *words))
    judged(settings)
    return time.monotonic() - began


def command_importing(bench: Bench) -> float:
    """Kill the bringing back of a copy; nothing counts or everything, and it can be done again."""
    copy = bench.home / "copy.zip"
    folder = bench.home / f"import{bench.copies}-{bench.chance.randrange(10**9)}"
    folder.mkdir()
    settings = settings_in(folder)
    ended = bench.killed("command importing", lantern(settings, "restore", "--from", str(copy)), folder)
    migrate.upgrade(settings.database_url)
    rows = count(settings, tables.Job)
    if rows not in (0, 3) or (ended and not rows):
        raise Wrong(f"{rows} of 3 jobs came back")
    began = time.monotonic()
    if not rows:
        run(lantern(settings, "restore", "--from", str(copy)))
    seconds = time.monotonic() - began
    judged(settings)
    backup(settings, folder / "again.zip")
    if contents_of(folder / "again.zip")["sha256"] != contents_of(copy)["sha256"]:
        raise Wrong("what came back is not what was kept")
    return seconds


def command_copying(bench: Bench) -> float:
    """Kill the making of a copy; the copy before stays whole."""
    settings = bench.fresh("planned")
    out = settings.folder / "copy.zip"
    shutil.copy(bench.home / "copy.zip", out)
    bench.killed("command copying", lantern(settings, "backup", "--out", str(out)), settings.folder)
    contents_of(out)
    began = time.monotonic()
    run(lantern(settings, "backup", "--out", str(out)))
    contents_of(out)
    judged(settings)
    return time.monotonic() - began


def command_preparing(bench: Bench) -> float:
    """Kill `prepare` over an earlier package; what lies there is whole, or says nothing."""
    folder = bench.home / f"files{bench.chance.randrange(10**9)}"
    shutil.copytree(bench.home / "files", folder)
    command = [*_COMMAND, "prepare", "--artwork", str(folder / "window.svg"), "--touches", str(folder / "touches.csv"),
               "--machine", str(folder / "machine.json"), "--cutters", str(folder / "cutters.json"), "--kind", "foam",
               "--wall-mm", "12", "--out", str(folder / "out" / "job")]  # fmt: skip
    if bench.chance.random() < 0.5:  # over an earlier package of another place
        shutil.copytree(bench.home / "earlier", folder / "out")
    bench.killed("command preparing", command, folder)
    job = folder / "out" / "job"
    from planner.services.preparing import package_fault

    if (job / "job.json").exists() and (wrong := package_fault(folder / "out", "job")):
        raise Wrong(wrong)
    began = time.monotonic()
    run(command)
    if wrong := package_fault(folder / "out", "job"):
        raise Wrong(wrong)
    return time.monotonic() - began


def migration(bench: Bench) -> float:
    """Kill a migration of a database with rows in it; it opens, is at one revision or the other, and goes on."""
    settings = bench.fresh("old")
    bench.killed("migration", [*_COMMAND, "db", "upgrade", "--url", settings.database_url], settings.folder)
    engine = engine_for(settings.database_url)
    with engine.connect() as connection:
        revision = connection.scalar(text("SELECT version_num FROM alembic_version"))
        if connection.scalar(text("SELECT count(*) FROM jobs")) != 3 or revision not in migrate.revisions():
            raise Wrong("rows are gone, or the revision is unknown")
        if connection.scalar(text("PRAGMA integrity_check")) != "ok":
            raise Wrong("the file is damaged")
    engine.dispose()
    began = time.monotonic()
    run([*_COMMAND, "db", "upgrade", "--url", settings.database_url])
    judged(settings)
    return time.monotonic() - began


@contextmanager
def served(settings: Settings) -> Iterator[tuple[str, subprocess.Popen[bytes]]]:
    """Serve the pages in a process of its own and give their address."""
    import socket

    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    (settings.folder / "demo-season").write_text("for trials\n")
    process = subprocess.Popen(
        lantern(settings, "serve", "--port", str(port)), stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    )
    address = f"http://127.0.0.1:{port}"
    try:
        until = time.monotonic() + 60
        while time.monotonic() < until:
            with suppress(OSError, urllib.error.URLError):
                urllib.request.urlopen(f"{address}/api/v1/openapi.json", timeout=5).read()
                break
            time.sleep(0.05)
        yield address, process
    finally:
        process.kill()
        process.wait()


class Lead:
    """Somebody who changes things through the interface for programs."""

    def __init__(self, address: str) -> None:
        self.address = address
        self.open = urllib.request.build_opener(urllib.request.HTTPCookieProcessor())
        self.token = self.get("/me")["csrf_token"]

    def get(self, path: str) -> Any:
        """Return what a path says."""
        with self.open.open(f"{self.address}/api/v1{path}", timeout=20) as answer:
            return json.loads(answer.read())

    def send(self, path: str, **body: Any) -> Any:
        """Send a change; return the answer, or the refusal's status."""
        asked = urllib.request.Request(
            f"{self.address}/api/v1{path}", json.dumps(body).encode(), method="POST",
            headers={"Content-Type": "application/json", "X-CSRFToken": self.token},
        )  # fmt: skip
        try:
            with self.open.open(asked, timeout=20) as answer:
                return json.loads(answer.read())
        except urllib.error.HTTPError as refused:
            return refused.code


def web_reporting(bench: Bench) -> float:
    """Kill the pages while a lead reports and plans; every change that was confirmed is kept, none half."""
    settings = bench.fresh("planned")
    confirmed: list[int] = []
    with served(settings) as (address, process):
        lead = Lead(address)

        def busy() -> None:
            with suppress(OSError, urllib.error.URLError, ValueError):
                while True:
                    said = lead.send("/machines/1/down", hours=2, reason="belt torn")
                    if isinstance(said, dict):
                        confirmed.append(said["change_id"])
                    lead.send("/machines/1/up")
                    lead.send("/drafts")

        reporter = threading.Thread(target=busy)
        reporter.start()
        time.sleep(bench.chance.uniform(0.02, 1.0))
        process.kill()
        process.wait()
        reporter.join()
    judged(settings)
    kept = count(settings, tables.Change, tables.Change.id.in_(confirmed))
    if kept != len(set(confirmed)):
        raise Wrong(f"{len(set(confirmed))} changes were confirmed, {kept} are kept")
    began = time.monotonic()
    with served(settings) as (address, _):
        Lead(address).get("/tonight")
        seconds = time.monotonic() - began
    judged(settings)
    return seconds


# --- others --------------------------------------------------------------------------------------------


def two_leads(bench: Bench) -> float:
    """Two leads take two drafts at once: one wins, the other is told."""
    settings = bench.fresh("drafts")
    factory = session_factory(settings.database_url)
    with reading(factory) as db:
        ids = list(db.scalars(select(tables.Plan.id).where(tables.Plan.state == "draft")))
    gate = threading.Barrier(2)
    told: list[str] = []

    def take(number: int) -> None:
        gate.wait()
        try:
            with unit_of_work(factory) as db:
                drafts.accept(db, number, by=f"lead {number}", at=NOW)
            told.append("won")
        except Conflict:
            told.append("told")

    began = time.monotonic()
    leads = [threading.Thread(target=take, args=(number,)) for number in ids]
    for lead in leads:
        lead.start()
    for lead in leads:
        lead.join()
    factory.kw["bind"].dispose()
    if sorted(told) != ["told", "won"]:
        raise Wrong(f"two leads were told {told}")
    judged(settings)
    return time.monotonic() - began


def hanging_worker(bench: Bench) -> float:
    """Stop a worker in its tracks while it plans; another takes over, the first one wakes: one result."""
    settings = bench.fresh("planned")
    ask(settings, "draft plan", {"season_id": 1, "why": "trial", "seconds": 0.5})
    first = subprocess.Popen(worker(settings, 0.0), stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    try:
        until = time.monotonic() + 60
        while not count(settings, tables.Work, tables.Work.state == "running"):
            if time.monotonic() > until:
                raise Wrong("the first worker took nothing")
            time.sleep(0.01)
        time.sleep(bench.chance.uniform(0, 0.5))
        first.send_signal(signal.SIGSTOP)
        seconds = worked_off(settings, works.ORPHAN_S + 5)
        first.send_signal(signal.SIGCONT)
        time.sleep(1.0)
    finally:
        first.kill()
        first.wait()
    judged(settings)
    if count(settings, tables.Plan, tables.Plan.state == "draft") != 1:
        raise Wrong(f"{count(settings, tables.Plan, tables.Plan.state == 'draft')} results of one work")
    return seconds


@contextmanager
def small_disk(megabytes: float) -> Iterator[Path]:
    """Give a disk of its own of so many megabytes; needs the right to mount."""
    folder = Path(tempfile.mkdtemp(prefix="lantern-disk-"))
    run(["mount", "-t", "tmpfs", "-o", f"size={int(megabytes * 1024)}k", "tmpfs", str(folder)])
    try:
        yield folder
    finally:
        run(["umount", "-l", str(folder)])
        folder.rmdir()


def may_mount() -> bool:
    """Return whether this user may mount a small disk."""
    with suppress(Wrong, OSError), small_disk(1):
        return True
    return False


_PROGRESS = re.compile(r"\d+/\d+ ")  # a line that says how far the work is
_STEPS: tuple[tuple[str, ...], ...] = (
    ("plan", "--seconds", "0.3", "--workers", "1", "--at", "2026-10-21T09:00:00"),
    ("backup", "--out", "{}/copy.zip"),
    ("prepare-season", "--processes", "1"),
)


def full_disk(bench: Bench) -> float:
    """Fill the disk to a random rest, work on it: one line or done, nothing lost; with room again all is done."""
    source = bench.home / "planned"
    with small_disk(24) as disk:
        folder = disk / "season"
        shutil.copytree(source, folder)
        settings = settings_in(folder)
        before = count(settings, tables.Job)
        free = shutil.disk_usage(disk).free
        rest = int(bench.chance.uniform(0, 400_000))
        with suppress(OSError), (disk / "ballast").open("wb") as ballast:
            ballast.write(bytes(max(0, free - rest)))
        for step in _STEPS:
            done = run(lantern(settings, *(word.format(disk) for word in step)), well=False)
            said = [one for one in done.stderr.splitlines() if not _PROGRESS.match(one)]
            if done.returncode and len(said) != 1:
                raise Wrong(f"{step[0]}: not one line: {done.stderr.strip()[-200:]}")
        (disk / "ballast").unlink()
        judged(settings)
        if count(settings, tables.Job) != before:
            raise Wrong("jobs were lost")
        began = time.monotonic()
        for step in _STEPS:
            run(lantern(settings, *(word.format(disk) for word in step)))
        judged(settings)
        return time.monotonic() - began


def read_only_folder(bench: Bench) -> float:
    """Work on a disk that takes nothing: one line each, and everything is as it was when it takes again."""
    with small_disk(24) as disk:
        folder = disk / "season"
        shutil.copytree(bench.home / "planned", folder)
        settings = settings_in(folder)
        run(["mount", "-o", "remount,ro", str(disk)])
        for step in _STEPS:
            done = run(lantern(settings, *(word.format(disk) for word in step)), well=False)
            if not done.returncode or len(done.stderr.strip().splitlines()) != 1:
                raise Wrong(f"{step[0]}: ended with {done.returncode}, said {done.stderr.strip()[-200:]!r}")
        run(["mount", "-o", "remount,rw", str(disk)])
        began = time.monotonic()
        judged(settings)
        for step in _STEPS:
            run(lantern(settings, *(word.format(disk) for word in step)))
        judged(settings)
        return time.monotonic() - began


FAULTS: dict[str, Callable[[Bench], float]] = {
    "kill worker preparing": worker_preparing,
    "kill worker planning": worker_planning,
    "kill command publishing": command_publishing,
    "kill command importing": command_importing,
    "kill command copying": command_copying,
    "kill command preparing": command_preparing,
    "kill migration": migration,
    "kill web": web_reporting,
    "two leads publish": two_leads,
    "worker hangs": hanging_worker,
    "full disk": full_disk,
    "read-only folder": read_only_folder,
}
MOUNTS = ("full disk", "read-only folder")


def bench_in(home: Path, seed: int = 0) -> Bench:
    """Make the seasons of which trials get copies."""
    from seed_demo.fleet import cutters_file, machine_files
    from tests.bench.small import WINDOW, touches

    compile_kernels()
    timed = settings_in(home / "timed")
    timed.folder.mkdir(parents=True)
    build(timed, 3)
    factory = session_factory(timed.database_url)
    with unit_of_work(factory) as db:
        for job in (1, 2, 3):
            store_survey(db, survey(inputs_of(db, job)), by=BY, at=NOW)
    _rested(factory)
    planned = settings_in(home / "planned")
    shutil.copytree(timed.folder, planned.folder)
    factory = session_factory(planned.database_url)
    plan_season(factory, 1, by=BY, now=NOW, seconds=0.5, workers=1)
    _rested(factory)
    with_drafts = settings_in(home / "drafts")
    shutil.copytree(planned.folder, with_drafts.folder)
    factory = session_factory(with_drafts.database_url)
    for number in (1, 2):
        drafts.draft_plan(
            factory, 1, why=f"trial {number}", by=BY, now=NOW + timedelta(minutes=number), seconds=0.3
        )
    _rested(factory)
    backup(planned, home / "copy.zip")
    old = settings_in(home / "old")
    shutil.copytree(timed.folder, old.folder)
    migrate.downgrade(old.database_url, migrate.revisions()[-2])
    _rested(session_factory(old.database_url))
    files = home / "files"
    files.mkdir()
    (files / "window.svg").write_bytes(WINDOW.replace(b"{0}", b"24"))
    (files / "touches.csv").write_text(touches(1))
    (files / "machine.json").write_text(machine_files()["Heron"])
    (files / "cutters.json").write_text(json.dumps({"cutters": json.loads(cutters_file())["cutters"][:1]}))
    (home / "earlier" / "job").mkdir(parents=True)
    _earlier_package(files, home / "earlier" / "job")
    return Bench(home, random.Random(seed))


def _earlier_package(files: Path, out: Path) -> None:
    run([*_COMMAND, "prepare", "--artwork", str(files / "window.svg"), "--touches", str(files / "touches.csv"),
         "--machine", str(files / "machine.json"), "--cutters", str(files / "cutters.json"), "--kind", "foam",
         "--wall-mm", "12", "--longitude", "40", "--out", str(out)])  # fmt: skip


def _rested(factory: Any) -> None:
    """Put everything into the one file, so that it can be copied, and close it."""
    with factory() as db:
        db.execute(text("PRAGMA wal_checkpoint(TRUNCATE)"))
    factory.kw["bind"].dispose()


def tried(bench: Bench, fault: str, trials: int) -> Result:
    """Try one fault so many times."""
    result = Result(fault)
    for _ in range(trials):
        result.trials += 1
        try:
            result.back_s.append(FAULTS[fault](bench))
        except Wrong as wrong:
            result.wrong.append(str(wrong))
        for folder in bench.home.glob(f"trial{os.getpid()}-*"):
            shutil.rmtree(folder, ignore_errors=True)
    return result


def main(arguments: list[str]) -> int:
    """Try the faults and print a line for each; return 1 where anything was wrong."""
    asked = argparse.ArgumentParser(prog="python -m tests.bench faults")
    asked.add_argument("--trials", type=int, default=50)
    asked.add_argument("--fault", action="append", choices=list(FAULTS))
    asked.add_argument("--seed", type=int, default=0)
    asked.add_argument("--home", type=Path, help="Where the prepared seasons lie; made there if absent.")
    options = asked.parse_args(arguments)
    wrong = False
    os.environ.pop("LANTERNWRIGHT_DATABASE_URL", None)
    with tempfile.TemporaryDirectory(prefix="lantern-faults-") as spare:
        home = options.home or Path(spare)
        ready = home / "ready"
        bench = Bench(home, random.Random(options.seed)) if ready.exists() else bench_in(home, options.seed)
        ready.touch()
        print(f"{'fault':<26}{'trials':>7}{'wrong':>7}{'back, median':>14}{'worst':>9}", flush=True)
        for fault in options.fault or FAULTS:
            if fault in MOUNTS and not may_mount():
                print(f"{fault:<26}  not tried: this user may not mount a small disk")
                continue
            one = tried(bench, fault, options.trials)
            seconds = one.back_s or [float("nan")]
            print(
                f"{fault:<26}{one.trials:>7}{len(one.wrong):>7}{median(seconds):>12.1f} s{max(seconds):>7.1f} s",
                flush=True,
            )  # fmt: skip
            for words in sorted(set(one.wrong)):
                print(f"  {words}")
            wrong |= bool(one.wrong)
    return 1 if wrong else 0
