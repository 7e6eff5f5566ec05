"""What counts as lost, half written or done twice? The rules of `lanternwright check`, and counted rows."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from sqlalchemy import func, select
from sqlalchemy.orm import Session, sessionmaker

from planner.audit import audit
from planner.config import Settings
from planner.database import tables
from planner.database.session import reading, session_factory


class Wrong(AssertionError):
    """Something was lost, half written or done twice."""


class Missed(Exception):
    """The moment came when the work had ended already: this was no trial."""


@contextmanager
def opened(settings: Settings) -> Iterator[sessionmaker[Session]]:
    """Give a maker of sessions and close its connections at the end."""
    factory = session_factory(settings.database_url)
    try:
        yield factory
    finally:
        factory.kw["bind"].dispose()


def judged(settings: Settings) -> None:
    """Open the database and judge it by every rule."""
    with opened(settings) as factory, reading(factory) as db:
        found = audit(db, settings.packages)
    if found.breaches:
        raise Wrong(f"{found.breaches[0].rule}: {found.breaches[0].words}")


def count(settings: Settings, table: Any, *conditions: Any) -> int:
    """Count rows of a table under conditions."""
    with opened(settings) as factory:
        return counted(factory, table, *conditions)


def counted(factory: sessionmaker[Session], table: Any, *conditions: Any) -> int:
    """Count rows of a table under conditions, through a maker of sessions."""
    with reading(factory) as db:
        return db.scalar(select(func.count()).select_from(table).where(*conditions)) or 0


def one_in_force(settings: Settings) -> None:
    """Refuse any number of plans in force but one."""
    plans = count(settings, tables.Plan, tables.Plan.state == "published")
    if plans != 1:
        raise Wrong(f"{plans} plans are in force")


def one_draft(settings: Settings) -> None:
    """Refuse any number of drafts but one."""
    drafts = count(settings, tables.Plan, tables.Plan.state == "draft")
    if drafts != 1:
        raise Wrong(f"{drafts} drafts came of one work")
