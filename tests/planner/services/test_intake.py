"""Does produce get in as it is, and is what is wrong refused without a trace?"""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta

import numpy as np
import pytest
from sqlalchemy.orm import Session

from planner.database import tables
from planner.errors import Conflict, NotFound, PlannerError, Refused
from planner.services import intake

AT = datetime(2026, 10, 21, 6, 0, tzinfo=UTC)
LATER = AT + timedelta(hours=3)
WALL = "longitude_deg,latitude_deg,wall_mm,sigma_mm\n0,0,22.5,0.7\n120,10,19,0.7\n-120,-10,24,0.7\n"


def _touches(tip_mm: float | None = None) -> str:
    """Return touches on a sphere of 140 mm, with or without a comment that names the tip."""
    longitude, latitude = np.meshgrid(np.radians(np.arange(0, 360, 60)), np.radians([-40, 0, 40]))
    x, y = np.cos(longitude) * np.cos(latitude), np.sin(longitude) * np.cos(latitude)
    rows = 140 * np.stack([x, y, np.sin(latitude)], axis=-1).reshape(-1, 3)
    head = "" if tip_mm is None else f"# tip_radius_mm={tip_mm}\n"
    return head + "x_mm,y_mm,z_mm\n" + "".join(f"{a:.3f},{b:.3f},{c:.3f}\n" for a, b, c in rows)


def _a_lot(db: Session, **changes: str) -> tables.Lot:
    return intake.add_lot(
        db, "L-201", "Amber Globe", "squash", 110, date(2026, 10, 16), by="Ann", at=AT, **changes
    )


@pytest.fixture
def piece(db: Session) -> tables.Workpiece:
    """A whole squash in store."""
    return intake.add_workpiece(db, _a_lot(db).id, "0147", 284, 256, by="Ann", at=AT, ribs=10)


def _refuses(
    row_counts: Callable[[], dict[str, int]], db: Session, step: Callable[[], object]
) -> PlannerError:
    """Return what a step is refused with; nothing was written, not even into the open session."""
    before = row_counts()
    with pytest.raises(PlannerError) as refusal:
        step()
    assert not db.new
    assert not db.dirty
    assert row_counts() == before
    assert "\n" not in str(refusal.value)
    return refusal.value


def test_lot_and_piece(db: Session) -> None:
    """A lot and its piece are there as given, with who recorded them and when."""
    lot = _a_lot(db)
    piece = intake.add_workpiece(
        db, lot.id, " 0147 ", 284, 256, by="Ann", at=AT, ribs=10, wall_default_mm=22, store_place="A3"
    )
    db.expire_all()
    assert (lot.name, lot.kind, lot.quantity, lot.state) == ("L-201", "squash", 110, "accepted")
    assert (piece.number, piece.state, piece.wall_default_mm) == ("0147", "whole", 22)
    assert (piece.recorded_by, piece.recorded_at) == ("Ann", AT)


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"number": ""}, "number is ''"),
        ({"number": "01\n47"}, "expected 1 to 40 printable"),
        ({"diameter_mm": float("nan")}, "diameter is nan mm, expected 20 to 1500 mm"),
        ({"height_mm": -3}, "height is -3 mm"),
        ({"ribs": -1}, "ribs is -1"),
        ({"wall_default_mm": 0}, "wall is 0 mm, expected 0.1 to 200 mm"),
    ],
)
def test_piece_refused(
    changes: dict[str, object],
    words: str,
    db: Session,
    row_counts: Callable[[], dict[str, int]],
) -> None:
    """A measure that cannot be is refused in words, and nothing is kept."""
    lot = _a_lot(db)
    given = {"number": "0147", "diameter_mm": 284, "height_mm": 256} | changes
    refusal = _refuses(row_counts, db, lambda: intake.add_workpiece(db, lot.id, by="Ann", at=AT, **given))
    assert words in str(refusal)
    assert refusal.status == 422


