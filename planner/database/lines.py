"""What do the pages get to see? Plain records, read once; no page holds a row of a table.

Instants are UTC. `thumbnail` is the path of a picture under the packages' folder, empty where there is none.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, time
from typing import Any

# --- the season ----------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class NightLine:
    """One night: what is wanted for it, and how far that is."""

    night: date
    dusk_at: datetime
    due_at: datetime
    temperature_c: float | None
    jobs: int  # lanterns first wanted this night, given-up ones left out
    ready: int  # of these, cut or in place


@dataclass(frozen=True, slots=True)
class SeasonLine:
    """A season in a list."""

    season_id: int
    name: str
    site: str
    time_zone: str
    opening_night: date
    last_night: date


@dataclass(frozen=True, slots=True)
class SeasonOverview:
    """A season as a whole."""

    season_id: int
    name: str
    site: str
    time_zone: str
    opening_night: date
    last_night: date
    dusk: time  # local
    stations: int
    stations_by_area: dict[str, int]
    jobs_by_state: dict[str, int]
    late_jobs: int  # in the published plan, ending after they are due
    undone: tuple[dict[str, Any], ...]  # of the published plan: job and why
    plan_id: int | None
    planned_at: datetime | None
    machines: int
    machines_down: int
    whole_pieces: int
    hollow_pieces: int
    nights: tuple[NightLine, ...]


@dataclass(frozen=True, slots=True)
class StationLine:
    """A station, what may hang there, and its lanterns."""

    station_id: int
    name: str
    area: str
    size_class: str
    kind: str
    least_rating: int
    designs: tuple[str, ...]  # best first
    jobs: int
    ready: int


# --- the plan as a chart -------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Span:
    """A stretch of time, and why it is there."""

    start_at: datetime
    end_at: datetime | None  # None = until further notice
    reason: str = ""


@dataclass(frozen=True, slots=True)
class ChartRow:
    """One step of a job on a lane."""

    job_id: int
    step: int
    label: str  # station or spare
    night: date
    design: str
    workpiece: str  # its number
    state: str  # of the job
    priority: int
    thumbnail: str
    start_at: datetime
    end_at: datetime
    due_at: datetime
    cutters: tuple[str, ...]

    @property
    def late_min(self) -> float:
        """How long after its due time it ends; 0 when in time [min]."""
        return max(0.0, (self.end_at - self.due_at).total_seconds() / 60)


@dataclass(frozen=True, slots=True)
class Lane:
    """A machine over time."""

    machine_id: int
    name: str
    active: bool
    shifts: tuple[Span, ...]
    breakdowns: tuple[Span, ...]
    rows: tuple[ChartRow, ...]


@dataclass(frozen=True, slots=True)
class SeasonChart:
    """A plan drawn over time, with the dusks of the season's nights; without a plan the lanes are bare."""

    season_id: int
    season: str
    time_zone: str
    plan_id: int | None
    plan_state: str
    revision: int | None
    planned_at: datetime | None
    planned_by: str
    plan_start_at: datetime | None
    tiers: dict[str, Any]
    undone: tuple[dict[str, Any], ...]
    lanes: tuple[Lane, ...]
    dusks: tuple[datetime, ...]


@dataclass(frozen=True, slots=True)
class PlanLine:
    """A plan in a list."""

    plan_id: int
    state: str
    planned_at: datetime
    planned_by: str
    seconds: float
    seed: int
    tiers: dict[str, Any]
    rows: int
    undone: int


# --- produce -------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class LotLine:
    """A lot, and what became of its pieces."""

    lot_id: int
    name: str
    variety: str
    kind: str
    quantity: int
    received_on: date
    state: str
    note: str
    pieces: int
    pieces_by_state: dict[str, int]


@dataclass(frozen=True, slots=True)
class WorkpieceLine:
    """A workpiece in a list."""

    workpiece_id: int
    number: str
    lot: str
    variety: str
    kind: str
    received_on: date
    diameter_mm: float
    height_mm: float
    ribs: int
    state: str
    store_place: str
    wall_default_mm: float | None
    wall_readings: int
    thinnest_wall_mm: float | None
    scan_id: int | None  # the active one
    scanned_at: datetime | None
    fit_rms_mm: float | None
    hollowed_at: datetime | None
    job_id: int | None  # the one that holds it


@dataclass(frozen=True, slots=True)
class ScanLine:
    """A scan of a piece, active or void."""

    scan_id: int
    taken_at: datetime
    state: str
    clamp_number: int
    touches: int
    tip_radius_mm: float
    digest: str
    fit_rms_mm: float | None
    active: bool
    void_reason: str | None
    by: str


@dataclass(frozen=True, slots=True)
class WallLine:
    """One reading of the wall that counts."""

    longitude_deg: float
    latitude_deg: float
    wall_mm: float
    sigma_mm: float


