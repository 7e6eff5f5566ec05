"""What must the next shift know? Filled in from the records, completed by hand, signed by both."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import datetime

from sqlalchemy.orm import Session

from planner.database import tables
from planner.errors import Conflict
from planner.services.common import found


def facts(
    *,
    finished: Sequence[str],
    scrapped: Sequence[str],
    open_runs: Sequence[str],
    stopped: Sequence[str],
    down: Sequence[str],
    low: Sequence[str],
    late: Sequence[str],
) -> Iterator[str]:
    """Yield the note's own lines, one a question; what is empty says so.

    Parameters
    ----------
    finished, scrapped, open_runs, stopped, down, low, late : sequence of str
        Names, in words: lanterns, machines, cutters [-].
    """
    for title, names, none in (
        ("Cut this shift", finished, "nothing reported"),
        ("Scrapped", scrapped, "none"),
        ("Still on a machine", open_runs, "none"),
        ("Stopped, to be gone on with after a datum check", stopped, "none"),
        ("Planned until now and not cut", late, "none"),
        ("Machines reported down", down, "none"),
        ("Cutters fitted with less than a fifth of life", low, "none"),
    ):
        yield f"{title}: {'; '.join(names) if names else none}"


def give(
    db: Session, season_id: int, said: Sequence[str], words: str, *, by: str, at: datetime
) -> tables.HandOver:
    """Keep a note as it stood, signed by the one who goes.

    Parameters
    ----------
    db : Session
        An open session; it is flushed, not committed [-].
    season_id : int
        The season [-].
    said : sequence of str
        From `facts` [-].
    words : str
        What the records do not know [-].
    by : str
        Who goes [-].
    at : datetime
        When [-].
    """
    note = tables.HandOver(
        season_id=season_id, facts=list(said), words=words.strip()[:4000], recorded_by=by, recorded_at=at
    )
    db.add(note)
    db.flush()
    return note


def take(db: Session, note_id: int, *, by: str, at: datetime) -> tables.HandOver:
    """Keep who read a note and took over; somebody else than the one who gave it."""
    note = found(db, tables.HandOver, note_id)
    if note.taken_by is not None:
        raise Conflict(f"the note was taken by {note.taken_by} already")
    if note.recorded_by == by:
        raise Conflict("the one who gives a note does not take it; the next shift signs")
    note.taken_by, note.taken_at = by, at
    db.flush()
    return note
