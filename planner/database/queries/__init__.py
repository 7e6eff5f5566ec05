"""What do the pages ask? Each function runs a fixed number of queries and returns plain records.

The records stand in `planner.database.lines`. A thing that is not there raises `NotFound`.
"""

from planner.database.queries.benches import BenchStepLine, CarrierLine, bench_steps, carriers
from planner.database.queries.chart import chart_between, season_chart
from planner.database.queries.choosing import WantedNight, piece_numbered, pieces_by_job, wanted_nights
from planner.database.queries.designs import artwork, designs, refused_designs
from planner.database.queries.fleet import cutters, machines
from planner.database.queries.floor import (
    CutLantern,
    FloorRow,
    OpenRun,
    RatingLine,
    clamp_number,
    cut_lanterns,
    machine_of_piece,
    next_rows,
    open_runs,
    planned_rows,
    ratings,
)
from planner.database.queries.jobs import job_page
from planner.database.queries.night import NightFacts, night_facts, spare_jobs
from planner.database.queries.paper import (
    BenchFacts,
    HandOverLine,
    RunRow,
    StationRow,
    bench_facts,
    hand_overs,
    runs_between,
    station_rows,
)
from planner.database.queries.people import (
    ChangeLine,
    PersonLine,
    TokenLine,
    change_count,
    changes,
    machine_tokens,
    people,
)
from planner.database.queries.photos import PhotoLine, photos
from planner.database.queries.plan import PinLine, PlanFacts, PlanSpan, drafts, pin_of, plan_facts, plan_span
from planner.database.queries.produce import lots, workpiece_count, workpiece_page, workpieces
from planner.database.queries.search import FoundJobs, found_jobs
from planner.database.queries.season import nights_of, plans, season_overview, seasons, stations
from planner.database.queries.trying import ScannedPiece, scanned_pieces
from planner.database.queries.venue import VenueFigures, venue_figures
from planner.database.queries.walks import WalkRow, walk_rows
from planner.database.queries.works import (
    WorkResult,
    newest_result,
    work,
    work_progress,
    work_result,
    works_since,
)

__all__ = [
    "BenchFacts",
    "BenchStepLine",
    "CarrierLine",
    "ChangeLine",
    "CutLantern",
    "FloorRow",
    "FoundJobs",
    "HandOverLine",
    "NightFacts",
    "OpenRun",
    "PersonLine",
    "PhotoLine",
    "PinLine",
    "PlanFacts",
    "PlanSpan",
    "RatingLine",
    "RunRow",
    "ScannedPiece",
    "StationRow",
    "TokenLine",
    "VenueFigures",
    "WalkRow",
    "WantedNight",
    "WorkResult",
    "artwork",
    "bench_facts",
    "bench_steps",
    "carriers",
    "change_count",
    "changes",
    "chart_between",
    "clamp_number",
    "cut_lanterns",
    "cutters",
    "designs",
    "drafts",
    "found_jobs",
    "hand_overs",
    "job_page",
    "lots",
    "machine_of_piece",
    "machine_tokens",
    "machines",
    "newest_result",
    "next_rows",
    "night_facts",
    "nights_of",
    "open_runs",
    "people",
    "photos",
    "piece_numbered",
    "pieces_by_job",
    "pin_of",
    "plan_facts",
    "plan_span",
    "planned_rows",
    "plans",
    "ratings",
    "refused_designs",
    "runs_between",
    "scanned_pieces",
    "season_chart",
    "season_overview",
    "seasons",
    "spare_jobs",
    "station_rows",
    "stations",
    "venue_figures",
    "walk_rows",
    "wanted_nights",
    "work",
    "work_progress",
    "work_result",
    "workpiece_count",
    "workpiece_page",
    "workpieces",
    "works_since",
]
