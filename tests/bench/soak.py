"""Does everything hold for a long time? A season at many times its speed, with everybody at work at once.

`python -m tests.bench soak [--minutes 30] [--speed 100]`: pages and worker, three controllers that report starts,
pauses, faults and ends as the plan runs (some twice, some late), a hand who rates and places what was cut, two leads
who re-plan and take each other's drafts, and somebody who looks.
At the end every rule of `lanternwright check` is judged, each answer of 500 or more is counted, and the memory of
pages and worker is held against what it was after the warm-up. Ends with 1 where a rule is broken, an answer failed,
or memory grew by more than 10 %.
"""

# ruff: noqa: E501
from __future__ import annotations

import argparse
import itertools
import random
import tempfile
import threading
import time
from collections import Counter
from collections.abc import Callable
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from sqlalchemy import func, select

from planner.audit import audit
from planner.config import Settings
from planner.database import tables
from planner.database.session import reading, session_factory, unit_of_work
from planner.errors import PlannerError
from planner.services import people
from planner.services.planning import plan_season
from planner.services.preparing import Prepared, Survey, Timed, store_preparation, store_survey
from planner.worker import next_done
from tests.bench.small import BY, NOW, build, settings_in
from web import create_app

MACHINES = ("Wren", "Heron", "Otter")
GROWTH = 0.10
PAGES = (
    "/tonight",
    "/",
    "/floor",
    "/jobs",
    "/plan",
    "/machines",
    "/cutters",
    "/changes",
    "/venue",
    "/works.json",
)


def memory_mb() -> float:
    """Return what this process holds, pages, worker and all, once nothing is waiting to be thrown away."""
    import gc

    gc.collect()
    text = Path("/proc/self/status").read_text()
    return int(next(line for line in text.splitlines() if line.startswith("VmRSS")).split()[1]) / 1024