def test_number_twice(db: Session, piece: tables.Workpiece, row_counts: Callable[[], dict[str, int]]) -> None:
    """No two pieces have one number."""
    step = lambda: intake.add_workpiece(db, piece.lot_id, "0147", 284, 256, by="Ann", at=AT)  # noqa: E731
    assert str(_refuses(row_counts, db, step)) == "workpiece '0147' is there already"


def test_rejected_lot(db: Session, row_counts: Callable[[], dict[str, int]]) -> None:
    """A rejected lot is kept with its reason, but no piece of it is taken in."""
    lot = _a_lot(db, state="rejected", note="sample of 25 had 4 bad")
    refusal = _refuses(
        row_counts, db, lambda: intake.add_workpiece(db, lot.id, "0300", 284, 256, by="Ann", at=AT)
    )
    assert isinstance(refusal, Conflict)


def test_unknown_kind(db: Session, row_counts: Callable[[], dict[str, int]]) -> None:
    """A kind that is not known is refused with those that are."""
    refusal = _refuses(
        row_counts,
        db,
        lambda: intake.add_lot(db, "L-9", "?", "marrow", 1, date(2026, 10, 16), by="Ann", at=AT),
    )
    assert str(refusal) == "kind is 'marrow', expected one of squash, turnip, gourd, foam"


def test_wall_readings(db: Session, piece: tables.Workpiece) -> None:
    """Readings are kept in degrees and mm; a later file takes the place of an earlier one, which stays."""
    intake.add_wall_readings(db, piece.id, WALL, by="Ann", at=AT)
    intake.add_wall_readings(
        db, piece.id, "longitude_deg,latitude_deg,wall_mm\n15,-20,17.2\n", by="Bea", at=LATER
    )
    db.expire_all()
    kept = [(r.active, r.wall_mm, r.recorded_by) for r in piece.wall_readings]
    assert sorted(kept) == [
        (False, 19.0, "Ann"),
        (False, 22.5, "Ann"),
        (False, 24.0, "Ann"),
        (True, 17.2, "Bea"),
    ]
    (reading,) = (r for r in piece.wall_readings if r.active)
    assert (reading.longitude_deg, reading.latitude_deg) == (pytest.approx(15), pytest.approx(-20))


def test_bad_wall_file_leaves_the_earlier_readings(
    db: Session, piece: tables.Workpiece, row_counts: Callable[[], dict[str, int]]
) -> None:
    """One bad row refuses the file by its line; the readings from before still count."""
    intake.add_wall_readings(db, piece.id, WALL, by="Ann", at=AT)
    bad = WALL.replace("19", "thick")
    refusal = _refuses(
        row_counts,
        db,
        lambda: intake.add_wall_readings(db, piece.id, bad, by="Ann", at=AT, file_name="0147.csv"),
    )
    assert isinstance(refusal, Refused)
    assert "0147.csv, line 3" in str(refusal)
    assert "thick" in str(refusal)
    db.expire_all()
    assert all(reading.active for reading in piece.wall_readings)


def test_scan(db: Session, piece: tables.Workpiece) -> None:
    """A scan is kept with the file as it came, the state and the clamping that the piece had."""
    scan = intake.add_scan(
        db, piece.id, _touches(tip_mm=1.5), None, by="Ann", at=LATER, taken_at=AT, file_name="0147.csv"
    )
    db.expire_all()
    assert (scan.tip_radius_mm, scan.touches, scan.points.shape) == (1.5, 18, (18, 3))
    assert np.allclose(np.linalg.norm(scan.points, axis=1), 140, atol=0.002)
    assert (scan.state, scan.clamp_number, scan.active) == ("whole", 0, True)
    assert (scan.original, scan.taken_at) == (_touches(tip_mm=1.5), AT)


def test_scan_digest_is_the_files(db: Session, piece: tables.Workpiece) -> None:
    """The digest is the first 12 hex digits of the file's sha256, as hashlib finds them."""
    import hashlib

    text = _touches()
    scan = intake.add_scan(db, piece.id, text, 3, by="Ann", at=AT)
    assert scan.digest == hashlib.sha256(text.encode()).hexdigest()[:12]


