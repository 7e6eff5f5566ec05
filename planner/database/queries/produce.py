"""Which pieces are there, and what is known of them? Lots, pieces, walls and scans."""

from __future__ import annotations

from collections import defaultdict
from typing import Any

from sqlalchemy import Row, Select, func, select
from sqlalchemy.orm import Session

from planner.database import tables
from planner.database.lines import LotLine, ScanLine, WallLine, WorkpieceLine, WorkpiecePage
from planner.database.states import JobState
from planner.errors import NotFound


def lots(db: Session) -> tuple[LotLine, ...]:
    """Return all lots, the newest first, with what became of their pieces.

    Parameters
    ----------
    db : Session
        An open session [-].
    """
    piece = tables.Workpiece
    states: defaultdict[int, dict[str, int]] = defaultdict(dict)
    counted = select(piece.lot_id, piece.state, func.count()).group_by(piece.lot_id, piece.state)
    for lot_id, state, count in db.execute(counted):
        states[lot_id][state] = count
    rows = db.scalars(select(tables.Lot).order_by(tables.Lot.received_on.desc(), tables.Lot.name))
    return tuple(
        LotLine(
            lot_id=row.id,
            name=row.name,
            variety=row.variety,
            kind=row.kind,
            quantity=row.quantity,
            received_on=row.received_on,
            state=row.state,
            note=row.note,
            pieces=sum(states[row.id].values()),
            pieces_by_state=states[row.id],
        )
        for row in rows
    )


def workpieces(
    db: Session,
    *,
    state: str | None = None,
    kind: str | None = None,
    limit: int = 200,
    offset: int = 0,
) -> tuple[WorkpieceLine, ...]:
    """Return pieces, the longest in store first.

    Parameters
    ----------
    db : Session
        An open session [-].
    state, kind : str, optional
        Only those of a `WorkpieceState`, of a `ProduceKind` [-].
    limit, offset : int
        How many, after how many [-].
    """
    piece, lot = tables.Workpiece, tables.Lot
    order = (lot.received_on, piece.lot_id, piece.number)
    # which ones first, by an index alone; what is known of them only of these
    shown = (
        _chosen(select(piece.id).join(lot, lot.id == piece.lot_id), state, kind)
        .order_by(*order)
        .limit(limit)
        .offset(offset)
    )
    rows = db.execute(_piece_lines().where(piece.id.in_(shown)).order_by(*order))
    return tuple(_piece_line(row) for row in rows)


def workpiece_count(db: Session, *, state: str | None = None, kind: str | None = None) -> int:
    """Return how many pieces `workpieces` would return without a limit.

    Parameters
    ----------
    db : Session
        An open session [-].
    state, kind : str, optional
        As for `workpieces` [-].
    """
    counted = select(func.count()).select_from(tables.Workpiece)
    if kind is not None:
        counted = counted.join(tables.Workpiece.lot)
    return db.scalar(_chosen(counted, state, kind)) or 0


def workpiece_page(db: Session, workpiece_id: int) -> WorkpiecePage:
    """Return one piece with the readings that count, all its scans and its jobs.

    Parameters
    ----------
    db : Session
        An open session [-].
    workpiece_id : int
        The piece [-].
    """
    line = piece_line(db, workpiece_id)
    piece = db.get_one(tables.Workpiece, workpiece_id)
    reading, scan, job = tables.WallReading, tables.Scan, tables.Job
    readings = db.execute(
        select(reading.longitude_deg, reading.latitude_deg, reading.wall_mm, reading.sigma_mm)
        .where(reading.workpiece_id == workpiece_id, reading.active)
        .order_by(reading.id)
    )
    scans = db.scalars(select(scan).where(scan.workpiece_id == workpiece_id).order_by(scan.id.desc()))
    held_by = db.scalars(select(job.id).where(job.workpiece_id == workpiece_id).order_by(job.id))
    return WorkpiecePage(
        line=line,
        note=piece.note,
        clamp_number=piece.clamp_number,
        walls=tuple(WallLine(*row) for row in readings),
        scans=tuple(_scan_line(row) for row in scans),
        jobs=tuple(held_by),
    )


def piece_line(db: Session, workpiece_id: int) -> WorkpieceLine:
    """Return one piece as in a list.

    Parameters
    ----------
    db : Session
        An open session [-].
    workpiece_id : int
        The piece [-].
    """
    row = db.execute(_piece_lines().where(tables.Workpiece.id == workpiece_id)).one_or_none()
    if row is None:
        raise NotFound(f"there is no workpiece {workpiece_id}")
    return _piece_line(row)


def _chosen(statement: Select[Any], state: str | None, kind: str | None) -> Select[Any]:
    if state is not None:
        statement = statement.where(tables.Workpiece.state == state)
    return statement if kind is None else statement.where(tables.Lot.kind == kind)


def _piece_lines() -> Select[Any]:
    """Return the statement of all pieces with lot, wall, active scan and holding job, one row a piece."""
    piece, lot, reading, scan, job = (
        tables.Workpiece,
        tables.Lot,
        tables.WallReading,
        tables.Scan,
        tables.Job,
    )
    of_piece = (reading.workpiece_id == piece.id) & reading.active
    holder = (
        select(func.max(job.id))
        .where(job.workpiece_id == piece.id, job.state != JobState.CANCELLED)
        .correlate(piece)
    )
    return (
        select(
            piece,
            lot.name.label("lot"),
            lot.variety,
            lot.kind,
            lot.received_on,
            select(func.count()).where(of_piece).correlate(piece).scalar_subquery().label("readings"),
            select(func.min(reading.wall_mm))
            .where(of_piece)
            .correlate(piece)
            .scalar_subquery()
            .label("thinnest"),
            scan.id.label("scan_id"),
            scan.taken_at,
            scan.fit_rms_mm,
            holder.scalar_subquery().label("job_id"),
        )
        .join(lot, lot.id == piece.lot_id)
        .outerjoin(scan, (scan.workpiece_id == piece.id) & scan.active)
    )


def _piece_line(row: Row[Any]) -> WorkpieceLine:
    piece: tables.Workpiece = row.Workpiece
    return WorkpieceLine(
        workpiece_id=piece.id,
        number=piece.number,
        lot=row.lot,
        variety=row.variety,
        kind=row.kind,
        received_on=row.received_on,
        diameter_mm=piece.diameter_mm,
        height_mm=piece.height_mm,
        ribs=piece.ribs,
        state=piece.state,
        store_place=piece.store_place,
        wall_default_mm=piece.wall_default_mm,
        wall_readings=row.readings,
        thinnest_wall_mm=row.thinnest,
        scan_id=row.scan_id,
        scanned_at=row.taken_at,
        fit_rms_mm=row.fit_rms_mm,
        hollowed_at=piece.hollowed_at,
        job_id=row.job_id,
    )


def _scan_line(row: tables.Scan) -> ScanLine:
    return ScanLine(
        scan_id=row.id,
        taken_at=row.taken_at,
        state=row.state,
        clamp_number=row.clamp_number,
        touches=row.touches,
        tip_radius_mm=row.tip_radius_mm,
        digest=row.digest,
        fit_rms_mm=row.fit_rms_mm,
        active=row.active,
        void_reason=row.void_reason,
        by=row.recorded_by,
    )
