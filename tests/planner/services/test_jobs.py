"""Does a job hold one piece, change while it may, and forget what was prepared for what it no longer is?"""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, date, datetime, time
from typing import Any

import pytest
from sqlalchemy.orm import Session

from planner.database import tables
from planner.errors import Conflict, NotFound, PlannerError, Refused
from planner.services import jobs, season

AT = datetime(2026, 10, 21, 6, 0, tzinfo=UTC)
OPENING = date(2026, 10, 24)
BY: dict[str, Any] = {"recorded_at": AT, "recorded_by": "Ann"}


@pytest.fixture
def dusk(db: Session) -> tables.Season:
    """A season of two nights."""
    return season.add_season(
        db,
        "The Long Dusk",
        "Larkmere",
        "Europe/London",
        OPENING,
        date(2026, 10, 25),
        time(17, 25),
        by="Ann",
        at=AT,
    )


@pytest.fixture
def piece(db: Session) -> tables.Workpiece:
    """A hollow squash."""
    lot = tables.Lot(name="L-201", variety="Amber", kind="squash", quantity=9, received_on=OPENING, **BY)
    row = tables.Workpiece(lot=lot, number="0147", diameter_mm=284, height_mm=256, state="hollow", **BY)
    db.add(row)
    db.flush()
    return row


@pytest.fixture
def version(db: Session) -> tables.DesignVersion:
    """A design's first version."""
    row = tables.DesignVersion(
        design=tables.Design(name="Fern Spiral", **BY),
        version=1,
        artwork=b"<svg/>",
        file_name="fern.svg",
        digest="0",
        width_mm=210,
        height_mm=180,
        **BY,
    )
    db.add(row)
    db.flush()
    return row


def _a_job(db: Session, dusk: tables.Season, **given: Any) -> tables.Job:
    return jobs.create_job(db, dusk.id, given.pop("night", OPENING), by="Ann", at=AT, **given)


def _refuses(
    row_counts: Callable[[], dict[str, int]], db: Session, step: Callable[[], object]
) -> PlannerError:
    before = row_counts()
    with pytest.raises(PlannerError) as refusal:
        step()
    assert not db.new
    assert not db.dirty
    assert row_counts() == before
    return refusal.value


def test_state_follows_piece_and_design(
    db: Session, dusk: tables.Season, piece: tables.Workpiece, version: tables.DesignVersion
) -> None:
    """A job is wanted until it has both a piece and a design."""
    job = _a_job(db, dusk)
    assert job.state == "wanted"
    assert jobs.choose_workpiece(db, job.id, piece.id).state == "wanted"
    assert jobs.choose_design(db, job.id, version.id).state == "chosen"
    assert jobs.choose_workpiece(db, job.id, None).state == "wanted"
    whole = _a_job(db, dusk, workpiece_id=piece.id, design_version_id=version.id)
    assert whole.state == "chosen"


def test_piece_is_held_by_one_job(
    db: Session, dusk: tables.Season, piece: tables.Workpiece, row_counts: Callable[[], dict[str, int]]
) -> None:
    """A piece cannot be promised twice; a given-up job lets it go."""
    first, second = _a_job(db, dusk, workpiece_id=piece.id), _a_job(db, dusk)
    refusal = _refuses(row_counts, db, lambda: jobs.choose_workpiece(db, second.id, piece.id))
    assert str(refusal) == f"workpiece 0147 is held by job {first.id}"
    assert isinstance(_refuses(row_counts, db, lambda: _a_job(db, dusk, workpiece_id=piece.id)), Conflict)
    jobs.choose_workpiece(db, first.id, piece.id)  # its own piece again
    jobs.cancel_job(db, first.id)
    assert jobs.choose_workpiece(db, second.id, piece.id).workpiece is piece
    assert (first.state, first.workpiece) == ("cancelled", None)


def test_scrapped_piece(db: Session, dusk: tables.Season, piece: tables.Workpiece) -> None:
    """A piece that is no more cannot be chosen."""
    piece.state = "scrapped"
    with pytest.raises(Conflict, match="0147 is scrapped"):
        _a_job(db, dusk, workpiece_id=piece.id)


@pytest.fixture
def prepared(
    db: Session, dusk: tables.Season, piece: tables.Workpiece, version: tables.DesignVersion
) -> tables.Job:
    """A job that was prepared for one machine."""
    machine = tables.Machine(
        name="Wren", description="{}", digest="0", max_diameter_mm=320, fixture_class="ring", **BY
    )
    job = _a_job(db, dusk, workpiece_id=piece.id, design_version_id=version.id)
    package = tables.Preparation(
        job_id=job.id, machine=machine, inputs_digest="1", prepared_at=AT, engine_version="1", **BY
    )
    run_time = tables.RunTime(job_id=job.id, machine=machine, preparation=package, eligible=True, run_min=21)
    job.state = "prepared"
    db.add_all([tables.Cutter(name="6F-01", type_name="6F", description={}, **BY), package, run_time])
    db.flush()
    return job


