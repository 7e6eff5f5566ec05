"""How long would a job run on each machine, and what is its program? The engine's work, job by job.

A job goes through the engine twice. The survey lays its passes on the piece and times them on every machine
that may take it; the plan needs no more. The preparing proper writes and proves the program for the machine
that got the job. Both run in other processes: what they need is plain text, gathered while a session is open,
and what they found is stored in a session of its own.
"""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import Executor, as_completed
from dataclasses import asdict, dataclass, field
from datetime import datetime
from functools import lru_cache
from pathlib import Path, PurePosixPath
from typing import TYPE_CHECKING, Any

from sqlalchemy import delete, select
from sqlalchemy.orm import Session

from planner.database import tables
from planner.database.states import CutterState, JobState, PreparationState
from planner.errors import PlannerError, Refused
from planner.services.common import found

if TYPE_CHECKING:
    from engine.records import Cutter, Finding, Layers, Machine, Placement, ProbeScan, Rules, Wall

ENGINE_VERSION = "0.1.0"
_IN_STOCK = (CutterState.STORED, CutterState.FITTED)


@dataclass(frozen=True, slots=True)
class MachineText:
    """A machine as the engine needs it, and whether the piece fits on it."""

    machine_id: int
    name: str
    description: str
    barred: str = ""  # why the piece does not fit, in words


@dataclass(frozen=True, slots=True)
class JobInputs:
    """Everything the engine needs for a job, as texts and numbers; nothing of the database in it."""

    job_id: int
    label: str
    workpiece: str
    kind: str
    touches: str
    tip_radius_mm: float
    walls: str
    artwork: bytes
    artwork_name: str
    treatment: str | None
    width_mm: float
    longitude_deg: float
    latitude_deg: float
    turn_deg: float
    mirror: bool
    cutters: str
    machines: tuple[MachineText, ...]

    def digest(self, machine: str) -> str:
        """Return a digest of all inputs for one machine: equal inputs, equal program."""
        values = asdict(self) | {"artwork": hashlib.sha256(self.artwork).hexdigest()}
        values["machines"] = next(m.description for m in self.machines if m.name == machine)
        return hashlib.sha256(f"{ENGINE_VERSION}{json.dumps(values, sort_keys=True)}".encode()).hexdigest()


