"""Do the stores themselves refuse what must not be? One row of every table, and each rule broken once."""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from typing import Any

import numpy as np
import pytest
from sqlalchemy import CheckConstraint, Table, update
from sqlalchemy.exc import IntegrityError
from sqlalchemy.orm import Session

from planner.database import tables
from planner.database.tables import Base

AT = datetime(2026, 10, 21, 6, 0, tzinfo=UTC)
LATER = AT + timedelta(hours=2)
BY: dict[str, Any] = {"recorded_at": AT, "recorded_by": "Ann"}


@pytest.fixture
def one_of_each(db: Session) -> dict[str, Any]:
    """One sound row of every table, by the table's name."""
    season = tables.Season(
        name="The Long Dusk",
        site="Larkmere Walled Garden",
        time_zone="Europe/London",
        opening_night=date(2026, 10, 24),
        last_night=date(2026, 11, 2),
        dusk=time(17, 25),
        **BY,
    )
    design = tables.Design(name="Fern Spiral", **BY)
    station = tables.Station(
        season=season,
        name="Lime Walk 7",
        area="Lime Walk",
        size_class="large",
        kind="through",
        least_rating=7,
    )
    lot = tables.Lot(
        name="L-201", variety="Amber Globe", kind="squash", quantity=110, received_on=AT.date(), **BY
    )
    piece = tables.Workpiece(lot=lot, number="0147", diameter_mm=284, height_mm=256, **BY)
    version = tables.DesignVersion(
        design=design,
        version=1,
        artwork=b"<svg/>",
        file_name="fern.svg",
        digest="0" * 12,
        width_mm=210,
        height_mm=180,
        **BY,
    )
    machine = tables.Machine(
        name="Wren", description="{}", digest="0" * 12, max_diameter_mm=320, fixture_class="ring", **BY
    )
    cutter = tables.Cutter(name="6F-01", type_name="6F", description={}, machine=machine, **BY)
    job = tables.Job(
        season=season,
        station=station,
        night=date(2026, 10, 24),
        workpiece=piece,
        design_version=version,
        **BY,
    )
    preparation = tables.Preparation(
        job=job, machine=machine, inputs_digest="1" * 12, prepared_at=AT, engine_version="0.1.0", **BY
    )
    plan = tables.Plan(season=season, start_at=AT, seed=0, seconds=1.0, **BY)
    run = tables.Run(job=job, machine=machine, workpiece=piece, started_at=AT, **BY)
    scan = tables.Scan(
        workpiece=piece,
        taken_at=AT,
        state="whole",
        clamp_number=1,
        tip_radius_mm=3,
        points=np.eye(3),
        touches=3,
        digest="0" * 12,
        original="",
        **BY,
    )
    rows = [
        season,
        station,
        tables.StationDesign(station_id=0, design=design),
        tables.Night(season=season, night=date(2026, 10, 24), temperature_c=11),
        lot,
        piece,
        tables.WallReading(workpiece=piece, longitude_deg=0, latitude_deg=0, wall_mm=22, sigma_mm=0.7, **BY),
        scan,
        design,
        version,
        machine,
        tables.MachineShift(machine=machine, start_at=AT, end_at=LATER, **BY),
        tables.Breakdown(machine=machine, start_at=AT, end_at=LATER, reason="belt", **BY),
        tables.ProofMark(machine=machine, made_at=AT, made_by="Ann", **BY),
        cutter,
        job,
        preparation,
        tables.RunTime(job=job, machine=machine, preparation=preparation, eligible=True, run_min=21),
        plan,
        tables.PlanRow(plan=plan, job=job, machine=machine, start_at=AT, end_at=LATER),
        run,
        tables.CutterUse(run=run, cutter=cutter, metres=2.1, minutes=21, wear=0.01, **BY),
        tables.Work(kind="prepare", **BY),
        tables.Pin(job=job, machine=machine, start_at=AT, **BY),
        tables.Pause(run=run, start_at=AT, end_at=LATER, reason="slug", **BY),
        tables.MachineReport(machine_id=0, event="1", kind="start", happened_at=AT, **BY),
        tables.LitCheck(job=job, rating=8, **BY),
        tables.NightWalk(job=job, night=date(2026, 10, 24), seen_at=LATER, verdict="ok", **BY),
        tables.RunMark(run_id=0, kind="re-touch", happened_at=AT, value_mm=0.2, **BY),
        tables.PieceStep(workpiece_id=0, step="washed", happened_at=AT, **BY),
        tables.LotSample(lot_id=0, pieces=25, bad=1, soft_rot=0, **BY),
        tables.CutterEntry(cutter_id=0, kind="fitted", happened_at=AT, stick_out_mm=50, wear_mm=0.1, **BY),
        tables.MachineCheck(machine_id=0, kind="cleaned", made_at=AT, **BY),
        bench := tables.Bench(name="hollowing", kind="bench", steps=["hollow"], places=2, **BY),
        tables.Hand(name="Wil", skills=["hollow"], from_time=time(6), to_time=time(17), **BY),
        bench_row := tables.BenchRow(job=job, bench=bench, step="hollow", start_at=AT, end_at=LATER),
        tables.Absence(person="Bea", start_at=AT, end_at=LATER, **BY),
        tables.HandOver(season_id=0, **BY),
        tables.LifeFit(
            season_id=0,
            days_at_reference=5.0,
            halving_c=10.0,
            shape=3.0,
            relief=0.7,
            lanterns=9,
            ended=5,
            **BY,
        ),
        tables.OneTimeLink(digest="2" * 12, role="lead", ends_at=LATER, **BY),
        person := tables.Person(name="Ann", role="lead", password="", **BY),
        tables.SignIn(person=person, digest="3" * 12, started_at=AT, ends_at=LATER),
        tables.SignInTry(name="Ann", address="127.0.0.1", tried_at=AT),
        tables.MachineToken(machine=machine, name="controller", digest="4" * 12, **BY),
        tables.Change(kind="breakdown", words="Wren is reported down", **BY),
    ]
    station.choices.append(rows[2])
    plan.bench_rows.append(bench_row)
    db.add_all([season, machine, cutter, lot, piece, run])
    db.flush()
    parents = {
        "machine_id": machine.id, "season_id": season.id, "run_id": run.id, "workpiece_id": piece.id,
        "lot_id": lot.id, "cutter_id": cutter.id,
    }  # fmt: skip
    for row in rows:
        for name, number in parents.items():
            if getattr(row, name, None) == 0:
                setattr(row, name, number)
    db.add_all(rows)
    db.flush()
    return {row.__tablename__: row for row in rows}


