"""Do steps of a piece make void what rested on how it was? Is a bad lot refused, a rotting one told?"""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from math import comb
from typing import Any

import numpy as np
import pytest
from sqlalchemy.orm import Session

from planner.database import tables
from planner.errors import Conflict, Refused
from planner.services import intake, pieces, steps, trouble
from planner.services.starting import blocks

AT = datetime(2026, 10, 21, 6, 0, tzinfo=UTC)
BY: dict[str, Any] = {"recorded_at": AT, "recorded_by": "Ann"}


def _later(minutes: float) -> datetime:
    return AT + timedelta(minutes=minutes)


@pytest.fixture
def job(db: Session) -> tables.Job:
    """A prepared job with a hollow piece, gauged and probed."""
    season = tables.Season(
        name="The Long Dusk", site="Larkmere", time_zone="Europe/London", opening_night=date(2026, 10, 24),
        last_night=date(2026, 10, 26), dusk=time(17, 25), **BY,
    )  # fmt: skip
    lot = tables.Lot(name="L-1", variety="Crown", kind="squash", quantity=40, received_on=AT.date(), **BY)
    machine = tables.Machine(
        name="Heron", description="{}", digest="0", max_diameter_mm=320, fixture_class="ring", **BY
    )
    version = tables.DesignVersion(
        design=tables.Design(name="Fern", **BY), version=1, artwork=b"<svg/>", file_name="fern.svg",
        digest="0", width_mm=210, height_mm=180, **BY,
    )  # fmt: skip
    db.add_all([season, lot, machine, version])
    db.flush()
    piece = intake.add_workpiece(db, lot.id, "0147", 284, 256, by="Ann", at=AT, wall_default_mm=22)
    intake.mark_hollowed(db, piece.id, by="Ann", at=_later(10), place="bench 1")
    intake.add_wall_readings(
        db, piece.id, "longitude_deg,latitude_deg,wall_mm\n0,0,21\n", by="Ann", at=_later(12)
    )
    intake.mark_clamped(db, piece.id, by="Ann", at=_later(15), carrier="7")
    rng = np.random.default_rng(1)
    points = rng.normal(size=(20, 3))
    points *= 120 / np.linalg.norm(points, axis=1, keepdims=True)
    text = "x_mm,y_mm,z_mm\n" + "\n".join(",".join(f"{v:.3f}" for v in row) for row in points)
    intake.add_scan(db, piece.id, text, 1.0, by="Ann", at=_later(20))
    made = tables.Job(
        season=season, night=date(2026, 10, 24), workpiece=piece, design_version=version, state="prepared",
        **BY,
    )  # fmt: skip
    made.preparations = [
        tables.Preparation(
            machine=machine, inputs_digest="0", state="done", prepared_at=AT, engine_version="0.1.0", **BY
        )
    ]
    db.add(made)
    db.flush()
    return made


def _fallen(db: Session, job: tables.Job) -> list[str]:
    assert job.workpiece_id is not None
    return list(steps.way_of(db, job.workpiece_id)[-1].voided)


def test_way_with_times_carrier_and_clamp(db: Session, job: tables.Job) -> None:
    """Each step stands with its time; the carrier stays until another is said."""
    assert job.workpiece_id is not None
    way = steps.way_of(db, job.workpiece_id)
    assert [s.step for s in way] == ["received", "hollowed", "gauged", "mounted", "probed"]
    assert [s.clamp_number for s in way] == [0, 0, 0, 1, 1]
    assert [s.carrier for s in way] == ["", "", "", "7", "7"]
    assert way[1].happened_at == _later(10) and way[1].place == "bench 1"


@pytest.mark.parametrize(
    ("kind", "void"),
    [
        ("thinned", ["scan", "wall readings", "program"]),
        ("mounted", ["scan", "program"]),
        ("washed", ["scan", "program"]),
        ("gauged", []),
        ("stored", []),
    ],
)
def test_what_falls_with_a_step(db: Session, job: tables.Job, kind: str, void: list[str]) -> None:
    """By the rules of the trade: clamp and state void the scan, a thinner wall its readings, and programs
    fall with either; the job is to be prepared anew, and each line says why.
    """
    piece = job.workpiece
    assert piece is not None
    pieces.step(db, piece.id, kind, by="Wil", at=_later(30))
    fallen = _fallen(db, job)
    assert [line.split(" of ")[0].split(",")[0] for line in fallen] == void
    assert job.state == ("chosen" if void else "prepared")
    assert all("since" in line or "after" in line for line in fallen)
    assert any(scan.active for scan in piece.scans) == ("scan" not in void)
    if void:
        told = " ".join(b.words for b in blocks(db, job.id, job.preparations[0].machine_id, now=_later(31)))
        assert "has no scan that counts: " in told


