"""Is artwork read before it is kept, and kept as it came?"""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from datetime import UTC, datetime

import pytest
from sqlalchemy.orm import Session

from planner.database import tables
from planner.errors import Conflict, PlannerError, Refused
from planner.services import designs

AT = datetime(2026, 10, 21, 6, 0, tzinfo=UTC)
SQUARE = (
    b'<svg xmlns="http://www.w3.org/2000/svg" width="60mm" height="30mm" viewBox="0 0 60 30">'
    b'<rect x="0" y="0" width="60" height="30"/></svg>'
)


def _add(
    db: Session, name: str = "Plain", content: bytes = SQUARE, **changes: object
) -> tables.DesignVersion:
    given = {"treatment": None, "width_mm": None} | changes
    return designs.add_design_version(db, name, content, "plain.svg", by="Ann", at=AT, **given)


def test_version_is_kept_as_it_came(db: Session) -> None:
    """The file's bytes, its digest as hashlib finds it, and the size that it says."""
    version = _add(db)
    db.expire_all()
    assert (version.design.name, version.version, version.artwork) == ("Plain", 1, SQUARE)
    assert version.digest == hashlib.sha256(SQUARE).hexdigest()[:12]
    assert (version.width_mm, version.height_mm) == (pytest.approx(60), pytest.approx(30))
    assert (version.treatment, version.approved_by) == (None, None)


def test_given_width_goes_before_the_files(db: Session) -> None:
    """A width that is given scales both sides."""
    version = _add(db, width_mm=90, treatment="shave")
    assert (version.width_mm, version.height_mm) == (pytest.approx(90), pytest.approx(45))
    assert version.treatment == "shave"


def test_versions_count_up(db: Session) -> None:
    """The same name makes a next version and leaves the earlier one; another name begins at 1."""
    assert [_add(db).version, _add(db, width_mm=90).version, _add(db, "Other").version] == [1, 2, 1]
    assert db.query(tables.Design).count() == 2


@pytest.mark.parametrize(
    ("content", "changes"),
    [
        (b"<svg", {}),
        (b"not a picture", {}),
        (SQUARE, {"treatment": "engrave"}),
        (SQUARE, {"width_mm": -5.0}),
        (SQUARE, {"width_mm": float("nan")}),
        (SQUARE, {"name": " "}),
    ],
)
def test_bad_artwork_leaves_the_database_unchanged(
    content: bytes, changes: dict[str, object], db: Session, row_counts: Callable[[], dict[str, int]]
) -> None:
    """What cannot be read is refused in one line, and no design without a version is left."""
    before = row_counts()
    with pytest.raises(Refused) as refusal:
        _add(db, content=content, **changes)
    assert not db.new
    assert row_counts() == before
    assert "\n" not in str(refusal.value)


def test_approved_once(db: Session) -> None:
    """Who approved is kept with the time, and is not written over."""
    version = _add(db)
    designs.approve_design_version(db, version.id, by="Bea", at=AT)
    with pytest.raises(Conflict, match="version 1 of Plain was approved by Bea"):
        designs.approve_design_version(db, version.id, by="Ann", at=AT)
    db.expire_all()
    assert (version.approved_by, version.approved_at) == ("Bea", AT)


def test_refusal_is_a_planner_error() -> None:
    """A page can answer a refusal by its status."""
    assert issubclass(Refused, PlannerError)
    assert (PlannerError.status, Refused.status, Conflict.status) == (400, 422, 409)
