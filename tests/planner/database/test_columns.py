"""Do instants and probe points come back as they went in, on both stores?"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from sqlalchemy import LargeBinary, select, type_coerce
from sqlalchemy.exc import StatementError
from sqlalchemy.orm import Session

from planner.database import tables

AT = datetime(2026, 10, 21, 6, 0, tzinfo=UTC)


def _a_scan(db: Session, points: np.ndarray) -> tables.Scan:
    by = {"recorded_at": AT, "recorded_by": "Ann"}
    lot = tables.Lot(
        name="L-201", variety="Amber Globe", kind="squash", quantity=1, received_on=AT.date(), **by
    )
    piece = tables.Workpiece(lot=lot, number="0147", diameter_mm=284, height_mm=256, **by)
    scan = tables.Scan(
        workpiece=piece,
        taken_at=AT,
        state="whole",
        clamp_number=1,
        tip_radius_mm=3,
        points=points,
        touches=len(points),
        digest="0" * 12,
        original="",
        **by,
    )
    db.add(scan)
    db.flush()
    db.expire_all()
    return scan


def test_instant_comes_back_as_utc(db: Session) -> None:
    """An instant given in a site's own time is the same instant afterwards, in UTC."""
    local = datetime(2026, 10, 24, 17, 25, tzinfo=ZoneInfo("Europe/London"))  # summer time, one hour ahead
    work = tables.Work(kind="prepare", recorded_at=local, recorded_by="Ann")
    db.add(work)
    db.flush()
    db.expire_all()
    assert work.recorded_at == datetime(2026, 10, 24, 16, 25, tzinfo=UTC)
    assert work.recorded_at.utcoffset() == timedelta(0)


def test_time_without_zone_is_refused(db: Session) -> None:
    """A time that could mean several instants is not stored."""
    db.add(tables.Work(kind="prepare", recorded_at=datetime(2026, 10, 24, 17, 25), recorded_by="Ann"))
    with pytest.raises(StatementError, match="has no time zone"):
        db.flush()


def test_instants_compare_in_the_store(db: Session) -> None:
    """A comparison in SQL is one of instants, whatever zone the other side is given in."""
    db.add(tables.Work(kind="prepare", recorded_at=AT, recorded_by="Ann"))
    db.flush()
    later_there = datetime(2026, 10, 21, 7, 30, tzinfo=ZoneInfo("Europe/Berlin"))  # 05:30 UTC
    assert db.scalar(select(tables.Work.id).where(tables.Work.recorded_at < later_there)) is None


def test_points_come_back_read_only(db: Session) -> None:
    """Points are the same to the last bit and cannot be edited in place."""
    points = np.random.default_rng(1).normal(0, 140, (40, 3))
    scan = _a_scan(db, points)
    assert scan.points.dtype == np.float64
    assert np.array_equal(scan.points, points)
    with pytest.raises(ValueError, match="read-only"):
        scan.points[0, 0] = 5.0


def test_points_are_kept_without_pickles(db: Session) -> None:
    """What lies in the column is numpy's own file form, which any numpy reads without running code."""
    scan = _a_scan(db, np.eye(3))
    blob = db.scalar(select(type_coerce(tables.Scan.points, LargeBinary)).where(tables.Scan.id == scan.id))
    assert blob is not None
    assert bytes(blob).startswith(b"\x93NUMPY\x01\x00")  # the format's magic words, numpy.lib.format
    assert b"'descr': '<f8'" in bytes(blob)


def test_points_of_another_shape_are_refused(db: Session) -> None:
    """Only (n, 3) goes in."""
    with pytest.raises(StatementError, match=r"shape \(3, 2\), expected \(n, 3\)"):
        _a_scan(db, np.zeros((3, 2)))


def test_equal_points_are_no_change(db: Session) -> None:
    """Setting the same points again writes nothing; other points do."""
    scan = _a_scan(db, np.eye(3))
    assert np.array_equal(scan.points, np.eye(3))  # loaded
    scan.points = np.eye(3)
    assert not db.is_modified(scan)
    scan.points = 2 * np.eye(3)
    assert db.is_modified(scan)
