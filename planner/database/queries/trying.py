"""On which scanned pieces can a design be tried?"""

from __future__ import annotations

from dataclasses import dataclass

from sqlalchemy import select
from sqlalchemy.orm import Session

from planner.database import tables
from planner.database.states import JobState, WorkpieceState


@dataclass(frozen=True, slots=True)
class ScannedPiece:
    """A piece with a scan that counts."""

    workpiece_id: int
    number: str
    kind: str
    variety: str
    diameter_mm: float
    ribs: int
    held: bool  # by a job


def scanned_pieces(db: Session, *, limit: int = 60) -> tuple[ScannedPiece, ...]:
    """Return pieces that can be cut and whose scan counts, those that no job holds first; `limit` [-]."""
    piece, scan, job = tables.Workpiece, tables.Scan, tables.Job
    held = (
        select(job.id).where(job.workpiece_id == piece.id, job.state != JobState.CANCELLED).exists()
    ).label("held")
    rows = db.execute(
        select(piece, tables.Lot.kind, tables.Lot.variety, held)
        .join(tables.Lot, tables.Lot.id == piece.lot_id)
        .join(scan, (scan.workpiece_id == piece.id) & scan.active)
        .where(piece.state.in_((WorkpieceState.WHOLE, WorkpieceState.HOLLOW)))
        .order_by(held, piece.number)
        .limit(limit)
    )
    return tuple(
        ScannedPiece(row.id, row.number, kind, variety, row.diameter_mm, row.ribs, bool(taken))
        for row, kind, variety, taken in rows
    )