# every CHECK of the schema, and values that break it alone
BROKEN: dict[str, dict[str, Any]] = {
    "ck_seasons_nights_in_order": {"last_night": date(2026, 10, 23)},
    "ck_seasons_placed_before_dusk": {"placed_before_dusk_min": -1},
    "ck_stations_least_rating": {"least_rating": 11},
    "ck_nights_temperature": {"temperature_c": 61.0},
    "ck_lots_quantity": {"quantity": -1},
    "ck_workpieces_size": {"height_mm": 0.0},
    "ck_workpieces_ribs": {"ribs": -1},
    "ck_workpieces_wall_default": {"wall_default_mm": 0.0},
    "ck_workpieces_clamp_number": {"clamp_number": -1},
    "ck_wall_readings_wall": {"wall_mm": 0.0},
    "ck_wall_readings_sigma": {"sigma_mm": 0.0},
    "ck_wall_readings_latitude": {"latitude_deg": -90.5},
    "ck_scans_tip_radius": {"tip_radius_mm": -0.1},
    "ck_scans_void_has_reason": {"active": False},
    "ck_design_versions_version": {"version": 0},
    "ck_design_versions_size": {"width_mm": 0.0},
    "ck_design_versions_approved": {"approved_by": "Bea"},
    "ck_machines_diameters": {"min_diameter_mm": 320.0},
    "ck_machines_attended": {"attended": 1.1},
    "ck_machines_load_and_unload": {"unload_min": -1.0},
    "ck_machine_shifts_end_after_start": {"end_at": AT},
    "ck_breakdowns_end_after_start": {"end_at": AT},
    "ck_proof_marks_void_has_reason": {"voided_at": AT},
    "ck_cutters_life_left": {"life_left": -0.01},
    "ck_jobs_priority": {"priority": 0},
    "ck_jobs_width": {"width_mm": 0.0},
    "ck_jobs_latitude": {"latitude_deg": 91.0},
    "ck_preparations_run": {"run_s": -1.0},
    "ck_run_times_run": {"run_min": -1.0},
    "ck_run_times_eligible_has_time": {"run_min": None},
    "ck_run_times_barred_has_reason": {"eligible": False},
    "ck_plan_rows_end_after_start": {"end_at": AT},
    "ck_plan_rows_step": {"step": -1},
    "ck_runs_end_after_start": {"ended_at": AT - timedelta(minutes=1), "outcome": "finished"},
    "ck_runs_ended_has_outcome": {"ended_at": LATER},
    "ck_runs_scrap_has_reason": {"ended_at": LATER, "outcome": "scrapped"},
    "ck_cutter_uses_amounts": {"wear": -0.1},
    "ck_works_amounts": {"done": -1},
    "ck_pauses_end_after_start": {"end_at": AT - timedelta(minutes=1)},
    "ck_lit_checks_rating": {"rating": 0},
    "ck_absences_end_after_start": {"end_at": AT},
    "ck_night_walks_rating": {"rating": 11},
    "ck_night_walks_sag": {"sag": 1.1},
    "ck_run_marks_value": {"value_mm": -0.1},
    "ck_lot_samples_bad": {"bad": 26},
    "ck_lot_samples_soft_rot": {"soft_rot": 2},
    "ck_cutter_entries_amounts": {"wear_mm": -0.1},
    "ck_workpieces_rib_height": {"rib_mm": -0.1},
    "ck_benches_places": {"places": 0},
    "ck_hands_hours": {"to_time": time(6)},
    "ck_bench_rows_end_after_start": {"end_at": AT},
}


