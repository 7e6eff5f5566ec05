"""Do checks of machines show where they lead, and does one that fails take the proof mark with it?"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from sqlalchemy.orm import Session

from planner.database import tables
from planner.errors import Refused
from planner.services.machine_checks import DUE_DAYS, checked, keep_check

NOW = datetime(2026, 10, 30, 6, 0, tzinfo=UTC)
BY: dict[str, Any] = {"recorded_at": NOW, "recorded_by": "Ann"}


@pytest.fixture
def wren(db: Session) -> tables.Machine:
    """A machine with a proof mark that counts."""
    row = tables.Machine(
        name="Wren", description="{}", digest="0", max_diameter_mm=320, fixture_class="ring", **BY
    )
    row.proof_marks = [tables.ProofMark(made_at=NOW - timedelta(days=9), made_by="Ann", **BY)]
    db.add(row)
    db.flush()
    return row


def test_a_line_through_readings_tells_when_the_limit_is_reached(db: Session, wren: tables.Machine) -> None:
    """0.10, 0.14, 0.18 mm a week apart: 0.04 mm a week, and 0.3 mm three weeks after the last, by hand."""
    for week, value in enumerate((0.10, 0.14, 0.18)):
        keep_check(db, wren.id, "ring gauge", value=value, by="Ann", at=NOW - timedelta(weeks=2 - week))
    (found,) = checked(db, now=NOW)
    (trend,) = found.trends
    assert [one.value for one in trend.readings] == [0.10, 0.14, 0.18]
    assert trend.per_week == pytest.approx(0.04) and trend.weeks_left == pytest.approx(3.0)
    assert all(one.passed for one in trend.readings)


def test_a_line_downwards_leads_to_the_other_limit(db: Session, wren: tables.Machine) -> None:
    """0.04, 0.02, 0.00 deg: -0.02 deg a week, so -0.1 deg in five weeks; flat readings lead nowhere."""
    for week, value in enumerate((0.04, 0.02, 0.0)):
        keep_check(db, wren.id, "full turn", value=value, by="Ann", at=NOW - timedelta(weeks=2 - week))
        keep_check(db, wren.id, "ring gauge", value=0.1, by="Ann", at=NOW - timedelta(weeks=2 - week))
    (found,) = checked(db, now=NOW)
    by_kind = {trend.kind: trend for trend in found.trends}
    assert by_kind["full turn"].weeks_left == pytest.approx(5.0)
    assert by_kind["ring gauge"].weeks_left is None


def test_a_turn_that_misses_its_mark_voids_the_proof_mark(db: Session, wren: tables.Machine) -> None:
    """0.1 deg is allowed, 0.11 is not: after it the machine has to be proved anew."""
    keep_check(db, wren.id, "full turn", value=-0.1, by="Ann", at=NOW)
    assert wren.proof_marks[0].voided_at is None
    row = keep_check(db, wren.id, "full turn", value=-0.11, by="Ann", at=NOW)
    assert not row.passed
    db.refresh(wren.proof_marks[0])
    assert "-0.11 deg off" in (wren.proof_marks[0].void_reason or "")


def test_what_is_due(db: Session, wren: tables.Machine) -> None:
    """Never done, done too long ago and done badly are due; done today is not."""
    keep_check(db, wren.id, "cleaned", by="Ann", at=NOW - timedelta(hours=3))
    keep_check(db, wren.id, "serviced", by="Ann", at=NOW - timedelta(days=15))
    keep_check(db, wren.id, "emergency stop", passed=False, by="Ann", at=NOW, words="button sticks")
    (found,) = checked(db, now=NOW)
    due = {tick.kind: tick.due for tick in found.ticks}
    assert due == {kind: kind != "cleaned" for kind in DUE_DAYS}


def test_what_cannot_be_is_refused(db: Session, wren: tables.Machine) -> None:
    """A gauge without a reading, a tick with one, an unknown kind."""
    for kind, value, words in (("ring gauge", None, "in mm was expected"), ("cleaned", 0.1, "is a tick"),
                               ("polished", None, "expected one of")):  # fmt: skip
        with pytest.raises(Refused, match=words):
            keep_check(db, wren.id, kind, value=value, by="Ann", at=NOW)


def test_a_corrected_reading_counts_no_longer(db: Session, wren: tables.Machine) -> None:
    """The void one is left out."""
    row = keep_check(db, wren.id, "ring gauge", value=0.2, by="Ann", at=NOW)
    row.void("read upside down", "Ann", NOW)
    db.flush()
    (found,) = checked(db, now=NOW)
    assert found.trends == ()


def test_two_questions(db: Session, wren: tables.Machine, query_counter: Any) -> None:
    """Whatever the number of machines and readings."""
    keep_check(db, wren.id, "ring gauge", value=0.2, by="Ann", at=NOW)
    with query_counter() as queries:
        checked(db, now=NOW)
    assert len(queries) == 2
