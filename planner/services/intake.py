"""How does produce get in and become known? Lots, workpieces, wall readings and scans."""

from __future__ import annotations

import math
from datetime import date, datetime

from sqlalchemy import select, update
from sqlalchemy.orm import Session

from engine.files import read_touches, read_wall
from planner.database import tables
from planner.database.states import LotState, PieceStepKind, ProduceKind, WorkpieceState
from planner.errors import Conflict
from planner.services.common import (
    amount_of,
    found,
    instant_of,
    name_of,
    refuse_taken,
    refusing_bad_input,
    word_of,
)
from planner.services.steps import keep_step


def add_lot(
    db: Session,
    name: str,
    variety: str,
    kind: str,
    quantity: int,
    received_on: date,
    *,
    by: str,
    at: datetime,
    state: str = LotState.ACCEPTED,
    note: str = "",
) -> tables.Lot:
    """Take in a lot of produce, or keep that it was rejected.

    Parameters
    ----------
    db : Session
        An open session; it is flushed, not committed [-].
    name, variety : str
        The lot's number and the variety [-].
    kind : str
        One of `ProduceKind` [-].
    quantity : int
        How many pieces came [-].
    received_on : date
        Local day [-].
    by : str
        Who records it [-].
    at : datetime
        When, with a time zone [-].
    state : str
        One of `LotState` [-].
    note : str
        What was seen, e.g. why it was rejected [-].
    """
    name = name_of(name, "name")
    amount_of(quantity, "quantity", 0, 100_000, "pieces")
    refuse_taken(db, tables.Lot, tables.Lot.name, name)
    lot = tables.Lot(
        name=name,
        variety=name_of(variety, "variety"),
        kind=word_of(ProduceKind, kind, "kind"),
        quantity=quantity,
        received_on=received_on,
        state=word_of(LotState, state, "state"),
        note=note,
        recorded_by=by,
        recorded_at=at,
    )
    db.add(lot)
    db.flush()
    return lot


def add_workpiece(
    db: Session,
    lot_id: int,
    number: str,
    diameter_mm: float,
    height_mm: float,
    *,
    by: str,
    at: datetime,
    ribs: int = 0,
    store_place: str = "",
    wall_default_mm: float | None = None,
    note: str = "",
) -> tables.Workpiece:
    """Give a piece its number and its measures.

    Parameters
    ----------
    db : Session
        An open session [-].
    lot_id : int
        The lot it came with [-].
    number : str
        What its tag says; no other piece has it [-].
    diameter_mm, height_mm : float
        At the waist, and along the axis [mm].
    by : str
        Who records it [-].
    at : datetime
        When [-].
    ribs : int
        How many [-].
    store_place : str
        Where it lies [-].
    wall_default_mm : float, optional
        The wall that is taken where no reading is [mm].
    note : str
        Blemishes and the like [-].
    """
    lot = found(db, tables.Lot, lot_id)
    if lot.state == LotState.REJECTED:
        raise Conflict(f"lot {lot.name} was rejected; no piece of it is taken in")
    number = name_of(number, "number", 40)
    amount_of(diameter_mm, "diameter", 20, 1500, "mm")
    amount_of(height_mm, "height", 20, 1500, "mm")
    amount_of(ribs, "ribs", 0, 60, "")
    if wall_default_mm is not None:
        amount_of(wall_default_mm, "wall", 0.1, 200, "mm")
    refuse_taken(db, tables.Workpiece, tables.Workpiece.number, number)
    workpiece = tables.Workpiece(
        lot=lot,
        number=number,
        diameter_mm=diameter_mm,
        height_mm=height_mm,
        ribs=ribs,
        store_place=store_place,
        wall_default_mm=wall_default_mm,
        note=note,
        recorded_by=by,
        recorded_at=at,
    )
    db.add(workpiece)
    db.flush()
    keep_step(db, workpiece, PieceStepKind.RECEIVED, by=by, at=at)
    return workpiece


def add_wall_readings(
    db: Session, workpiece_id: int, text: str, *, by: str, at: datetime, file_name: str = "wall.csv"
) -> list[tables.WallReading]:
    """Keep the readings of a wall file; earlier readings of the piece no longer count.

    Parameters
    ----------
    db : Session
        An open session [-].
    workpiece_id : int
        The piece [-].
    text : str
        The file's text, see DEVELOPERS.md [-].
    by : str
        Who gauged it [-].
    at : datetime
        When [-].
    file_name : str
        Shown in messages [-].
    """
    workpiece = found(db, tables.Workpiece, workpiece_id)
    with refusing_bad_input():
        wall = read_wall(text, file_name)
    readings = [
        tables.WallReading(
            workpiece_id=workpiece.id,
            longitude_deg=math.degrees(longitude),
            latitude_deg=math.degrees(latitude),
            wall_mm=thickness,
            sigma_mm=wall.sigma_mm,
            recorded_by=by,
            recorded_at=at,
        )
        for longitude, latitude, thickness in zip(
            wall.longitude_rad.tolist(),
            wall.latitude_rad.tolist(),
            wall.thickness_mm.tolist(),
            strict=True,
        )
    ]
    earlier = update(tables.WallReading).where(tables.WallReading.workpiece_id == workpiece.id)
    db.execute(earlier.values(active=False))
    db.add_all(readings)
    db.flush()
    keep_step(db, workpiece, PieceStepKind.GAUGED, by=by, at=at)
    return readings


