"""What does each cutter's ledger say: where it was, what it took, what was seen of it?

Entries are kept by hands; what runs took is written off by their end.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import select
from sqlalchemy.orm import Session

from planner.database import tables
from planner.database.states import CutterEntryKind, CutterState
from planner.errors import Conflict, Refused
from planner.services.changes import note
from planner.services.common import amount_of, found, name_of, refuse_taken, word_of

LOOKS = ("sharp", "frayed skin", "squeal", "wet fuzz", "slugs hang on threads", "chipped")
LARGEST_WEAR_MM = 0.3
"""Uniform flank wear at which a cutter is dull (ISO 3685:1993, from memory)."""
SHARP = (CutterEntryKind.ISSUED, CutterEntryKind.SHARPENED)
OUT = {
    CutterEntryKind.DULL: CutterState.DULL,
    CutterEntryKind.BROKEN: CutterState.BROKEN,
    CutterEntryKind.RETIRED: CutterState.RETIRED,
}


def keep_entry(
    db: Session,
    cutter_id: int,
    kind: str,
    *,
    by: str,
    at: datetime,
    machine_id: int | None = None,
    stick_out_mm: float | None = None,
    wear_mm: float | None = None,
    look: str = "",
    words: str = "",
) -> tables.CutterEntry:
    """Keep a line of a cutter's ledger, and bring the cutter to where the line says it is.

    Parameters
    ----------
    db : Session
        An open session; it is flushed, not committed [-].
    cutter_id : int
        The cutter [-].
    kind : str
        One of `CutterEntryKind` [-].
    by : str
        Who reports it [-].
    at : datetime
        When [-].
    machine_id : int, optional
        Where it is fitted; needed for `fitted` [-].
    stick_out_mm : float, optional
        Out of the holder; needed for `fitted` [mm].
    wear_mm : float, optional
        Flank wear of an inspection; beyond 0.3 mm the cutter is dull [mm].
    look : str
        What an inspection saw, one of `LOOKS` [-].
    words : str
        Anything else [-].
    """
    cutter = found(db, tables.Cutter, cutter_id)
    word = word_of(CutterEntryKind, kind, "entry")
    _refuse_what_cannot_be(cutter, word, machine_id, stick_out_mm, wear_mm, look)
    if machine_id is not None:
        found(db, tables.Machine, machine_id)
    row = _entry(db, cutter, word, by, at)
    row.machine_id = machine_id if word == CutterEntryKind.FITTED else cutter.machine_id
    row.stick_out_mm, row.wear_mm, row.look, row.note = stick_out_mm, wear_mm, look, words.strip()[:400]
    _bring(cutter, word, machine_id)
    if word == CutterEntryKind.SHARPENED:
        row.life_left = cutter.life_left
    db.flush()
    seen = f", flank wear {wear_mm:.2f} mm" if wear_mm is not None else ""
    told = f"cutter {cutter.name} {word}{seen}{f', {look}' if look else ''}"
    note(db, "ledger", told, by=by, at=at, about=f"cutter {cutter.name}")
    if wear_mm is not None and wear_mm >= LARGEST_WEAR_MM:
        keep_entry(db, cutter_id, CutterEntryKind.DULL, by=by, at=at, words=f"flank wear {wear_mm:.2f} mm")
    return row


def issue(db: Session, like_id: int, name: str, *, by: str, at: datetime) -> tables.Cutter:
    """Issue a new, sharp cutter that is like another one, and begin its ledger.

    Parameters
    ----------
    db : Session
        An open session; it is flushed, not committed [-].
    like_id : int
        A cutter of the same type [-].
    name : str
        The new one's mark, e.g. 6F-07; no other has it [-].
    by : str
        Who issues it [-].
    at : datetime
        When [-].
    """
    like = found(db, tables.Cutter, like_id)
    mark = name_of(name, "mark", 40)
    refuse_taken(db, tables.Cutter, tables.Cutter.name, mark)
    cutter = tables.Cutter(
        name=mark, type_name=like.type_name, description=like.description, life_left=1.0,
        state=CutterState.STORED, recorded_by=by, recorded_at=at,
    )  # fmt: skip
    db.add(cutter)
    db.flush()
    keep_entry(db, cutter.id, CutterEntryKind.ISSUED, by=by, at=at)
    return cutter


def _refuse_what_cannot_be(
    cutter: tables.Cutter,
    word: CutterEntryKind,
    machine_id: int | None,
    stick_out_mm: float | None,
    wear_mm: float | None,
    look: str,
) -> None:
    gone = cutter.state in (CutterState.BROKEN, CutterState.RETIRED)
    if gone and word != CutterEntryKind.INSPECTED:
        raise Conflict(f"cutter {cutter.name} is {cutter.state}")
    if word == CutterEntryKind.FITTED:
        if machine_id is None or stick_out_mm is None:
            raise Refused("a fitted cutter has its machine and its stick-out, mm; both were expected")
        amount_of(stick_out_mm, "stick-out", 1, 400, "mm")
        if cutter.state == CutterState.DULL:
            raise Conflict(f"cutter {cutter.name} is dull; sharpen it or fit another one")
    if word == CutterEntryKind.INSPECTED and wear_mm is None and not look:
        raise Refused("an inspection says flank wear in mm, or how the cut looks")
    if wear_mm is not None:
        amount_of(wear_mm, "flank wear", 0, 5, "mm")
    if look and look not in LOOKS:
        raise Refused(f"look is {name_of(look, 'look')!r}, expected one of {', '.join(LOOKS)}")


def _entry(
    db: Session, cutter: tables.Cutter, word: CutterEntryKind, by: str, at: datetime
) -> tables.CutterEntry:
    row = tables.CutterEntry(cutter_id=cutter.id, kind=word, happened_at=at, recorded_by=by, recorded_at=at)
    db.add(row)
    return row


def _bring(cutter: tables.Cutter, word: CutterEntryKind, machine_id: int | None) -> None:
    if word == CutterEntryKind.FITTED:
        cutter.state, cutter.machine_id = CutterState.FITTED, machine_id
    elif word in (CutterEntryKind.STORED, CutterEntryKind.SHARPENED, CutterEntryKind.ISSUED):
        cutter.state, cutter.machine_id = CutterState.STORED, None
    elif word in OUT:
        cutter.state, cutter.machine_id = OUT[word], None
    if word in SHARP:
        cutter.life_left = 1.0


@dataclass(frozen=True, slots=True)
class Line:
    """One line of a cutter's ledger, in words."""

    happened_at: datetime
    kind: str
    words: str
    metres: float
    minutes: float
    wear: float
    by: str


