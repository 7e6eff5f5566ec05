"""Is a fact put right by a new entry, with the old one still there to be read?"""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from typing import Any

import pytest
from sqlalchemy import func, select, text
from sqlalchemy.orm import Session

from planner.database import tables
from planner.errors import Conflict, Refused
from planner.services import corrections

AT = datetime(2026, 10, 21, 6, 0, tzinfo=UTC)
BY: dict[str, Any] = {"recorded_at": AT, "recorded_by": "Tom"}


def _minute(minute: float) -> datetime:
    return AT + timedelta(minutes=minute)


@pytest.fixture
def run(db: Session) -> tables.Run:
    """A finished run with a pause, what it took of a cutter, and a rating."""
    season = tables.Season(
        name="The Long Dusk", site="Larkmere", time_zone="Europe/London", opening_night=date(2026, 10, 24),
        last_night=date(2026, 10, 26), dusk=time(17, 25), **BY,
    )  # fmt: skip
    lot = tables.Lot(name="L-1", variety="Crown", kind="squash", quantity=1, received_on=AT.date(), **BY)
    machine = tables.Machine(
        name="Wren", description="{}", digest="0", max_diameter_mm=320, fixture_class="ring", **BY
    )
    piece = tables.Workpiece(
        lot=lot, number="0147", diameter_mm=284, height_mm=256, state="cut", hollowed_at=AT, **BY
    )
    job = tables.Job(season=season, night=date(2026, 10, 24), workpiece=piece, state="cut", **BY)
    cutter = tables.Cutter(name="6F-01", type_name="6F", description={}, **BY)
    made = tables.Run(
        job=job, machine=machine, workpiece=piece, started_at=_minute(0), ended_at=_minute(40),
        outcome="finished", **BY,
    )  # fmt: skip
    made.pauses = [tables.Pause(start_at=_minute(10), end_at=_minute(12), reason="slug", **BY)]
    made.cutter_uses = [tables.CutterUse(cutter=cutter, metres=2, minutes=30, wear=0.05, **BY)]
    db.add_all([made, tables.LitCheck(job=job, rating=3, **BY)])
    db.flush()
    return made


def test_a_run_is_put_right_by_a_new_one(db: Session, run: tables.Run) -> None:
    """Questions find the new entry alone, its pauses and uses once; the old one is there, void, with why."""
    new = corrections.correct_run(
        db, run.id, "ended when the bell rang", by="Ines", at=_minute(90), ended_at=_minute(35)
    )
    assert db.scalars(select(tables.Run.id)).all() == [new.id]
    assert (new.ended_at, new.replaces_id) == (_minute(35), run.id)
    assert db.scalar(select(func.sum(tables.CutterUse.wear))) == 0.05
    assert [pause.reason for pause in new.pauses] == ["slug"]
    old = corrections.earlier(db, new)
    assert [(o.ended_at, o.voided_by, o.void_reason) for o in old] == [
        (_minute(40), "Ines", "ended when the bell rang")
    ]
    assert db.scalar(text("SELECT count(*) FROM runs")) == 2  # nothing was overwritten
    said = db.scalars(select(tables.Change).where(tables.Change.kind == "correct")).one()
    assert "end 2026-10-21 06:40 -> 2026-10-21 06:35 UTC" in said.words
    assert said.about == f"job {run.job_id}"


def test_the_newest_entry_is_the_one_to_put_right(db: Session, run: tables.Run) -> None:
    """Twice is a chain of three; the first cannot be put right again."""
    second = corrections.correct_run(db, run.id, "a", by="Ines", at=AT, ended_at=_minute(35))
    third = corrections.correct_run(db, second.id, "b", by="Ines", at=AT, ended_at=_minute(36))
    assert [o.ended_at for o in corrections.earlier(db, third)] == [_minute(35), _minute(40)]
    with pytest.raises(Conflict, match="put right by Ines already"):
        corrections.put_right(db, run, "again", by="Ines", at=AT)


def test_finished_was_scrapped(db: Session, run: tables.Run) -> None:
    """Job and piece are then as a scrapped run leaves them."""
    job, piece = run.job, run.workpiece
    new = corrections.correct_run(
        db, run.id, "a crack was found", by="Ines", at=AT, outcome="scrapped", scrap_reason="bridge broke"
    )
    assert (new.outcome, new.scrap_reason) == ("scrapped", "bridge broke")
    assert (job.state, job.workpiece_id, piece.state) == ("wanted", None, "scrapped")


def test_what_cannot_be_is_refused(db: Session, run: tables.Run) -> None:
    """An end before the start, a pause left outside, an outcome after the job has gone on."""
    with pytest.raises(Refused, match="after its start"):
        corrections.correct_run(db, run.id, "x", by="Ines", at=AT, ended_at=_minute(-1))
    with pytest.raises(Refused, match="outside of the run"):
        corrections.correct_run(db, run.id, "x", by="Ines", at=AT, ended_at=_minute(5))
    run.job.state = "placed"
    with pytest.raises(Conflict, match="can no longer be called stopped"):
        corrections.correct_run(db, run.id, "x", by="Ines", at=AT, outcome="stopped")


def test_a_rating_is_put_right(db: Session, run: tables.Run) -> None:
    """It stays the rater's own; the wrong one is void."""
    check = db.scalars(select(tables.LitCheck)).one()
    corrections.correct_rating(db, check.id, 8, "typed 3 for 8", by="Ines", at=_minute(60))
    now = db.scalars(select(tables.LitCheck)).one()
    assert (now.rating, now.recorded_by) == (8, "Tom")
    assert [o.voided_by for o in corrections.earlier(db, now)] == ["Ines"]


def test_another_run_may_be_open_after_one_was_void(db: Session, run: tables.Run) -> None:
    """Of a machine's open runs only the one that counts is one."""
    open_run = tables.Run(
        job=run.job, machine=run.machine, workpiece=run.workpiece, started_at=_minute(50), **BY
    )
    db.add(open_run)
    db.flush()
    new = corrections.correct_run(db, open_run.id, "began later", by="Ines", at=AT, started_at=_minute(55))
    assert (new.started_at, new.ended_at) == (_minute(55), None)
