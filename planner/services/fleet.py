"""How do machines and cutters get in, and which can be trusted? Shifts, breakdowns, proof marks, fittings."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

from sqlalchemy import or_, select
from sqlalchemy.orm import Session

from engine.files import read_cutters, read_machine
from planner.database import tables
from planner.database.states import CutterState, ProduceKind
from planner.errors import Conflict, Refused
from planner.services.common import (
    amount_of,
    found,
    instant_of,
    name_of,
    refuse_stale,
    refuse_taken,
    refusing_bad_input,
    word_of,
)

# --- machines ------------------------------------------------------------------------------------------


def add_machine(
    db: Session,
    json_text: str,
    *,
    max_diameter_mm: float,
    fixture_class: str,
    by: str,
    at: datetime,
    min_diameter_mm: float = 0.0,
    max_height_mm: float | None = None,
    fixtures: Sequence[str] = (),
    fixture_kinds: Mapping[str, Sequence[str]] | None = None,
    kinds: Sequence[str] = (),
    build: str = "",
    load_min: float = 5.0,
    unload_min: float = 6.0,
    attended: float = 0.33,
    file_name: str = "machine.json",
) -> tables.Machine:
    """Add a machine by its description; its name is the one in the file.

    Parameters
    ----------
    db : Session
        An open session; it is flushed, not committed [-].
    json_text : str
        The machine file's text, see DEVELOPERS.md [-].
    max_diameter_mm : float
        Largest piece it takes [mm].
    fixture_class : str
        The fixture it stands with [-].
    by : str
        Who records it [-].
    at : datetime
        When [-].
    min_diameter_mm : float
        Smallest piece it takes [mm].
    max_height_mm : float, optional
        Longest piece along its axis [mm].
    fixtures : sequence of str
        All fixtures it can be given; the one it stands with when left out [-].
    fixture_kinds : Mapping, optional
        The `ProduceKind` that a fixture holds; one that is not named holds all the machine takes [-].
    kinds : sequence of str
        The `ProduceKind` it takes; none = all [-].
    build : str
        What it looks like, in words [-].
    load_min, unload_min : float
        Time to load and to unload a piece [min].
    attended : float
        Share of a run that needs a person, 0 to 1 [-].
    file_name : str
        Shown in messages [-].
    """
    with refusing_bad_input():
        machine = read_machine(json_text, file_name)
    amount_of(min_diameter_mm, "smallest diameter", 0, 1500, "mm")
    amount_of(max_diameter_mm, "largest diameter", 20, 1500, "mm")
    if min_diameter_mm >= max_diameter_mm:
        raise Refused(
            f"smallest diameter is {min_diameter_mm:g} mm, "
            f"expected less than the largest, {max_diameter_mm:g} mm"
        )
    if max_height_mm is not None:
        amount_of(max_height_mm, "largest height", 20, 1500, "mm")
    amount_of(load_min, "time to load", 0, 240, "min")
    amount_of(unload_min, "time to unload", 0, 240, "min")
    amount_of(attended, "attended share", 0, 1, "")
    fixture_class = name_of(fixture_class, "fixture", 20)
    if fixtures and fixture_class not in fixtures:
        raise Refused(f"fixture is {fixture_class!r}, expected one of {', '.join(fixtures)}")
    taken_kinds = [word_of(ProduceKind, kind, "kind").value for kind in kinds]
    held = _held(fixtures or (fixture_class,), fixture_kinds or {}, taken_kinds)
    refuse_taken(db, tables.Machine, tables.Machine.name, machine.name)
    row = tables.Machine(
        name=name_of(machine.name, "machine's name"),
        description=json_text,
        digest=machine.digest,
        min_diameter_mm=min_diameter_mm,
        max_diameter_mm=max_diameter_mm,
        max_height_mm=max_height_mm,
        kinds=taken_kinds,
        fixture_class=fixture_class,
        fixtures=list(fixtures) or [fixture_class],
        fixture_kinds=held,
        build=build,
        load_min=load_min,
        unload_min=unload_min,
        attended=attended,
        recorded_by=by,
        recorded_at=at,
    )
    db.add(row)
    db.flush()
    return row


def _held(
    fixtures: Sequence[str], held: Mapping[str, Sequence[str]], taken: Sequence[str]
) -> dict[str, list[str]]:
    """Return what each named fixture holds; refuse a fixture or kind that the machine does not have."""
    for fixture in held:
        if fixture not in fixtures:
            raise Refused(f"fixture {fixture!r} holds something, expected one of {', '.join(fixtures)}")
    found = {f: [word_of(ProduceKind, kind, "kind").value for kind in kinds] for f, kinds in held.items()}
    for fixture, kinds in found.items():
        beyond = [kind for kind in kinds if taken and kind not in taken]
        if beyond:
            raise Refused(f"fixture {fixture!r} holds {beyond[0]}, but the machine takes {', '.join(taken)}")
    if all(fixture in found for fixture in fixtures):
        unheld = [kind for kind in taken if not any(kind in kinds for kinds in found.values())]
        if unheld:
            raise Refused(f"no fixture holds {unheld[0]}, which the machine takes")
    return found


def fixture_for(machine: tables.Machine, kind: str) -> str:
    """Return the fixture a machine needs for a kind of produce; the one it stands with where that will do.

    Parameters
    ----------
    machine : Machine
        Of the database [-].
    kind : str
        A `ProduceKind` [-].
    """
    able = [f for f in machine.fixtures if kind in machine.fixture_kinds.get(f, (kind,))]
    return machine.fixture_class if machine.fixture_class in able or not able else able[0]


def change_machine(
    db: Session,
    machine_id: int,
    json_text: str,
    *,
    by: str,
    at: datetime,
    revision: int | None = None,
    file_name: str = "machine.json",
) -> tables.Machine:
    """Give a machine a new description; its proof marks are void, for signs and scales may have changed.

    Parameters
    ----------
    db : Session
        An open session [-].
    machine_id : int
        The machine; the file must bear its name [-].
    json_text : str
        The machine file's text [-].
    by : str
        Who changed it [-].
    at : datetime
        When [-].
    revision : int, optional
        What the page showed; another one is refused [-].
    file_name : str
        Shown in messages [-].
    """
    row = found(db, tables.Machine, machine_id)
    refuse_stale(row, revision)
    with refusing_bad_input():
        machine = read_machine(json_text, file_name)
    if machine.name != row.name:
        raise Refused(f"{file_name}: name is {machine.name!r}, expected {row.name!r}")
    if machine.digest != row.digest:
        row.description, row.digest = json_text, machine.digest
        void_proof_marks(db, machine_id, "the machine's description was changed", by=by, at=at)
    db.flush()
    return row


def set_active(db: Session, machine_id: int, active: bool, *, revision: int | None = None) -> tables.Machine:
    """Put a machine into the fleet or take it out.

    Parameters
    ----------
    db : Session
        An open session [-].
    machine_id : int
        The machine [-].
    active : bool
        Whether plans may use it [-].
    revision : int, optional
        What the page showed; another one is refused [-].
    """
    machine = found(db, tables.Machine, machine_id)
    refuse_stale(machine, revision)
    machine.active = active
    db.flush()
    return machine


def add_shift(
    db: Session, machine_id: int, start_at: datetime, end_at: datetime, *, by: str, at: datetime
) -> tables.MachineShift:
    """Keep when a machine is manned; shifts of a machine do not overlap.

    Parameters
    ----------
    db : Session
        An open session [-].
    machine_id : int
        The machine [-].
    start_at, end_at : datetime
        With time zones, at most a day apart [-].
    by : str
        Who records it [-].
    at : datetime
        When [-].
    """
    machine = found(db, tables.Machine, machine_id)
    _check_span(start_at, end_at, "shift")
    shift = tables.MachineShift
    overlapping = db.scalar(
        select(shift).where(shift.machine_id == machine_id, shift.start_at < end_at, shift.end_at > start_at)
    )
    if overlapping is not None:
        raise Conflict(
            f"{machine.name} has a shift from {overlapping.start_at:%Y-%m-%d %H:%M} "
            f"to {overlapping.end_at:%Y-%m-%d %H:%M} UTC already"
        )
    row = shift(machine_id=machine_id, start_at=start_at, end_at=end_at, recorded_by=by, recorded_at=at)
    db.add(row)
    db.flush()
    return row


def report_breakdown(
    db: Session,
    machine_id: int,
    start_at: datetime,
    reason: str,
    *,
    by: str,
    at: datetime,
    end_at: datetime | None = None,
) -> tables.Breakdown:
    """Keep that a machine is down; without an end, until `end_breakdown`.

    Parameters
    ----------
    db : Session
        An open session [-].
    machine_id : int
        The machine; it must not be down then already [-].
    start_at : datetime
        Since when [-].
    reason : str
        In words [-].
    by : str
        Who reports it [-].
    at : datetime
        When it is reported [-].
    end_at : datetime, optional
        When it will run again, as far as is known [-].
    """
    machine = found(db, tables.Machine, machine_id)
    instant_of(start_at, "start of the breakdown")
    if end_at is not None and instant_of(end_at, "end of the breakdown") <= start_at:
        raise Refused(
            f"breakdown ends at {end_at.isoformat()}, expected after its start, {start_at.isoformat()}"
        )
    down = tables.Breakdown
    overlaps = [down.machine_id == machine_id, or_(down.end_at.is_(None), down.end_at > start_at)]
    if end_at is not None:
        overlaps.append(down.start_at < end_at)
    known = db.scalar(select(down).where(*overlaps))
    if known is not None:
        raise Conflict(f"{machine.name} is down then already: {known.reason}")
    row = down(
        machine_id=machine_id,
        start_at=start_at,
        end_at=end_at,
        reason=name_of(reason, "reason", 400),
        recorded_by=by,
        recorded_at=at,
    )
    db.add(row)
    db.flush()
    return row


def end_breakdown(db: Session, breakdown_id: int, end_at: datetime) -> tables.Breakdown:
    """Keep when a machine runs again, or a better guess of it.

    Parameters
    ----------
    db : Session
        An open session [-].
    breakdown_id : int
        The breakdown [-].
    end_at : datetime
        After its start [-].
    """
    row = found(db, tables.Breakdown, breakdown_id)
    if instant_of(end_at, "end of the breakdown") <= row.start_at:
        raise Refused(
            f"breakdown ends at {end_at.isoformat()}, expected after its start, {row.start_at.isoformat()}"
        )
    row.end_at = end_at
    db.flush()
    return row


def make_proof_mark(
    db: Session, machine_id: int, *, by: str, at: datetime, made_at: datetime | None = None
) -> tables.ProofMark:
    """Keep that a machine's proof mark was cut and found right.

    Parameters
    ----------
    db : Session
        An open session [-].
    machine_id : int
        The machine [-].
    by : str
        Who looked at it [-].
    at : datetime
        When it is recorded [-].
    made_at : datetime, optional
        When it was cut; `at` when left out [-].
    """
    found(db, tables.Machine, machine_id)
    mark = tables.ProofMark(
        machine_id=machine_id,
        made_at=instant_of(made_at or at, "time of the proof mark"),
        made_by=name_of(by, "name"),
        recorded_by=by,
        recorded_at=at,
    )
    db.add(mark)
    db.flush()
    return mark


def void_proof_marks(db: Session, machine_id: int, reason: str, *, by: str, at: datetime) -> int:
    """Void a machine's proof marks after a change of wiring or settings; return how many there were.

    Parameters
    ----------
    db : Session
        An open session [-].
    machine_id : int
        The machine [-].
    reason : str
        In words [-].
    by : str
        Who says so [-].
    at : datetime
        When [-].
    """
    found(db, tables.Machine, machine_id)
    reason = name_of(reason, "reason", 400)
    mark = tables.ProofMark
    marks = db.scalars(select(mark).where(mark.machine_id == machine_id, mark.void_reason.is_(None))).all()
    for valid in marks:
        valid.void(reason, by, at)
    db.flush()
    return len(marks)


def _check_span(start_at: datetime, end_at: datetime, what: str) -> None:
    hours = (instant_of(end_at, "end") - instant_of(start_at, "start")).total_seconds() / 3600
    if not 0 < hours <= 24:
        raise Refused(f"{what} lasts {hours:g} h, expected more than 0 and 24 h at most")


# --- cutters -------------------------------------------------------------------------------------------


def add_cutter(
    db: Session,
    name: str,
    type_name: str,
    cutters_text: str,
    *,
    by: str,
    at: datetime,
    life_left: float = 1.0,
    machine_id: int | None = None,
    file_name: str = "cutters.json",
) -> tables.Cutter:
    """Add one cutter; what it is stands in a cutters file under the name of its type.

    Parameters
    ----------
    db : Session
        An open session [-].
    name : str
        The cutter's mark, e.g. 6F-01; no other has it [-].
    type_name : str
        The name in the file, the same for equal cutters [-].
    cutters_text : str
        The cutters file's text, see DEVELOPERS.md [-].
    by : str
        Who records it [-].
    at : datetime
        When [-].
    life_left : float
        Share of a new one's life, 0 to 1 [-].
    machine_id : int, optional
        Where it is fitted [-].
    file_name : str
        Shown in messages [-].
    """
    name = name_of(name, "mark", 40)
    amount_of(life_left, f"life left of {name}", 0, 1, "")
    description = _cutter_in(cutters_text, file_name, type_name)
    if machine_id is not None:
        found(db, tables.Machine, machine_id)
    refuse_taken(db, tables.Cutter, tables.Cutter.name, name)
    cutter = tables.Cutter(
        name=name,
        type_name=type_name,
        description=description,
        life_left=life_left,
        state=CutterState.STORED if machine_id is None else CutterState.FITTED,
        machine_id=machine_id,
        recorded_by=by,
        recorded_at=at,
    )
    db.add(cutter)
    db.flush()
    return cutter


def fit_cutter(db: Session, cutter_id: int, machine_id: int | None) -> tables.Cutter:
    """Fit a cutter to a machine, or take it back to the store.

    Parameters
    ----------
    db : Session
        An open session [-].
    cutter_id : int
        The cutter; not dull, broken or retired when it is to be fitted [-].
    machine_id : int or None
        The machine; None = the store [-].
    """
    cutter = found(db, tables.Cutter, cutter_id)
    if machine_id is not None:
        found(db, tables.Machine, machine_id)
    if cutter.state not in (CutterState.STORED, CutterState.FITTED):
        raise Conflict(f"cutter {cutter.name} is {cutter.state} and is not fitted")
    cutter.machine_id = machine_id
    cutter.state = CutterState.STORED if machine_id is None else CutterState.FITTED
    db.flush()
    return cutter


def take_out_cutter(db: Session, cutter_id: int, state: str) -> tables.Cutter:
    """Take a cutter out of use: it is dull, broken or retired.

    Parameters
    ----------
    db : Session
        An open session [-].
    cutter_id : int
        The cutter [-].
    state : str
        `dull`, `broken` or `retired` [-].
    """
    cutter = found(db, tables.Cutter, cutter_id)
    word = word_of(CutterState, state, "state")
    if word in (CutterState.STORED, CutterState.FITTED):
        raise Refused(f"state is {state!r}, expected dull, broken or retired")
    cutter.state, cutter.machine_id = word, None
    db.flush()
    return cutter


def _cutter_in(text: str, file_name: str, type_name: str) -> dict[str, Any]:
    """Return the entry of one type in a cutters file, as it stands there."""
    with refusing_bad_input():
        names = [cutter.name for cutter in read_cutters(text, file_name)]
    if type_name not in names:
        raise Refused(f"{file_name}: no cutter is named {type_name!r}, expected one of {', '.join(names)}")
    entry: dict[str, Any] = json.loads(text)["cutters"][names.index(type_name)]
    return entry
