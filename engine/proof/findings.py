"""What is said of each fault, and what would help?"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from engine.frames import lonlat_of
from engine.proof.design import Design
from engine.proof.errors import Errors
from engine.proof.grid import Grid
from engine.proof.moves import Samples
from engine.proof.travel import mirror_scores
from engine.records import (
    Bools,
    Finding,
    Floats,
    ReadProgram,
    Rules,
    Severity,
)

if TYPE_CHECKING:
    pass

_SYMMETRIC = 0.95  # correlation of a design with its mirror picture above which mirroring cannot be told


def _refuse(
    rule: str,
    text: str,
    fix: str,
    place: str = "",
    at: tuple[float, float] | None = None,
    measured: float | None = None,
    allowed: float | None = None,
    unit: str = "mm",
) -> Finding:
    """Return a finding that refuses the job; `at` is longitude and latitude in degrees."""
    lon, lat = at if at is not None else (None, None)
    if lon is not None:
        lon = (lon + 180.0) % 360.0 - 180.0
    return Finding(
        Severity.REFUSE,
        rule,
        text,
        fix,
        place,
        lon,
        lat,
        measured,
        allowed,
        unit if measured is not None else "",
    )


def mirror_findings(grid: Grid, design: Design, depth: Floats) -> list[Finding]:
    """Tell when the cut agrees better with the design's mirror picture than with the design. `depth` [mm]."""
    scores = mirror_scores(grid, design, depth)
    if scores is None or scores[2] > _SYMMETRIC or scores[1] <= scores[0] + 0.02:
        return []
    return [
        _refuse(
            "mirrored",
            f"the program cuts the picture mirrored: it agrees {scores[1]:.2f} with the design turned over, "
            f"{scores[0]:.2f} with the design",
            "check the direction of the machine's rotary axis with the proof mark, and the mirror setting",
            measured=scores[1],
            allowed=scores[0],
            unit="-",
        )
    ]


def missing_finding(name: str) -> Finding:
    """Tell that something wanted is not cut at all."""
    return _refuse(
        "not cut", f"{name} is not cut at all", "prepare the job again; check the cutter's width", name
    )


def outline_findings(errors: Errors, regions: list[tuple[int, str]], rules: Rules) -> list[Finding]:
    """Tell the worst place of each outline that is off by more than allowed. Numbers of the regions [-]."""
    found = []
    for number, name in regions:
        worst = errors.worst(number)
        if worst and worst[0] > rules.outline_tolerance_mm:
            text = (
                f"the cut outline of {name} is {worst[0]:.2f} mm off, allowed {rules.outline_tolerance_mm} mm"
            )
            fix = "use a thinner cutter, or widen the region"
            found.append(_refuse("outline", text, fix, name, worst[1:], worst[0], rules.outline_tolerance_mm))
    return found


def outside_findings(far: float, area: float, at: tuple[float, float], rules: Rules) -> list[Finding]:
    """Tell how far the cut goes beyond everything that may be cut; lengths [mm], area [mm2], place [deg]."""
    if far <= rules.outline_tolerance_mm:
        return []
    limit = rules.outline_tolerance_mm
    text = f"the cut goes {far:.2f} mm outside every region ({area:.0f} mm2), allowed {limit} mm"
    fix = "use a thinner cutter, or prepare the job again"
    return [_refuse("cut outside", text, fix, "", at, far, limit)]


def remaining_findings(remaining: Errors, regions: list[tuple[int, str]]) -> list[Finding]:
    """Tell where wall is left under the cutter of an opening. Numbers of the regions [-]."""
    found = []
    for number, name in regions:
        worst = remaining.worst(number)
        if worst and worst[0] > 0:
            text = f"{name} is not cut through: {worst[0]:.2f} mm of wall is left under the cutter"
            fix = "gauge the wall there, check stick-out and depth"
            found.append(_refuse("not through", text, fix, name, worst[1:], worst[0], 0.0))
    return found


def depth_findings(errors: Errors, regions: list[tuple[int, str]], rules: Rules) -> list[Finding]:
    """Tell the worst place of each depth that is off by more than allowed. Numbers of the regions [-]."""
    found = []
    for number, name in regions:
        worst = errors.worst(number)
        if worst and worst[0] > rules.depth_tolerance_mm:
            text = f"the depth of {name} is {worst[0]:.2f} mm off, allowed {rules.depth_tolerance_mm} mm"
            fix = "check the machine's limits there, or prepare the job again"
            found.append(_refuse("depth", text, fix, name, worst[1:], worst[0], rules.depth_tolerance_mm))
    return found


def travel_finding(program: ReadProgram, depth: float, row: int, at: tuple[float, float]) -> Finding:
    """Tell the rapid that runs deepest below the skin; depth [mm], place [deg]."""
    text = f"line {program.lines[row]}: a rapid runs {depth:.2f} mm below the skin"
    return _refuse("rapid inside", text, "lift it to the clearance shell", "", at, depth, 0.0)


def idle_finding(program: ReadProgram, samples: Samples, below: Floats, idle: Bools) -> Finding:
    """Tell the feed move that runs below the skin with the spindle stopped. `below` [mm]."""
    at = int(np.argmax(np.where(idle, below, -np.inf)))
    lon, lat = lonlat_of(samples.tip[at])
    text = (
        f"line {program.lines[samples.row[at]]}: a feed move runs {below[at]:.2f} mm below the skin "
        "with the spindle stopped or no cutter fitted"
    )
    place = math.degrees(float(lon)), math.degrees(float(lat))
    return _refuse("spindle stopped", text, "start the spindle before it", "", place, float(below[at]), 0.0)
