"""How many reports a second are kept, and is one lost or counted twice when the server is killed?

`python -m tests.bench ingest [--reports 20000] [--letter 250] [--trials 20] [--seconds 4]`: the server runs
in a process of its own on a fresh SQLite file, controllers in this one. Speed: five controllers send letters
one after the other, as fast as they are answered; then everything is sent again. Trials: the server is killed
at a random moment while they send and is started again; all is sent again, answered or not, and the rows in
the file are counted by SQLite alone; a kill that came when all was answered is no trial, and is drawn again.
Bars: 1000 reports a second; none lost, none twice.
"""

from __future__ import annotations

import argparse
import http.client
import json
import logging
import multiprocessing
import random
import sqlite3
import tempfile
import threading
import time
from collections.abc import Iterator
from datetime import UTC, date, datetime, timedelta
from datetime import time as clock_time
from pathlib import Path
from typing import Any

from planner.config import Settings
from planner.database import migrate, tables
from planner.database.session import session_factory, unit_of_work
from planner.services import people

AT = datetime(2026, 10, 21, 6, 0, tzinfo=UTC)
SAID: dict[str, Any] = {"recorded_at": AT, "recorded_by": "bench"}
MACHINES, BAR_PER_S, RUN = 5, 1000.0, 20
KINDS = (
    "start", "run_time", "pause", "resume", "run_time", "pause", "resume", "fault", "run_time", "pause",
    "resume", "run_time", "pause", "resume", "run_time", "pause", "resume", "run_time", "run_time", "end",
)  # fmt: skip


def fill(url: str, runs: int) -> list[str]:
    """Make a database with machines, and so many prepared jobs each; return the machines' tokens."""
    migrate.upgrade(url)
    factory = session_factory(url)
    with unit_of_work(factory) as db:
        season = tables.Season(
            id=1, name="The Long Dusk", site="Larkmere", time_zone="Europe/London", dusk=clock_time(17, 25),
            opening_night=date(2026, 10, 24), last_night=date(2026, 11, 2), **SAID,
        )  # fmt: skip
        lot = tables.Lot(
            id=1, name="L-1", variety="Crown", kind="squash", quantity=runs, received_on=AT.date(), **SAID
        )
        db.add_all([season, lot])
        db.flush()
        for n in range(1, MACHINES * runs + 1):
            db.add(
                tables.Workpiece(id=n, lot_id=1, number=f"{n:05d}", diameter_mm=280, height_mm=250,
                                 state="hollow", **SAID)
            )  # fmt: skip
            db.add(tables.Job(id=n, season_id=1, workpiece_id=n, night=AT.date(), state="prepared", **SAID))
        tokens = []
        for n in range(1, MACHINES + 1):
            machine = tables.Machine(
                id=n, name=f"Machine {n}", description="{}", digest="0", max_diameter_mm=360,
                fixture_class="ring", **SAID,
            )  # fmt: skip
            db.add(machine)
            db.flush()
            tokens.append(people.make_machine_token(db, n, "controller", by="bench", at=AT))
    factory.kw["bind"].dispose()
    return tokens


def told(machine: int, runs: int) -> Iterator[dict[str, Any]]:
    """Yield a machine's reports in the order in which they happened: twenty a run."""
    for n in range(runs):
        job = machine * runs + n + 1
        for k, kind in enumerate(KINDS):
            at = AT + timedelta(minutes=40 * n + 2 * k)
            yield {"event": f"{n}-{k}", "kind": kind, "at": at.isoformat(), "job_id": job, "said": {"s": k}}


def serve(url: str, folder: str, port: Any) -> None:
    """Serve the API in this process and tell the port."""
    from waitress.server import create_server

    from web import create_app

    logging.getLogger("waitress.queue").setLevel(logging.ERROR)  # that letters wait for each other is wanted
    app = create_app(Settings(url, Path(folder), "Europe/London"), clock=lambda: AT, demo=True)
    server = create_server(app, host="127.0.0.1", port=0, threads=4)
    port.put(server.effective_port)
    server.run()


class Server:
    """A server in a process of its own."""

    def __init__(self, url: str, folder: str) -> None:
        context = multiprocessing.get_context("spawn")
        ports = context.Queue()
        self.process = context.Process(target=serve, args=(url, folder, ports), daemon=True)
        self.process.start()
        self.port: int = ports.get(timeout=120)

    def kill(self) -> None:
        """End it in the middle of whatever it does."""
        self.process.kill()
        self.process.join()

    def cpu_s(self) -> float:
        """Return the processor time it has taken so far [s]."""
        parts = Path(f"/proc/{self.process.pid}/stat").read_text().rsplit(")", 1)[1].split()
        return (int(parts[11]) + int(parts[12])) / 100.0


def send(port: int, token: str, letter: list[dict[str, Any]], connection: Any = None) -> tuple[int, int]:
    """Send one letter; return how many were kept now and how many had been before."""
    line = connection or http.client.HTTPConnection("127.0.0.1", port, timeout=60)
    head = {"Authorization": f"Bearer {token}", "Content-Type": "application/json"}
    line.request("POST", "/api/v1/machine-reports", json.dumps({"reports": letter}), head)
    answer = line.getresponse()
    body = answer.read()
    if answer.status != 200:
        raise RuntimeError(f"{answer.status}: {body[:300]!r}")
    kept = sum(one["kept"] for one in json.loads(body))
    return kept, len(letter) - kept


def letters(machine: int, runs: int, size: int) -> list[list[dict[str, Any]]]:
    """Return a machine's reports in letters."""
    every = list(told(machine, runs))
    return [every[n : n + size] for n in range(0, len(every), size)]


