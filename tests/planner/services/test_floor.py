"""Does the floor keep what is reported, and does it say clearly why a job must not be started?"""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from typing import Any

import numpy as np
import pytest
from sqlalchemy import select
from sqlalchemy.orm import Session

from engine.package import CHECKS as SHEET_CHECKS
from planner.database import tables
from planner.errors import Conflict, Refused
from planner.services import changes, floor, trouble
from planner.services.preparing import inputs_of

AT = datetime(2026, 10, 21, 6, 0, tzinfo=UTC)
BY: dict[str, Any] = {"recorded_at": AT, "recorded_by": "Ann"}


@pytest.fixture
def ready(db: Session) -> tables.Job:
    """A job that nothing stops on its machine, an hour after the hollow piece was probed."""
    season = tables.Season(
        name="The Long Dusk", site="Larkmere", time_zone="Europe/London", opening_night=date(2026, 10, 24),
        last_night=date(2026, 10, 26), dusk=time(17, 25), **BY,
    )  # fmt: skip
    station = tables.Station(
        season=season, name="Gate 1", area="Gate", size_class="large", kind="through", least_rating=7
    )
    lot = tables.Lot(name="L-1", variety="Crown", kind="squash", quantity=1, received_on=AT.date(), **BY)
    piece = tables.Workpiece(
        lot=lot, number="0147", diameter_mm=284, height_mm=256, state="hollow", clamp_number=2,
        wall_default_mm=22, **BY,
    )  # fmt: skip
    piece.scans = [
        tables.Scan(
            taken_at=AT - timedelta(hours=1), state="hollow", clamp_number=2, tip_radius_mm=3,
            points=np.eye(3), touches=3, digest="0" * 12, original="x", **BY,
        )
    ]  # fmt: skip
    version = tables.DesignVersion(
        design=tables.Design(name="Fern", **BY), version=1, artwork=b"<svg/>", file_name="fern.svg",
        digest="0" * 12, width_mm=210, height_mm=180, **BY,
    )  # fmt: skip
    machine = tables.Machine(
        name="Wren", description="{}", digest="0" * 12, max_diameter_mm=320, fixture_class="ring", **BY
    )
    machine.proof_marks = [tables.ProofMark(made_at=AT, made_by="Ann", **BY)]
    machine.cutters = [
        tables.Cutter(
            name=name, type_name="6F", description={"name": "6F"}, life_left=left, state="fitted", **BY
        )
        for name, left in (("6F-01", 0.3), ("6F-02", 0.8))
    ]  # fmt: skip
    job = tables.Job(
        season=season, station=station, night=date(2026, 10, 24), workpiece=piece, design_version=version,
        state="prepared", **BY,
    )  # fmt: skip
    db.add_all([season, machine, job])
    db.flush()
    digest = inputs_of(db, job.id).digest("Wren")
    job.preparations = [
        tables.Preparation(
            machine=machine, inputs_digest=digest, state="done", folder="f", run_s=1200, cutting_m=2.0,
            wear={"6F": 0.25}, prepared_at=AT, engine_version="0.1.0", **BY,
        )
    ]  # fmt: skip
    job.run_times = [tables.RunTime(machine=machine, eligible=True, run_min=20, wear={"6F": 0.25})]
    db.flush()
    return job


def _machine(job: tables.Job) -> tables.Machine:
    return job.preparations[0].machine


def _start(db: Session, job: tables.Job, at: datetime = AT, **changed: Any) -> tables.Run:
    said: dict[str, Any] = {"tag": "0147", "checks": floor.CHECKS, "by": "Tom"} | changed
    return floor.start(db, job.id, _machine(job).id, at=at, **said)


def _rules(db: Session, job: tables.Job, at: datetime = AT, tag: str | None = None) -> list[str]:
    return [block.rule for block in floor.blocks(db, job.id, _machine(job).id, now=at, tag=tag)]


def test_the_six_checks_are_those_of_the_sheet() -> None:
    """Paper and page ask the same six questions."""
    assert floor.CHECKS == SHEET_CHECKS


def test_nothing_stops_a_job_that_is_ready(db: Session, ready: tables.Job) -> None:
    """Right piece, fresh scan, proof mark, program, cutter: no block."""
    assert _rules(db, ready, tag="0147") == []