class Season:
    """A season whose clock runs fast, and everybody in it."""

    def __init__(self, settings: Settings, jobs: int, speed: float) -> None:
        self.settings, self.speed, self.began = settings, speed, time.monotonic()
        self.season_id = build(settings, jobs, machines=MACHINES)
        self.factory = session_factory(settings.database_url)
        self._prepared(jobs)
        self.app = create_app(settings, clock=self.now, demo=True)
        self.app.config["WTF_CSRF_ENABLED"] = False
        self.over = threading.Event()
        self.told: Counter[str] = Counter()
        self.failed: list[str] = []

    def now(self) -> datetime:
        """Return the season's present instant."""
        return NOW + timedelta(seconds=self.speed * (time.monotonic() - self.began))

    def _prepared(self, jobs: int) -> None:
        """Keep times and programs for every job as if they had been prepared; the engine is not what is tried."""
        with unit_of_work(self.factory) as db:
            machines = {m.id: m.name for m in db.scalars(select(tables.Machine))}
            for job in range(1, jobs + 1):
                times = tuple(Timed(m, True, "", 8.0 + job % 5, {"6 mm flat": 0.001}) for m in machines)
                store_survey(db, Survey(job, times, ()), by=BY, at=NOW)
                for machine in machines:
                    store_preparation(db, self._program(job, machine, machines[machine]), by=BY, at=NOW)
        plan_season(self.factory, self.season_id, by=BY, now=NOW, seconds=3.0, workers=1)

    def _program(self, job: int, machine: int, name: str) -> Prepared:
        import hashlib
        import json

        from planner.services.preparing import inputs_of

        with reading(self.factory) as db:
            digest = inputs_of(db, job).digest(name)
        folder = f"{job:05d}-{digest[:12]}"
        program = f"({job} on {name})\nM2\n".encode()
        zero = dict.fromkeys(
            ("outline_median_mm", "outline_p99_mm", "outline_max_mm", "depth_median_mm", "depth_max_mm"), 0.0
        )
        said = {
            "seconds": {"total": 500.0}, "cutting_mm": 900.0, "cutters": [{"name": "6 mm flat", "wear": 0.001}],
            "proof": zero, "findings": [], "files": {"program.nc": hashlib.sha256(program).hexdigest()},
        }  # fmt: skip
        (self.settings.packages / folder).mkdir(parents=True, exist_ok=True)
        (self.settings.packages / folder / "program.nc").write_bytes(program)
        (self.settings.packages / folder / "job.json").write_text(json.dumps(said))
        return Prepared(job, machine, digest, folder, said, ())

    # --- everybody ---

    def _asked(self, what: str, answer: Any) -> Any:
        self.told[f"{what} {answer.status_code}"] += 1
        if answer.status_code >= 500:
            self.failed.append(f"{what}: {answer.status_code}")
        said = answer.get_json(silent=True)
        answer.close()
        return said

    def controller(self, machine_id: int) -> None:
        """Report what the plan says as it runs: starts, pauses, faults and ends, some twice, some late."""
        chance = random.Random(machine_id)
        with unit_of_work(self.factory) as db:
            token = people.make_machine_token(db, machine_id, f"controller {machine_id}", by=BY, at=NOW)
        client = self.app.test_client()
        numbers = itertools.count(1)

        def tell(kind: str, job: int, at: datetime, **said: Any) -> None:
            report = {
                "event": f"e{next(numbers)}",
                "kind": kind,
                "at": at.isoformat(),
                "job_id": job,
                "said": said,
            }
            sent = [report, report] if chance.random() < 0.2 else [report]
            self._asked("report", client.post(
                "/api/v1/machine-reports", json={"reports": sent}, headers={"Authorization": f"Bearer {token}"}
            ))  # fmt: skip

        while not self.over.is_set():
            job = self._due(machine_id)
            if job is None:
                tell("run_time", 1, self.now())
                self._pass(5.0)
                continue
            began = self.now()
            late = chance.random() < 0.1
            if not late:
                tell("start", job, began)
            self._pass(4.0 + job % 5)
            broken = chance.random() < 0.1
            if broken or chance.random() < 0.2:
                tell("fault" if broken else "pause", job, self.now())
                self._pass(chance.uniform(1, 4))
                tell("resume", job, self.now())
            self._pass(4.0)
            if late:
                tell("start", job, began)
            tell("end", job, self.now(), outcome="stopped" if broken else "finished")

    def _due(self, machine_id: int) -> int | None:
        """Return the job that a machine cuts next, once its time has come."""
        row, job = tables.PlanRow, tables.Job
        with reading(self.factory) as db:
            return db.scalar(
                select(row.job_id).join(tables.Plan).join(job)
                .where(row.machine_id == machine_id, tables.Plan.state == "published", job.state == "prepared",
                       row.start_at <= self.now())
                .order_by(row.start_at).limit(1)
            )  # fmt: skip

    def _pass(self, minutes: float) -> None:
        """Let so many minutes of the season go by."""
        self.over.wait(60 * minutes / self.speed)

    def hand(self) -> None:
        """Rate what was cut and put it in its place."""
        chance = random.Random(9)
        client = self.app.test_client()
        while not self.over.is_set():
            with reading(self.factory) as db:
                cut = db.scalars(select(tables.Job.id).where(tables.Job.state == "cut").limit(5)).all()
            for job in cut:
                self._asked(
                    "rate", client.post(f"/api/v1/jobs/{job}/ratings", json={"rating": chance.randint(5, 10)})
                )
                self._asked("place", client.post(f"/api/v1/jobs/{job}/place"))
            self._pass(10.0)

    def lead(self, number: int) -> None:
        """Report trouble, ask for drafts, take them, take things back."""
        chance = random.Random(number)
        client = self.app.test_client()
        while not self.over.is_set():
            machine = chance.choice((1, 2, 3))
            said = self._asked(
                "down", client.post(f"/api/v1/machines/{machine}/down", json={"hours": 1, "reason": "belt"})
            )
            self._asked("draft", client.post("/api/v1/drafts", json={}))
            self._pass(chance.uniform(5, 30))
            with reading(self.factory) as db:
                draft = db.scalar(select(func.max(tables.Plan.id)).where(tables.Plan.state == "draft"))
            if draft:
                self._asked("take", client.post(f"/api/v1/drafts/{draft}/take"))
            self._asked("up", client.post(f"/api/v1/machines/{machine}/up"))
            if said and said.get("change_id") and chance.random() < 0.3:
                self._asked("undo", client.post(f"/api/v1/changes/{said['change_id']}/undo"))
            self._pass(chance.uniform(5, 30))

    def onlooker(self) -> None:
        """Look at every page in turn."""
        client = self.app.test_client()
        while not self.over.is_set():
            for page in PAGES:
                self._asked("look", client.get(page))
                self.over.wait(0.02)

    def worker(self) -> None:
        """Do what is asked for."""
        while not self.over.is_set():
            if not next_done(self.settings, self.factory, "soak", self.now):
                self.over.wait(0.1)

    def guarded(self, what: Callable[[], None]) -> Callable[[], None]:
        """Return the same, with what breaks kept instead of lost in a thread."""

        def run() -> None:
            try:
                what()
            except (PlannerError, Exception) as broken:
                self.failed.append(f"{type(broken).__name__}: {broken}"[:300])

        return run


