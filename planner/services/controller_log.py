"""How does a controller's own log come in, days later, from a CSV file? As reports, each counted once.

Header `event,kind,at` with optional `job_id` and further columns, which are kept as what was said. A time
without a zone is the site's.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Iterator
from datetime import datetime, tzinfo
from itertools import islice

from sqlalchemy import select
from sqlalchemy.orm import Session

from planner.database import tables
from planner.database.states import ReportKind
from planner.errors import NotFound, Refused
from planner.services.common import instant_of
from planner.services.reports import MOST, Answer, Report, keep_reports

_NEEDED = ("event", "kind", "at")
_LARGEST = 20_000_000
_LINE = re.compile(r"[^\r\n]*(?:\r\n|\r|\n)|[^\r\n]+$")
_MOST_DIGITS = 9


def import_log(
    db: Session, machine: str, text: str, file_name: str, zone: tzinfo, *, by: str, at: datetime
) -> tuple[Answer, ...]:
    """Keep a controller's log, all of it or none.

    Parameters
    ----------
    db : Session
        An open unit of work [-].
    machine : str
        Whose controller it is [-].
    text : str
        The file's text [-].
    file_name : str
        Shown in messages [-].
    zone : tzinfo
        Of times that say none.
    by : str
        Who brought it [-].
    at : datetime
        When [-].
    """
    number = db.scalar(select(tables.Machine.id).where(tables.Machine.name == machine))
    if number is None:
        raise NotFound(f"there is no machine {machine[:60]!r}")
    for _ in read_log(text, file_name, zone):
        pass  # a line that cannot be read is told before any is kept; holding all of them takes much memory
    said = f"{machine}, log brought by {by}"[:120]
    out: list[Answer] = []
    reports = read_log(text, file_name, zone)
    while some := list(islice(reports, MOST)):
        out += keep_reports(db, number, some, by=said, at=at)
    return tuple(out)


def read_log(text: str, file_name: str, zone: tzinfo) -> Iterator[Report]:
    """Yield the reports of a log; the first line that cannot be read refuses the whole file.

    Parameters
    ----------
    text : str
        The file's text [-].
    file_name : str
        Shown in messages [-].
    zone : tzinfo
        Of times that say none.
    """
    if len(text) > _LARGEST:
        raise Refused(f"{file_name}: {len(text) / 1e6:.0f} MB, expected {_LARGEST / 1e6:g} MB at most")
    lines = (found[0] for found in _LINE.finditer(text, int(text.startswith("\ufeff"))))
    rows = csv.DictReader(lines, strict=True)
    try:
        header = rows.fieldnames or []
        missing = [name for name in _NEEDED if name not in header]
        if missing:
            raise Refused(f"{file_name}: line 1: no column {missing[0]!r}, expected event,kind,at")
        for row in rows:
            yield _report(row, f"{file_name}: line {rows.line_num}", zone)
    except csv.Error:
        raise Refused(
            f"{file_name}: line {rows.line_num}: no row that can be read, expected values with commas"
        ) from None


def _report(row: dict[str, str], where: str, zone: tzinfo) -> Report:
    if None in row:
        raise Refused(f"{where}: more values than the header has columns")
    kind = (row["kind"] or "").strip()
    if kind not in set(ReportKind):
        raise Refused(f"{where}: kind is {kind[:40]!r}, expected one of {', '.join(ReportKind)}")
    event = (row["event"] or "").strip()
    if not event:
        raise Refused(f"{where}: event is empty, expected the controller's own number of the report")
    said_at = (row["at"] or "").strip()
    try:
        happened_at = datetime.fromisoformat(said_at)
    except ValueError:
        raise Refused(
            f"{where}: at is {said_at[:40]!r}, expected a time such as 2026-10-21T09:15:00"
        ) from None
    if happened_at.tzinfo is None:
        happened_at = happened_at.replace(tzinfo=zone)
    job = (row.get("job_id") or "").strip()
    if job and not (job.isascii() and job.isdigit() and len(job) <= _MOST_DIGITS):
        raise Refused(f"{where}: job_id is {job[:20]!r}, expected a number of {_MOST_DIGITS} digits at most")
    said = {name: value for name, value in row.items() if name not in (*_NEEDED, "job_id") and value}
    return Report(event, kind, instant_of(happened_at, f"{where}: at"), int(job) if job else None, said)