def test_each_block_says_what_stops_it(db: Session, ready: tables.Job) -> None:
    """One cause, one block, whose words name it."""
    machine, piece = _machine(ready), ready.workpiece
    assert piece is not None
    assert _rules(db, ready, tag="0148") == ["tag"]
    # a hollow piece is trusted for 4 h by common practice; it was probed an hour before
    assert _rules(db, ready, AT + timedelta(hours=2, minutes=59)) == []
    assert _rules(db, ready, AT + timedelta(hours=3, minutes=1)) == ["scan age"]
    piece.clamp_number = 3
    assert _rules(db, ready) == ["clamp"]
    piece.clamp_number = 2
    machine.proof_marks[0].void("rewired", "Ann", AT)
    assert _rules(db, ready) == ["proof mark"]
    machine.proof_marks[0].voided_at = machine.proof_marks[0].void_reason = None
    ready.latitude_deg = 9.0
    assert _rules(db, ready) == ["program"]
    ready.latitude_deg = 0.0
    for cutter in machine.cutters:
        cutter.life_left = 0.2
    db.flush()
    assert _rules(db, ready) == ["cutter"]
    down = trouble.machine_down(db, machine.id, 26, "belt torn", by="Ann", at=AT)
    assert _rules(db, ready) == ["down", "cutter"]
    changes.take_back(db, down.id, by="Ann", at=AT)
    assert _rules(db, ready, AT + timedelta(seconds=2)) == ["cutter"]


def test_three_touches_renew_a_scan_or_void_it(db: Session, ready: tables.Job) -> None:
    """Within 0.5 mm it counts anew, to 1.5 mm it is refused, beyond it is void (common practice)."""
    later, piece = AT + timedelta(hours=5), ready.workpiece
    assert piece is not None
    with pytest.raises(Refused, match=r"expected 0\.5 mm at most"):
        floor.recheck_scan(db, piece.id, 0.9, by="Tom", at=later)
    floor.recheck_scan(db, piece.id, 0.4, by="Tom", at=later)
    assert _rules(db, ready, later) == []
    floor.recheck_scan(db, piece.id, 1.6, by="Tom", at=later)
    assert _rules(db, ready, later) == ["scan"]


def test_a_start_needs_all_six_checks_and_the_right_tag(db: Session, ready: tables.Job) -> None:
    """One check short, another piece, an older page: refused, and nothing is kept."""
    with pytest.raises(Refused, match="not ticked yet: Guard shut"):
        _start(db, ready, checks=floor.CHECKS[:5])
    with pytest.raises(Refused, match="the tag says 0148"):
        _start(db, ready, tag="0148")
    with pytest.raises(Conflict, match="in the meantime"):
        _start(db, ready, revision=ready.revision - 1)
    assert ready.state == "prepared"
    assert _start(db, ready).checks == list(floor.CHECKS)
    assert ready.state == "cutting"


def test_a_run_from_start_to_place(db: Session, ready: tables.Job) -> None:
    """Paused, gone on, finished, rated by two, in place; the wear goes out of the freshest fitted cutter."""
    run = _start(db, ready)
    floor.pause(db, run.id, "slug to push", by="Tom", at=AT + timedelta(minutes=5))
    with pytest.raises(Conflict, match="paused already"):
        floor.pause(db, run.id, "other", by="Tom", at=AT + timedelta(minutes=6))
    assert floor.resume(db, run.id, at=AT + timedelta(minutes=8)).end_at == AT + timedelta(minutes=8)
    floor.finish(db, run.id, by="Tom", at=AT + timedelta(minutes=25))
    assert (ready.state, run.outcome) == ("cut", "finished")
    lives = {cutter.name: cutter.life_left for cutter in _machine(ready).cutters}
    assert lives == {"6F-01": 0.3, "6F-02": pytest.approx(0.55)}  # 0.8 less 0.25
    assert [(use.metres, use.minutes, use.wear) for use in run.cutter_uses] == [(2.0, 20.0, 0.25)]
    with pytest.raises(Conflict, match="over already"):
        floor.scrap(db, run.id, "rot", by="Tom", at=AT)
    floor.rate(db, ready.id, 8, ["too dim", "unknown"], "", by="Tom", at=AT)
    with pytest.raises(Conflict, match="somebody else's"):
        floor.rate(db, ready.id, 9, [], "", by="Tom", at=AT)
    assert floor.rate(db, ready.id, 9, [], "", by="Bea", at=AT).rating == 9
    assert floor.place(db, ready.id, by="Tom", at=AT).state == "placed"


