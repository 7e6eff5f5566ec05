"""What did a controller report? Each report is kept once as it came, in any order, late or twice.

Where a report fits what is known, the run it speaks of is opened, paused or ended as a person would. A start
or an end that does not fit yet waits for the one that is missing; pauses are read anew from all reports of
their run whenever one comes. So the records end up the same in whatever order reports came. A report never
starts or stops anything.
"""

from __future__ import annotations

from bisect import bisect_right
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from itertools import accumulate
from typing import Any

from sqlalchemy import insert, or_, select
from sqlalchemy.orm import Session, selectinload

from planner.database import tables
from planner.database.states import JobState, ReportKind, RunMarkKind, RunOutcome
from planner.errors import PlannerError, Refused
from planner.services import floor
from planner.services.changes import note
from planner.services.common import instant_of, name_of, word_of
from planner.services.steps import carrier_of, carriers_of

MOST = 1000
SKEW = timedelta(minutes=2)
"""A clock farther off than this is told; common practice."""
_STARTABLE = (JobState.CHOSEN, JobState.PREPARED)
_FRAME = (ReportKind.START, ReportKind.END)
_STANDING = (ReportKind.PAUSE, ReportKind.RESUME)
_INSIDE = (*_STANDING, ReportKind.FAULT)
_READ_ANEW = "read anew: a report that came late says otherwise"
_MOST_WAITING = 500
_FOR_EVER = datetime.max.replace(tzinfo=UTC)
_COLUMNS = ("event", "kind", "happened_at", "job_id", "said", "answer", "waits")


@dataclass(frozen=True, slots=True)
class Report:
    """One report as a controller sends it."""

    event: str  # the controller's own number of it
    kind: str
    happened_at: datetime
    job_id: int | None = None
    said: Mapping[str, Any] | None = None


@dataclass(slots=True, eq=False)
class _Fresh:
    """A report that was not kept before, with what was made of it; it is written once that is known."""

    event: str
    kind: str
    happened_at: datetime
    job_id: int | None
    said: dict[str, Any]
    answer: str = "kept"
    waits: bool = False


_Told = _Fresh | tables.MachineReport


@dataclass(frozen=True, slots=True)
class Answer:
    """What was made of a report."""

    event: str
    kept: bool  # False: it was kept before
    answer: str


def take_reports(
    db: Session,
    token: tables.MachineToken,
    reports: Sequence[Report],
    *,
    at: datetime,
    clock: datetime | None = None,
) -> tuple[Answer, ...]:
    """Keep a controller's reports, all or none; those that were kept before are left as they are.

    Parameters
    ----------
    db : Session
        An open unit of work [-].
    token : MachineToken
        Which machine speaks [-].
    reports : sequence of Report
        1000 at most [-].
    at : datetime
        When they came [-].
    clock : datetime, optional
        What the controller's own clock showed when it sent them [-].
    """
    by = f"{token.machine.name}, {token.name}"[:120]
    return keep_reports(db, token.machine_id, reports, by=by, at=at, clock=clock)


def keep_reports(
    db: Session,
    machine_id: int,
    reports: Sequence[Report],
    *,
    by: str,
    at: datetime,
    clock: datetime | None = None,
) -> tuple[Answer, ...]:
    """Keep reports of a machine's controller, whoever brought them.

    Parameters
    ----------
    db : Session
        An open unit of work [-].
    machine_id : int
        The machine [-].
    reports : sequence of Report
        1000 at most [-].
    by : str
        The controller, or who read its log [-].
    at : datetime
        When they came [-].
    clock : datetime, optional
        What the controller's own clock showed when it sent them [-].
    """
    _refuse_unclear(reports)
    row = tables.MachineReport
    events = [report.event for report in reports]
    known = set(db.scalars(select(row.event).where(row.machine_id == machine_id, row.event.in_(events))))
    fresh: dict[str, _Fresh] = {}
    jobs = _known_jobs(db, {report.job_id for report in reports if report.job_id is not None})
    for report in reports:
        if report.event not in known and report.event not in fresh:
            job_id = report.job_id if report.job_id in jobs else None
            fresh[report.event] = _Fresh(
                report.event, report.kind, report.happened_at, job_id, dict(report.said or {})
            )
    with db.no_autoflush:  # the fitting flushes where it must; else each question would write the answers
        _Fitting(db, machine_id, jobs, by, at).fit(list(fresh.values()))
        _tell_clock(db, machine_id, fresh.values(), clock, at, by)
    db.flush()
    if fresh:  # only now: by then each has its answer
        said = {"machine_id": machine_id, "recorded_by": by, "recorded_at": at}
        values = [said | {name: getattr(one, name) for name in _COLUMNS} for one in fresh.values()]
        db.execute(insert(tables.Base.metadata.tables[row.__tablename__]), values)
    out, first = [], set(fresh)
    for report in reports:
        new = report.event in first
        first.discard(report.event)  # the same event twice in one letter counts once
        out.append(Answer(report.event, new, fresh[report.event].answer if new else "was kept before"))
    return tuple(out)