def soak(
    folder: Path, seconds: float, speed: float, jobs: int, begin_h: float = 0.0
) -> tuple[Season, float, float, tuple[str, ...]]:
    """Let everybody work, from so many hours after planning on.

    Returns the season, memory after the warm-up and at the end [MB], and what is broken.
    """
    season = Season(settings_in(folder), jobs, speed)
    everybody: list[Callable[[], None]] = [season.worker, season.onlooker, season.hand]
    everybody += [lambda n=n: season.controller(n) for n in (1, 2, 3)]  # type: ignore[misc]
    everybody += [lambda n=n: season.lead(n) for n in (1, 2)]  # type: ignore[misc]
    threads = [threading.Thread(target=season.guarded(one)) for one in everybody]
    season.began = time.monotonic() - 3600 * begin_h / speed
    for thread in threads:
        thread.start()
    time.sleep(0.3 * seconds)
    warm = memory_mb()
    time.sleep(0.7 * seconds)
    season.over.set()
    for thread in threads:
        thread.join()
    end = memory_mb()
    with reading(season.factory) as db:
        found = audit(db, season.settings.packages)
        for outcome, times in db.execute(
            select(tables.Run.outcome, func.count()).group_by(tables.Run.outcome)
        ):
            season.told[f"runs {outcome or 'open'}"] = times
    season.factory.kw["bind"].dispose()
    season.app.extensions["venue"].factory.kw["bind"].dispose()
    return season, warm, end, tuple(f"{one.rule}: {one.words}" for one in found.breaches)


def main(arguments: list[str]) -> int:
    """Let a season run, and return 1 where something did not hold."""
    asked = argparse.ArgumentParser(prog="python -m tests.bench soak")
    asked.add_argument("--minutes", type=float, default=30.0)
    asked.add_argument("--speed", type=float, default=100.0)
    asked.add_argument("--jobs", type=int, default=400)
    options = asked.parse_args(arguments)
    with tempfile.TemporaryDirectory(prefix="lantern-soak-") as home:
        season, warm, end, broken = soak(Path(home), 60 * options.minutes, options.speed, options.jobs)
    for what, times in sorted(season.told.items()):
        print(f"{what:<20}{times:>8}")
    print(
        f"memory {warm:.0f} MB after the warm-up, {end:.0f} MB at the end: {end / warm - 1:+.1%}, at most +{GROWTH:.0%}"
    )
    for words in (*sorted(set(season.failed))[:10], *broken[:10]):
        print(f"  {words}")
    print(f"{len(season.failed)} failed, {len(broken)} rules broken")
    return 1 if season.failed or broken or end > (1 + GROWTH) * warm else 0
