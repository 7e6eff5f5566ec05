"""Do machines and cutters get in as described, and is their state as it was reported?"""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from sqlalchemy.orm import Session

from planner.database import tables
from planner.errors import Conflict, PlannerError, Refused
from planner.services import fleet

AT = datetime(2026, 10, 21, 6, 0, tzinfo=UTC)
HOUR = timedelta(hours=1)
AXES: list[dict[str, Any]] = [
    {"word": "C", "moves": "work", "kind": "rotary", "direction": [0, 0, 1], "through": [0, 0, 0],
     "min": None, "max": None, "max_speed": 3600, "max_acceleration": 900},
    {"word": "X", "moves": "cutter", "kind": "linear", "direction": [1, 0, 0],
     "min": 20, "max": 320, "max_speed": 3000, "max_acceleration": 400},
]  # fmt: skip
WREN: dict[str, Any] = {
    "name": "Wren",
    "axes": AXES,
    "cutter_axis": [1, 0, 0],
    "cutter_tip_at_zero": [0, 0, 0],
    "seat": [0, 0, 0],
    "spindle": {"min_rpm": 3000, "max_rpm": 24000},
    "changer": True,
    "change_cutter_s": 240,
    "path_tolerance_mm": 0.05,
}
FLAT: dict[str, Any] = {
    "name": "6F", "form": "flat", "diameter_mm": 6, "teeth": 2, "flute_length_mm": 42, "stick_out_mm": 50,
    "holder": {"diameter_mm": 30, "length_mm": 60}, "centre_cutting": True, "rpm": 12000,
    "feed_mm_per_min": 1400, "plunge_mm_per_min": 400, "step_down_mm": 5, "stepover_mm": 1.5,
    "life": {"material": "squash", "exponent": 0.25, "constant_m_per_min": 600},
}  # fmt: skip
CUTTERS = json.dumps({"cutters": [FLAT, FLAT | {"name": "3F", "diameter_mm": 3, "stepover_mm": 0.8}]})


def _a_machine(db: Session, described: dict[str, Any] = WREN, **changes: Any) -> tables.Machine:
    given = {"max_diameter_mm": 320, "fixture_class": "ring"} | changes
    return fleet.add_machine(db, json.dumps(described), by="Ann", at=AT, **given)


def _refuses(
    row_counts: Callable[[], dict[str, int]], db: Session, step: Callable[[], object]
) -> PlannerError:
    before = row_counts()
    with pytest.raises(PlannerError) as refusal:
        step()
    assert not db.new
    assert not db.dirty
    assert row_counts() == before
    assert "\n" not in str(refusal.value)
    return refusal.value


def test_machine_is_kept_as_given(db: Session) -> None:
    """The description is the text as it came; what the planner needs stands beside it."""
    machine = _a_machine(db, max_height_mm=300, kinds=["squash", "foam"], fixtures=["ring", "wide ring"])
    db.expire_all()
    assert machine.description == json.dumps(WREN)
    assert (machine.name, machine.max_diameter_mm, machine.max_height_mm) == ("Wren", 320, 300)
    assert (machine.kinds, machine.fixtures) == (["squash", "foam"], ["ring", "wide ring"])
    assert (machine.active, machine.revision) == (True, 1)


@pytest.mark.parametrize(
    ("described", "changes", "words"),
    [
        (WREN | {"colour": "red"}, {}, "colour"),
        (WREN | {"axes": []}, {}, "axes"),
        (WREN, {"max_diameter_mm": 10}, "largest diameter is 10 mm"),
        (WREN, {"min_diameter_mm": 320}, "smallest diameter is 320 mm, expected less"),
        (WREN, {"attended": 1.5}, "attended share is 1.5"),
        (WREN, {"kinds": ["marrow"]}, "kind is 'marrow'"),
        (WREN, {"fixtures": ["wide ring"]}, "fixture is 'ring'"),
        (WREN, {"fixture_kinds": {"plate": ["turnip"]}}, "'plate' holds something, expected one of ring"),
        (WREN, {"fixture_kinds": {"ring": ["marrow"]}}, "kind is 'marrow'"),
        (WREN, {"kinds": ["squash"], "fixture_kinds": {"ring": ["turnip"]}}, "'ring' holds turnip, but"),
        (WREN, {"kinds": ["squash", "foam"], "fixture_kinds": {"ring": ["foam"]}}, "no fixture holds squash"),
    ],
)
def test_machine_refused(
    described: dict[str, Any],
    changes: dict[str, Any],
    words: str,
    db: Session,
    row_counts: Callable[[], dict[str, int]],
) -> None:
    """A misspelt key or a number that cannot be is refused in one line; nothing is kept."""
    refusal = _refuses(row_counts, db, lambda: _a_machine(db, described, **changes))
    assert words in str(refusal)
    assert isinstance(refusal, Refused)