def ledger_of(db: Session, cutter_id: int) -> tuple[Line, ...]:
    """Return all that is known of a cutter, in the order in which it happened: entries, and what runs took.

    Parameters
    ----------
    db : Session
        An open session; it is only read [-].
    cutter_id : int
        The cutter [-].
    """
    entry, use, run = tables.CutterEntry, tables.CutterUse, tables.Run
    out = []
    for row, machine in db.execute(
        select(entry, tables.Machine.name)
        .outerjoin(tables.Machine, tables.Machine.id == entry.machine_id)
        .where(entry.cutter_id == cutter_id)
        .order_by(entry.happened_at, entry.id)
    ):
        words = [f"on {machine}"] if machine and row.kind == CutterEntryKind.FITTED else []
        words += [f"stick-out {row.stick_out_mm:g} mm"] if row.stick_out_mm else []
        words += [f"flank wear {row.wear_mm:.2f} mm"] if row.wear_mm is not None else []
        words += [text for text in (row.look, row.note) if text]
        out.append(Line(row.happened_at, row.kind, ", ".join(words), 0.0, 0.0, 0.0, row.recorded_by))
    for use_row, ended_at, machine, kind in db.execute(
        select(use, run.ended_at, tables.Machine.name, tables.Lot.kind)
        .join(run, run.id == use.run_id)
        .join(tables.Machine, tables.Machine.id == run.machine_id)
        .join(tables.Workpiece, tables.Workpiece.id == run.workpiece_id)
        .join(tables.Lot, tables.Lot.id == tables.Workpiece.lot_id)
        .where(use.cutter_id == cutter_id)
        .order_by(use.id)
    ):
        at = ended_at or use_row.recorded_at
        out.append(
            Line(
                at,
                "used",
                f"on {machine}, {kind}",
                use_row.metres,
                use_row.minutes,
                use_row.wear,
                use_row.recorded_by,
            )
        )
    return tuple(sorted(out, key=lambda line: line.happened_at))
