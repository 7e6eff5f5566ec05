"""How does artwork become a design that may be cut? Versions: read, kept as they came, and approved."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import select
from sqlalchemy.orm import Session

from engine.artwork import read_artwork
from engine.records import Treatment
from planner.database import tables
from planner.errors import Conflict, Refused
from planner.services.common import amount_of, found, name_of, refusing_bad_input, word_of

_LARGEST_BYTES = 20_000_000


def add_design_version(
    db: Session,
    name: str,
    content: bytes,
    file_name: str,
    treatment: str | None,
    width_mm: float | None,
    *,
    by: str,
    at: datetime,
) -> tables.DesignVersion:
    """Read artwork and keep it as the next version of a design; a new name makes a new design.

    Parameters
    ----------
    db : Session
        An open session; it is flushed, not committed [-].
    name : str
        The design's name [-].
    content : bytes
        The artwork file [-].
    file_name : str
        Its name; the ending says what it is [-].
    treatment : str or None
        One of `Treatment`; None = as the file says [-].
    width_mm : float or None
        Width on the skin; None = the document's own [mm].
    by : str
        Who brought it [-].
    at : datetime
        When [-].
    """
    name, file_name = name_of(name, "name"), name_of(file_name, "file name")
    wanted = None if treatment is None else word_of(Treatment, treatment, "treatment")
    if width_mm is not None:
        amount_of(width_mm, "width", 1, 5000, "mm")
    if len(content) > _LARGEST_BYTES:
        raise Refused(f"{file_name}: {len(content)} bytes, expected {_LARGEST_BYTES} at most")
    with refusing_bad_input():
        layers = read_artwork(content, file_name, width_mm=width_mm, treatment=wanted)
    design = db.scalar(select(tables.Design).where(tables.Design.name == name))
    if design is None:
        design = tables.Design(name=name, recorded_by=by, recorded_at=at)
        db.add(design)
    version = tables.DesignVersion(
        design=design,
        version=1 + max((earlier.version for earlier in design.versions), default=0),
        artwork=content,
        file_name=file_name,
        digest=layers.digest,
        treatment=wanted,
        width_mm=layers.width_mm,
        height_mm=layers.height_mm,
        recorded_by=by,
        recorded_at=at,
    )
    db.add(version)
    db.flush()
    return version


def approve_design_version(
    db: Session, design_version_id: int, *, by: str, at: datetime
) -> tables.DesignVersion:
    """Keep who approved a version, and when.

    Parameters
    ----------
    db : Session
        An open session [-].
    design_version_id : int
        The version; approved once [-].
    by : str
        Who approves it [-].
    at : datetime
        When [-].
    """
    version = found(db, tables.DesignVersion, design_version_id)
    if version.approved_by is not None:
        raise Conflict(
            f"version {version.version} of {version.design.name} was approved by {version.approved_by}"
        )
    version.approved_by, version.approved_at = name_of(by, "name of the approver"), at
    db.flush()
    return version
