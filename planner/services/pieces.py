"""What do bench and store report of a piece or a lot, and when is a lot refused or raises an alarm?"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import case, func, select
from sqlalchemy.orm import Session

from planner.database import tables
from planner.database.states import LotState, PieceStepKind, WorkpieceState
from planner.errors import Conflict
from planner.services import intake
from planner.services.changes import note
from planner.services.common import amount_of, found, word_of
from planner.services.steps import keep_step, way_of, would_void

SAMPLE = 25
LARGEST_BAD, LARGEST_SOFT_ROT = 0.10, 0.02
"""Of a sample: grade standards for squash allow 10 % in all, 2 % soft rot (USDA, inspection tolerances)."""
EXPECTED_ROT = 0.04
"""Share of a lot that rots in the store; common practice."""
ALARM_CHANCE = 0.05
"""So unlikely must a lot's rot be, were it like others, before it raises an alarm; common practice."""
_BEFORE_CUT = (
    PieceStepKind.STORED,
    PieceStepKind.WASHED,
    PieceStepKind.HOLLOWED,
    PieceStepKind.THINNED,
    PieceStepKind.GAUGED,
    PieceStepKind.MOUNTED,
)
_AFTER_CUT = (PieceStepKind.FINISHED, PieceStepKind.ON_RACK, PieceStepKind.TAKEN_DOWN)
_RAW = (WorkpieceState.WHOLE, WorkpieceState.HOLLOW)
_CARVED = (WorkpieceState.CUT, WorkpieceState.PLACED)


def step(
    db: Session, workpiece_id: int, kind: str, *, by: str, at: datetime, place: str = "", carrier: str = ""
) -> tables.Workpiece:
    """Keep what was done with a piece; what depended on how it was before is void, with the reason.

    Parameters
    ----------
    db : Session
        An open session; it is flushed, not committed [-].
    workpiece_id : int
        The piece [-].
    kind : str
        One of `PieceStepKind`; cut, lit-checked and at station are reported at the machine, by the card and
        at the station [-].
    by : str
        Who reports it [-].
    at : datetime
        When [-].
    place : str
        Where it is now [-].
    carrier : str
        Number of its carrier plate [-].
    """
    piece = found(db, tables.Workpiece, workpiece_id)
    word = word_of(PieceStepKind, kind, "step")
    _refuse_out_of_order(db, piece, word)
    if word == PieceStepKind.HOLLOWED:
        return intake.mark_hollowed(db, piece.id, by=by, at=at, place=place, carrier=carrier)
    if word == PieceStepKind.MOUNTED:
        return intake.mark_clamped(db, piece.id, by=by, at=at, place=place, carrier=carrier)
    keep_step(db, piece, word, by=by, at=at, place=place.strip()[:120], carrier=carrier.strip()[:20])
    return piece


def _refuse_out_of_order(db: Session, piece: tables.Workpiece, word: PieceStepKind) -> None:
    state = WorkpieceState(piece.state)
    if word in _BEFORE_CUT and state not in _RAW:
        raise Conflict(f"piece {piece.number} is {state}; only a whole or hollow one is {word}")
    if word == PieceStepKind.THINNED and state != WorkpieceState.HOLLOW:
        raise Conflict(f"piece {piece.number} is {state}; it is hollowed before it is thinned")
    if word in _AFTER_CUT and state not in _CARVED:
        raise Conflict(f"piece {piece.number} is {state}; only a cut one is {word}")
    down = any(one.step == PieceStepKind.TAKEN_DOWN for one in way_of(db, piece.id))
    if word == PieceStepKind.COMPOSTED and state == WorkpieceState.PLACED and not down:
        raise Conflict(f"piece {piece.number} stands at its station; take it down first")
    if word not in (*_BEFORE_CUT, *_AFTER_CUT, PieceStepKind.COMPOSTED):
        raise Conflict(f"{word} is reported where it is done, not by hand")


@dataclass(frozen=True, slots=True)
class NextStep:
    """A step that can be reported of a piece now, and what it would make void."""

    kind: str
    voids: tuple[str, ...]
    follows: bool
    """Whether it is the one that comes next by the order of the trade."""


def next_steps(db: Session, workpiece_id: int) -> tuple[NextStep, ...]:
    """Return the steps that a hand can report of a piece now, in the order of the trade.

    Parameters
    ----------
    db : Session
        An open session; it is only read [-].
    workpiece_id : int
        The piece [-].
    """
    piece = found(db, tables.Workpiece, workpiece_id)
    state = WorkpieceState(piece.state)
    way = way_of(db, piece.id)
    done = {one.step for one in way}
    if state in _RAW:
        not_now = PieceStepKind.HOLLOWED if state == WorkpieceState.HOLLOW else PieceStepKind.THINNED
        can = [kind for kind in _BEFORE_CUT if kind != not_now]
    elif state in _CARVED:
        down = PieceStepKind.TAKEN_DOWN in done
        placed = state == WorkpieceState.PLACED
        can = [PieceStepKind.TAKEN_DOWN] if placed and not down else [*_AFTER_CUT[:2]] if not placed else []
        can += [] if placed and not down else [PieceStepKind.COMPOSTED]
    else:
        can = [] if PieceStepKind.COMPOSTED in done else [PieceStepKind.COMPOSTED]
    void = would_void(db, piece)
    order = list(PieceStepKind)
    last = max((order.index(PieceStepKind(one.step)) for one in way), default=0)
    follows = next((kind for kind in can if order.index(kind) > last), None)
    return tuple(NextStep(kind, void.get(kind, ()), kind == follows) for kind in can)


