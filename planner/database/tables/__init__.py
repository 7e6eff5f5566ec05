"""What is recorded? Every table of the planner; read it from the season down to the floor.

Instants are UTC, nights are local dates of the season's site, angles are degrees as on every screen and file.
A record of fact says when it was recorded and by whom; it is voided, not deleted.
"""

from planner.database.tables.access import Change, MachineToken, OneTimeLink, Person, SignIn, SignInTry, Work
from planner.database.tables.common import Base, Corrected, Recorded, Voidable
from planner.database.tables.designs import Design, DesignVersion
from planner.database.tables.fleet import Breakdown, Cutter, Machine, MachineShift, ProofMark
from planner.database.tables.floor import (
    Absence,
    CutterEntry,
    CutterUse,
    HandOver,
    LifeFit,
    LitCheck,
    LotSample,
    MachineCheck,
    MachineReport,
    NightWalk,
    Pause,
    PieceStep,
    Run,
    RunMark,
)
from planner.database.tables.jobs import Job, Preparation, RunTime
from planner.database.tables.plans import Bench, BenchRow, Hand, Pin, Plan, PlanRow
from planner.database.tables.produce import Lot, Scan, WallReading, Workpiece
from planner.database.tables.seasons import Night, Season, Station, StationDesign

__all__ = [
    "Absence",
    "Base",
    "Bench",
    "BenchRow",
    "Breakdown",
    "Change",
    "Corrected",
    "Cutter",
    "CutterEntry",
    "CutterUse",
    "Design",
    "DesignVersion",
    "Hand",
    "HandOver",
    "Job",
    "LifeFit",
    "LitCheck",
    "Lot",
    "LotSample",
    "Machine",
    "MachineCheck",
    "MachineReport",
    "MachineShift",
    "MachineToken",
    "Night",
    "NightWalk",
    "OneTimeLink",
    "Pause",
    "Person",
    "PieceStep",
    "Pin",
    "Plan",
    "PlanRow",
    "Preparation",
    "ProofMark",
    "Recorded",
    "Run",
    "RunMark",
    "RunTime",
    "Scan",
    "Season",
    "SignIn",
    "SignInTry",
    "Station",
    "StationDesign",
    "Voidable",
    "WallReading",
    "Work",
    "Workpiece",
]