@pytest.mark.parametrize(
    ("state", "kind", "words"),
    [
        ("cut", "mounted", "only a whole or hollow"),
        ("whole", "thinned", "hollowed before"),
        ("hollow", "finished", "only a cut one"),
        ("hollow", "at station", "reported where it is done"),
        ("placed", "composted", "take it down first"),
        ("hollow", "polished", "expected one of"),
    ],
)
def test_steps_out_of_order(db: Session, job: tables.Job, state: str, kind: str, words: str) -> None:
    """What cannot be is refused in words, and nothing is kept."""
    assert job.workpiece is not None
    job.workpiece.state = state
    before = len(steps.way_of(db, job.workpiece.id))
    with pytest.raises((Conflict, Refused), match=words):
        pieces.step(db, job.workpiece.id, kind, by="Wil", at=AT)
    assert len(steps.way_of(db, job.workpiece.id)) == before


def test_taken_down_then_composted(db: Session, job: tables.Job) -> None:
    """A lantern is taken down before it is composted."""
    assert job.workpiece is not None
    job.workpiece.state = "placed"
    for kind in ("taken down", "composted"):
        pieces.step(db, job.workpiece.id, kind, by="Bea", at=AT)


@pytest.mark.parametrize(
    ("bad", "soft", "state"),
    [(2, 0, "accepted"), (3, 0, "rejected"), (1, 1, "rejected"), (0, 0, "accepted"), (4, 0, "rejected")],
)
def test_sample_of_a_lot(db: Session, job: tables.Job, bad: int, soft: int, state: str) -> None:
    """Of 25: 2 bad are 8 %, 3 are 12 % of at most 10; one with soft rot is 4 % of at most 2."""
    assert job.workpiece is not None
    lot = pieces.sample_lot(db, job.workpiece.lot_id, 25, bad, soft, "", by="Ann", at=AT)
    assert lot.state == state


def test_too_small_a_sample_is_refused(db: Session, job: tables.Job) -> None:
    """Twenty-five at least of a lot of forty."""
    assert job.workpiece is not None
    with pytest.raises(Refused, match="expected 25"):
        pieces.sample_lot(db, job.workpiece.lot_id, 24, 0, 0, "", by="Ann", at=AT)


def test_rot_raises_an_alarm(db: Session, job: tables.Job) -> None:
    """Three of ten rotten, four in a hundred expected: the binomial tail summed by hand is 0.0062."""
    lot = db.get(tables.Lot, job.workpiece.lot_id if job.workpiece else 0)
    assert lot is not None
    for n in range(9):
        intake.add_workpiece(db, lot.id, f"02{n}", 284, 256, by="Ann", at=AT)
    assert not pieces.rot_by_lot(db)[0].alarm
    for number in ("020", "021", "022"):
        trouble.piece_lost(db, number, "soft rot at the base", by="Ann", at=AT)
    trouble.piece_lost(db, "023", "dropped", by="Ann", at=AT)
    rot = pieces.rot_by_lot(db)[0]
    by_hand = 1 - sum(comb(10, k) * 0.04**k * 0.96 ** (10 - k) for k in range(3))
    assert (rot.rotten, rot.pieces, rot.alarm) == (3, 10, True)
    assert rot.chance == pytest.approx(by_hand)
    assert "look at the rest" in rot.words


def test_oldest_sound_first(db: Session, job: tables.Job) -> None:
    """Pieces of the older lot come first; a refused lot and held pieces give none."""
    newer = tables.Lot(
        name="L-2", variety="Crown", kind="squash", quantity=4, received_on=date(2026, 10, 22), **BY
    )
    older = tables.Lot(
        name="L-0", variety="Crown", kind="squash", quantity=4, received_on=date(2026, 10, 2), **BY
    )
    db.add_all([newer, older])
    db.flush()
    for lot, number in ((newer, "0301"), (older, "0302")):
        intake.add_workpiece(db, lot.id, number, 284, 256, by="Ann", at=AT)
    assert [piece.number for piece in pieces.oldest_sound(db, "squash")] == ["0302", "0301"]
    older.state = "rejected"
    db.flush()
    assert [piece.number for piece in pieces.oldest_sound(db, "squash")] == ["0301"]