@dataclass(frozen=True, slots=True)
class Timed:
    """How long a job runs on one machine, or why not."""

    machine_id: int
    eligible: bool
    reason: str = ""
    run_min: float | None = None
    wear: dict[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Survey:
    """What the survey of a job found."""

    job_id: int
    times: tuple[Timed, ...]
    findings: tuple[dict[str, Any], ...]


@dataclass(frozen=True, slots=True)
class Prepared:
    """What the preparing of a job for one machine gave: a package, or the findings that refuse it."""

    job_id: int
    machine_id: int
    digest: str
    folder: str
    description: dict[str, Any] | None
    findings: tuple[dict[str, Any], ...]
    refused: str = ""


# --- gathering -----------------------------------------------------------------------------------------


def inputs_of(db: Session, job_id: int) -> JobInputs:
    """Gather what the engine needs for a job.

    Parameters
    ----------
    db : Session
        An open session; it is only read [-].
    job_id : int
        A job with a piece that was probed, and a design [-].
    """
    job = found(db, tables.Job, job_id)
    piece, version = job.workpiece, job.design_version
    if piece is None or version is None:
        raise Refused(
            f"job {job_id} has no {'workpiece' if piece is None else 'design'} yet; choose one first"
        )
    scan = db.scalar(select(tables.Scan).where(tables.Scan.workpiece_id == piece.id, tables.Scan.active))
    if scan is None:
        raise Refused(f"workpiece {piece.number} has no valid scan; probe it first")
    station = job.station.name if job.station else "spare"
    return JobInputs(
        job_id=job_id,
        label=f"{station} · {version.design.name}",
        workpiece=piece.number,
        kind=piece.lot.kind,
        touches=scan.original,
        tip_radius_mm=scan.tip_radius_mm,
        walls=_walls_text(db, piece),
        artwork=version.artwork,
        artwork_name=version.file_name,
        treatment=version.treatment,
        width_mm=job.width_mm or version.width_mm,
        longitude_deg=job.longitude_deg,
        latitude_deg=job.latitude_deg,
        turn_deg=job.turn_deg,
        mirror=job.mirror,
        cutters=_cutters_text(db, job),
        machines=tuple(
            _machine_text(m, piece) for m in db.scalars(select(tables.Machine).order_by(tables.Machine.id))
        ),
    )


def _walls_text(db: Session, piece: tables.Workpiece) -> str:
    readings = db.scalars(
        select(tables.WallReading).where(
            tables.WallReading.workpiece_id == piece.id, tables.WallReading.active
        )
    ).all()
    rows = [f"{w.longitude_deg},{w.latitude_deg},{w.wall_mm},{w.sigma_mm}" for w in readings]
    if not rows:
        if piece.wall_default_mm is None:
            raise Refused(f"workpiece {piece.number} has no wall reading; gauge it first")
        rows = [f"0,0,{piece.wall_default_mm},1.5"]
    return "\n".join(["longitude_deg,latitude_deg,wall_mm,sigma_mm", *rows, ""])


def _cutters_text(db: Session, job: tables.Job) -> str:
    stock = db.scalars(
        select(tables.Cutter).where(tables.Cutter.state.in_(_IN_STOCK)).order_by(tables.Cutter.id)
    )
    by_type: dict[str, Any] = {}
    for cutter in stock:
        by_type.setdefault(cutter.type_name, cutter.description)
    wanted = job.cutter_types or list(by_type)
    missing = [name for name in wanted if name not in by_type]
    if missing:
        raise Refused(f"no cutter of type {missing[0]!r} is in stock; job {job.id} needs it")
    return json.dumps({"cutters": [by_type[name] for name in wanted]})


def _machine_text(machine: tables.Machine, piece: tables.Workpiece) -> MachineText:
    barred = ""
    if not machine.active:
        barred = f"{machine.name} is out of use"
    elif machine.kinds and piece.lot.kind not in machine.kinds:
        barred = f"{machine.name} holds {', '.join(machine.kinds)}, not {piece.lot.kind}"
    elif not machine.min_diameter_mm <= piece.diameter_mm <= machine.max_diameter_mm:
        barred = (
            f"{machine.name} takes {machine.min_diameter_mm:.0f} to {machine.max_diameter_mm:.0f} mm across, "
            f"the piece has {piece.diameter_mm:.0f} mm"
        )
    elif machine.max_height_mm is not None and piece.height_mm > machine.max_height_mm:
        barred = (
            f"{machine.name} takes {machine.max_height_mm:.0f} mm of height, "
            f"the piece has {piece.height_mm:.0f} mm"
        )
    return MachineText(machine.id, machine.name, machine.description, barred)


# --- the engine's part, in any process ------------------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False)
class _Read:
    scan: ProbeScan
    layers: Layers
    placement: Placement
    wall: Wall
    cutters: tuple[Cutter, ...]
    rules: Rules


@lru_cache(maxsize=32)
def _layers(artwork: bytes, name: str, width_mm: float, treatment: str | None) -> Layers:
    """Read a drawing once a process: many jobs show the same one."""
    from engine.artwork import read_artwork
    from engine.records import Treatment

    return read_artwork(
        artwork, name, width_mm=width_mm, treatment=Treatment(treatment) if treatment else None
    )


def _read(inputs: JobInputs) -> _Read:
    from engine.files import read_cutters, read_touches, read_wall
    from engine.records import Placement
    from engine.rules import rules_for

    return _Read(
        scan=read_touches(inputs.touches, f"touches of {inputs.workpiece}", inputs.tip_radius_mm),
        layers=_layers(inputs.artwork, inputs.artwork_name, inputs.width_mm, inputs.treatment),
        placement=Placement(
            math.radians(inputs.longitude_deg),
            math.radians(inputs.latitude_deg),
            math.radians(inputs.turn_deg),
            inputs.mirror,
        ),
        wall=read_wall(inputs.walls, f"wall of {inputs.workpiece}"),
        cutters=read_cutters(inputs.cutters, "cutters in stock"),
        rules=rules_for(inputs.kind),
    )


def _machine(text: MachineText) -> Machine:
    from engine.files import read_machine

    return read_machine(text.description, text.name)


def survey(inputs: JobInputs) -> Survey:
    """Time a job's passes on every machine that may take it; runs in any process.

    Parameters
    ----------
    inputs : JobInputs
        From `inputs_of` [-].
    """
    from engine.errors import CannotBeDone
    from engine.prepare import outline_of_job, run_on

    read = _read(inputs)
    fit = [m for m in inputs.machines if not m.barred]
    times = {m.machine_id: Timed(m.machine_id, False, m.barred) for m in inputs.machines if m.barred}
    findings: tuple[Finding, ...] = ()
    outline = None
    for text in fit:
        machine = _machine(text)
        try:
            if outline is None:
                outline = outline_of_job(
                    read.scan, read.layers, read.placement, read.wall, read.cutters, machine, read.rules
                )
                findings = outline.findings
            run, wear = run_on(outline, machine)
        except CannotBeDone as refusal:
            times[text.machine_id] = Timed(text.machine_id, False, str(refusal))
            findings = findings or refusal.findings
            continue
        by_type = {c.name: round(w, 6) for c, w in zip(read.cutters, wear, strict=True) if w > 0}
        times[text.machine_id] = Timed(text.machine_id, True, "", run.total_s / 60, by_type)
    return Survey(inputs.job_id, tuple(times[m.machine_id] for m in inputs.machines), _plain(findings))


def prepare_for(inputs: JobInputs, machine: str, packages: Path) -> Prepared:
    """Write and prove the program of a job for one machine; runs in any process.

    Parameters
    ----------
    inputs : JobInputs
        From `inputs_of` [-].
    machine : str
        Name of the machine that got the job [-].
    packages : Path
        The folder of job packages; a package lies in a folder named by the digest of its inputs.
    """
    from engine.errors import CannotBeDone
    from engine.package import write_package
    from engine.prepare import Names, prepare

    text = next(m for m in inputs.machines if m.name == machine)
    digest = inputs.digest(machine)
    folder = f"{inputs.job_id:05d}-{digest[:12]}"
    if not package_fault(packages, folder, digest):  # from the same inputs, and whole: never made twice
        description = json.loads((packages / folder / "job.json").read_text())
        return Prepared(
            inputs.job_id, text.machine_id, digest, folder, description, tuple(description["findings"])
        )
    read = _read(inputs)
    try:
        job = prepare(
            read.scan,
            read.layers,
            read.placement,
            read.wall,
            read.cutters,
            _machine(text),
            read.rules,
            names=Names(inputs.label, inputs.workpiece),
        )
        description = write_package(job, packages / folder)
    except CannotBeDone as refusal:
        return Prepared(
            inputs.job_id,
            text.machine_id,
            digest,
            "",
            None,
            _plain(refusal.findings),
            str(refusal),
        )
    return Prepared(
        inputs.job_id, text.machine_id, digest, folder, description, tuple(description["findings"])
    )


def package_fault(packages: Path, folder: str, digest: str = "") -> str:
    """Return what is wrong with one job package, in words; empty where it is whole.

    Parameters
    ----------
    packages : Path
        The folder of job packages.
    folder : str
        The package's, below it [-].
    digest : str
        Of the inputs; a folder that bears one must bear this one [-].
    """
    if not folder or PurePosixPath(folder).is_absolute() or ".." in PurePosixPath(folder).parts:
        return f"the folder {folder!r} is none of the packages"
    try:
        said = json.loads((packages / folder / "job.json").read_bytes())
        files = said["files"] if isinstance(said, dict) else None
    except (OSError, ValueError):
        return f"{folder}/job.json is missing or no JSON"
    except KeyError:
        files = None
    if not isinstance(files, dict):
        return f"{folder}/job.json does not say which files belong to it"
    for name, wanted in sorted(files.items()):
        path = packages / folder / name
        if not path.is_file():
            return f"{folder}/{name} is missing"
        if hashlib.sha256(path.read_bytes()).hexdigest() != wanted:
            return f"{folder}/{name} is not the file that was proven"
    if "program.nc" not in files and "program_1.nc" not in files:
        return f"{folder} has no program"
    bears = folder.rsplit("-", 1)[-1]
    return f"{folder} was made of other inputs" if digest and bears not in (folder, digest[:12]) else ""


def survey_or_prepare(inputs: JobInputs, packages: Path) -> tuple[Survey, Prepared | None]:
    """Time a job on its machines; where only one may take it, prepare it there at once.

    Parameters
    ----------
    inputs : JobInputs
        From `inputs_of` [-].
    packages : Path
        The folder of job packages.

    Returns
    -------
    tuple of Survey and Prepared or None
        The second is None where there is a choice of machines, or none.
    """
    fit = [m for m in inputs.machines if not m.barred]
    if len(fit) != 1:
        return survey(inputs), None
    ready = prepare_for(inputs, fit[0].name, packages)
    times = {m.machine_id: Timed(m.machine_id, False, m.barred) for m in inputs.machines if m.barred}
    if ready.description is None:
        times[ready.machine_id] = Timed(ready.machine_id, False, ready.refused)
        return Survey(
            inputs.job_id, tuple(times[m.machine_id] for m in inputs.machines), ready.findings
        ), None
    said = ready.description
    wear = {c["name"]: round(c["wear"], 6) for c in said["cutters"] if c["wear"] > 0}
    times[ready.machine_id] = Timed(ready.machine_id, True, "", said["seconds"]["total"] / 60, wear)
    return Survey(inputs.job_id, tuple(times[m.machine_id] for m in inputs.machines), ready.findings), ready


def compile_kernels() -> None:
    """Compile what the engine compiles on its first use on a computer; it is kept on disk."""
    from engine.ball_bed import kernels
    from engine.order.search import compiled
    from engine.proof import stamper

    compiled()
    stamper()
    kernels()


def _plain(findings: Iterable[Finding]) -> tuple[dict[str, Any], ...]:
    return tuple({**asdict(f), "severity": str(f.severity)} for f in findings)


# --- storing -------------------------------------------------------------------------------------------


def store_survey(db: Session, result: Survey, *, by: str, at: datetime) -> None:
    """Keep the run times of a job; a job that no machine can take keeps the reasons as a refused preparation.

    Parameters
    ----------
    db : Session
        An open unit of work [-].
    result : Survey
        From `survey` [-].
    by, at
        Who asked for it, and when.
    """
    job = found(db, tables.Job, result.job_id)
    db.execute(delete(tables.RunTime).where(tables.RunTime.job_id == job.id))
    db.add_all(
        tables.RunTime(
            job_id=job.id,
            machine_id=t.machine_id,
            eligible=t.eligible,
            reason=t.reason,
            run_min=t.run_min,
            wear=t.wear,
        )
        for t in result.times
    )
    if not any(t.eligible for t in result.times) and result.times:
        tried = next((t for t in result.times if result.findings and not t.eligible), result.times[0])
        _put_preparation(
            db,
            job.id,
            tried.machine_id,
            "survey",
            by=by,
            at=at,
            state=PreparationState.REFUSED,
            findings=list(result.findings),
        )
    db.flush()


def store_preparation(db: Session, result: Prepared, *, by: str, at: datetime) -> None:
    """Keep what the preparing of a job gave; a refusal bars the machine for that job.

    Parameters
    ----------
    db : Session
        An open unit of work [-].
    result : Prepared
        From `prepare_for` [-].
    by, at
        Who asked for it, and when.
    """
    job = found(db, tables.Job, result.job_id)
    time = db.scalar(
        select(tables.RunTime).where(
            tables.RunTime.job_id == job.id, tables.RunTime.machine_id == result.machine_id
        )
    )
    if result.description is None:
        _put_preparation(
            db,
            job.id,
            result.machine_id,
            result.digest,
            by=by,
            at=at,
            state=PreparationState.REFUSED,
            findings=list(result.findings),
        )
        if time is not None:
            time.eligible, time.reason = False, result.refused
        db.flush()
        return
    said = result.description
    proof = said["proof"]
    row = _put_preparation(
        db,
        job.id,
        result.machine_id,
        result.digest,
        by=by,
        at=at,
        state=PreparationState.DONE,
        findings=list(result.findings),
        folder=result.folder,
        run_s=said["seconds"]["total"],
        cutting_m=said["cutting_mm"] / 1000,
        wear={c["name"]: c["wear"] for c in said["cutters"]},
        outline_median_mm=proof["outline_median_mm"],
        outline_p99_mm=proof["outline_p99_mm"],
        outline_max_mm=proof["outline_max_mm"],
        depth_median_mm=proof["depth_median_mm"],
        depth_max_mm=proof["depth_max_mm"],
    )
    if time is not None:
        time.preparation_id = row.id
    if job.state == JobState.CHOSEN:
        job.state = JobState.PREPARED
    db.flush()


def _put_preparation(
    db: Session, job_id: int, machine_id: int, digest: str, *, by: str, at: datetime, **values: Any
) -> tables.Preparation:
    row = db.scalar(
        select(tables.Preparation).where(
            tables.Preparation.job_id == job_id,
            tables.Preparation.machine_id == machine_id,
            tables.Preparation.inputs_digest == digest,
        )
    )
    if row is None:
        row = tables.Preparation(job_id=job_id, machine_id=machine_id, inputs_digest=digest)
        db.add(row)
    for name, value in values.items():
        setattr(row, name, value)
    row.prepared_at = row.recorded_at = at
    row.recorded_by, row.engine_version = by, ENGINE_VERSION
    db.flush()
    return row


# --- many at once --------------------------------------------------------------------------------------


def each_done(
    executor: Executor,
    work: Callable[..., Any],
    calls: Sequence[tuple[Any, ...]],
    done: Callable[[Any, int], None],
    *,
    stop: Callable[[], bool] = lambda: False,
) -> None:
    """Run calls of one function on an executor, and pass on each result as it comes.

    Parameters
    ----------
    executor : Executor
        Processes here, or a cluster's.
    work : callable
        A module's function, so that it can be sent.
    calls : sequence of tuple
        The arguments of each call.
    done : callable
        Takes a result and the number of its call.
    stop : callable
        True: begin nothing more, and end.
    """
    running = {executor.submit(work, *arguments): number for number, arguments in enumerate(calls)}
    try:
        for future in as_completed(running):
            done(future.result(), running[future])
            if stop():
                raise PlannerError("stopped; what was done so far is kept")
    finally:
        for future in running:
            future.cancel()
