"""Does one win and the other get told, where two act at once; is a copy one moment's state?"""

from __future__ import annotations

import threading
import time

from sqlalchemy import select

from planner.database import tables
from planner.database.session import reading, unit_of_work
from planner.errors import Conflict
from planner.services import drafts, intake
from planner.services.backup import backup, contents_of
from tests.bench.small import BY, NOW
from tests.bench.trials.judging import Wrong, count, judged, one_in_force, opened
from tests.bench.trials.processes import run
from tests.bench.trials.seasons import JOBS, Bench


def two_leads(bench: Bench) -> float:
    """Two leads take two drafts at once: one wins, the other is told."""
    settings = bench.fresh("drafts")
    gate = threading.Barrier(2)
    told: list[str] = []
    with opened(settings) as factory:
        with reading(factory) as db:
            ids = list(db.scalars(select(tables.Plan.id).where(tables.Plan.state == "draft").limit(2)))

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
        seconds = time.monotonic() - began
    if sorted(told) != ["told", "won"]:
        raise Wrong(f"two leads were told {told}")
    judged(settings)
    one_in_force(settings)
    return seconds


def copy_while_writing(bench: Bench) -> float:
    """Take a copy while somebody writes lots, each with its piece: it never holds half of a pair."""
    settings = bench.fresh("planned")
    out = settings.folder / "copy.zip"
    over = threading.Event()
    written = 0

    def write() -> None:
        nonlocal written
        with opened(settings) as factory:
            while not over.is_set():
                with unit_of_work(factory) as db:
                    lot = intake.add_lot(db, f"W-{written}", "block", "foam", 1, NOW.date(), by=BY, at=NOW)
                    intake.add_workpiece(db, lot.id, f"W{written}", 220.0, 220.0, by=BY, at=NOW)
                written += 1

    writer = threading.Thread(target=write)
    writer.start()
    try:
        time.sleep(bench.chance.uniform(0, 0.5))
        run(settings, "backup", "--out", str(out))
    finally:
        over.set()
        writer.join()
    there = bench.empty()
    began = time.monotonic()
    run(there, "restore", "--from", str(out))
    seconds = time.monotonic() - began
    judged(there)
    lots = count(there, tables.Lot) - 1
    if lots != count(there, tables.Workpiece) - JOBS or not written:
        raise Wrong(
            f"{lots} lots that were written with their piece, {count(there, tables.Workpiece)} pieces"
        )
    backup(there, there.folder / "again.zip")
    if contents_of(there.folder / "again.zip")["sha256"] != contents_of(out)["sha256"]:
        raise Wrong("what came back is not what was kept")
    judged(settings)
    return seconds