def test_the_fixture_for_a_piece(db: Session) -> None:
    """The one that stands there where it holds the kind, else the first that does; unnamed ones hold all."""
    held = {"ring": ["squash", "foam"], "screw plate": ["turnip"]}
    machine = _a_machine(db, fixtures=["ring", "screw plate"], fixture_kinds=held)
    assert [fleet.fixture_for(machine, kind) for kind in ("squash", "turnip")] == ["ring", "screw plate"]
    plain = _a_machine(db, WREN | {"name": "Heron"}, fixtures=["ring", "wide ring"])
    assert fleet.fixture_for(plain, "turnip") == "ring"


def test_machine_twice(db: Session, row_counts: Callable[[], dict[str, int]]) -> None:
    """No two machines have one name."""
    _a_machine(db)
    assert isinstance(_refuses(row_counts, db, lambda: _a_machine(db)), Conflict)


def test_change_of_a_machine_voids_its_proof_mark(db: Session) -> None:
    """After a new description the mark must be cut again; the same description changes nothing."""
    machine = _a_machine(db)
    mark = fleet.make_proof_mark(db, machine.id, by="Ann", at=AT)
    fleet.change_machine(db, machine.id, json.dumps(WREN), by="Bea", at=AT + HOUR)
    assert mark.void_reason is None
    faster = json.dumps(WREN | {"change_cutter_s": 60})
    fleet.change_machine(db, machine.id, faster, by="Bea", at=AT + HOUR, revision=1)
    db.expire_all()
    assert machine.description == faster
    assert (mark.voided_by, mark.voided_at) == ("Bea", AT + HOUR)
    assert machine.revision == 2


def test_page_that_was_overtaken(db: Session) -> None:
    """A page that showed an older revision is refused."""
    machine = _a_machine(db)
    fleet.set_active(db, machine.id, False, revision=1)
    with pytest.raises(Conflict, match="revision 2, the page showed 1"):
        fleet.set_active(db, machine.id, True, revision=1)
    assert not machine.active


def test_another_machines_description(db: Session) -> None:
    """A machine keeps its name."""
    machine = _a_machine(db)
    with pytest.raises(Refused, match="name is 'Otter', expected 'Wren'"):
        fleet.change_machine(db, machine.id, json.dumps(WREN | {"name": "Otter"}), by="Ann", at=AT)


def test_shifts_do_not_overlap(db: Session, row_counts: Callable[[], dict[str, int]]) -> None:
    """A shift may begin when another ends, not before; nor end before it begins or last over a day."""
    machine = _a_machine(db)
    add = lambda start, end: fleet.add_shift(db, machine.id, start, end, by="Ann", at=AT)  # noqa: E731
    add(AT, AT + 8 * HOUR)
    add(AT + 8 * HOUR, AT + 11 * HOUR)
    assert isinstance(_refuses(row_counts, db, lambda: add(AT + 10 * HOUR, AT + 12 * HOUR)), Conflict)
    assert isinstance(_refuses(row_counts, db, lambda: add(AT - HOUR, AT + 12 * HOUR)), Conflict)
    assert isinstance(_refuses(row_counts, db, lambda: add(AT + 30 * HOUR, AT + 30 * HOUR)), Refused)
    assert isinstance(_refuses(row_counts, db, lambda: add(AT + 30 * HOUR, AT + 55 * HOUR)), Refused)
    naive = datetime(2026, 10, 30, 6)
    assert isinstance(_refuses(row_counts, db, lambda: add(naive, naive + HOUR)), Refused)