def _refuse_unclear(reports: Sequence[Report]) -> None:
    if len(reports) > MOST:
        raise Refused(f"{len(reports)} reports came at once, expected {MOST} at most")
    for report in reports:
        word_of(ReportKind, report.kind, "kind")
        name_of(report.event, "event", 80)
        instant_of(report.happened_at, "time of the report")


def _known_jobs(db: Session, numbers: set[int]) -> dict[int, tables.Job]:
    if not numbers:
        return {}
    job = tables.Job
    rows = db.scalars(
        select(job)
        .where(job.id.in_(numbers))
        .options(selectinload(job.workpiece), selectinload(job.run_times))
    )
    return {one.id: one for one in rows}


def _tell_clock(
    db: Session,
    machine_id: int,
    fresh: Any,
    clock: datetime | None,
    at: datetime,
    by: str,
) -> None:
    """Add to the answers by how much the controller's clock is off, and note it once a day."""
    rows = list(fresh)
    if not rows:
        return
    ahead = (
        instant_of(clock, "clock") - at if clock is not None else max(one.happened_at for one in rows) - at
    )
    if abs(ahead) <= SKEW or (clock is None and ahead < SKEW):
        return  # without the clock itself a report that is old is late, not slow
    minutes = ahead.total_seconds() / 60
    words = f"the controller's clock is {abs(minutes):.0f} min {'ahead' if minutes > 0 else 'behind'}"
    for one in rows:
        if clock is not None or one.happened_at - at > SKEW:
            one.answer += f"; {words}"
    machine = db.get(tables.Machine, machine_id)
    about = f"machine {machine.name if machine else machine_id}"
    change = tables.Change
    told = select(change.id).where(
        change.kind == "clock", change.about == about, change.recorded_at > at - timedelta(days=1)
    )
    if db.scalar(told.limit(1)) is None:
        note(db, "clock", f"{about}: {words}", by=by, at=at, about=about)


