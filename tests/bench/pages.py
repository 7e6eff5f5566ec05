"""How fast do the pages answer? Ten thousand invented jobs, twenty people at once, every page in turn.

`python -m tests.bench pages [--jobs 10000] [--people 20] [--seconds 60] [--alone] [--writes-every 5]`: a
server of its own in another process, people of three roles as threads that look at a page, think, and look at
the next; meanwhile something is written every few seconds, so that no page can be given again for long.
Prints the median and the 95th percentile of each page, by the clock and by the server's processor, and how
long a fixed piece of work takes on this computer meanwhile: on one that others use too, the clock tells of
them as well. Ends with 1 where a page failed or the 95th percentile by the clock is above the bar: 150 ms
with all people, 100 ms with one.
"""

from __future__ import annotations

import argparse
import http.client
import logging
import multiprocessing
import random
import tempfile
import threading
import time
from collections import defaultdict
from datetime import UTC, date, datetime, timedelta
from datetime import time as clock_time
from pathlib import Path
from statistics import median, quantiles
from typing import Any

from sqlalchemy import insert
from sqlalchemy.orm import Session

from planner.config import Settings
from planner.database import migrate, tables
from planner.database.session import session_factory, unit_of_work
from planner.database.states import Role
from planner.services.people import open_sign_in

NOW = datetime(2026, 10, 21, 7, 15, tzinfo=UTC)
SAID = {"recorded_at": NOW, "recorded_by": "bench"}
PAGES = (
    "/tonight", "/", "/floor", "/floor/3", "/jobs", "/jobs?q=walk+fox", "/jobs?page=120", "/jobs/4321",
    "/workpieces", "/workpieces?page=60", "/designs", "/machines", "/cutters", "/plan", "/changes",
    "/paper/pick", "/venue", "/works.json", "/wall", "/api/v1/jobs", "/api/v1/tonight",
)  # fmt: skip
THINK_S = 3.0  # on average, between one page and the next: a person who is in a hurry
BAR_MS, ALONE_MS = 150.0, 100.0
MACHINES, STATIONS, NIGHTS = 8, 400, 100  # a venue that lights the whole winter
WORN_OUT = 30  # cutters
WEAR = {"6F": 0.01, "3B": 0.004}