@dataclass(frozen=True, slots=True)
class WorkpiecePage:
    """A workpiece with its readings and scans."""

    line: WorkpieceLine
    note: str
    clamp_number: int
    walls: tuple[WallLine, ...]
    scans: tuple[ScanLine, ...]  # newest first
    jobs: tuple[int, ...]


# --- designs, machines, cutters ------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class DesignVersionLine:
    """One version of a design."""

    design_version_id: int
    version: int
    file_name: str
    digest: str
    treatment: str | None
    width_mm: float
    height_mm: float
    approved_by: str | None
    approved_at: datetime | None
    findings: tuple[dict[str, Any], ...]
    added_at: datetime
    added_by: str


@dataclass(frozen=True, slots=True)
class DesignLine:
    """A design with its versions, newest first."""

    design_id: int
    name: str
    versions: tuple[DesignVersionLine, ...]
    jobs: int
    stations: int  # that may show it


@dataclass(frozen=True, slots=True)
class MachineLine:
    """A machine and what is known of it."""

    machine_id: int
    name: str
    build: str
    active: bool
    revision: int
    min_diameter_mm: float
    max_diameter_mm: float
    max_height_mm: float | None
    kinds: tuple[str, ...]
    fixture_class: str
    fixtures: tuple[str, ...]
    fixture_kinds: dict[str, list[str]]  # what a fixture holds; one that is not named holds all
    proof_marked_at: datetime | None  # newest mark that is not void
    down: Span | None  # what it is down with now
    reported_by: str
    shift: Span | None  # the one that runs now or comes next
    running_job_id: int | None
    running_since: datetime | None
    cutters: tuple[str, ...]  # fitted


@dataclass(frozen=True, slots=True)
class CutterLine:
    """A cutter and what is left of it."""

    cutter_id: int
    name: str
    type_name: str
    description: dict[str, Any]
    life_left: float  # [-]
    state: str
    machine_id: int | None
    machine: str
    metres: float  # cut so far, as recorded
    minutes: float
    runs: int


# --- one job -------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class PreparationLine:
    """A job as prepared for one machine."""

    preparation_id: int
    machine_id: int
    machine: str
    state: str
    inputs_digest: str
    folder: str
    run_s: float | None
    cutting_m: float | None
    wear: dict[str, float]
    findings: tuple[dict[str, Any], ...]
    outline_median_mm: float | None
    outline_p99_mm: float | None
    outline_max_mm: float | None
    depth_median_mm: float | None
    depth_max_mm: float | None
    prepared_at: datetime
    engine_version: str
    current: bool  # the one that the run times stand on


@dataclass(frozen=True, slots=True)
class RunTimeLine:
    """What a job takes on a machine, or why it cannot run there."""

    machine_id: int
    machine: str
    eligible: bool
    reason: str
    run_min: float | None
    wear: dict[str, float]


@dataclass(frozen=True, slots=True)
class PlannedLine:
    """Where the published plan puts a job."""

    step: int
    machine_id: int
    machine: str
    start_at: datetime
    end_at: datetime
    cutters: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class RunLine:
    """What happened at a machine."""

    run_id: int
    machine_id: int
    machine: str
    workpiece: str
    started_at: datetime
    ended_at: datetime | None
    outcome: str | None
    scrap_reason: str | None
    by: str


@dataclass(frozen=True, slots=True)
class JobLine:
    """A job in a list."""

    job_id: int
    label: str
    area: str
    night: date
    due_at: datetime
    design: str
    workpiece: str
    priority: int
    state: str
    thumbnail: str
    machine: str  # in the published plan
    start_at: datetime | None
    end_at: datetime | None


@dataclass(frozen=True, slots=True)
class JobPage:
    """Everything about one job."""

    job_id: int
    revision: int
    season_id: int
    time_zone: str
    label: str
    station_id: int | None
    area: str
    size_class: str
    kind: str
    least_rating: int | None
    night: date
    due_at: datetime
    priority: int
    state: str
    design_id: int | None
    design: str
    design_version_id: int | None
    design_version: int | None
    design_width_mm: float | None
    longitude_deg: float
    latitude_deg: float
    turn_deg: float
    mirror: bool
    width_mm: float | None
    cutter_types: tuple[str, ...]
    overrides: dict[str, Any]
    thumbnail: str
    piece: WorkpieceLine | None
    preparations: tuple[PreparationLine, ...]  # newest first
    run_times: tuple[RunTimeLine, ...]
    planned: tuple[PlannedLine, ...]
    runs: tuple[RunLine, ...]


# --- long work -----------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class WorkLine:
    """How far a long piece of work is."""

    work_id: int
    kind: str
    arguments: dict[str, Any]
    state: str
    done: int
    total: int
    note: str
    asked_at: datetime
    asked_by: str
    heartbeat_at: datetime | None
    started_at: datetime | None
    ended_at: datetime | None
    cancel_asked: bool
    error: str | None
