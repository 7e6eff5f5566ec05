"""Do controllers' reports give the same records in whatever order, however late and often they come?"""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from sqlalchemy import func, select
from sqlalchemy.orm import Session

from planner.database import tables
from planner.errors import Refused
from planner.services import people, reports
from planner.services.controller_log import import_log
from planner.services.reports import Report

AT = datetime(2026, 10, 21, 6, 0, tzinfo=UTC)
BY: dict[str, Any] = {"recorded_at": AT, "recorded_by": "Ann"}
JOBS = 3


def _minute(minute: float) -> datetime:
    return AT + timedelta(minutes=minute)


@pytest.fixture
def token(db: Session) -> tables.MachineToken:
    """A controller's token, its machine, and three prepared jobs, numbered from the first one's."""
    season = tables.Season(
        name="The Long Dusk", site="Larkmere", time_zone="Europe/London", opening_night=date(2026, 10, 24),
        last_night=date(2026, 10, 26), dusk=time(17, 25), **BY,
    )  # fmt: skip
    lot = tables.Lot(name="L-1", variety="Crown", kind="squash", quantity=9, received_on=AT.date(), **BY)
    machine = tables.Machine(
        name="Wren", description="{}", digest="0", max_diameter_mm=320, fixture_class="ring", **BY
    )
    for n in range(JOBS):
        piece = tables.Workpiece(
            lot=lot, number=f"014{n}", diameter_mm=284, height_mm=256, state="hollow", **BY
        )
        db.add(tables.Job(season=season, night=date(2026, 10, 24), workpiece=piece, state="prepared", **BY))
    db.add(machine)
    db.flush()
    words = people.make_machine_token(db, machine.id, "controller", by="Ann", at=AT)
    held = people.machine_of_token(db, words)
    assert held is not None
    return held


def _told(db: Session) -> list[Report]:
    """Return three runs one after the other: two pauses each, a fault; the second is broken off."""
    out = []
    for n, job in enumerate(db.scalars(select(tables.Job.id).order_by(tables.Job.id)).all()):
        began = 100 * n
        end: dict[str, Any] = {"outcome": "stopped", "pass": "opening 3"} if n == 1 else {}
        more: list[tuple[str, float, dict[str, Any]]] = [
            ("start", 0, {}), ("pause", 10, {"reason": "slug"}), ("resume", 12, {}),
            ("fault", 20, {"code": 7}),
            ("pause", 30, {"reason": "odd noise"}), ("resume", 35, {}), ("run_time", 50, {"seconds": 2400}),
            ("end", 50, end),
        ]  # fmt: skip
        out += [
            Report(f"{n}-{k}", kind, _minute(began + minute), job, said)
            for k, (kind, minute, said) in enumerate(more)
        ]
    return out


def _records(db: Session) -> Any:
    """Return runs, pauses, jobs and faults as plain values."""
    run, pause, mark = tables.Run, tables.Pause, tables.RunMark
    return (
        db.execute(
            select(run.job_id, run.started_at, run.ended_at, run.outcome, run.resume_from)
            .order_by(run.started_at)
        ).all(),
        db.execute(select(pause.start_at, pause.end_at, pause.reason).order_by(pause.start_at)).all(),
        db.execute(select(tables.Job.id, tables.Job.state).order_by(tables.Job.id)).all(),
        db.scalar(select(func.count(mark.id))),
        db.scalar(select(func.count(tables.MachineReport.id))),
    )  # fmt: skip


def test_in_order_in_one_letter(db: Session, token: tables.MachineToken) -> None:
    """What the reports say, by hand: three runs of 50 min, pauses of 2 and 5 min, one broken off."""
    reports.take_reports(db, token, _told(db), at=_minute(400))
    runs, pauses, jobs, faults, kept = _records(db)
    assert [(r.outcome, r.resume_from) for r in runs] == [
        ("finished", ""), ("stopped", "opening 3"), ("finished", ""),
    ]  # fmt: skip
    assert [(r.ended_at - r.started_at) for r in runs] == [timedelta(minutes=50)] * 3
    assert [(p.end_at - p.start_at) / timedelta(minutes=1) for p in pauses] == [2, 5] * 3
    assert [state for _, state in jobs] == ["cut", "prepared", "cut"]
    assert (faults, kept) == (3, 24)