def fill(db: Session, jobs: int) -> None:
    """Write a season with as many jobs, all planned, each with a preparation and three run times.

    A third of them is cut: by runs with what they took out of cutters that were changed since.
    """
    season = tables.Season(
        id=1, name="The Long Dusk", site="Larkmere", time_zone="Europe/London", dusk=clock_time(17, 25),
        opening_night=date(2026, 10, 24), last_night=date(2026, 10, 24) + timedelta(days=NIGHTS - 1), **SAID,
    )  # fmt: skip
    season.nights = [
        tables.Night(night=season.opening_night + timedelta(days=n), temperature_c=11.0)
        for n in range(NIGHTS)
    ]
    names = ("Running Fox", "Moth Pair", "Fern Spiral", "Leaf Fall")
    designs = [
        tables.Design(
            id=n, name=name, **SAID,
            versions=[
                tables.DesignVersion(
                    id=n, version=1, artwork=b"<svg/>", file_name="a.svg", digest="0", width_mm=200,
                    height_mm=120, **SAID,
                )
            ],
        )
        for n, name in enumerate(names, 1)
    ]  # fmt: skip
    machines = [
        tables.Machine(
            id=n, name=f"Machine {n}", description="{}", digest="0", max_diameter_mm=360,
            fixture_class="ring", **SAID,
            shifts=[
                tables.MachineShift(
                    start_at=NOW.replace(hour=5, minute=0) + timedelta(days=d),
                    end_at=NOW.replace(hour=16, minute=0) + timedelta(days=d), **SAID,
                )
                for d in range(NIGHTS)
            ],
        )
        for n in range(1, MACHINES + 1)
    ]  # fmt: skip
    cutters = [_cutter(n) for n in range(60)]
    lot = tables.Lot(
        id=1, name="L-1", variety="Crown", kind="squash", quantity=jobs, received_on=NOW.date(), **SAID
    )
    plan = tables.Plan(
        id=1, season_id=1, state="published", start_at=NOW, seed=0, seconds=60, tiers={}, published_at=NOW,
        published_by="bench", problem={"frozen_until_min": 60}, **SAID,
    )  # fmt: skip
    db.add_all([season, *designs, *machines, *cutters, lot, plan])
    db.flush()
    areas = ("Lime Walk", "Orangery", "Root Row", "Pergola", "Gate")
    _put(db, tables.Station, [
        {"id": n, "season_id": 1, "name": f"{areas[n % 5]} {n}", "area": areas[n % 5], "size_class": "large",
         "kind": "through", "least_rating": 6}
        for n in range(1, STATIONS + 1)
    ])  # fmt: skip
    _put(db, tables.Workpiece, [
        {"id": n, "lot_id": 1, "number": f"{n:05d}", "diameter_mm": 280, "height_mm": 250, "ribs": 10,
         "state": "hollow", "store_place": f"rack {n % 40}", "clamp_number": 0, "note": "", **SAID}
        for n in range(1, jobs + 1)
    ])  # fmt: skip
    _put(db, tables.Job, [
        {"id": n, "season_id": 1, "station_id": 1 + n % STATIONS, "workpiece_id": n,
         "night": date(2026, 10, 24) + timedelta(days=(n // STATIONS) % NIGHTS),
         "design_version_id": 1 + n % 4, "state": "prepared" if n % 3 else "cut", "revision": 1,
         "longitude_deg": 0.0, "latitude_deg": 5.0, "turn_deg": 0.0, "mirror": False, "cutter_types": [],
         "overrides": {}, "priority": 1, **SAID}
        for n in range(1, jobs + 1)
    ])  # fmt: skip
    _put(db, tables.Preparation, [
        {"id": n, "job_id": n, "machine_id": 1 + n % MACHINES, "state": "done", "inputs_digest": "0",
         "folder": f"job_{n}", "run_s": 1200.0, "cutting_m": 2.0, "wear": WEAR, "findings": [],
         "prepared_at": NOW, "engine_version": "0", **SAID}
        for n in range(1, jobs + 1)
    ])  # fmt: skip
    _put(db, tables.RunTime, [
        {"job_id": n, "machine_id": 1 + (n + k) % MACHINES, "preparation_id": n if k == 0 else None,
         "eligible": True, "reason": "", "run_min": 20.0 + k, "wear": WEAR}
        for n in range(1, jobs + 1) for k in range(3)
    ])  # fmt: skip
    a_day = -(-jobs // (MACHINES * NIGHTS))
    each = timedelta(hours=11) / a_day
    rows = []
    for n in range(1, jobs + 1):
        turn = (n - 1) // MACHINES
        begin = NOW.replace(hour=5, minute=0) + timedelta(days=turn // a_day) + each * (turn % a_day)
        rows.append(
            {"plan_id": 1, "job_id": n, "step": 0, "machine_id": 1 + n % MACHINES, "start_at": begin,
             "end_at": begin + each, "cutters": ["6F-1", "3B-1"]}
        )  # fmt: skip
    _put(db, tables.PlanRow, rows)
    _cut(db, [n for n in range(1, jobs + 1) if n % 3 == 0])
    _put(db, tables.Change, [
        {"kind": "up", "words": f"Machine {n % MACHINES + 1} is up", "undo": {}, **SAID} for n in range(5000)
    ])  # fmt: skip


def _cutter(n: int) -> tables.Cutter:
    """Return one of sixty: two on each machine, the last ones worn out, the rest in the store."""
    kind, rpm = ("6F", "3B")[n % 2], (9_000, 12_000, 15_000)[n % 3]
    law = {"exponent": 0.25, "constant_m_per_min": 600}
    fitted, worn = n < 2 * MACHINES, n >= 60 - WORN_OUT
    return tables.Cutter(
        id=n + 1, name=f"{kind}-{n:02d}", type_name=kind, life_left=0.0 if worn else 1 - n / 70,
        description={"name": kind, "diameter_mm": 6.0, "rpm": rpm, "life": law},
        state="fitted" if fitted else "dull" if worn else "stored",
        machine_id=1 + n // 2 if fitted else None, **SAID,
    )  # fmt: skip


def _cut(db: Session, job_ids: list[int]) -> None:
    """Write the runs of jobs that are cut, one after the other over thirty days, with two cutters in each."""
    begins = [NOW - timedelta(days=30) + n * timedelta(days=30) / len(job_ids) for n in range(len(job_ids))]
    _put(db, tables.Run, [
        {"id": n, "job_id": n, "machine_id": 1 + n % MACHINES, "workpiece_id": n, "preparation_id": n,
         "started_at": begin - timedelta(minutes=25), "ended_at": begin, "outcome": "finished", "checks": [],
         **SAID}
        for n, begin in zip(job_ids, begins, strict=True)
    ])  # fmt: skip
    a_life = -(-2 * len(job_ids) // WORN_OUT)
    _put(db, tables.CutterUse, [
        {"run_id": n, "cutter_id": 60 - WORN_OUT + 1 + 2 * (turn // a_life) + k, "metres": 1.0 + k,
         "minutes": 0.1 + 0.01 * (turn // a_life % 7), "wear": 1 / a_life, **SAID}
        for turn, n in enumerate(job_ids) for k in range(2)
    ])  # fmt: skip
    _put(db, tables.CutterEntry, [
        {"cutter_id": n, "kind": "dull", "happened_at": NOW, **SAID} for n in range(60 - WORN_OUT + 1, 61)
    ])  # fmt: skip


def _put(db: Session, table: Any, rows: list[dict[str, Any]]) -> None:
    for start in range(0, len(rows), 500):
        db.execute(insert(table), rows[start : start + 500])


def serve(url: str, folder: str, people: int, port: Any) -> None:
    """Serve the pages in this process; tell the port, and the cookie of each of so many people."""
    from waitress.server import create_server

    from web import create_app

    logging.getLogger("waitress.queue").setLevel(logging.ERROR)  # a queue is what is measured here
    begun = time.monotonic()

    def clock() -> datetime:  # goes on, so that pages grow old as they do elsewhere
        return NOW + timedelta(seconds=time.monotonic() - begun)

    app = create_app(Settings(url, Path(folder), "Europe/London"), clock=clock)
    _tell_processor_time(app)
    server = create_server(app, host="127.0.0.1", port=0, threads=8)
    port.put((server.effective_port, _cookies(app, people)))
    server.run()


def _cookies(app: Any, people: int) -> list[str]:
    """Return the cookies of people who are signed in, each under their own name: leads, hands and viewers."""
    signer = app.session_interface.get_signing_serializer(app)
    factory = app.extensions["venue"].factory
    out = []
    for n in range(people):
        with unit_of_work(factory) as db:
            role = (Role.LEAD, Role.HAND, Role.VIEWER)[n % 3]
            person = tables.Person(name=f"Person {n}", role=role, password="nobody types it", **SAID)
            db.add(person)
            db.flush()
            token = open_sign_in(db, person.id, at=NOW)
        out.append(f"{app.config['SESSION_COOKIE_NAME']}={signer.dumps({'token': token})}")
    return out


def _tell_processor_time(app: Any) -> None:
    """Let each answer say how much time of the processor its own thread took [ms]."""
    from flask import g

    def begin() -> None:
        g.cpu_began = time.thread_time()

    def end(answer: Any) -> Any:
        answer.headers["X-Processor-Ms"] = f"{1000 * (time.thread_time() - g.cpu_began):.2f}"
        return answer

    app.before_request_funcs.setdefault(None, []).insert(0, begin)
    app.after_request(end)


def write_now_and_then(url: str, until: float, every_s: float) -> None:
    """Write a change every few seconds, as people and the worker do."""
    factory = session_factory(url)
    while time.monotonic() < until:
        time.sleep(every_s)
        with unit_of_work(factory) as db:
            db.add(tables.Change(kind="up", words="Machine 1 is up", undo={}, **SAID))
    factory.kw["bind"].dispose()


def fixed_work_ms() -> float:
    """Return how long a fixed piece of work takes here and now, by the processor's time [ms]."""
    began, kept = time.thread_time(), {}
    for n in range(60_000):
        kept[n % 97] = str(n)
    return 1000 * (time.thread_time() - began)


def look(
    port: int,
    cookie: str,
    until: float,
    seed: int,
    think_s: float,
    told: dict[str, list[tuple[float, float]]],
    bad: list[str],
) -> None:
    """Look at one page after another, as one person does."""
    chance = random.Random(seed)
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=30)
    while time.monotonic() < until:
        time.sleep(chance.uniform(0, 2 * think_s))  # before the first look too: nobody begins on a whistle
        page = chance.choice(PAGES)
        began = time.perf_counter()
        try:
            connection.request("GET", page, headers={"Cookie": cookie})
            answer = connection.getresponse()
            answer.read()
        except OSError as error:
            bad.append(f"{page}: {error}")
            connection = http.client.HTTPConnection("127.0.0.1", port, timeout=30)
            continue
        spent = float(answer.headers.get("X-Processor-Ms", "nan"))
        told[page].append((1000 * (time.perf_counter() - began), spent))
        if answer.status != 200:
            bad.append(f"{page}: {answer.status}")


def main(arguments: list[str]) -> int:
    """Measure the pages; return 1 where one failed or the bar is not met."""
    asked = argparse.ArgumentParser(prog="python -m tests.bench pages")
    asked.add_argument("--jobs", type=int, default=10_000)
    asked.add_argument("--people", type=int, default=20)
    asked.add_argument("--seconds", type=float, default=60.0)
    asked.add_argument("--alone", action="store_true", help="One person without a pause, bar 100 ms.")
    asked.add_argument("--writes-every", type=float, default=5.0, help="Seconds between two writes.")
    options = asked.parse_args(arguments)
    people = 1 if options.alone else options.people
    with tempfile.TemporaryDirectory() as folder:
        url = f"sqlite:///{Path(folder) / 'bench.db'}"
        migrate.upgrade(url)
        factory = session_factory(url)
        with unit_of_work(factory) as db:
            fill(db, options.jobs)
        factory.kw["bind"].dispose()
        context = multiprocessing.get_context("spawn")
        port_queue = context.Queue()
        server = context.Process(target=serve, args=(url, folder, people, port_queue), daemon=True)
        server.start()
        port, cookies = port_queue.get(timeout=60)
        told: dict[str, list[tuple[float, float]]] = defaultdict(list)
        bad: list[str] = []
        for page in PAGES:  # what is loaded once is loaded before
            connection = http.client.HTTPConnection("127.0.0.1", port, timeout=60)
            connection.request("GET", page, headers={"Cookie": cookies[0]})
            connection.getresponse().read()
        until = time.monotonic() + options.seconds
        think_s = 0.0 if options.alone else THINK_S
        crowd = [
            threading.Thread(target=look, args=(port, cookie, until, seed, think_s, told, bad))
            for seed, cookie in enumerate(cookies)
        ]
        crowd.append(threading.Thread(target=write_now_and_then, args=(url, until, options.writes_every)))
        for person in crowd:
            person.start()
        pace = []
        while time.monotonic() < until:
            time.sleep(min(5.0, options.seconds / 4))
            pace.append(fixed_work_ms())
        for person in crowd:
            person.join()
        server.terminate()
        server.join()
    print(f"a fixed piece of work: median {median(pace):.1f} ms of the processor")
    return _report(told, bad, people, ALONE_MS if options.alone else BAR_MS)


def _report(told: dict[str, list[tuple[float, float]]], bad: list[str], people: int, bar_ms: float) -> int:
    print(f"{'page':<24}{'looks':>7}{'median':>10}{'p95':>10}{'processor: median':>20}{'p95':>10}")
    for page in PAGES:
        times = told[page]
        if len(times) > 1:
            cut, spent = quantiles([t for t, _ in times], n=20), quantiles([c for _, c in times], n=20)
            print(
                f"{page:<24}{len(times):>7}{cut[9]:>7.0f} ms{cut[18]:>7.0f} ms"
                f"{spent[9]:>17.1f} ms{spent[18]:>7.1f} ms"
            )
    every = [one for times in told.values() for one in times]
    p95, spent95 = (
        (quantiles([one[k] for one in every], n=20)[18] if len(every) > 1 else float("inf")) for k in (0, 1)
    )
    print(
        f"{people} people, {len(every)} looks, {len(bad)} failed, p95 {p95:.0f} ms "
        f"({spent95:.0f} ms of the processor), bar {bar_ms:.0f} ms"
    )
    for line in sorted(set(bad))[:5]:
        print(f"  {line}")
    return 1 if bad or p95 > bar_ms else 0