def add_scan(
    db: Session,
    workpiece_id: int,
    csv_text: str,
    tip_radius_mm: float | None,
    *,
    by: str,
    at: datetime,
    taken_at: datetime | None = None,
    file_name: str = "touches.csv",
    fit_rms_mm: float | None = None,
) -> tables.Scan:
    """Keep a probe file as the piece's active scan; an earlier one is voided, not lost.

    Parameters
    ----------
    db : Session
        An open session [-].
    workpiece_id : int
        The piece, in the state and clamping it has now [-].
    csv_text : str
        The file's text as it came, see DEVELOPERS.md [-].
    tip_radius_mm : float or None
        Goes before the file's own comment [mm].
    by : str
        Who probed it [-].
    at : datetime
        When it is recorded [-].
    taken_at : datetime, optional
        When it was probed; `at` when left out [-].
    file_name : str
        Shown in messages [-].
    fit_rms_mm : float, optional
        Leave-one-out error of the fitted surface [mm].
    """
    workpiece = found(db, tables.Workpiece, workpiece_id)
    if workpiece.state not in (WorkpieceState.WHOLE, WorkpieceState.HOLLOW):
        raise Conflict(
            f"workpiece {workpiece.number} is {workpiece.state}; only a whole or hollow one is probed"
        )
    taken_at = instant_of(taken_at or at, "time of the scan")
    with refusing_bad_input():
        probed = read_touches(csv_text, file_name, tip_radius_mm)
    _void_active_scan(db, workpiece, "replaced by a later scan", by, at)
    scan = tables.Scan(
        workpiece_id=workpiece.id,
        taken_at=taken_at,
        state=workpiece.state,
        clamp_number=workpiece.clamp_number,
        tip_radius_mm=probed.tip_radius_mm,
        points=probed.centres_seat_mm,
        touches=len(probed.lines),
        file_name=name_of(file_name, "file name"),
        digest=probed.digest,
        original=csv_text,
        fit_rms_mm=fit_rms_mm,
        recorded_by=by,
        recorded_at=at,
    )
    db.add(scan)
    db.flush()
    keep_step(db, workpiece, PieceStepKind.PROBED, by=by, at=taken_at)
    return scan


def set_fit(db: Session, scan_id: int, fit_rms_mm: float) -> tables.Scan:
    """Keep how well the surface fits a scan's touches.

    Parameters
    ----------
    db : Session
        An open session [-].
    scan_id : int
        The scan [-].
    fit_rms_mm : float
        Leave-one-out error [mm].
    """
    scan = found(db, tables.Scan, scan_id)
    scan.fit_rms_mm = amount_of(fit_rms_mm, "error of the fit", 0, 1000, "mm")
    db.flush()
    return scan


def void_scan(db: Session, scan_id: int, reason: str, *, by: str, at: datetime) -> tables.Scan:
    """Take a scan out of use, with the reason.

    Parameters
    ----------
    db : Session
        An open session [-].
    scan_id : int
        The scan; it must be active [-].
    reason : str
        In words [-].
    by : str
        Who says so [-].
    at : datetime
        When [-].
    """
    scan = found(db, tables.Scan, scan_id)
    if not scan.active:
        raise Conflict(f"scan {scan_id} is void already: {scan.void_reason}")
    scan.void(name_of(reason, "reason", 400), by, at)
    db.flush()
    return scan


def mark_hollowed(
    db: Session, workpiece_id: int, *, by: str, at: datetime, place: str = "", carrier: str = ""
) -> tables.Workpiece:
    """Keep that a piece was hollowed; a scan from before is void, for the piece has moved and gives way.

    Parameters
    ----------
    db : Session
        An open session [-].
    workpiece_id : int
        The piece, whole until now [-].
    by : str
        Who hollowed it [-].
    at : datetime
        When; the scan's clock starts [-].
    place, carrier : str
        Where it is now, and on which plate; empty = not said [-].
    """
    workpiece = found(db, tables.Workpiece, workpiece_id)
    if workpiece.state != WorkpieceState.WHOLE:
        raise Conflict(f"workpiece {workpiece.number} is {workpiece.state}; only a whole one is hollowed")
    workpiece.state = WorkpieceState.HOLLOW
    workpiece.hollowed_at = instant_of(at, "time of hollowing")
    keep_step(db, workpiece, PieceStepKind.HOLLOWED, by=by, at=at, place=place, carrier=carrier)
    return workpiece


def mark_clamped(
    db: Session, workpiece_id: int, *, by: str, at: datetime, place: str = "", carrier: str = ""
) -> tables.Workpiece:
    """Keep that a piece was clamped anew: its clamp number grows and an earlier scan is void.

    Parameters
    ----------
    db : Session
        An open session [-].
    workpiece_id : int
        The piece [-].
    by : str
        Who clamped it [-].
    at : datetime
        When [-].
    place, carrier : str
        Where it is now, and on which plate; empty = not said [-].
    """
    workpiece = found(db, tables.Workpiece, workpiece_id)
    if workpiece.state not in (WorkpieceState.WHOLE, WorkpieceState.HOLLOW):
        raise Conflict(f"workpiece {workpiece.number} is {workpiece.state}; it is not clamped again")
    workpiece.clamp_number += 1
    keep_step(db, workpiece, PieceStepKind.MOUNTED, by=by, at=at, place=place, carrier=carrier)
    return workpiece


def _void_active_scan(db: Session, workpiece: tables.Workpiece, reason: str, by: str, at: datetime) -> None:
    active = select(tables.Scan).where(tables.Scan.workpiece_id == workpiece.id, tables.Scan.active)
    scan = db.scalar(active)
    if scan is not None:
        scan.void(reason, by, at)
        db.flush()  # before another one becomes active: only one may be