def test_a_scrapped_piece_leaves_its_job_wanted(db: Session, ready: tables.Job) -> None:
    """The reason is kept, the piece is gone, nothing timed for it counts any more."""
    run, piece = _start(db, ready), ready.workpiece
    assert piece is not None
    floor.scrap(db, run.id, "broke through", by="Tom", at=AT + timedelta(minutes=9))
    assert (ready.state, ready.workpiece, ready.run_times) == ("wanted", None, [])
    assert (piece.state, run.scrap_reason) == ("scrapped", "broke through")


def test_a_stopped_run_can_be_gone_on_with(db: Session, ready: tables.Job) -> None:
    """The region is kept, three touches come first, and the second run says which one it goes on with."""
    first = _start(db, ready)
    floor.stop(db, first.id, by="Tom", at=AT + timedelta(minutes=3), resume_from="opening 4 outline")
    assert ready.state == "prepared" and ready.workpiece is not None
    with pytest.raises(Refused, match="broken off before opening 4 outline"):
        _start(db, ready, AT + timedelta(minutes=30))
    floor.recheck_scan(db, ready.workpiece.id, 0.3, by="Tom", at=AT + timedelta(minutes=29))
    second = _start(db, ready, AT + timedelta(minutes=30))
    assert (second.ended_at, second.continues_id) == (None, first.id)


def test_drift_and_faults_are_marked(db: Session, ready: tables.Job) -> None:
    """A touch without its distance is refused; more than 0.7 mm is told as a slip, less is kept alone."""
    run = _start(db, ready)
    with pytest.raises(Refused, match="how far"):
        floor.mark(db, run.id, "re-touch", by="Tom", at=AT)
    for value in (0.2, 0.9):
        floor.mark(db, run.id, "re-touch", by="Tom", at=AT, value_mm=value)
    floor.mark(db, run.id, "fault", "squeal", by="Tom", at=AT)
    told = db.scalars(select(tables.Change.words).where(tables.Change.kind == "drift")).all()
    assert len(told) == 1 and "0.90 mm off" in told[0]
    marks = db.scalars(select(tables.RunMark).where(tables.RunMark.run_id == run.id)).all()
    assert [(m.kind, m.value_mm) for m in marks] == [("re-touch", 0.2), ("re-touch", 0.9), ("fault", None)]


def test_each_trouble_can_be_taken_back(db: Session, ready: tables.Job) -> None:
    """A cutter, a piece with its job and its times, a person: as before; a second taking back is refused."""
    cutter, piece = _machine(ready).cutters[0], ready.workpiece
    assert piece is not None
    broke = trouble.cutter_broken(db, cutter.id, by="Ann", at=AT)
    assert (cutter.state, cutter.machine_id) == ("broken", None)
    changes.take_back(db, broke.id, by="Ann", at=AT)
    assert (cutter.state, cutter.machine_id) == ("fitted", _machine(ready).id)
    lost = trouble.piece_lost(db, "0147", "rot", by="Ann", at=AT)
    assert (ready.state, piece.state) == ("wanted", "scrapped")
    changes.take_back(db, lost.id, by="Ann", at=AT)
    db.expire_all()
    assert (ready.state, ready.workpiece, piece.state) == ("prepared", piece, "hollow")
    assert [t.run_min for t in ready.run_times] == [20]
    away = trouble.person_away(db, "Bea", 4, "ill", by="Ann", at=AT)
    assert [row.person for row in trouble.away_now(db, now=AT)] == ["Bea"]
    changes.take_back(db, away.id, by="Ann", at=AT)
    assert trouble.away_now(db, now=AT) == ()
    with pytest.raises(Conflict, match="taken back by Ann already"):
        changes.take_back(db, away.id, by="Ann", at=AT)


def test_after_power_loss_the_piece_is_inspected_first(db: Session, ready: tables.Job) -> None:
    """How far the run came is unknown; no new start before three touches were taken again."""
    run = _start(db, ready)
    floor.lost_sight(db, run.id, "power lost", by="Tom", at=AT + timedelta(minutes=5))
    assert (run.outcome, ready.state) == ("unknown", "prepared")
    assert _rules(db, ready, AT + timedelta(minutes=6)) == ["inspect"]
    assert ready.workpiece is not None
    floor.recheck_scan(db, ready.workpiece.id, 0.3, by="Tom", at=AT + timedelta(minutes=8))
    assert _rules(db, ready, AT + timedelta(minutes=9)) == []