@pytest.mark.parametrize("change", ["piece", "no piece", "design", "place", "cutters"])
def test_change_forgets_run_times(change: str, db: Session, prepared: tables.Job) -> None:
    """Run times of another piece, design, place or cutter no longer count; the packages stay."""
    job = prepared
    another = tables.Workpiece(lot=job.workpiece.lot, number="0148", diameter_mm=280, height_mm=250, **BY)
    later = tables.DesignVersion(
        design=job.design_version.design, version=2, artwork=b"", file_name="b.svg", digest="1", width_mm=1,
        height_mm=1, **BY,
    )  # fmt: skip
    db.add_all([another, later])
    db.flush()
    {
        "piece": lambda: jobs.choose_workpiece(db, job.id, another.id),
        "no piece": lambda: jobs.choose_workpiece(db, job.id, None),
        "design": lambda: jobs.choose_design(db, job.id, later.id),
        "place": lambda: jobs.place_design(db, job.id, 10, 5, 0, False, 200),
        "cutters": lambda: jobs.choose_cutters(db, job.id, ["6F"]),
    }[change]()
    assert job.run_times == []
    assert job.state == ("wanted" if change == "no piece" else "chosen")
    assert db.query(tables.RunTime).count() == 0
    assert db.query(tables.Preparation).count() == 1


def test_same_again_forgets_nothing(db: Session, prepared: tables.Job) -> None:
    """A form that is sent without a change costs no preparing; nor does another priority."""
    job = prepared
    jobs.choose_workpiece(db, job.id, job.workpiece_id)
    jobs.choose_design(db, job.id, job.design_version_id)
    jobs.place_design(db, job.id, 0, 0, 0, False, None)
    jobs.choose_cutters(db, job.id, [])
    jobs.set_priority(db, job.id, 3)
    assert job.state == "prepared"
    assert db.query(tables.RunTime).count() == 1


def test_place(db: Session, dusk: tables.Season, row_counts: Callable[[], dict[str, int]]) -> None:
    """A place is kept in degrees and mm; one that is not on the piece is refused."""
    job = _a_job(db, dusk)
    jobs.place_design(db, job.id, -30, 12.5, 180, True, 190)
    db.expire_all()
    assert (job.longitude_deg, job.latitude_deg, job.turn_deg, job.mirror, job.width_mm) == (
        -30, 12.5, 180, True, 190,
    )  # fmt: skip
    refusal = _refuses(row_counts, db, lambda: jobs.place_design(db, job.id, 0, 91, 0, False, None))
    assert str(refusal) == "latitude is 91 deg, expected -90 to 90 deg"
    assert isinstance(
        _refuses(row_counts, db, lambda: jobs.place_design(db, job.id, 0, 0, 0, False, float("inf"))), Refused
    )
    assert job.latitude_deg == 12.5


def test_page_that_was_overtaken(db: Session, dusk: tables.Season) -> None:
    """Two shift leads edit one job: the second is told, and the first one's word stays."""
    job = _a_job(db, dusk)
    shown = job.revision
    jobs.set_priority(db, job.id, 3, revision=shown)
    with pytest.raises(Conflict, match="nothing was kept"):
        jobs.set_priority(db, job.id, 2, revision=shown)
    assert job.priority == 3


@pytest.mark.parametrize("state", ["cutting", "cut", "placed", "cancelled"])
def test_too_late_to_change(state: str, db: Session, dusk: tables.Season) -> None:
    """What is being cut is no longer changed."""
    job = _a_job(db, dusk)
    job.state = state
    db.flush()
    with pytest.raises(Conflict, match=f"is {state}; it can no longer be changed"):
        jobs.choose_workpiece(db, job.id, None)


def test_job_refused(db: Session, dusk: tables.Season, row_counts: Callable[[], dict[str, int]]) -> None:
    """A night, a station, a cutter or a priority that is not there: nothing is kept."""
    other = season.add_season(db, "Other", "Site", "UTC", OPENING, OPENING, time(17), by="Ann", at=AT)
    station = season.add_station(db, other.id, "Gate 1", "Gate", "XL", "through")
    for given, kind in (
        ({"night": date(2026, 10, 26)}, Refused),
        ({"station_id": station.id}, Refused),
        ({"station_id": 999}, NotFound),
        ({"cutter_types": ["6F"]}, Refused),
        ({"priority": 0}, Refused),
        ({"design_version_id": 999}, NotFound),
    ):
        assert isinstance(_refuses(row_counts, db, lambda given=given: _a_job(db, dusk, **given)), kind)
