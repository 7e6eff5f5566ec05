"""Do columns say what rows say, on both stores?"""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from typing import Any

import numpy as np
from sqlalchemy import select
from sqlalchemy.orm import Session

from planner.database import tables
from planner.database.in_columns import EPOCH, in_columns

AT = datetime(2026, 10, 24, 6, 0, 1, 234567, tzinfo=UTC)
SAID: dict[str, Any] = {"recorded_at": AT, "recorded_by": "Ann"}


def _fill(db: Session) -> None:
    season = tables.Season(
        name="The Long Dusk", site="Larkmere", time_zone="Europe/London", dusk=time(17, 25),
        opening_night=date(2026, 10, 24), last_night=date(2026, 11, 2), **SAID,
    )  # fmt: skip
    lot = tables.Lot(name="L-1", variety="Crown", kind="squash", quantity=9, received_on=AT.date(), **SAID)
    db.add_all([season, lot])
    for n, hollowed in enumerate((None, AT, AT + timedelta(days=40, microseconds=1))):
        piece = tables.Workpiece(
            lot=lot, number=f"01{n}", diameter_mm=280 + 0.1 * n, height_mm=1 / 3, ribs=n,
            rib_mm=None if n == 1 else 2 / 3, hollowed_at=hollowed, **SAID,
        )  # fmt: skip
        db.add(tables.Job(season=season, workpiece=piece, night=date(2026, 10, 24 + n), state="cut", **SAID))
    db.flush()


def test_columns_are_the_rows(db: Session) -> None:
    """Whole numbers, others to the last bit, truths, days and instants; what is not there is -1 or NaN."""
    _fill(db)
    piece, job = tables.Workpiece, tables.Job
    question = select(
        piece.ribs, piece.diameter_mm, piece.height_mm, piece.rib_mm, piece.ribs > 0, job.night,
        piece.hollowed_at, job.station_id,
    ).join(job, job.workpiece_id == piece.id)  # fmt: skip
    rows = db.execute(question.order_by(piece.ribs)).all()
    columns = in_columns(db, question)
    columns = tuple(column[np.argsort(columns[0])] for column in columns)
    first = EPOCH.date()
    for n, (ribs, wide, high, rib, some, night, hollowed, station) in enumerate(rows):
        told = [column[n] for column in columns]
        assert told[:3] == [ribs, wide, high] and bool(told[4]) == some
        assert np.isnan(told[3]) if rib is None else told[3] == rib
        assert told[5] == (night - first).days
        assert told[6] == (-1 if hollowed is None else (hollowed - EPOCH) // timedelta(microseconds=1))
        assert station is None and told[7] == -1


def test_nothing_is_empty_columns(db: Session) -> None:
    """No row gives columns without a value, of the right kind."""
    run, use, job = tables.Run, tables.CutterUse, tables.Job
    question = select(run.id, run.started_at, use.wear, job.night).join(job).join(use, use.run_id == run.id)
    columns = in_columns(db, question)
    assert [len(column) for column in columns] == [0] * 4
    assert columns[2].dtype == np.float64 and columns[3].dtype == np.int64


def test_what_is_void_is_left_out(db: Session) -> None:
    """A pause that was corrected counts no longer, as in every question of a session."""
    _fill(db)
    job = db.scalars(select(tables.Job)).first()
    machine = tables.Machine(
        name="Wren", description="{}", digest="0", max_diameter_mm=320, fixture_class="ring", **SAID
    )
    assert job is not None
    run = tables.Run(job=job, machine=machine, workpiece_id=job.workpiece_id, started_at=AT, **SAID)
    run.pauses = [
        tables.Pause(start_at=AT, end_at=AT + timedelta(minutes=k), reason="slug", **SAID) for k in (1, 2)
    ]
    db.add(run)
    db.flush()
    run.pauses[0].void("mistaken", "Ann", AT)
    db.flush()
    (start, end) = in_columns(db, select(tables.Pause.start_at, tables.Pause.end_at))
    assert (end - start).tolist() == [120_000_000]