class _Fitting:
    """Fits reports into the runs of one machine."""

    def __init__(
        self, db: Session, machine_id: int, jobs: dict[int, tables.Job], by: str, at: datetime
    ) -> None:
        self.db, self.machine_id, self.jobs, self.by, self.at = db, machine_id, jobs, by, at
        self.run = db.scalar(
            select(tables.Run).where(tables.Run.machine_id == machine_id, tables.Run.ended_at.is_(None))
        )
        self.touched: list[tables.Run] = []
        self.programs: dict[int, tables.Preparation] = {}
        self.carriers: dict[int, str] = {}

    def fit(self, fresh: list[_Fresh]) -> None:
        """Open, pause and end runs as the reports say, those that waited included."""
        frame: list[_Told] = [one for one in fresh if one.kind in _FRAME]
        if frame:
            row = tables.MachineReport
            waiting = self.db.scalars(
                select(row)
                .where(row.machine_id == self.machine_id, row.waits)
                .order_by(row.happened_at, row.id)
                .limit(_MOST_WAITING)
            ).all()
            frame = sorted([*waiting, *frame], key=lambda one: one.happened_at)
            self._look_up()
            self._fit_frame(frame)
            self.db.flush()  # all runs that were opened at once
        near = _Runs(self.touched if self.run is None else [*self.touched, self.run])
        for one in fresh:
            if one.kind in _INSIDE:
                self._fit_inside(one, near)
        if self.touched:
            self._read_inside(self.touched, fresh)

    def _look_up(self) -> None:
        """Read at once what the runs of all named jobs will need."""
        numbers = [*self.jobs, *([] if self.run is None else [self.run.job_id])]
        self.programs = floor.preparations_for(self.db, numbers, self.machine_id)
        pieces = [job.workpiece_id for job in self.jobs.values() if job.workpiece_id is not None]
        if self.run is not None:
            pieces.append(self.run.workpiece_id)
        self.carriers = dict.fromkeys(pieces, "") | carriers_of(self.db, pieces)

    def _touch(self, run: tables.Run) -> None:
        if run not in self.touched:
            self.touched.append(run)

    # --- starts and ends -------------------------------------------------------------------------

    def _fit_frame(self, frame: list[_Told]) -> None:
        taken: set[int] = set()
        held_back = False  # an earlier start waits: what follows may be its own
        for place, one in enumerate(frame):
            if id(one) in taken:
                continue
            one.waits = False
            try:
                if one.kind == ReportKind.START:
                    end = self._end_of(frame[place + 1 :])
                    one.answer, one.waits, used = self._start(one, end)
                    held_back = held_back or one.waits
                    if used and end is not None:
                        taken.add(id(end))
                else:
                    one.answer, one.waits = self._end(one, held_back)
            except PlannerError as refusal:
                one.answer = f"kept; {refusal}"

    @staticmethod
    def _end_of(later: Sequence[_Told]) -> _Told | None:
        """Return the end that comes next, where no start lies between."""
        return later[0] if later and later[0].kind == ReportKind.END else None

    def _start(self, one: _Told, end: _Told | None) -> tuple[str, bool, bool]:
        """Return what was made of a start, whether it waits, and whether its end was used with it."""
        job = self.jobs.get(one.job_id or 0) or (self.db.get(tables.Job, one.job_id) if one.job_id else None)
        if self.run is not None and self.run.started_at <= one.happened_at:
            if self.run.job_id == one.job_id and self.run.started_at == one.happened_at:
                return f"kept; job {self.run.job_id} is reported running already", False, False
            return f"kept; job {self.run.job_id} is reported running already; waits for its end", True, False
        if job is None or job.workpiece_id is None or job.state not in _STARTABLE:
            return "kept; no job that can be running is named, so no run is opened", False, False
        if self.run is None:
            self.run = self._opened(job, one, None)
            return f"job {job.id} is reported running; its six checks were not ticked here", False, False
        if end is None or end.happened_at > self.run.started_at:
            return (
                f"kept; job {self.run.job_id} began later and is running; waits for its own end",
                True,
                False,
            )
        past = self._opened(job, one, end)
        end.answer, end.waits = self._took_effect(past, end), False
        return f"job {job.id} had been running before, as was reported late", False, True

    def _opened(self, job: tables.Job, start: _Told, end: _Told | None) -> tables.Run:
        preparation = self.programs.get(job.id)
        if job.id not in self.jobs:  # a start that waited
            preparation = floor.preparation_for(self.db, job.id, self.machine_id)
        run = tables.Run(
            job_id=job.id,
            job=job,
            machine_id=self.machine_id,
            workpiece_id=job.workpiece_id,
            workpiece=job.workpiece,
            preparation_id=preparation.id if preparation else None,
            started_at=start.happened_at,
            ended_at=None if end is None else end.happened_at,
            outcome=None if end is None else RunOutcome.STOPPED,
            recorded_by=self.by,
            recorded_at=self.at,
        )
        job.state = JobState.CUTTING
        self.db.add(run)
        self._touch(run)
        return run

    def _end(self, one: _Told, held_back: bool) -> tuple[str, bool]:
        run = self.run
        fits = run is not None and one.happened_at >= run.started_at and one.job_id in (None, run.job_id)
        if run is None or not fits or held_back:
            return "kept; no run that it fits is open; waits for its start", True
        self.run = None
        self._touch(run)
        was_open = run.id is not None
        told = self._took_effect(run, one)
        if was_open:
            self.db.flush()  # of open runs only one may stand, and new rows are written before changed ones
        return told, False

    def _took_effect(self, run: tables.Run, one: _Told) -> str:
        """End a run, or one that is over already, as a report says."""
        said = one.said or {}
        outcome, reason = str(said.get("outcome", "finished")), str(said.get("reason") or "")
        seen_in = str(said.get("pass") or "")
        end: dict[str, Any] = {"by": self.by, "at": one.happened_at}
        if outcome != "finished":
            self.db.flush()
        match outcome:
            case "finished":
                carrier = self.carriers.get(run.workpiece_id)
                if carrier is None:
                    carrier = carrier_of(self.db, run.workpiece_id)
                floor.finish_run(self.db, run, carrier, **end)
                return f"job {run.job_id} is cut"
            case "scrapped":
                floor.scrap_run(self.db, run, reason or "reported by the controller", **end)
                return f"job {run.job_id} is scrapped; it wants another piece"
            case "unknown":
                floor.lose_run(self.db, run, reason or "reported by the controller", seen_in, **end)
                return f"job {run.job_id}: unknown - inspect"
            case _:
                floor.stop_run(self.db, run, seen_in, **end)
                return f"job {run.job_id} is stopped; inspect it and check the datum before going on"

    # --- pauses and faults -----------------------------------------------------------------------

    def _run_at(self, one: _Fresh, near: _Runs) -> tables.Run | None:
        """Return the run that a report speaks of: it was on then, and of the same job where one is named."""
        run, instant = tables.Run, one.happened_at
        for touched in near.at(instant, one.job_id):
            return touched
        asked = [run.machine_id == self.machine_id, run.started_at <= instant]
        asked.append(or_(run.ended_at.is_(None), run.ended_at >= instant))
        if one.job_id is not None:
            asked.append(run.job_id == one.job_id)
        return self.db.scalar(select(run).where(*asked).order_by(run.started_at.desc()).limit(1))

    def _fit_inside(self, one: _Fresh, near: _Runs) -> None:
        run = self._run_at(one, near)
        if run is None:
            one.answer = "kept; no run that it fits is open; counts when its start comes"
            return
        self._touch(run)
        if one.kind in _STANDING:
            told = "is paused" if one.kind == ReportKind.PAUSE else "goes on"
            one.answer = f"job {run.job_id} {told}"

    def _read_inside(self, runs: list[tables.Run], fresh: Sequence[_Fresh]) -> None:
        """Let pauses and faults of runs be what all reports of them say; people's own are left alone."""
        told = self._told_between(runs, fresh)
        numbers = [run.id for run in runs]
        pause, mark = tables.Pause, tables.RunMark
        pauses: defaultdict[int, list[tables.Pause]] = defaultdict(list)
        for one in self.db.scalars(select(pause).where(pause.run_id.in_(numbers))):
            pauses[one.run_id].append(one)
        marks: defaultdict[int, list[tables.RunMark]] = defaultdict(list)
        ours = select(mark).where(
            mark.run_id.in_(numbers), mark.kind == RunMarkKind.FAULT, mark.recorded_by == self.by
        )
        for fault in self.db.scalars(ours):
            marks[fault.run_id].append(fault)
        near, of_run = _Runs(runs), defaultdict(list)
        for one in told:
            for run in near.at(one[1], one[3]):
                of_run[run.id].append(one)
        for run in runs:
            own = of_run[run.id]
            faults = {at: _words_of(said) for kind, at, said, _ in own if kind == ReportKind.FAULT}
            wanted = _pauses_of([one[:3] for one in own if one[0] != ReportKind.FAULT], run.ended_at)
            self._set_pauses(run, pauses[run.id], wanted)
            self._set_faults(run, marks[run.id], faults)

    def _told_between(self, runs: list[tables.Run], fresh: Sequence[_Fresh]) -> list[Any]:
        """Return kind, instant, words and job of all that was ever reported in the time of runs, by time."""
        row = tables.MachineReport
        begin = min(run.started_at for run in runs)
        within = [row.machine_id == self.machine_id, row.kind.in_(_INSIDE), row.happened_at >= begin]
        ends = [run.ended_at for run in runs]
        if None not in ends:
            within.append(row.happened_at <= max(end for end in ends if end is not None))
        before = self.db.execute(select(row.kind, row.happened_at, row.said, row.job_id).where(*within)).all()
        now = [(one.kind, one.happened_at, one.said, one.job_id) for one in fresh if one.kind in _INSIDE]
        return sorted([*before, *now], key=lambda one: one[1])

    def _set_pauses(
        self,
        run: tables.Run,
        there: Sequence[tables.Pause],
        wanted: dict[datetime, tuple[datetime | None, str]],
    ) -> None:
        if any(one.end_at is None and one.recorded_by != self.by for one in there):
            wanted = {
                start: span for start, span in wanted.items() if span[0] is not None
            }  # one open at most
        gone = False
        for one in there:
            if one.recorded_by != self.by:
                continue
            if one.start_at in wanted:
                one.end_at, one.reason = wanted.pop(one.start_at)
            else:
                one.void(_READ_ANEW, self.by, self.at)
                gone = True
        if gone:
            self.db.flush()  # of open pauses only one may stand
        said = {"run_id": run.id, "recorded_by": self.by, "recorded_at": self.at}
        self.db.add_all(
            tables.Pause(start_at=start, end_at=end, reason=reason, **said)
            for start, (end, reason) in wanted.items()
        )

    def _set_faults(
        self, run: tables.Run, there: Sequence[tables.RunMark], faults: dict[datetime, str]
    ) -> None:
        for one in there:
            if faults.pop(one.happened_at, None) is None:
                one.void(_READ_ANEW, self.by, self.at)
        said = {"run_id": run.id, "recorded_by": self.by, "recorded_at": self.at}
        self.db.add_all(
            tables.RunMark(kind=RunMarkKind.FAULT, happened_at=at, words=words, **said)
            for at, words in faults.items()
        )