# --- lots ----------------------------------------------------------------------------------------------


def sample_lot(
    db: Session, lot_id: int, pieces: int, bad: int, soft_rot: int, words: str, *, by: str, at: datetime
) -> tables.Lot:
    """Keep a sample of a lot; the lot is refused where more than the grade allows was bad.

    Parameters
    ----------
    db : Session
        An open session [-].
    lot_id : int
        The lot [-].
    pieces : int
        How many were looked at one by one; 25 at least, or the whole of a smaller lot [-].
    bad, soft_rot : int
        Bad in all, and of these with soft rot [-].
    words : str
        What was seen, may be empty [-].
    by : str
        Who looked [-].
    at : datetime
        When [-].
    """
    lot = found(db, tables.Lot, lot_id)
    least = max(1, min(SAMPLE, lot.quantity))
    amount_of(pieces, "pieces looked at", least, max(least, lot.quantity), "")
    amount_of(bad, "bad pieces", 0, pieces, "")
    amount_of(soft_rot, "pieces with soft rot", 0, bad, "")
    db.add(
        tables.LotSample(
            lot_id=lot.id, pieces=pieces, bad=bad, soft_rot=soft_rot, note=words.strip()[:400],
            recorded_by=by, recorded_at=at,
        )
    )  # fmt: skip
    refused = bad / pieces > LARGEST_BAD or soft_rot / pieces > LARGEST_SOFT_ROT
    used = db.scalar(
        select(func.count(tables.Workpiece.id)).where(
            tables.Workpiece.lot_id == lot.id, tables.Workpiece.state.in_(_CARVED)
        )
    )
    lot.state = LotState.REJECTED if refused else LotState.ACCEPTED
    told = (
        f"lot {lot.name}: {bad} of {pieces} bad ({bad / pieces:.0%}), {soft_rot} with soft rot; "
        + ("refused" if refused else "taken")
        + (f", {used} pieces of it are carved already" if refused and used else "")
    )
    note(db, "sample", told, by=by, at=at, about=f"lot {lot.name}")
    db.flush()
    return lot


@dataclass(frozen=True, slots=True)
class Rot:
    """How many pieces of a lot rotted, and how likely so many were if it were like others."""

    lot: str
    pieces: int
    rotten: int
    chance: float

    @property
    def alarm(self) -> bool:
        """Whether somebody should look at the rest of the lot [-]."""
        return self.rotten > 1 and self.chance < ALARM_CHANCE

    @property
    def words(self) -> str:
        """The alarm, or how it stands, in one sentence."""
        share = (
            f"{self.rotten} of {self.pieces} pieces of {self.lot} rotted ({self.rotten / self.pieces:.0%})"
        )
        if not self.alarm:
            return share
        return f"{share}; in a lot like others that happens once in {1 / self.chance:.0f}: look at the rest"


def rot_by_lot(db: Session) -> Sequence[Rot]:
    """Return how much each lot with pieces rotted, the worst first.

    Lost pieces count whose reason of loss speaks of rot, whether at a machine or in the store.

    Parameters
    ----------
    db : Session
        An open session; it is only read [-].
    """
    piece, run, change = tables.Workpiece, tables.Run, tables.Change
    at_machine = select(run.workpiece_id).where(run.scrap_reason.like("%rot%"))
    in_store = select(change.about).where(change.kind == "piece", change.words.like("%rot%"))
    gone = case((piece.id.in_(at_machine), 1), (("piece " + piece.number).in_(in_store), 1), else_=0)
    rotten_ones = func.sum(case((piece.state == WorkpieceState.SCRAPPED, gone), else_=0))
    rows = db.execute(
        select(tables.Lot.name, func.count(piece.id), rotten_ones)
        .join(piece, piece.lot_id == tables.Lot.id)
        .group_by(tables.Lot.name)
    )  # fmt: skip
    found_rot = [Rot(name, count, int(rotten), _chance(int(rotten), count)) for name, count, rotten in rows]
    return sorted(found_rot, key=lambda rot: (rot.chance, rot.lot))


def _chance(rotten: int, pieces: int) -> float:
    """Return the chance of so many or more where each rots for itself with the expected share (binomial)."""
    from scipy.special import bdtrc

    return 1.0 if rotten == 0 else float(bdtrc(rotten - 1, pieces, EXPECTED_ROT))


def oldest_sound(db: Session, kind: str, limit: int = 20) -> Sequence[tables.Workpiece]:
    """Return pieces that can be taken for a job, the oldest lot first; refused lots give none.

    Parameters
    ----------
    db : Session
        An open session [-].
    kind : str
        Kind of produce [-].
    limit : int
        At most so many [-].
    """
    piece, lot = tables.Workpiece, tables.Lot
    held = select(tables.Job.workpiece_id).where(
        tables.Job.workpiece_id.is_not(None), tables.Job.state != "cancelled"
    )
    return db.scalars(
        select(piece)
        .join(lot)
        .where(lot.kind == kind, lot.state == LotState.ACCEPTED, piece.state.in_(_RAW), piece.id.not_in(held))
        .order_by(lot.received_on, piece.number)
        .limit(limit)
    ).all()
