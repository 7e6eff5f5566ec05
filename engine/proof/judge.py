"""Is the program good? Every judgement on one virtual cut, one a line."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from engine.errors import BadInput
from engine.proof.depths import opening_depths, relief_depths, shave_depths
from engine.proof.design import Design, design_on, through_floor
from engine.proof.edges import apart_from_others, cut_outside, outline_errors, shave_outline, uncut_regions
from engine.proof.errors import NO_ERRORS, Errors, joined_errors
from engine.proof.findings import (
    depth_findings,
    idle_finding,
    mirror_findings,
    missing_finding,
    outline_findings,
    outside_findings,
    remaining_findings,
    travel_finding,
)
from engine.proof.grid import Grid, grid_for
from engine.proof.moves import samples_of
from engine.proof.outlines import contours_of, line_on, loose_parts
from engine.proof.reach import reaches_of
from engine.proof.stamp import Cut, cut_by
from engine.proof.travel import travel_inside
from engine.records import (
    Cutter,
    Finding,
    Floats,
    Ints,
    Machine,
    ReadProgram,
    Rules,
    Surface,
    VirtualCut,
    Wall,
    WantedCut,
)
from engine.surface import radius_at

if TYPE_CHECKING:
    pass

_SAMPLE_STEPS = 1.25  # between two places a 3 mm cutter leaves a cusp of 0.02 mm


def virtual_cut(
    program: ReadProgram,
    machine: Machine,
    cutters: tuple[Cutter, ...],
    surface: Surface,
    wall: Wall,
    wanted: WantedCut,
    rules: Rules,
    *,
    spacing_mm: float = 0.4,
) -> VirtualCut:
    """Cut the piece with a program as read back, and judge what is left against the design.

    Parameters
    ----------
    program : ReadProgram
        The moves as read back from the program's text.
    machine : Machine
        The axis chain that will run them.
    cutters : tuple of Cutter
        The cutters; the program's cutters are found among them by name.
    surface : Surface
        The fitted skin.
    wall : Wall
        The wall's thickness.
    wanted : WantedCut
        The design as mapped on the skin.
    rules : Rules
        Overshoot, shave depth and the tolerances for outline and depth.
    spacing_mm : float
        Step of the grid on the skin; two places of the cutter lie at most 1.25 such steps apart [mm].

    Returns
    -------
    VirtualCut
        Grids, figures and findings. Slugs that are cut free all round are gone from the depth grid. Figures
        of outline and depth are nought where none was asked for.
    """
    tools = _tools(program, cutters)
    samples = samples_of(program, machine, surface.origin_seat_mm, _SAMPLE_STEPS * spacing_mm)
    tool = tools[program.cutter[samples.row]] if len(samples.row) else np.zeros(0, np.int64)
    rapid = program.rapid[samples.row]
    turning = program.spindle_rpm[samples.row] > 0
    cutting = ~rapid & turning & (tool >= 0)
    widest = max(cutter.radius_mm for cutter in cutters)
    below = radius_at(surface, samples.tip) - np.linalg.norm(samples.tip, axis=1)
    touching = cutting & (below > -(widest + 1.0))
    grid = grid_for(surface, samples.tip[touching], wanted, widest + 5 * spacing_mm, spacing_mm)
    design = design_on(surface, wall, grid, wanted, rules)
    floor = through_floor(grid, design, widest + 1.0)
    cut = cut_by(grid, samples.only(touching), tool[touching], cutters, floor)
    judged = _judge(surface, wall, grid, design, cut, cutters, rules)
    travel, row, place = travel_inside(surface, samples, rapid, cutting)
    findings = list(judged.findings)
    if row >= 0:
        findings.append(travel_finding(program, travel, row, place))
    idle = ~rapid & ~cutting & (below > 0.01)
    if idle.any():
        findings.append(idle_finding(program, samples, below, idle))
    return VirtualCut(
        longitude_rad=grid.lon,
        latitude_rad=grid.lat,
        depth_mm=judged.depth,
        edge_mm=judged.edge,
        outline_median_mm=_at_share(judged.outline.size, 0.5),
        outline_p99_mm=_at_share(judged.outline.size, 0.99),
        outline_max_mm=_at_share(judged.outline.size, 1.0),
        outside_mm=judged.outside_mm,
        outside_mm2=judged.outside_mm2,
        depth_median_mm=_at_share(judged.depths.size, 0.5),
        depth_max_mm=_at_share(judged.depths.size, 1.0),
        lost_mm2=judged.lost_mm2,
        travel_inside_mm=travel,
        findings=tuple(findings),
    )


def _at_share(values: Floats, share: float) -> float:
    return float(np.quantile(values, share)) if len(values) else 0.0


def _tools(program: ReadProgram, cutters: tuple[Cutter, ...]) -> Ints:
    """Return for each of the program's cutters its index in `cutters`, and a last -1 for none fitted."""
    names = [cutter.name for cutter in cutters]
    for name in program.cutter_names:
        if name not in names:
            raise BadInput(f"the program asks for cutter '{name}', which is not among {', '.join(names)}")
    return np.array([*(names.index(name) for name in program.cutter_names), -1], np.int64)