class _Runs:
    """Runs of one machine by time; which of them were on at an instant."""

    def __init__(self, runs: Sequence[tables.Run]) -> None:
        spans = sorted(
            (
                (run.started_at, run.ended_at or _FOR_EVER, run.job_id, run)
                for run in {id(run): run for run in runs}.values()
            ),
            key=lambda span: span[:2],
        )
        self.spans = spans
        self.starts = [span[0] for span in spans]
        self.latest = list(accumulate((span[1] for span in spans), max))
        """The last end among a run and all before it."""

    def at(self, instant: datetime, job_id: int | None) -> Iterator[tables.Run]:
        """Yield the runs that were on at an instant, of the job where one is named, the last begun first."""
        place = bisect_right(self.starts, instant) - 1
        while place >= 0 and self.latest[place] >= instant:
            _, end, job, run = self.spans[place]
            if instant <= end and job_id in (None, job):
                yield run
            place -= 1


def _words_of(said: Mapping[str, Any] | None) -> str:
    told = said or {}
    return str(told.get("words") or told.get("code") or "reported by the controller")[:200]


def _pauses_of(told: Sequence[Any], ended_at: datetime | None) -> dict[datetime, tuple[datetime | None, str]]:
    """Return by start the end and the reason of each pause; one that nothing ends lasts like the run."""
    out: dict[datetime, tuple[datetime | None, str]] = {}
    open_at: datetime | None = None
    for kind, instant, said in told:
        if kind == ReportKind.PAUSE and open_at is None:
            open_at = instant
            out[instant] = (ended_at, str((said or {}).get("reason") or "reported by the controller")[:200])
        elif kind == ReportKind.RESUME and open_at is not None:
            out[open_at] = (instant, out[open_at][1])
            open_at = None
    return out