def test_breakdown(db: Session, row_counts: Callable[[], dict[str, int]]) -> None:
    """A machine is down until it is said to run again; it is not down twice at once."""
    machine = _a_machine(db)
    down = fleet.report_breakdown(db, machine.id, AT, "belt", by="Ann", at=AT)
    again = lambda start: fleet.report_breakdown(db, machine.id, start, "fuse", by="Bea", at=AT)  # noqa: E731
    assert "down then already: belt" in str(_refuses(row_counts, db, lambda: again(AT + 48 * HOUR)))
    assert isinstance(_refuses(row_counts, db, lambda: fleet.end_breakdown(db, down.id, AT)), Refused)
    fleet.end_breakdown(db, down.id, AT + 26 * HOUR)
    again(AT + 26 * HOUR)
    db.expire_all()
    assert [(d.reason, d.end_at) for d in machine.breakdowns] == [("belt", AT + 26 * HOUR), ("fuse", None)]


def test_breakdown_before_a_known_one(db: Session) -> None:
    """One with an end may be reported ahead of a later one."""
    machine = _a_machine(db)
    fleet.report_breakdown(db, machine.id, AT + 5 * HOUR, "belt", by="Ann", at=AT)
    fleet.report_breakdown(db, machine.id, AT, "cleaning", by="Ann", at=AT, end_at=AT + 5 * HOUR)
    with pytest.raises(Refused, match="expected after its start"):
        fleet.report_breakdown(db, machine.id, AT, "x", by="Ann", at=AT, end_at=AT)


def test_cutter_is_kept_as_in_its_file(db: Session) -> None:
    """A cutter has a mark of its own and the description of its type."""
    cutter = fleet.add_cutter(db, "3F-01", "3F", CUTTERS, by="Ann", at=AT, life_left=0.3)
    db.expire_all()
    assert (cutter.name, cutter.type_name, cutter.life_left, cutter.state) == ("3F-01", "3F", 0.3, "stored")
    assert cutter.description == FLAT | {"name": "3F", "diameter_mm": 3, "stepover_mm": 0.8}


def test_cutter_refused(db: Session, row_counts: Callable[[], dict[str, int]]) -> None:
    """A type that is not in the file, a life over 1, a bad file, a mark twice: nothing is kept."""
    fleet.add_cutter(db, "6F-01", "6F", CUTTERS, by="Ann", at=AT)

    def step(name: str, type_name: str, text: str, life: float) -> Callable[[], object]:
        return lambda: fleet.add_cutter(db, name, type_name, text, by="Ann", at=AT, life_left=life)

    assert "expected one of 6F, 3F" in str(_refuses(row_counts, db, step("9F-01", "9F", CUTTERS, 1)))
    assert "life left of 6F-02 is 1.2" in str(_refuses(row_counts, db, step("6F-02", "6F", CUTTERS, 1.2)))
    bad = CUTTERS.replace("teeth", "tooth")
    assert isinstance(_refuses(row_counts, db, step("6F-02", "6F", bad, 1)), Refused)
    assert isinstance(_refuses(row_counts, db, step("6F-01", "6F", CUTTERS, 1)), Conflict)


def test_cutter_is_fitted_and_taken_out(db: Session) -> None:
    """A dull cutter leaves its machine and is not fitted again."""
    machine = _a_machine(db)
    cutter = fleet.add_cutter(db, "6F-01", "6F", CUTTERS, by="Ann", at=AT)
    fleet.fit_cutter(db, cutter.id, machine.id)
    assert (cutter.state, cutter.machine_id) == ("fitted", machine.id)
    with pytest.raises(Refused, match="expected dull, broken or retired"):
        fleet.take_out_cutter(db, cutter.id, "fitted")
    fleet.take_out_cutter(db, cutter.id, "dull")
    assert (cutter.state, cutter.machine_id) == ("dull", None)
    with pytest.raises(Conflict, match="is dull and is not fitted"):
        fleet.fit_cutter(db, cutter.id, machine.id)
