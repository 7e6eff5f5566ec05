"""Does a cutter's ledger feed the law of lives, and do what is left, change list and order point follow?"""

from __future__ import annotations

import math
from datetime import UTC, date, datetime, time, timedelta
from typing import Any

import numpy as np
import pytest
from sqlalchemy.orm import Session

from planner.database import tables
from planner.errors import Conflict, Refused
from planner.schedule.taylor import fit_taylor
from planner.services import ledger, ledger_life, ledger_stock

AT = datetime(2026, 10, 21, 6, 0, tzinfo=UTC)
BY: dict[str, Any] = {"recorded_at": AT, "recorded_by": "Ann"}
LAW = {"material": "squash", "exponent": 0.25, "constant_m_per_min": 600}


def _hour(hour: float) -> datetime:
    return AT + timedelta(hours=hour)


class Shop:
    """A machine, a lot, and cutters of one type at two speeds."""

    def __init__(self, db: Session) -> None:
        self.db = db
        self.season = tables.Season(
            name="The Long Dusk", site="Larkmere", time_zone="Europe/London",
            opening_night=date(2026, 10, 24), last_night=date(2026, 10, 26), dusk=time(17, 25), **BY,
        )  # fmt: skip
        self.lot = tables.Lot(
            name="L-1", variety="Crown", kind="squash", quantity=99, received_on=AT.date(), **BY
        )
        self.machine = tables.Machine(
            name="Wren", description="{}", digest="0", max_diameter_mm=320, fixture_class="ring", **BY
        )
        db.add_all([self.season, self.lot, self.machine])
        db.flush()
        self.runs = 0

    def cutter(self, name: str, rpm: float = 12_000, left: float = 1.0) -> tables.Cutter:
        row = tables.Cutter(
            name=name, type_name="6F", description={"diameter_mm": 6.0, "rpm": rpm, "life": LAW},
            life_left=left, **BY,
        )  # fmt: skip
        self.db.add(row)
        self.db.flush()
        return row

    def run(self, cutter: tables.Cutter, minutes: float, ended: datetime, wear: float = 0.1) -> None:
        self.runs += 1
        piece = tables.Workpiece(
            lot=self.lot, number=f"{self.runs:04d}", diameter_mm=284, height_mm=256, state="cut", **BY
        )
        job = tables.Job(season=self.season, night=date(2026, 10, 24), workpiece=piece, state="cut", **BY)
        row = tables.Run(
            job=job, machine=self.machine, workpiece=piece, started_at=ended - timedelta(minutes=minutes),
            ended_at=ended, outcome="finished", **BY,
        )  # fmt: skip
        row.cutter_uses = [
            tables.CutterUse(cutter=cutter, metres=minutes / 10, minutes=minutes, wear=wear, **BY)
        ]
        self.db.add(row)
        self.db.flush()


@pytest.fixture
def shop(db: Session) -> Shop:
    """The shop."""
    return Shop(db)


def test_a_cutters_way(db: Session, shop: Shop) -> None:
    """Issued, fitted, used, seen, dull by its wear, sharpened: in order, with state and life as they go."""
    cutter = shop.cutter("6F-01", left=0.4)
    ledger.keep_entry(
        db, cutter.id, "fitted", by="Tom", at=_hour(0), machine_id=shop.machine.id, stick_out_mm=50
    )
    assert (cutter.state, cutter.machine_id) == ("fitted", shop.machine.id)
    shop.run(cutter, 30, _hour(1))
    ledger.keep_entry(db, cutter.id, "inspected", by="Tom", at=_hour(2), wear_mm=0.12, look="sharp")
    assert cutter.state == "fitted"
    ledger.keep_entry(db, cutter.id, "inspected", by="Tom", at=_hour(3), wear_mm=0.31)
    assert (cutter.state, cutter.machine_id) == ("dull", None)
    with pytest.raises(Conflict, match="sharpen it"):
        ledger.keep_entry(
            db, cutter.id, "fitted", by="Tom", at=_hour(4), machine_id=shop.machine.id, stick_out_mm=50
        )
    ledger.keep_entry(db, cutter.id, "sharpened", by="Tom", at=_hour(5))
    assert (cutter.state, cutter.life_left) == ("stored", 1.0)
    lines = ledger.ledger_of(db, cutter.id)
    assert [line.kind for line in lines] == ["fitted", "used", "inspected", "inspected", "dull", "sharpened"]
    assert lines[0].words == "on Wren, stick-out 50 mm" and lines[1].minutes == 30


@pytest.mark.parametrize(
    ("kind", "more", "words"),
    [
        ("fitted", {}, "its machine and its stick-out"),
        ("inspected", {}, "flank wear in mm, or how"),
        ("inspected", {"look": "lovely"}, "expected one of sharp"),
        ("eaten", {}, "expected one of issued"),
    ],
)
def test_what_an_entry_needs(db: Session, shop: Shop, kind: str, more: dict[str, Any], words: str) -> None:
    """What is missing or unknown is named."""
    with pytest.raises(Refused, match=words):
        ledger.keep_entry(db, shop.cutter("6F-01").id, kind, by="Tom", at=AT, **more)


