"""Does the database keep to the rules of the shop? One function a rule; each tells what breaks it, in words.

The store or the services refuse to break many of these rules already. They are judged here again from the
rows alone, so that a fault of ours, a hand in the tables or a broken disk is found.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise
from pathlib import Path
from typing import Any

from sqlalchemy import func, select, text
from sqlalchemy.orm import Session, selectinload

from planner.database import states, tables
from planner.database.states import (
    CutterEntryKind,
    JobState,
    PlanState,
    PreparationState,
    RunOutcome,
    WorkpieceState,
    WorkState,
)

_CARVED = (JobState.CUT, JobState.PLACED)
_HELD = (JobState.CHOSEN, JobState.PREPARED, JobState.CUTTING, *_CARVED)
_ALLOWED_WEAR = 1e-9


@dataclass(frozen=True, slots=True)
class Breach:
    """One thing that should not be: which rule, and what breaks it."""

    rule: str
    words: str


@dataclass(frozen=True, slots=True)
class Audit:
    """What was looked at and what was found."""

    rules: tuple[str, ...]
    rows: int
    breaches: tuple[Breach, ...]


Rule = Callable[[Session, Path], Iterator[str]]
RULES: dict[str, Rule] = {}


def _rule(name: str) -> Callable[[Rule], Rule]:
    def kept(rule: Rule) -> Rule:
        RULES[name] = rule
        return rule

    return kept


def audit(db: Session, packages: Path, *, rules: Sequence[str] | None = None) -> Audit:
    """Judge a database and its job packages by every rule.

    Parameters
    ----------
    db : Session
        An open session; it is only read [-].
    packages : Path
        The folder of job packages.
    rules : sequence of str, optional
        Names of the rules; all when left out [-].
    """
    names = tuple(RULES) if rules is None else tuple(rules)
    breaches = tuple(Breach(name, words) for name in names for words in RULES[name](db, packages))
    rows = sum(
        db.scalar(select(func.count()).select_from(table)) or 0
        for table in tables.Base.metadata.sorted_tables
    )
    return Audit(names, rows, breaches)


# --- the store -----------------------------------------------------------------------------------------


@_rule("the store is whole")
def store_is_whole(db: Session, packages: Path) -> Iterator[str]:
    """Pages of the file and links between rows hold; a server checks its own pages."""
    if db.get_bind().dialect.name != "sqlite":
        return
    for (said,) in db.execute(text("PRAGMA integrity_check(20)")):
        if said != "ok":
            yield str(said)
    for table, row, to, _ in db.execute(text("PRAGMA foreign_key_check")):
        yield f"row {row} of {table} points to a row of {to} that is not there"


@_rule("states are known words")
def states_are_known(db: Session, packages: Path) -> Iterator[str]:
    """Find states that no code knows: they hide their row from every page."""
    known: tuple[tuple[Any, type[Any]], ...] = (
        (tables.Lot.state, states.LotState),
        (tables.Workpiece.state, states.WorkpieceState),
        (tables.Scan.state, states.ScanState),
        (tables.Cutter.state, states.CutterState),
        (tables.Job.state, states.JobState),
        (tables.Preparation.state, states.PreparationState),
        (tables.Plan.state, states.PlanState),
        (tables.Run.outcome, states.RunOutcome),
        (tables.Work.state, states.WorkState),
        (tables.Person.role, states.Role),
    )
    for column, words in known:
        wrong = select(column.class_.id, column).where(column.not_in([str(word) for word in words]))
        for number, state in db.execute(wrong):
            yield f"{column.class_.__tablename__} {number}: {column.key} is {state!r}"


# --- the plan ------------------------------------------------------------------------------------------


@_rule("one published plan a season")
def one_published_plan(db: Session, packages: Path) -> Iterator[str]:
    """Two plans in force would send two people to one machine."""
    counted = (
        select(tables.Plan.season_id, func.count())
        .where(tables.Plan.state == PlanState.PUBLISHED)
        .group_by(tables.Plan.season_id)
        .having(func.count() > 1)
    )
    for season, count in db.execute(counted):
        yield f"season {season} has {count} published plans"


def _published_rows(db: Session) -> Sequence[tables.PlanRow]:
    return db.scalars(
        select(tables.PlanRow)
        .join(tables.Plan)
        .where(tables.Plan.state == PlanState.PUBLISHED)
        .order_by(tables.PlanRow.start_at, tables.PlanRow.id)
    ).all()


def _overlaps(rows: Sequence[Any], ends: Callable[[Any], datetime]) -> Iterator[tuple[Any, Any]]:
    """Yield each row that begins before one that began earlier has ended; rows are sorted by their start."""
    last: Any = None
    for row in rows:
        if last is not None and row[0] < ends(last):
            yield last, row
        if last is None or ends(row) > ends(last):
            last = row


@_rule("no machine is booked twice")
def no_double_booking(db: Session, packages: Path) -> Iterator[str]:
    """In plans in force, one machine has one lantern at a time."""
    lanes: dict[int, list[Any]] = defaultdict(list)
    for row in _published_rows(db):
        lanes[row.machine_id].append((row.start_at, row.end_at, row.job_id))
    for machine, lane in lanes.items():
        for one, other in _overlaps(lane, lambda row: row[1]):
            yield f"machine {machine}: jobs {one[2]} and {other[2]} at {other[0]:%Y-%m-%d %H:%M} UTC"


@_rule("no lantern is planned in two places at once")
def no_job_twice(db: Session, packages: Path) -> Iterator[str]:
    """Find steps of a job that do not follow each other."""
    steps: dict[tuple[int, int], list[tables.PlanRow]] = defaultdict(list)
    for row in _published_rows(db):
        steps[row.plan_id, row.job_id].append(row)
    for (_plan, job), rows in steps.items():
        ordered = sorted(rows, key=lambda row: row.step)
        for one, other in pairwise(ordered):
            if other.start_at < one.end_at:
                yield f"job {job}: step {other.step} begins before step {one.step} ends"


@_rule("what is planned is timed on its machine")
def planned_is_timed(db: Session, packages: Path) -> Iterator[str]:
    """Find rows ahead on a machine that was never timed for the job; what is cut already keeps its row."""
    times = {
        (t.job_id, t.machine_id): t.eligible
        for t in db.execute(select(tables.RunTime.job_id, tables.RunTime.machine_id, tables.RunTime.eligible))
    }
    surveyed = {job for job, _ in times}
    waiting = {
        job.id: job.state
        for job in db.execute(select(tables.Job.id, tables.Job.state))
        if job.state in (JobState.CHOSEN, JobState.PREPARED)
    }
    for row in _published_rows(db):
        if row.job_id in waiting and row.job_id in surveyed and (row.job_id, row.machine_id) not in times:
            yield f"job {row.job_id} is planned on machine {row.machine_id}, where it was never timed"


# --- lanterns and pieces -------------------------------------------------------------------------------


@_rule("no lit lantern without a piece")
def lit_has_piece(db: Session, packages: Path) -> Iterator[str]:
    """Find what is cut or placed and has no piece, or one that does not say so too."""
    wanted = {
        JobState.CUT: (WorkpieceState.CUT,),
        JobState.PLACED: (WorkpieceState.PLACED,),
        JobState.CUTTING: (WorkpieceState.WHOLE, WorkpieceState.HOLLOW),
    }
    jobs = db.scalars(
        select(tables.Job)
        .where(tables.Job.state.in_(tuple(wanted)))
        .options(selectinload(tables.Job.workpiece))
        .order_by(tables.Job.id)
    )
    for job in jobs:
        if job.workpiece is None:
            yield f"job {job.id} is {job.state} and has no piece"
        elif job.workpiece.state not in wanted[JobState(job.state)]:
            yield f"job {job.id} is {job.state}, its piece {job.workpiece.number} is {job.workpiece.state}"


@_rule("a lantern that is cut was finished at a machine")
def cut_was_run(db: Session, packages: Path) -> Iterator[str]:
    """Nothing is lit that nobody reported finished with that very piece."""
    runs = select(tables.Run.job_id, tables.Run.workpiece_id)
    finished = {
        (job, piece) for job, piece in db.execute(runs.where(tables.Run.outcome == RunOutcome.FINISHED))
    }
    jobs = select(tables.Job.id, tables.Job.workpiece_id).where(tables.Job.state.in_(_CARVED))
    for job, piece in db.execute(jobs):
        if piece is not None and (job, piece) not in finished:
            yield f"job {job} is cut, and no finished run of piece {piece} is kept"


@_rule("a piece is one lantern")
def piece_held_once(db: Session, packages: Path) -> Iterator[str]:
    """No two jobs that are not given up hold the same piece, and none holds one that is lost."""
    held: dict[int, list[int]] = defaultdict(list)
    jobs = select(tables.Job.id, tables.Job.workpiece_id).where(
        tables.Job.workpiece_id.is_not(None), tables.Job.state != JobState.CANCELLED
    )
    for job, piece in db.execute(jobs.order_by(tables.Job.id)):
        held[piece or 0].append(job)
    lost = set(
        db.scalars(select(tables.Workpiece.id).where(tables.Workpiece.state == WorkpieceState.SCRAPPED))
    )
    for piece, holders in held.items():
        if len(holders) > 1:
            yield f"piece {piece} is held by jobs {', '.join(map(str, holders))}"
        if piece in lost:
            yield f"piece {piece} is scrapped and held by job {holders[0]}"


@_rule("a job in hand has piece and design")
def chosen_is_chosen(db: Session, packages: Path) -> Iterator[str]:
    """From `chosen` on both are known."""
    wrong = select(tables.Job.id, tables.Job.state).where(
        tables.Job.state.in_(_HELD),
        tables.Job.design_version_id.is_(None) | tables.Job.workpiece_id.is_(None),
    )
    for job, state in db.execute(wrong):
        yield f"job {job} is {state} and lacks its piece or its design"


@_rule("one scan of a piece counts")
def one_active_scan(db: Session, packages: Path) -> Iterator[str]:
    """Find two active ones, one of a clamping still to come, or one with other points than it says."""
    active = select(tables.Scan.workpiece_id, func.count()).where(tables.Scan.active)
    for piece, count in db.execute(active.group_by(tables.Scan.workpiece_id).having(func.count() > 1)):
        yield f"piece {piece} has {count} active scans"
    later = (
        select(tables.Scan.id, tables.Scan.workpiece_id)
        .join(tables.Workpiece)
        .where(tables.Scan.clamp_number > tables.Workpiece.clamp_number)
    )
    for scan, piece in db.execute(later):
        yield f"scan {scan} is of a later clamping than piece {piece} has had"
    for scan, touches, points in db.execute(
        select(tables.Scan.id, tables.Scan.touches, tables.Scan.points).execution_options(yield_per=200)
    ):
        if len(points) != touches:
            yield f"scan {scan} says {touches} touches and holds {len(points)}"


# --- the floor -----------------------------------------------------------------------------------------


@_rule("what is being cut has an open run")
def cutting_has_run(db: Session, packages: Path) -> Iterator[str]:
    """And an open run's job is being cut, with the run's piece."""
    open_runs = {
        run.job_id: run.workpiece_id
        for run in db.execute(
            select(tables.Run.job_id, tables.Run.workpiece_id).where(tables.Run.ended_at.is_(None))
        )
    }
    in_hand = select(tables.Job.id, tables.Job.workpiece_id).where(tables.Job.state == JobState.CUTTING)
    cutting = {job: piece for job, piece in db.execute(in_hand)}
    for job in sorted(cutting.keys() - open_runs.keys()):
        yield f"job {job} is being cut and has no open run"
    for job in sorted(open_runs.keys() - cutting.keys()):
        yield f"job {job} has an open run and is not being cut"
    for job in sorted(open_runs.keys() & cutting.keys()):
        if open_runs[job] != cutting[job]:
            yield f"job {job} is cut out of piece {cutting[job]}, its run says {open_runs[job]}"


@_rule("a machine runs one lantern at a time")
def runs_do_not_overlap(db: Session, packages: Path) -> Iterator[str]:
    """Find runs at one machine that do not lie one after the other."""
    lanes: dict[int, list[Any]] = defaultdict(list)
    far = datetime.max.replace(tzinfo=None)
    runs = select(tables.Run.machine_id, tables.Run.started_at, tables.Run.ended_at, tables.Run.id).order_by(
        tables.Run.started_at, tables.Run.id
    )
    for machine, start, end, number in db.execute(runs):
        lanes[machine].append((start, end, number))
    for machine, lane in lanes.items():
        for one, other in _overlaps(lane, lambda row: row[1] or far.replace(tzinfo=row[0].tzinfo)):
            yield f"machine {machine}: runs {one[2]} and {other[2]} at {other[0]:%Y-%m-%d %H:%M} UTC"


@_rule("pauses lie inside their runs")
def pauses_inside(db: Session, packages: Path) -> Iterator[str]:
    """Find pauses that are open or end after their run is over, or begin before it."""
    wrong = (
        select(tables.Pause.id, tables.Pause.run_id)
        .join(tables.Run)
        .where(
            (tables.Pause.start_at < tables.Run.started_at)
            | (
                tables.Run.ended_at.is_not(None)
                & (tables.Pause.end_at.is_(None) | (tables.Pause.end_at > tables.Run.ended_at))
            )
        )
    )
    for pause, run in db.execute(wrong):
        yield f"pause {pause} reaches beyond its run {run}"


# --- the ledger of cutters -----------------------------------------------------------------------------


@_rule("the ledger's sums equal the runs")
def ledger_equals_runs(db: Session, packages: Path) -> Iterator[str]:
    """Find uses of a run that is not finished, or of more or less than the run's program takes, or twice.

    A run without a program takes what its job was timed with, and its metres are not known.
    """
    runs = {
        run.id: run
        for run in db.execute(
            select(
                tables.Run.id,
                tables.Run.outcome,
                tables.Preparation.wear,
                tables.Preparation.cutting_m,
                tables.RunTime.wear.label("timed_wear"),
            )
            .join(tables.Preparation, tables.Preparation.id == tables.Run.preparation_id, isouter=True)
            .join(
                tables.RunTime,
                (tables.RunTime.job_id == tables.Run.job_id)
                & (tables.RunTime.machine_id == tables.Run.machine_id),
                isouter=True,
            )
            .where(tables.Run.id.in_(select(tables.CutterUse.run_id)))
        )
    }
    by_run: dict[int, list[Any]] = defaultdict(list)
    uses = select(
        tables.CutterUse.run_id, tables.Cutter.type_name, tables.CutterUse.wear, tables.CutterUse.metres
    ).join(tables.Cutter)
    for use in db.execute(uses):
        by_run[use.run_id].append(use)
    for number, lines in sorted(by_run.items()):
        run = runs[number]
        if run.outcome != RunOutcome.FINISHED:
            yield f"run {number} is {run.outcome or 'open'} and took life out of a cutter"
        wear = run.wear or run.timed_wear or {}
        types = [line.type_name for line in lines]
        for kind in sorted(set(types)):
            took = sum(line.wear for line in lines if line.type_name == kind)
            if types.count(kind) > 1 or abs(took - wear.get(kind, 0.0)) > _ALLOWED_WEAR:
                told = f"{kind} lost {took:.6f} of a life, its program takes {wear.get(kind, 0.0):.6f}"
                yield f"run {number}: {told}"
        metres = sum(line.metres for line in lines)
        if run.cutting_m is not None and metres > run.cutting_m * (1 + 1e-9) + 1e-9:
            yield f"run {number}: {metres:.3f} m in the ledger, {run.cutting_m:.3f} m cut"


@_rule("no cutter has more life than is left")
def life_is_left(db: Session, packages: Path) -> Iterator[str]:
    """Life left and what was taken since it was last sharpened make one life at most; used ones had less."""
    sharp = (
        select(tables.CutterEntry.cutter_id, func.max(tables.CutterEntry.happened_at).label("at"))
        .where(tables.CutterEntry.kind == CutterEntryKind.SHARPENED)
        .group_by(tables.CutterEntry.cutter_id)
        .subquery()
    )
    sums = (
        select(tables.Cutter.name, tables.Cutter.life_left, func.sum(tables.CutterUse.wear))
        .join(tables.CutterUse)
        .join(tables.Run, tables.Run.id == tables.CutterUse.run_id)
        .join(sharp, sharp.c.cutter_id == tables.Cutter.id, isouter=True)
        .where(sharp.c.at.is_(None) | (tables.Run.started_at >= sharp.c.at))
        .group_by(tables.Cutter.id, tables.Cutter.name, tables.Cutter.life_left)
    )
    for name, left, used in db.execute(sums):
        # one that was worn to nothing may have taken more than its life: the run was finished all the same
        if left > _ALLOWED_WEAR and left + used > 1 + 1e-6:
            yield f"cutter {name} has {left:.4f} left and gave {used:.4f}: more than one life"


# --- files and their digests ---------------------------------------------------------------------------


@_rule("digests match what is stored")
def digests_match(db: Session, packages: Path) -> Iterator[str]:
    """Find scans, drawings and descriptions of machines that are not those that came."""
    from engine.files import digest_of

    texts: tuple[tuple[str, Any, Any, Any], ...] = (
        ("scan", tables.Scan.id, tables.Scan.original, tables.Scan.digest),
        (
            "design version",
            tables.DesignVersion.id,
            tables.DesignVersion.artwork,
            tables.DesignVersion.digest,
        ),
        ("machine", tables.Machine.id, tables.Machine.description, tables.Machine.digest),
    )
    for what, number, content, said in texts:
        for row_id, kept, digest in db.execute(
            select(number, content, said).execution_options(yield_per=100)
        ):
            if digest_of(kept) != digest:
                yield f"{what} {row_id}: {digest_of(kept)}, expected {digest}"


@_rule("packages are there and whole")
def packages_are_whole(db: Session, packages: Path) -> Iterator[str]:
    """Each prepared job's folder holds what its job.json says, made of the inputs the row says."""
    from planner.services.preparing import package_fault

    prepared = tables.Preparation
    rows = db.execute(
        select(prepared.id, prepared.folder, prepared.inputs_digest, prepared.state).where(
            prepared.state == PreparationState.DONE
        )
    )
    for number, folder, digest, _ in rows:
        wrong = package_fault(packages, folder, digest)
        if wrong:
            yield f"preparation {number}: {wrong}"


# --- long work -----------------------------------------------------------------------------------------


@_rule("long work is in one hand, and ends once")
def work_is_sound(db: Session, packages: Path) -> Iterator[str]:
    """Find work that runs in nobody's hands, has no end told, or failed without a word."""
    work = tables.Work
    ended = (WorkState.DONE, WorkState.FAILED, WorkState.CANCELLED)
    for row in db.scalars(select(work).order_by(work.id)):
        if row.state == WorkState.RUNNING and (not row.claimed_by or row.heartbeat_at is None):
            yield f"work {row.id} runs in nobody's hands"
        if (row.state in ended) != (row.ended_at is not None):
            yield f"work {row.id} is {row.state}, and its end is {row.ended_at or 'not told'}"
        if row.state == WorkState.FAILED and not row.error:
            yield f"work {row.id} failed and does not say why"