def speed(reports: int, size: int) -> bool:
    """Measure how many reports a second are kept, and how fast they are known when sent again."""
    runs = max(1, reports // (MACHINES * RUN))
    with tempfile.TemporaryDirectory() as folder:
        url = f"sqlite:///{Path(folder) / 'bench.db'}"
        tokens = fill(url, runs)
        server = Server(url, folder)
        send(server.port, tokens[0], [])  # what is loaded once is loaded before
        told_words = ("sent", "sent again")
        fast = True
        for words in told_words:
            began, cpu = time.perf_counter(), server.cpu_s()
            counts = [[0, 0] for _ in tokens]

            def speak(n: int, counts: list[list[int]] = counts) -> None:
                line = http.client.HTTPConnection("127.0.0.1", server.port, timeout=60)
                for letter in letters(n, runs, size):
                    kept, known = send(server.port, tokens[n], letter, line)
                    counts[n][0] += kept
                    counts[n][1] += known

            crowd = [threading.Thread(target=speak, args=(n,)) for n in range(MACHINES)]
            for one in crowd:
                one.start()
            for one in crowd:
                one.join()
            took, used = time.perf_counter() - began, server.cpu_s() - cpu
            kept, known = sum(c[0] for c in counts), sum(c[1] for c in counts)
            total = kept + known
            print(
                f"{words}: {kept} kept, {known} known before, {took:.1f} s = {total / took:.0f} a second; "
                f"{used:.1f} s of a processor = {total / max(used, 0.01):.0f} a second of it"
            )
            fast = fast and total / took >= BAR_PER_S
        server.kill()
        print(f"in the file: {counted(Path(folder) / 'bench.db')}")
    return fast


def counted(path: Path) -> dict[str, int]:
    """Count rows by SQLite alone."""
    with sqlite3.connect(path) as store:
        asked = {
            "reports": "SELECT count(*) FROM machine_reports",
            "different": "SELECT count(DISTINCT machine_id || ' ' || event) FROM machine_reports",
            "runs": "SELECT count(*) FROM runs WHERE voided_at IS NULL",
            "ended": "SELECT count(*) FROM runs WHERE voided_at IS NULL AND outcome = 'finished'",
            "pauses": "SELECT count(*) FROM pauses WHERE voided_at IS NULL",
            "faults": "SELECT count(*) FROM run_marks WHERE voided_at IS NULL",
        }
        return {name: int(store.execute(words).fetchone()[0]) for name, words in asked.items()}


def killed_once(chance: random.Random, seconds: float, size: int) -> bool | None:
    """Kill the server once while controllers send; return whether all was kept, once; None = it had ended."""
    runs = 40
    with tempfile.TemporaryDirectory() as folder:
        url = f"sqlite:///{Path(folder) / 'bench.db'}"
        tokens = fill(url, runs)
        server = Server(url, folder)
        answered = [0] * MACHINES
        all_letters = [letters(n, runs, size) for n in range(MACHINES)]

        def speak(n: int) -> None:
            line = http.client.HTTPConnection("127.0.0.1", server.port, timeout=60)
            for letter in all_letters[n]:
                try:
                    send(server.port, tokens[n], letter, line)
                except (OSError, http.client.HTTPException):
                    return  # the server is gone: whether this letter was kept is not known
                answered[n] += 1

        crowd = [threading.Thread(target=speak, args=(n,)) for n in range(MACHINES)]
        for one in crowd:
            one.start()
        time.sleep(chance.uniform(0.02, seconds))
        server.kill()
        for one in crowd:
            one.join()
        if sum(answered) == sum(map(len, all_letters)):
            return None
        after_kill = counted(Path(folder) / "bench.db")
        promised = sum(size * count for count in answered)
        server = Server(url, folder)
        for n in range(MACHINES):
            for letter in all_letters[n]:  # all of it again: what was answered too
                send(server.port, tokens[n], letter)
        server.kill()
        found = counted(Path(folder) / "bench.db")
    sent = MACHINES * runs * RUN
    right = {
        "reports": sent, "different": sent, "runs": MACHINES * runs, "ended": MACHINES * runs,
        "pauses": MACHINES * runs * 5, "faults": MACHINES * runs,
    }  # fmt: skip
    fine = found == right and after_kill["reports"] >= promised
    print(
        f"killed after {promised} of {sent} were answered, {after_kill['reports']} were in the file; "
        f"at the end {found['reports']}, {'each once' if fine else f'WRONG: {found}, expected {right}'}",
        flush=True,
    )
    return fine


def main(arguments: list[str]) -> int:
    """Measure and try; return 1 where a bar is missed."""
    asked = argparse.ArgumentParser(prog="python -m tests.bench ingest")
    asked.add_argument("--reports", type=int, default=20_000)
    asked.add_argument("--letter", type=int, default=250)
    asked.add_argument("--trials", type=int, default=20)
    asked.add_argument("--seconds", type=float, default=4.0, help="The kill comes before so long.")
    asked.add_argument("--seed", type=int, default=0)
    options = asked.parse_args(arguments)
    fast = options.reports == 0 or speed(options.reports, options.letter)
    chance = random.Random(options.seed)
    fine: list[bool] = []
    while len(fine) < options.trials:
        found = killed_once(chance, options.seconds, 20)
        if found is not None:
            fine.append(found)
    if fine:
        print(f"{sum(fine)} of {len(fine)} trials: none lost, none counted twice")
    return 0 if fast and all(fine) else 1