def test_change_outs_feed_the_fit(db: Session, shop: Shop) -> None:
    """Two runs a life; dull ones are worn, broken and living ones alive: as fitted by hand."""
    rng = np.random.default_rng(4)
    minutes, speeds, worn = [], [], []
    for n in range(14):
        rpm = (9_000, 12_000, 15_000)[n % 3]
        speed = math.pi * 0.006 * rpm
        life = float((600 / speed) ** 4 * math.exp(0.2 * rng.standard_normal()))
        cutter = shop.cutter(f"6F-{n:02d}", rpm)
        shop.run(cutter, 0.6 * life, _hour(1))
        shop.run(cutter, 0.4 * life, _hour(2))
        end = {0: "dull", 1: "dull", 2: "broken"}.get(n % 5)
        if end:
            ledger.keep_entry(db, cutter.id, end, by="Tom", at=_hour(3))
        minutes.append(life)
        speeds.append(speed)
        worn.append(end == "dull")
    (model,) = ledger_life.life_models(db)
    by_hand = fit_taylor(minutes, speeds, worn)
    assert model.fit is not None and (model.type_name, model.material) == ("6F", "squash")
    assert model.fit.exponent == pytest.approx(by_hand.exponent)
    assert (model.fit.worn, model.fit.alive) == (sum(worn), 14 - sum(worn))
    curve = model.curve()
    assert all(low < middle < high for _, low, middle, high in curve)


def test_sharpened_begins_a_new_life(db: Session, shop: Shop) -> None:
    """One that was dull, sharpened and used again has two lives: one worn, one alive."""
    cutter = shop.cutter("6F-01")
    shop.run(cutter, 40, _hour(1))
    ledger.keep_entry(db, cutter.id, "dull", by="Tom", at=_hour(2))
    ledger.keep_entry(db, cutter.id, "sharpened", by="Tom", at=_hour(3))
    shop.run(cutter, 10, _hour(4))
    assert [(life.minutes, life.worn) for life in ledger_life.lives(db)] == [(40, True), (10, False)]
    (model,) = ledger_life.life_models(db)
    assert model.fit is None and "expected 4 at least" in model.why_not


def test_what_is_left_has_a_spread(db: Session, shop: Shop) -> None:
    """Fresh: the law's life, (600 / v)^4, times exp(-+1.645 x 0.3); worn to nothing: little, but not none."""
    shop.cutter("6F-01")
    shop.cutter("6F-02", left=0.0)
    worn, fresh = ledger_stock.life_left(db)
    whole = (600 / (math.pi * 0.006 * 12_000)) ** 4
    assert fresh.minutes == pytest.approx(whole)
    assert fresh.low_min == pytest.approx(whole * math.exp(-1.6448536 * 0.3))
    assert fresh.high_min == pytest.approx(whole * math.exp(1.6448536 * 0.3))
    # at used = 1 the law's median is reached: half of all are over, the median of the rest is its 75 % point
    assert worn.minutes == pytest.approx(whole * (math.exp(0.6744898 * 0.3) - 1), rel=1e-6)
    assert 0 < worn.low_min < worn.minutes < worn.high_min


def test_change_list_by_time(db: Session, shop: Shop) -> None:
    """Half a life left and jobs of 0.2: it is worn in the third one."""
    cutter = shop.cutter("6F-01", left=0.5)
    cutter.state, cutter.machine_id = "fitted", shop.machine.id
    plan = tables.Plan(season=shop.season, state="published", start_at=AT, seed=0, seconds=1, **BY)
    for n in range(4):
        job = tables.Job(season=shop.season, night=date(2026, 10, 24), **BY)
        job.run_times = [tables.RunTime(machine=shop.machine, eligible=True, run_min=20, wear={"6F": 0.2})]
        plan.rows.append(
            tables.PlanRow(job=job, machine=shop.machine, start_at=_hour(n), end_at=_hour(n + 0.5))
        )
    db.add(plan)
    db.flush()
    (due,) = ledger_stock.changes_due(db, shop.season.id, now=AT)
    assert (due.at, due.machine, due.cutter) == (_hour(2), "Wren", "6F-01")
    assert 0.1 < due.chance < 0.9


def test_reorder_point(db: Session, shop: Shop) -> None:
    """0.7 lives in seven days: 0.1 a day, 0.3 in three, and 1.645 sqrt(0.3) 0.3 to be sure."""
    cutter = shop.cutter("6F-01", left=0.5)
    for n in range(7):
        shop.run(cutter, 10, _hour(n))
    (point,) = ledger_stock.reorder_points(db, now=_hour(24))
    assert point.used_a_day == pytest.approx(0.1)
    assert point.point == pytest.approx(0.3 + 1.6448536 * math.sqrt(0.3) * 0.3)
    assert point.due and point.lives_left == 0.5
