"""Does a draft keep benches, pins and what-ifs, and count the hands that are there?"""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from itertools import pairwise

import pytest
from sqlalchemy import select
from sqlalchemy.orm import Session, sessionmaker

from planner.database import tables
from planner.database.session import reading, unit_of_work
from planner.database.states import JobState
from planner.services import benches, drafts, planning, season, trouble

AT = datetime(2026, 10, 20, 8, 0, tzinfo=UTC)
START = datetime(2026, 10, 23, 5, 0, tzinfo=UTC)  # 06:00 in London
BY = {"recorded_at": AT, "recorded_by": "Ann"}


@pytest.fixture
def season_id(factory: sessionmaker[Session]) -> int:
    """Three whole pieces for the 24th on two machines, and a plan in force."""
    with unit_of_work(factory) as db:
        made = season.add_season(
            db, "Dusk", "Garden", "Europe/London", date(2026, 10, 24), date(2026, 10, 25), time(17, 25),
            by="Ann", at=AT,
        )  # fmt: skip
        lot = tables.Lot(
            name="L-1", variety="Globe", kind="squash", quantity=9, received_on=date(2026, 10, 16),
            state="accepted", **BY,
        )  # fmt: skip
        machines = [_machine(name) for name in ("Heron", "Wren")]
        db.add_all([lot, *machines])
        db.flush()
        for n in range(3):
            station = season.add_station(db, made.id, f"Walk {n}", "Walk", "large", "through")
            piece = tables.Workpiece(lot_id=lot.id, number=f"{n:04d}", diameter_mm=280, height_mm=250, **BY)
            db.add(piece)
            db.flush()
            job = tables.Job(
                season_id=made.id, station_id=station.id, night=date(2026, 10, 24), workpiece_id=piece.id,
                priority=1, state=JobState.PREPARED, **BY,
            )  # fmt: skip
            job.run_times = [
                tables.RunTime(machine_id=machine.id, eligible=True, run_min=60.0, wear={})
                for machine in machines
            ]
            db.add(job)
        return made.id


def _machine(name: str) -> tables.Machine:
    spans = [(START, START + timedelta(hours=11)), (START + timedelta(days=1), START + timedelta(hours=30))]
    return tables.Machine(
        name=name, description="{}", digest="0" * 64, max_diameter_mm=320, fixture_class="ring", **BY,
        shifts=[tables.MachineShift(start_at=a, end_at=b, **BY) for a, b in spans],
    )  # fmt: skip


def _drafted(factory: sessionmaker[Session], season_id: int, **more: object) -> int:
    planning.plan_season(factory, season_id, by="Ann", now=AT, start=START, seconds=1.0, workers=1)
    options = {"why": "a test", "by": "Ann", "now": START, "seconds": 1.0} | more
    return drafts.draft_plan(factory, season_id, **options)  # type: ignore[arg-type]


def test_a_draft_plans_the_benches_too(factory: sessionmaker[Session], season_id: int) -> None:
    """Where benches are entered a draft has rows at them; nothing of it is in force."""
    with unit_of_work(factory) as db:
        benches.add_bench(db, "hollowing", ["hollow", "thin", "gauge"], by="Ann", at=AT)
        benches.add_hand(db, "Wil", ["any"], by="Ann", at=AT)
        benches.add_hand(db, "Tom", ["any"], by="Ann", at=AT)
    number = _drafted(factory, season_id)
    with reading(factory) as db:
        draft = db.get_one(tables.Plan, number)
        assert draft.state == "draft"
        at_benches = db.scalars(select(tables.BenchRow.step).where(tables.BenchRow.plan_id == number)).all()
        assert sorted(at_benches) == sorted(["hollow", "thin", "gauge"] * 3)
        assert {row.step for row in draft.rows} == {0}  # a machine's row is the cut


def test_a_pin_is_kept_though_bench_steps_stand_before_it(
    factory: sessionmaker[Session], season_id: int
) -> None:
    """The pinned cut starts on the machine and at the minute that were asked for."""
    with unit_of_work(factory) as db:
        benches.add_bench(db, "hollowing", ["hollow"], by="Ann", at=AT)
        benches.add_hand(db, "Wil", ["any"], by="Ann", at=AT)
        wren = db.scalars(select(tables.Machine.id).where(tables.Machine.name == "Wren")).one()
        job_id = db.scalars(select(tables.Job.id).order_by(tables.Job.id)).first()
        wanted = START + timedelta(hours=5)
        drafts.pin(db, job_id, 0, wren, wanted, by="Ann", at=AT)
    number = _drafted(factory, season_id)
    with reading(factory) as db:
        row = db.scalars(
            select(tables.PlanRow).where(tables.PlanRow.plan_id == number, tables.PlanRow.job_id == job_id)
        ).one()
        assert (row.machine_id, row.start_at) == (wren, wanted)


def test_what_if_a_machine_were_down_for_the_day(factory: sessionmaker[Session], season_id: int) -> None:
    """Nothing of the draft runs on it in those hours, and the plan in force stays."""
    with reading(factory) as db:
        heron = db.scalars(select(tables.Machine.id).where(tables.Machine.name == "Heron")).one()
    number = _drafted(factory, season_id, down=[(heron, 11.0)])
    with reading(factory) as db:
        rows = db.scalars(select(tables.PlanRow).where(tables.PlanRow.plan_id == number)).all()
        assert len(rows) == 3
        assert all(row.machine_id != heron or row.start_at >= START + timedelta(hours=11) for row in rows)
        in_force = db.scalars(select(tables.Plan.state).where(tables.Plan.id < number)).all()
        assert "published" in in_force


def test_hands_are_counted_from_their_cards(factory: sessionmaker[Session], season_id: int) -> None:
    """Three while nobody is recorded; else those recorded, less those who are away, one at least."""
    with unit_of_work(factory) as db:
        assert drafts.hands_at(db, AT) == 3
        for name in ("Wil", "Tom"):
            benches.add_hand(db, name, ["any"], by="Ann", at=AT)
        db.flush()
        assert drafts.hands_at(db, AT) == 2
        trouble.person_away(db, "Tom", 4, "", by="Ann", at=AT)
        assert drafts.hands_at(db, AT) == 1
        trouble.person_away(db, "Wil", 4, "", by="Ann", at=AT)
        assert drafts.hands_at(db, AT) == 1


def test_a_draft_of_any_second_keeps_to_the_rows_that_have_begun(
    factory: sessionmaker[Session], season_id: int
) -> None:
    """Asked for 40 s past a minute, while a row runs: what follows on its machine begins after its end."""
    with unit_of_work(factory) as db:
        db.scalars(select(tables.Machine).where(tables.Machine.name == "Wren")).one().active = False
    planning.plan_season(factory, season_id, by="Ann", now=AT, start=START, seconds=1.0, workers=1)
    with reading(factory) as db:
        began = min(db.scalars(select(tables.PlanRow.start_at)))
    now = began + timedelta(minutes=10, seconds=40)
    number = drafts.draft_plan(factory, season_id, why="a test", by="Ann", now=now, seconds=1.0)
    with reading(factory) as db:
        in_draft = select(tables.PlanRow).where(tables.PlanRow.plan_id == number)
        rows = db.scalars(in_draft.order_by(tables.PlanRow.start_at)).all()
        assert rows[0].start_at == began
        assert len(rows) == 3
        assert all(one.end_at <= other.start_at for one, other in pairwise(rows))
