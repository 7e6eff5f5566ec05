"""Which tables say who asked for what, who may, and who changed it? Long work, people, tokens, changes."""

from __future__ import annotations

from datetime import datetime
from typing import TYPE_CHECKING, Any

from sqlalchemy import (
    CheckConstraint,
    ForeignKey,
    String,
    Text,
)
from sqlalchemy.orm import Mapped, mapped_column, relationship

from planner.database.states import (
    WorkState,
)
from planner.database.tables.common import DIGEST, NAME, WORD, Base, Recorded, Voidable

if TYPE_CHECKING:
    from planner.database.tables.fleet import Machine


class Work(Recorded, Base):
    """A long piece of work: asked for by a page, done by the worker, watched by both."""

    __tablename__ = "works"
    __table_args__ = (CheckConstraint("done >= 0 AND total >= 0", name="amounts"),)

    kind: Mapped[str] = mapped_column(WORD)
    arguments: Mapped[dict[str, Any]] = mapped_column(default=dict)
    state: Mapped[str] = mapped_column(WORD, default=WorkState.WAITING, index=True)
    done: Mapped[int] = mapped_column(default=0)
    total: Mapped[int] = mapped_column(default=0)
    note: Mapped[str] = mapped_column(Text, default="")
    claimed_by: Mapped[str | None] = mapped_column(NAME)
    heartbeat_at: Mapped[datetime | None]
    cancel_asked: Mapped[bool] = mapped_column(default=False)
    started_at: Mapped[datetime | None]
    ended_at: Mapped[datetime | None]
    error: Mapped[str | None] = mapped_column(Text)
    result: Mapped[dict[str, Any]] = mapped_column(default=dict)  # for work whose answer has no table


class Person(Recorded, Base):
    """Somebody who signs in."""

    __tablename__ = "people"

    name: Mapped[str] = mapped_column(NAME, unique=True)
    role: Mapped[str] = mapped_column(WORD)  # Role
    password: Mapped[str] = mapped_column(String(300))  # salt and key, never the words
    active: Mapped[bool] = mapped_column(default=True)


class OneTimeLink(Recorded, Base):
    """An invitation that makes one person, once."""

    __tablename__ = "one_time_links"

    digest: Mapped[str] = mapped_column(DIGEST, unique=True)  # of what stands in the address
    role: Mapped[str] = mapped_column(WORD)
    ends_at: Mapped[datetime]
    used_at: Mapped[datetime | None]


class SignIn(Base):
    """One signing in at one device, until it ends."""

    __tablename__ = "sign_ins"

    person_id: Mapped[int] = mapped_column(ForeignKey("people.id"), index=True)
    digest: Mapped[str] = mapped_column(DIGEST, unique=True)  # of what the device holds
    started_at: Mapped[datetime]
    ends_at: Mapped[datetime]

    person: Mapped[Person] = relationship()


class SignInTry(Base):
    """A password that was wrong; too many in a short time close the door for a while."""

    __tablename__ = "sign_in_tries"

    name: Mapped[str] = mapped_column(NAME, index=True)
    address: Mapped[str] = mapped_column(String(64), index=True)
    tried_at: Mapped[datetime]


class MachineToken(Recorded, Voidable, Base):
    """What a controller shows when it reports; told once, kept as a digest."""

    __tablename__ = "machine_tokens"

    machine_id: Mapped[int] = mapped_column(ForeignKey("machines.id"), index=True)
    name: Mapped[str] = mapped_column(NAME)
    digest: Mapped[str] = mapped_column(DIGEST, unique=True)

    machine: Mapped[Machine] = relationship()


class Change(Recorded, Base):
    """Who changed what, in words, and how it is taken back; nothing in it is ever overwritten."""

    __tablename__ = "changes"

    kind: Mapped[str] = mapped_column(WORD)
    words: Mapped[str] = mapped_column(Text)
    about: Mapped[str] = mapped_column(String(60), default="", server_default="", index=True)  # e.g. job 12
    undo: Mapped[dict[str, Any]] = mapped_column(default=dict)  # empty: cannot be taken back
    undone_at: Mapped[datetime | None]
    undone_by: Mapped[str | None] = mapped_column(NAME)