@pytest.mark.parametrize("seed", range(12))
def test_any_order_any_letters_any_times(db: Session, token: tables.MachineToken, seed: int) -> None:
    """Shuffled, cut into letters anywhere, a third sent again: the records are those of one letter."""
    with db.begin_nested() as undone:
        reports.take_reports(db, token, _told(db), at=_minute(400))
        right = _records(db)
        undone.rollback()
    db.expire_all()
    rng = np.random.default_rng(seed)
    told = _told(db)
    order = rng.permutation(len(told))
    cuts = np.sort(rng.choice(np.arange(1, len(told)), 6, replace=False))
    for letter in np.split(order, cuts):
        sent = [told[i] for i in letter]
        reports.take_reports(db, token, sent, at=_minute(400))
        if rng.random() < 0.34:
            again = reports.take_reports(db, token, sent, at=_minute(401))
            assert not any(answer.kept for answer in again)
    assert _records(db) == right


def test_what_waits_is_told(db: Session, token: tables.MachineToken) -> None:
    """An end without its start waits; when the start comes late, both count."""
    told = _told(db)
    (end,) = reports.take_reports(db, token, [told[7]], at=_minute(60))
    assert "waits for its start" in end.answer
    (start,) = reports.take_reports(db, token, [told[0]], at=_minute(61))
    assert "is reported running" in start.answer
    row = db.scalars(select(tables.MachineReport).where(tables.MachineReport.event == told[7].event)).one()
    assert (row.waits, row.answer) == (False, f"job {told[7].job_id} is cut")


@pytest.mark.parametrize(
    ("clock", "words"),
    [(55, "clock is 5 min behind"), (64, "clock is 4 min ahead"), (61, None), (None, None)],
)
def test_clock_that_is_off(
    db: Session, token: tables.MachineToken, clock: float | None, words: str | None
) -> None:
    """Beyond two minutes it is told with each answer and noted once; late reports alone are no such clock."""
    told = _told(db)
    shown = None if clock is None else _minute(clock)
    for sent in (told[:2], told[2:4]):
        answers = reports.take_reports(db, token, sent, at=_minute(60), clock=shown)
        assert all((words is not None) == ("clock" in answer.answer) for answer in answers)
        assert words is None or words in answers[0].answer
    noted = db.scalars(select(tables.Change.about).where(tables.Change.kind == "clock")).all()
    assert noted == ([] if words is None else ["machine Wren"])


def test_power_lost(db: Session, token: tables.MachineToken) -> None:
    """An end of which nobody knows how far it came leaves the piece to be inspected."""
    told = _told(db)
    end = Report("p", "end", _minute(20), told[0].job_id, {"outcome": "unknown", "reason": "power lost"})
    (_, answer) = reports.take_reports(db, token, [told[0], end], at=_minute(30))
    assert answer.answer == f"job {told[0].job_id}: unknown - inspect"
    assert db.scalars(select(tables.Run.outcome)).all() == ["unknown"]


def _log(db: Session) -> str:
    job = db.scalars(select(tables.Job.id).order_by(tables.Job.id)).first()
    rows = [f"{n},{kind},2026-10-21T0{7 + n}:00:00,{job},warm" for n, kind in enumerate(("start", "end"))]
    return "\n".join(["event,kind,at,job_id,words", *rows]) + "\n"


def test_a_log_comes_in_as_reports(db: Session, token: tables.MachineToken) -> None:
    """Times without a zone are the site's; the same file again counts nothing twice."""
    zone = ZoneInfo("Europe/London")
    first = import_log(db, "Wren", _log(db), "wren.csv", zone, by="Tom", at=_minute(600))
    again = import_log(db, "Wren", _log(db), "wren.csv", zone, by="Tom", at=_minute(601))
    assert [a.kept for a in first] == [True, True] and not any(a.kept for a in again)
    run = db.scalars(select(tables.Run)).one()
    assert (run.started_at, run.ended_at) == (_minute(0), _minute(60))  # 07:00 in London is 06:00 UTC
    assert run.recorded_by == "Wren, log brought by Tom"


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("event,at\n", "line 1: no column 'kind'"),
        ("event,kind,at\n1,explode,2026-10-21T07:00\n", "line 2: kind is 'explode'"),
        ("event,kind,at\n1,start,today\n", "line 2: at is 'today'"),
        ("event,kind,at\n,start,2026-10-21T07:00\n", "line 2: event is empty"),
        ("event,kind,at,job_id\n1,start,2026-10-21T07:00,four\n", "line 2: job_id is 'four'"),
        ("event,kind,at\n1,start,2026-10-21T07:00,4\n", "line 2: more values"),
    ],
)
def test_a_log_is_taken_whole_or_refused(
    db: Session, token: tables.MachineToken, text: str, words: str
) -> None:
    """The file, the line and what was expected are named; nothing is kept."""
    with pytest.raises(Refused, match=words):
        import_log(db, "Wren", text, "wren.csv", ZoneInfo("Europe/London"), by="Tom", at=AT)
    assert db.scalar(select(func.count(tables.MachineReport.id))) == 0
