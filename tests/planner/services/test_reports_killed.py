"""Is every report there once, though the process that kept them was killed in the middle?"""

from __future__ import annotations

import multiprocessing
import sqlite3
import time
from datetime import UTC, date, datetime, timedelta
from datetime import time as clock_time
from pathlib import Path
from typing import Any

import pytest

from planner.database import migrate, tables
from planner.database.session import session_factory, unit_of_work
from planner.services.reports import Report, keep_reports

AT = datetime(2026, 10, 21, 6, 0, tzinfo=UTC)
BY: dict[str, Any] = {"recorded_at": AT, "recorded_by": "Ann"}
RUNS, LETTER = 60, 15


def _write(url: str) -> None:
    migrate.upgrade(url)
    factory = session_factory(url)
    with unit_of_work(factory) as db:
        season = tables.Season(
            id=1, name="The Long Dusk", site="Larkmere", time_zone="Europe/London", dusk=clock_time(17, 25),
            opening_night=date(2026, 10, 24), last_night=date(2026, 10, 26), **BY,
        )  # fmt: skip
        lot = tables.Lot(
            id=1, name="L-1", variety="Crown", kind="squash", quantity=99, received_on=AT.date(), **BY
        )
        machine = tables.Machine(
            id=1, name="Wren", description="{}", digest="0", max_diameter_mm=320, fixture_class="ring", **BY
        )
        db.add_all([season, lot, machine])
        db.flush()
        for n in range(1, RUNS + 1):
            piece = tables.Workpiece(
                id=n, lot_id=1, number=f"{n:04d}", diameter_mm=280, height_mm=250, state="hollow", **BY
            )
            db.add(piece)
            db.add(tables.Job(id=n, season_id=1, workpiece_id=n, night=AT.date(), state="prepared", **BY))
    factory.kw["bind"].dispose()


def _told() -> list[Report]:
    out = []
    for n in range(RUNS):
        for k, kind in enumerate(("start", "pause", "resume", "fault", "end")):
            out.append(Report(f"{n}-{k}", kind, AT + timedelta(minutes=40 * n + 5 * k), n + 1))
    return out


def _send_all(url: str, answered: Any) -> None:
    """Keep letter after letter, and say after each that it was answered."""
    factory = session_factory(url)
    told = _told()
    for start in range(0, len(told), LETTER):
        with unit_of_work(factory) as db:
            keep_reports(
                db, 1, told[start : start + LETTER], by="Wren, controller", at=AT + timedelta(days=9)
            )
        answered.value = start + LETTER


@pytest.mark.parametrize(("letters", "more_s"), [(1, 0.004), (6, 0.011)])
def test_killed_and_sent_again(tmp_path: Path, letters: int, more_s: float) -> None:
    """What was answered is in the file after the kill; after all is sent again everything is there once."""
    path = tmp_path / "season.db"
    url = f"sqlite:///{path}"
    _write(url)
    context = multiprocessing.get_context("spawn")
    answered = context.Value("i", 0)
    child = context.Process(target=_send_all, args=(url, answered))
    child.start()
    until = time.monotonic() + 60
    while answered.value < letters * LETTER and time.monotonic() < until:
        time.sleep(0.001)
    time.sleep(more_s)
    child.kill()
    child.join()
    promised = answered.value
    assert promised >= letters * LETTER

    def counted(words: str) -> int:
        with sqlite3.connect(path) as store:
            return int(store.execute(words).fetchone()[0])

    assert counted("SELECT count(*) FROM machine_reports") >= promised
    again = context.Value("i", 0)
    _send_all(url, again)
    everything = len(_told())
    assert counted("SELECT count(*) FROM machine_reports") == everything
    assert counted("SELECT count(DISTINCT event) FROM machine_reports") == everything
    assert counted("SELECT count(*) FROM runs WHERE outcome = 'finished'") == RUNS
    assert counted("SELECT count(*) FROM pauses WHERE voided_at IS NULL") == RUNS
    assert counted("SELECT count(*) FROM run_marks WHERE voided_at IS NULL") == RUNS
