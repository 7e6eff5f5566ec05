"""What is run before the cut, and after a stop? Dry run, proof mark, and a program that goes on at a region.

All three come from the same passes, links, axes and writer as the cut itself, so they show what it will do:

- the dry run follows the passes a set height outside the skin with the spindle never started; - the proof
mark is a letter, a dot and an arrow that points to the stem: no turn and no mirror image of it looks
  the same, so a wrong sign or a swapped axis is seen at a glance;
- after a stop the passes before a region are left out and all others keep their order; only where an axis
  would be wound beyond its limit on that shorter way, what is left is ordered afresh.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import shapely

from engine.errors import BadInput, CannotBeDone
from engine.prepare import PreparedJob, order_on, to_poses
from engine.program import write_programs
from engine.records import CutPass, Layers, Order, Phase, Region, Rules, Treatment
from engine.travel import link

DRY_HEIGHT_MM = 12.0  # common practice: 10 to 20
_MOST_ROWS = 12  # of a relief's rows that a dry run follows
_MARK_SPARE_MM = 0.6  # the mark's strokes are wider than the cutter by this

Programs = tuple[tuple[str, str], ...]


def dry_run(job: PreparedJob, height_mm: float = DRY_HEIGHT_MM) -> Programs:
    """Return programs that follow a job's passes outside the skin with the spindle off.

    Parameters
    ----------
    job : PreparedJob
        The job.
    height_mm : float
        How far outside the skin the tip runs, along the cutter's axis [mm].
    """
    if not 2.0 <= height_mm <= job.rules.clearance_mm:
        raise BadInput(
            f"a dry run {height_mm:g} mm outside: 2 to {job.rules.clearance_mm:g} mm, the clearance, expected"
        )
    kept = _followed(job)
    raised = [_raised(job.passes[int(job.order.sequence[k])], height_mm, job) for k in kept]
    order = _order_of(job.order, kept)
    rules = replace(job.rules, approach_mm=height_mm)
    notes = (f"dry run {height_mm:g} mm outside the skin: the spindle is never started",)
    return _written(job, raised, order, rules, notes, spindle=False)


def resumed(job: PreparedJob, region: str) -> Programs:
    """Return programs that go on with a job at a region, after a stop.

    Parameters
    ----------
    job : PreparedJob
        The job.
    region : str
        Name of the region whose first pass, in the job's order, is the first one cut [-].

    Raises
    ------
    BadInput
        When the job has no pass of that region; its regions are named.
    """
    names = [job.passes[int(i)].region for i in job.order.sequence]
    if region not in names:
        known = ", ".join(dict.fromkeys(names))
        raise BadInput(f"region {region!r}: expected one of {known}")
    kept = list(range(names.index(region), len(names)))
    order = _order_of(job.order, kept)
    left_out = ", ".join(dict.fromkeys(names[: kept[0]])) or "nothing"
    notes = (
        f"goes on at {region}; left out as cut: {left_out}",
        "touch three places of the scan again before it runs: the piece must lie where it lay",
    )
    return _written(job, _rest(job, kept), order, job.rules, notes, spindle=True)


def proof_mark(cutter_diameter_mm: float, height_mm: float = 60.0) -> Layers:
    """Return the design of a proof mark, to be shaved into a practice piece.

    Parameters
    ----------
    cutter_diameter_mm : float
        Of the cutter; the strokes are a little wider [mm].
    height_mm : float
        Of the whole mark; at least nine strokes high [mm].
    """
    stroke = cutter_diameter_mm + _MARK_SPARE_MM
    if height_mm < 9 * stroke:
        raise BadInput(
            f"a mark {height_mm:g} mm high for a cutter of {cutter_diameter_mm:g} mm: "
            f"at least {9 * stroke:.0f} mm expected"
        )
    low, top = -height_mm / 2, height_mm / 2
    letter_top = low + 0.55 * height_mm
    wide = 0.42 * height_mm
    letter = shapely.union_all(
        [
            shapely.box(-wide / 2, low, -wide / 2 + stroke, letter_top),
            shapely.box(-wide / 2, letter_top - stroke, wide / 2, letter_top),
            shapely.box(
                -wide / 2, (low + letter_top - stroke) / 2, wide / 6, (low + letter_top + stroke) / 2
            ),
        ]
    )
    dot = shapely.Point(wide / 2 - 0.75 * stroke, low + 0.75 * stroke).buffer(0.75 * stroke)
    neck = letter_top + stroke
    head = top - 1.6 * stroke
    arrow = shapely.union_all(
        [
            shapely.box(-stroke / 2, neck, stroke / 2, head + 0.1),
            shapely.Polygon([(-1.6 * stroke, head), (1.6 * stroke, head), (0.0, top)]),
        ]
    )
    named: tuple[tuple[str, Any], ...] = (("letter", letter), ("dot", dot), ("arrow to the stem", arrow))
    regions = tuple(Region(name, Treatment.SHAVE, polygon) for name, polygon in named)
    bounds = shapely.total_bounds([polygon for _, polygon in named])
    width, height = (bounds[2:] - bounds[:2]).tolist()
    return Layers("proof mark", regions, None, width, height, "0" * 12)


def _followed(job: PreparedJob) -> list[int]:
    """Return places in the order that a dry run follows: all openings, and some rows of each other phase."""
    phases = [job.passes[int(i)].phase for i in job.order.sequence]
    kept: list[int] = []
    for phase in Phase:
        at = [k for k, one in enumerate(phases) if one is phase]
        if phase is not Phase.OPENING and len(at) > _MOST_ROWS:
            at = [at[k] for k in np.linspace(0, len(at) - 1, _MOST_ROWS).round().astype(int)]
        kept += at
    return sorted(kept)


def _raised(one: CutPass, height_mm: float, job: PreparedJob) -> CutPass:
    """Return a pass at one level outside the skin."""
    return replace(
        one,
        tips_work_mm=(one.skin_work_mm + height_mm * one.directions)[None],
        feeds_mm_per_min=np.array([job.cutters[one.cutter].feed_mm_per_min]),
        after=(),
        reasons=(),
    )


def _rest(job: PreparedJob, kept: Sequence[int]) -> list[CutPass]:
    """Return the passes at these places of the order; what must come before them and is left out is done."""
    place = {int(job.order.sequence[k]): new for new, k in enumerate(kept)}
    rest = []
    for index in place:
        one = job.passes[index]
        waits = [(place[i], why) for i, why in zip(one.after, one.reasons, strict=True) if i in place]
        rest.append(replace(one, after=tuple(i for i, _ in waits), reasons=tuple(why for _, why in waits)))
    return rest


def _order_of(order: Order, kept: Sequence[int]) -> Order:
    """Return the order of passes that stand in it already."""
    at = list(kept)
    return replace(order, sequence=np.arange(len(at)), entries=order.entries[at], reversed=order.reversed[at])


def _written(
    job: PreparedJob,
    passes: Sequence[CutPass],
    order: Order,
    rules: Rules,
    notes: tuple[str, ...],
    *,
    spindle: bool,
) -> Programs:
    toolpath = link(passes, order, job.surface, job.machine, job.cutters, rules)
    try:
        poses = to_poses(toolpath, passes, job.surface, job.machine)
    except CannotBeDone:  # the shorter way winds an axis up: another order may not
        order = order_on(passes, job.surface, job.machine, rules)
        toolpath = link(passes, order, job.surface, job.machine, job.cutters, rules)
        poses = to_poses(toolpath, passes, job.surface, job.machine)
    used = dict.fromkeys(job.cutters[i].name for i in toolpath.cutter.tolist())
    header = {
        "job": job.names.job,
        "workpiece": job.names.workpiece,
        "scan": job.scan.digest,
        "machine": job.machine.name,
        "cutter": ", ".join(used),
        "written by": "Lanternwright",
    }
    names = tuple(p.name for p in passes)
    return write_programs(poses, job.machine, job.cutters, header, names, notes, spindle=spindle)