def _checks() -> dict[str, Table]:
    return {
        str(rule.name): table
        for table in Base.metadata.tables.values()
        for rule in table.constraints
        if isinstance(rule, CheckConstraint)
    }


def test_every_check_is_tried() -> None:
    """A new CHECK needs a value that breaks it, here."""
    assert set(BROKEN) == set(_checks())


@pytest.mark.parametrize("rule", sorted(BROKEN))
def test_store_refuses(rule: str, db: Session, one_of_each: dict[str, Any]) -> None:
    """The store refuses the value by the rule's name, as migrated, and took the row before."""
    table = _checks()[rule]
    row = one_of_each[table.name]
    with pytest.raises(IntegrityError, match=rule):
        db.execute(update(table).where(table.c.id == row.id).values(**BROKEN[rule]))


def test_one_row_of_every_table_stands(one_of_each: dict[str, Any]) -> None:
    """The rows that the rules are tried on cover every table."""
    assert set(one_of_each) == set(Base.metadata.tables)


def test_one_active_scan_a_piece(db: Session, one_of_each: dict[str, Any]) -> None:
    """A second active scan of a piece is refused; after the first is void, it is taken."""
    first = one_of_each["scans"]
    columns = ("workpiece_id", "taken_at", "state", "clamp_number", "tip_radius_mm", "touches", "digest")
    copied = {name: getattr(first, name) for name in columns}
    with pytest.raises(IntegrityError, match="scans"), db.begin_nested():
        db.add(tables.Scan(points=np.eye(3), original="", **copied, **BY))
    first.void("clamped anew", "Ann", LATER)
    db.flush()
    db.add(tables.Scan(points=np.eye(3), original="", **copied, **BY))
    db.flush()


def test_one_published_plan_a_season(db: Session, one_of_each: dict[str, Any]) -> None:
    """Drafts are many, but a second published plan is refused."""
    season = one_of_each["seasons"]
    one_of_each["plans"].state = "published"
    db.add(tables.Plan(season=season, start_at=AT, seed=1, seconds=1.0, **BY))
    db.flush()
    db.add(tables.Plan(season=season, start_at=AT, seed=2, seconds=1.0, state="published", **BY))
    with pytest.raises(IntegrityError, match="plans"):
        db.flush()


def test_one_open_run_a_machine(db: Session, one_of_each: dict[str, Any]) -> None:
    """A machine cannot run two jobs at once."""
    run = one_of_each["runs"]
    db.add(tables.Run(job=run.job, machine=run.machine, workpiece=run.workpiece, started_at=LATER, **BY))
    with pytest.raises(IntegrityError, match="runs"):
        db.flush()


def test_all_rules_have_names() -> None:
    """Every constraint and index has a name, so that a later migration can drop it on both stores."""
    for table in Base.metadata.tables.values():
        assert all(rule.name for rule in table.constraints)
        assert all(index.name for index in table.indexes)


def test_facts_say_when_and_by_whom() -> None:
    """Every table of facts has both columns; the others are parts of a row that has them."""
    parts = {
        "stations", "station_designs", "nights", "run_times", "plan_rows", "bench_rows", "sign_ins",
        "sign_in_tries",
    }  # fmt: skip
    for name, table in Base.metadata.tables.items():
        assert (name in parts) != {"recorded_at", "recorded_by"}.issubset(table.columns.keys())


def test_due_before_dusk_in_local_time(one_of_each: dict[str, Any]) -> None:
    """Dusk at 17:25 in London is 16:25 UTC before the clocks go back on 25 October, and 17:25 after.

    Expected: the European Union's and Britain's rule, last Sunday of October.
    """
    season = one_of_each["seasons"]
    assert season.dusk_at(date(2026, 10, 24)) == datetime(2026, 10, 24, 16, 25, tzinfo=UTC)
    assert season.dusk_at(date(2026, 10, 25)) == datetime(2026, 10, 25, 17, 25, tzinfo=UTC)
    assert season.due_at(date(2026, 10, 25)) == datetime(2026, 10, 25, 16, 40, tzinfo=UTC)
