"""Who may come in, with which token, and who changed what?"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from planner.database import tables
from planner.database.queries.about import concerns


@dataclass(frozen=True, slots=True)
class PersonLine:
    """Somebody who may sign in."""

    person_id: int
    name: str
    role: str
    active: bool
    since_at: datetime
    invited_by: str


@dataclass(frozen=True, slots=True)
class TokenLine:
    """A controller's token; what it is stays with the controller."""

    token_id: int
    name: str
    machine: str
    made_at: datetime
    made_by: str
    voided_at: datetime | None


@dataclass(frozen=True, slots=True)
class ChangeLine:
    """Who changed what, and whether it can be taken back."""

    change_id: int
    words: str
    at: datetime
    by: str
    can_undo: bool
    undone_at: datetime | None
    undone_by: str


def people(db: Session) -> tuple[PersonLine, ...]:
    """Return everybody by name."""
    rows = db.scalars(select(tables.Person).order_by(tables.Person.name))
    return tuple(
        PersonLine(row.id, row.name, row.role, row.active, row.recorded_at, row.recorded_by) for row in rows
    )


def machine_tokens(db: Session) -> tuple[TokenLine, ...]:
    """Return the tokens of machines, the newest first."""
    token = tables.MachineToken
    rows = db.execute(
        select(token, tables.Machine.name)
        .join(tables.Machine, tables.Machine.id == token.machine_id)
        .order_by(token.id.desc())
    )
    return tuple(
        TokenLine(row.id, row.name, machine, row.recorded_at, row.recorded_by, row.voided_at)
        for row, machine in rows
    )


def changes(db: Session, *, limit: int = 20, offset: int = 0, about: str = "") -> tuple[ChangeLine, ...]:
    """Return what was changed, the newest first, all or what is `about` something; `limit`, `offset` [-]."""
    asked = select(tables.Change).order_by(tables.Change.id.desc()).limit(limit).offset(offset)
    rows = db.scalars(asked.where(concerns(about)) if about else asked)
    return tuple(
        ChangeLine(
            change_id=row.id,
            words=row.words,
            at=row.recorded_at,
            by=row.recorded_by,
            can_undo=bool(row.undo) and row.undone_at is None,
            undone_at=row.undone_at,
            undone_by=row.undone_by or "",
        )
        for row in rows
    )


def change_count(db: Session, *, about: str = "") -> int:
    """Return how many changes are kept, all or those that are `about` something."""
    asked = select(func.count(tables.Change.id))
    return db.scalar(asked.where(concerns(about)) if about else asked) or 0