def test_given_tip_goes_before_the_files(db: Session, piece: tables.Workpiece) -> None:
    """A tip radius that is given is the one that is kept."""
    assert intake.add_scan(db, piece.id, _touches(tip_mm=1.5), 3.0, by="Ann", at=AT).tip_radius_mm == 3.0


def test_later_scan_voids_the_earlier(db: Session, piece: tables.Workpiece) -> None:
    """One scan of a piece is active; the earlier one stays, void, with the reason, by whom and when."""
    first = intake.add_scan(db, piece.id, _touches(), 3, by="Ann", at=AT)
    second = intake.add_scan(db, piece.id, _touches(), 2, by="Bea", at=LATER)
    db.expire_all()
    assert (first.active, second.active) == (False, True)
    assert (first.void_reason, first.voided_by, first.voided_at) == (
        "replaced by a later scan", "Bea", LATER,
    )  # fmt: skip


def test_bad_probe_file_leaves_the_database_unchanged(
    db: Session, piece: tables.Workpiece, row_counts: Callable[[], dict[str, int]]
) -> None:
    """A bad row refuses the whole file by its line, and the scan from before is still active."""
    scan = intake.add_scan(db, piece.id, _touches(), 3, by="Ann", at=AT)
    lines = _touches().splitlines()
    lines[4] = "12.0,nan,7.0"
    bad = "\n".join(lines)
    refusal = _refuses(
        row_counts,
        db,
        lambda: intake.add_scan(db, piece.id, bad, 3, by="Ann", at=AT, file_name="0147.csv"),
    )
    assert isinstance(refusal, Refused)
    assert "0147.csv, line 5" in str(refusal)
    db.expire_all()
    assert scan.active


def test_scan_of_no_piece(db: Session, row_counts: Callable[[], dict[str, int]]) -> None:
    """A piece that is not there is told by its number."""
    refusal = _refuses(row_counts, db, lambda: intake.add_scan(db, 999, _touches(), 3, by="Ann", at=AT))
    assert isinstance(refusal, NotFound)
    assert str(refusal) == "there is no workpiece 999"


@pytest.mark.parametrize("change", [intake.mark_hollowed, intake.mark_clamped])
def test_change_of_the_piece_voids_its_scan(
    change: Callable[..., tables.Workpiece], db: Session, piece: tables.Workpiece
) -> None:
    """After hollowing or clamping anew the scan is void (trade: any change voids or demands a re-check)."""
    scan = intake.add_scan(db, piece.id, _touches(), 3, by="Ann", at=AT)
    change(db, piece.id, by="Bea", at=LATER)
    db.expire_all()
    assert not scan.active
    assert scan.void_reason is not None
    again = intake.add_scan(db, piece.id, _touches(), 3, by="Bea", at=LATER)
    assert (again.state, again.clamp_number) == (piece.state, piece.clamp_number)
    assert (again.state, again.clamp_number) != (scan.state, scan.clamp_number)


def test_hollowed_once(db: Session, piece: tables.Workpiece) -> None:
    """Hollowing is stamped, and happens once."""
    intake.mark_hollowed(db, piece.id, by="Ann", at=AT)
    assert (piece.state, piece.hollowed_at) == ("hollow", AT)
    with pytest.raises(Conflict, match="only a whole one"):
        intake.mark_hollowed(db, piece.id, by="Ann", at=AT)


def test_void_scan_once(db: Session, piece: tables.Workpiece) -> None:
    """A scan is voided with a reason, once."""
    scan = intake.add_scan(db, piece.id, _touches(), 3, by="Ann", at=AT)
    with pytest.raises(Refused, match="reason is"):
        intake.void_scan(db, scan.id, " ", by="Ann", at=AT)
    intake.void_scan(db, scan.id, "held too long in the warm", by="Ann", at=AT)
    with pytest.raises(Conflict, match="held too long"):
        intake.void_scan(db, scan.id, "again", by="Ann", at=AT)


def test_services_do_not_commit(db: Session) -> None:
    """Who opened the session decides: a rollback forgets what a service wrote."""
    _a_lot(db)
    db.rollback()
    assert db.query(tables.Lot).count() == 0