@dataclass(frozen=True, slots=True, eq=False)
class _Judged:
    depth: Floats
    edge: Floats
    outline: Errors
    depths: Errors
    outside_mm: float
    outside_mm2: float
    lost_mm2: float
    findings: tuple[Finding, ...]


def _judge(
    surface: Surface,
    wall: Wall,
    grid: Grid,
    design: Design,
    cut: Cut,
    cutters: Sequence[Cutter],
    rules: Rules,
) -> _Judged:
    """Compare the cut with the design in every way there is."""
    step = grid.lat_step * float(grid.radius.mean())
    openings, shaves = design.openings, design.shaves
    in_open = openings.inside >= 0
    filled = np.where(loose_parts(grid, cut.edge_deep >= 0, in_open), -step, cut.edge_deep)
    # tabs are cut by hand before anybody looks
    through = (cut.edge_deep < 0) & ((cut.depth >= design.wall) | design.at_tabs)
    fallen = loose_parts(grid, ~through, in_open) | (through & design.at_tabs)
    depth = np.where(fallen, np.maximum(cut.depth, design.wall + rules.overshoot_mm), cut.depth)
    edge = np.where(fallen, np.minimum(cut.edge, -step), cut.edge)

    open_reach = reaches_of(grid, cut, openings, cutters, cut.deep)
    shave_reach = reaches_of(grid, cut, shaves, cutters, ~cut.deep)
    every = line_on(surface, contours_of(grid, cut.edge))
    open_errors, shave_errors = NO_ERRORS, NO_ERRORS
    if openings.names:
        kept = apart_from_others(openings, step)
        through_line = line_on(surface, contours_of(grid, filled))
        open_errors = outline_errors(grid, openings, open_reach, through_line, filled, kept)
    if shaves.names:
        shave_errors = shave_outline(grid, design, shave_reach, every, cut.edge, step)
    open_depths, remaining = opening_depths(surface, wall, grid, cut, design, cutters, rules)
    in_shaves = shave_depths(grid, cut, design, shave_reach, rules)
    in_relief = relief_depths(grid, cut, design, cutters)
    outside_mm, outside_mm2, outside_at = cut_outside(
        grid, design, cut, cutters, every, rules.outline_tolerance_mm
    )

    no_opening, no_shave = uncut_regions(grid, openings, cut.edge_deep), uncut_regions(grid, shaves, cut.edge)
    missing = [openings.names[i] for i in no_opening] + [shaves.names[i] for i in no_shave]
    if design.relief_mask.any() and not (cut.edge[design.relief_mask] < 0).any():
        missing.append("relief")
    open_done = [(i, name) for i, name in enumerate(openings.names) if i not in no_opening]
    shave_done = [(i, name) for i, name in enumerate(shaves.names) if i not in no_shave]
    relief_done = [(0, "relief")] if "relief" not in missing else []
    findings = [
        *mirror_findings(grid, design, cut.depth),
        *(missing_finding(name) for name in missing),
        *outline_findings(open_errors, open_done, rules),
        *outline_findings(shave_errors, shave_done, rules),
        *outside_findings(outside_mm, outside_mm2, outside_at, rules),
        *remaining_findings(remaining, open_done),
        *depth_findings(open_depths, open_done, rules),
        *depth_findings(in_shaves, shave_done, rules),
        *depth_findings(in_relief, relief_done, rules),
    ]
    return _Judged(
        depth=depth,
        edge=edge,
        outline=joined_errors(open_errors, shave_errors),
        depths=joined_errors(open_depths, in_shaves, in_relief),
        outside_mm=outside_mm,
        outside_mm2=outside_mm2,
        lost_mm2=sum(reach.lost_mm2 for reach in (*open_reach, *shave_reach)),
        findings=tuple(findings),
    )
