"""What do the pages ask? Each function runs a fixed number of queries and returns plain records.

The records stand in `planner.database.lines`. A thing that is not there raises `NotFound`.
"""

from planner.database.queries.designs import artwork, designs
from planner.database.queries.fleet import cutters, machines
from planner.database.queries.jobs import job_page, jobs
from planner.database.queries.produce import lots, workpiece_count, workpiece_page, workpieces
from planner.database.queries.season import plans, season_chart, season_overview, seasons, stations
from planner.database.queries.works import work, work_progress

__all__ = [
    "artwork",
    "cutters",
    "designs",
    "job_page",
    "jobs",
    "lots",
    "machines",
    "plans",
    "season_chart",
    "season_overview",
    "seasons",
    "stations",
    "work",
    "work_progress",
    "workpiece_count",
    "workpiece_page",
    "workpieces",
]
