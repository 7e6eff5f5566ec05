"""Where may the passes of a job be entered on a machine, and what does each lift take?"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from engine.axes import to_axes
from engine.order.poses import PassPoses, metric_of
from engine.records import CutPass, Floats, Machine, Rules, Surface
from engine.travel import onto_shell, shell_radius_mm


def pass_poses(
    passes: Sequence[CutPass], surface: Surface, machine: Machine, rules: Rules
) -> tuple[PassPoses, ...]:
    """Return the machine's poses on the clearance shell above each vertex of each pass.

    An open pass goes to and fro, level by level: with an even number of levels it ends where it began.

    Parameters
    ----------
    passes : sequence of CutPass
        The passes, in the work frame.
    surface : Surface
        Gives the clearance shell, and the work frame's place in the seat.
    machine : Machine
        Its axes.
    rules : Rules
        Clearance and approach.
    """
    if not passes:
        return ()
    shell = shell_radius_mm(surface, rules)
    above = [onto_shell(p.tips_work_mm[0], p.directions, shell) for p in passes]
    ends = np.cumsum([len(a) for a in above])
    begins = np.zeros(ends[-1], bool)
    begins[np.concatenate([[0], ends[:-1]])] = True
    axes = to_axes(
        machine,
        np.concatenate(above) + surface.origin_seat_mm,
        np.concatenate([p.directions for p in passes]),
        np.array(machine.home, float),
        begins,
    ).axes
    winding = list(metric_of(machine).winding)
    return tuple(
        _poses(one, tips, poses, winding, machine, rules)
        for one, tips, poses in zip(passes, above, np.split(axes, ends[:-1]), strict=True)
    )


def _poses(
    one: CutPass, above: Floats, axes: Floats, winding: list[int], machine: Machine, rules: Rules
) -> PassPoses:
    """Return one pass's poses, with the times of its lifts: down at feed, up at the slowest linear axis."""
    round_deg = np.zeros(axes.shape[1])
    if one.closed:
        round_deg[winding] = 360.0 * np.round((axes[-1] - axes[0])[winding] / 360.0)
    low = one.skin_work_mm + rules.approach_mm * one.directions
    rapid_mm_per_min = min((a.max_speed for a in machine.axes if a.kind == "linear"), default=np.inf)
    levels = len(one.tips_work_mm)
    return PassPoses(
        name=one.name,
        axes=axes,
        closed=one.closed,
        returns=not one.closed and levels % 2 == 0,
        plunge_s=60.0 * np.linalg.norm(above - low, axis=1) / float(one.feeds_mm_per_min.max()),
        retract_s=60.0 * np.linalg.norm(above - one.tips_work_mm[-1], axis=1) / rapid_mm_per_min,
        round_deg=round_deg,
        rounds=levels,
    )
