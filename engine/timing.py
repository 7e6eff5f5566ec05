"""How long does a program run on its machine.

Every move is a straight line in the machine's axes, run from its entry speed to its leaving speed with a
trapezoid of speed. The speeds at the corners come from one pass forward and one backward in the square of the
speed, where they are running minima: a million moves need no loop.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from engine.axes import from_axes, tip_rates
from engine.records import Bools, Floats, Machine, Poses, RunEstimate

_STRAIGHT_RAD = 1e-9  # a corner that turns by less than this is none
_BLOCK = 8192  # moves at a time
_SAMPLES = 256  # rows at which the tip's distance from the rotary axes is measured


def trapezoid_s(
    distance: Floats | float,
    speed: Floats | float,
    acceleration: Floats | float,
    entry: Floats | float = 0.0,
    leave: Floats | float = 0.0,
) -> Floats:
    """Return the least time for a distance with limited speed and acceleration.

    With the peak ``vp = min(v, sqrt((2 a d + v0^2 + v1^2) / 2))`` the ramps take ``(vp - v0) / a`` and
    ``(vp - v1) / a`` and what is left of the distance runs at vp (Biagiotti and Melchiorri 2008, section 3.2,
    from memory).

    Parameters
    ----------
    distance : array_like
        Not negative [mm] (or [deg], with the other units to match).
    speed : array_like
        Greatest speed [mm/s].
    acceleration : array_like
        Of both ramps [mm/s2].
    entry, leave : array_like
        Speeds at both ends, not above `speed` and within reach of each other [mm/s].

    Returns
    -------
    ndarray
        Times [s].
    """
    d, v, a, v0, v1 = (np.asarray(x, float) for x in (distance, speed, acceleration, entry, leave))
    peak = np.minimum(v, np.sqrt(a * d + (v0 * v0 + v1 * v1) / 2.0))
    peak = np.maximum(peak, np.maximum(v0, v1))
    ramps = (peak * peak - v0 * v0 + (peak * peak - v1 * v1)) / (2.0 * a)
    level = np.maximum(d - ramps, 0.0)
    moving = peak > 0.0
    times = (2.0 * peak - v0 - v1) / a + np.divide(level, peak, out=np.zeros_like(level + peak), where=moving)
    return np.asarray(times, np.float64)


def corner_speed(
    tolerance_mm: Floats | float, interior_angle_rad: Floats | float, acceleration: Floats | float
) -> Floats:
    """Return the speed at which a corner may be rounded without leaving it by more than a tolerance.

    The arc that touches both sides has its middle at ``R / sin(h)`` from the corner, h being half the angle
    between the sides; its gap to the corner is ``R / sin(h) - R = d``. So ``R = d sin(h) / (1 - sin(h))`` and
    ``v = sqrt(a R)``.

    Parameters
    ----------
    tolerance_mm : array_like
        Greatest gap [mm].
    interior_angle_rad : array_like
        Angle between the sides: pi is straight on, 0 is straight back [rad].
    acceleration : array_like
        Towards the middle of the arc [mm/s2].

    Returns
    -------
    ndarray
        Speeds, inf where the path goes straight on [mm/s].
    """
    half = np.clip(np.asarray(interior_angle_rad, float), 0.0, np.pi) / 2.0
    gap = 2.0 * np.sin((np.pi / 2.0 - half) / 2.0) ** 2  # 1 - sin(h), with its digits near a straight line
    straight = np.pi / 2.0 - half < _STRAIGHT_RAD
    radius = np.where(straight, np.inf, tolerance_mm * np.sin(half) / np.where(straight, 1.0, gap))
    return np.asarray(np.sqrt(acceleration * radius), np.float64)


def rapid_s(machine: Machine, difference: Floats) -> Floats:
    """Return the time of travel from rest to rest: that of the slowest axis.

    Parameters
    ----------
    machine : Machine
        Its axes' speeds and accelerations [-].
    difference : ndarray (..., k)
        How far each axis goes [mm] and [deg].

    Returns
    -------
    ndarray (...)
        Times [s].
    """
    speed, acceleration = _axis_limits(machine)
    return np.asarray(trapezoid_s(np.abs(difference), speed, acceleration).max(axis=-1), np.float64)


def move_times(
    machine: Machine,
    axes: Floats,
    tip_lengths_mm: Floats,
    feeds_mm_per_min: Floats,
    rests: Bools | None = None,
) -> Floats:
    """Return how long each move takes.

    Moves are measured in one length in which all axes compare: a linear axis counts in millimetres; a degree
    of a rotary axis counts as the arc that it makes at the tip, or, if that is more, as the distance that the
    slowest linear axis gets in the time the rotary axis takes for a degree from rest. Along a move the speed
    in this length is limited by the feed (its time is at least tip length by feed) and by every axis's speed;
    its change by every axis's acceleration. Where two moves meet, the speed is that of the arc which rounds
    the corner between them in this same space within the machine's path tolerance (`corner_speed`), and which
    uses up at most half of the shorter move; so the tip leaves the corner by about the tolerance at most, and
    no axis is asked for a jump in speed. The run starts and ends at rest; a change between feed and travel is
    a corner like any other.

    Parameters
    ----------
    machine : Machine
        Axes' limits and path tolerance [-].
    axes : ndarray (n, k)
        Row 0 is where the machine stands, each other row the end of a move [mm] and [deg].
    tip_lengths_mm : ndarray (n,)
        Way of the tip on the workpiece from the row before [mm].
    feeds_mm_per_min : ndarray (n,)
        Of the tip on the workpiece, inf for travel [mm/min].
    rests : ndarray (n,), optional
        True where the machine comes to rest at the end of the row, as for a change of cutter [-].

    Returns
    -------
    ndarray (n,)
        Times, 0 for row 0 and for rows in which nothing moves [s].
    """
    axes = np.asarray(axes, float)
    times = np.zeros(len(axes))
    at_least_s = np.asarray(tip_lengths_mm, float)[1:] / np.asarray(feeds_mm_per_min, float)[1:]
    at_least_s *= 60.0
    moves = _moves(machine, axes, _scale(machine, axes, feeds_mm_per_min), at_least_s)
    if len(moves.lengths):
        times[1:][moves.moving] = _timed(moves, _rest_after(moves.moving, rests))
    return times


def estimate_run(machine: Machine, poses: Poses, start_axes: Floats, n_cutters: int) -> RunEstimate:
    """Return how long a toolpath runs on a machine, by kind of time and by cutter.

    A change of cutter takes the machine's `change_cutter_s`, at rest; fitting the first one is part of
    setting up and does not count.

    Parameters
    ----------
    machine : Machine
        The machine [-].
    poses : Poses
        The toolpath on its axes [mm] and [deg].
    start_axes : ndarray (k,)
        Where it stands before the first move [mm] and [deg].
    n_cutters : int
        How many cutters the job has, used or not [-].
    """
    path = poses.toolpath
    if not len(path.feeds_mm_per_min):
        nought = (0.0,) * n_cutters
        return RunEstimate(0.0, 0.0, 0.0, 0.0, 0.0, nought, nought)
    axes = np.vstack([np.asarray(start_axes, float)[None], poses.axes])
    first_mm = np.diff(from_axes(machine, axes[:2])[0], axis=0)
    steps_mm = np.vstack([first_mm, np.diff(path.tips_work_mm, axis=0)])
    lengths_mm = np.linalg.norm(steps_mm, axis=1)
    changes = np.flatnonzero(np.diff(path.cutter)) + 1  # rows in axes after which the cutter is changed
    rests = np.zeros(len(axes), bool)
    rests[changes] = True
    feeds = np.concatenate([[np.inf], path.feeds_mm_per_min])
    seconds = move_times(machine, axes, np.concatenate([[0.0], lengths_mm]), feeds, rests)[1:]
    cutting = np.isfinite(path.feeds_mm_per_min)
    by_cutter_s = np.bincount(path.cutter[cutting], seconds[cutting], n_cutters)
    by_cutter_mm = np.bincount(path.cutter[cutting], lengths_mm[cutting], n_cutters)
    return RunEstimate(
        cutting_s=float(seconds[cutting].sum()),
        travel_s=float(seconds[~cutting].sum()),
        change_s=len(changes) * machine.change_cutter_s,
        cutting_mm=float(lengths_mm[cutting].sum()),
        travel_mm=float(lengths_mm[~cutting].sum()),
        cutting_s_by_cutter=tuple(by_cutter_s.tolist()),
        cutting_mm_by_cutter=tuple(by_cutter_mm.tolist()),
    )


# --- the passes ----------------------------------------------------------------------------------------


def _rest_after(moving: Bools, rests: Bools | None) -> Bools:
    """Return which of the moves end at rest; a rest in a row without motion is that of the move before."""
    stop = np.zeros(int(moving.sum()), bool)
    if rests is not None:
        before = np.cumsum(moving)[np.asarray(rests, bool)[1:]] - 1
        stop[before[before >= 0]] = True
    return stop


def _axis_limits(machine: Machine) -> tuple[Floats, Floats]:
    """Return each axis's speed [mm/s or deg/s] and acceleration [mm/s2 or deg/s2]."""
    speed = np.array([axis.max_speed for axis in machine.axes]) / 60.0
    return speed, np.array([axis.max_acceleration for axis in machine.axes])


def _scale(machine: Machine, axes: Floats, feeds_mm_per_min: Floats) -> Floats:
    """Return the length that one unit of each axis counts for: 1 for linear ones [mm/mm] and [mm/deg].

    The arc at the tip is taken at its largest over the cutting moves, if there are any.
    """
    rotary = np.array([axis.kind == "rotary" for axis in machine.axes])
    scale = np.ones(len(rotary))
    if not rotary.any():
        return scale
    cutting = np.flatnonzero(np.isfinite(feeds_mm_per_min))
    rows = cutting if len(cutting) else np.arange(len(axes))
    sampled = axes[rows[:: max(1, len(rows) // _SAMPLES)]]
    arcs = np.linalg.norm(tip_rates(machine, sampled), axis=1).max(axis=0)
    acceleration = _axis_limits(machine)[1]
    slowest = acceleration[~rotary].min() if (~rotary).any() else acceleration.min()
    return np.asarray(np.where(rotary, np.maximum(arcs, slowest / acceleration), 1.0), np.float64)


@dataclass(frozen=True, slots=True, eq=False)
class _Moves:
    """What limits each move that moves something, and each corner."""

    moving: Bools  # (n,) of all moves
    lengths: Floats  # (m,) in the common length
    speeds: Floats  # (m,)
    accelerations: Floats  # (m,)
    allowed: Floats  # (m + 1,) squared speed at the start, at each corner and at the end


def _moves(machine: Machine, axes: Floats, scale: Floats, at_least_s: Floats) -> _Moves:
    """Return the limits of all moves, a stretch at a time: what is worked on stays in the fast memory."""
    count = len(axes) - 1
    moving = np.zeros(max(count, 0), bool)
    lengths, speeds, accelerations = np.empty(count), np.empty(count), np.empty(count)
    allowed = np.zeros(count + 1)
    before: _Stretch | None = None
    done = 0
    for first in range(0, count, _BLOCK):
        rows = np.ascontiguousarray(axes[first : first + _BLOCK + 1].T)
        steps, slowest_s = rows[:, 1:] - rows[:, :-1], at_least_s[first : first + _BLOCK]
        some = np.logical_or.reduce(steps != 0.0)
        moving[first : first + _BLOCK] = some
        if not some.all():
            steps, slowest_s = steps[:, some], slowest_s[some]
        if not steps.shape[1]:
            continue
        one = _stretch(machine, steps, scale, slowest_s, before)
        new = slice(0 if before is None else 1, None)  # the last move of the stretch before comes again
        here = slice(done, done + steps.shape[1])
        lengths[here], speeds[here] = one.lengths[new], one.speeds[new]
        accelerations[here] = one.accelerations[new]
        corners = _corner_squares(machine, one)
        allowed[here.stop - len(corners) : here.stop] = corners
        before, done = one, here.stop
    allowed[done:] = 0.0
    return _Moves(moving, lengths[:done], speeds[:done], accelerations[:done], allowed[: done + 1])


def _timed(moves: _Moves, stop: Bools) -> Floats:
    """Return the times of moves; only the two passes go over all of them at once."""
    lengths, speeds, accelerations = moves.lengths, moves.speeds, moves.accelerations
    moves.allowed[1:][stop] = 0.0
    gains = 2.0 * accelerations
    gains *= lengths
    reached = np.sqrt(_two_passes(moves.allowed, gains))
    times = np.empty(len(lengths))
    for first in range(0, len(lengths), _BLOCK):
        here, ends = slice(first, first + _BLOCK), slice(first + 1, first + _BLOCK + 1)
        times[here] = trapezoid_s(
            lengths[here], speeds[here], accelerations[here], reached[:-1][here], reached[ends]
        )
    return times


@dataclass(frozen=True, slots=True, eq=False)
class _Stretch:
    """Moves one after the other, the last of the stretch before among them."""

    headings: Floats  # (k, m) unit, in the common length
    lengths: Floats  # (m,) in the common length
    speeds: Floats  # (m,) greatest along each move
    accelerations: Floats  # (m,)


def _stretch(
    machine: Machine, steps: Floats, scale: Floats, at_least_s: Floats, before: _Stretch | None
) -> _Stretch:
    speed, acceleration = _axis_limits(machine)
    scaled = steps * scale[:, None]
    lengths = np.sqrt(_squares(scaled))
    slowest_s, hardest = at_least_s.copy(), np.zeros(len(lengths))
    for step, fastest, ramp in zip(np.abs(steps), speed, acceleration, strict=True):
        np.maximum(slowest_s, step * (1.0 / fastest), out=slowest_s)
        np.maximum(hardest, step * (1.0 / ramp), out=hardest)
    scaled /= lengths
    found = _Stretch(scaled, lengths, lengths / slowest_s, lengths / hardest)
    if before is None:
        return found
    return _Stretch(
        np.concatenate([before.headings[:, -1:], found.headings], axis=1),
        np.concatenate([before.lengths[-1:], found.lengths]),
        np.concatenate([before.speeds[-1:], found.speeds]),
        np.concatenate([before.accelerations[-1:], found.accelerations]),
    )


def _squares(columns: Floats) -> Floats:
    """Return the squared lengths of vectors stored as (k, n)."""
    return np.asarray(np.einsum("ij,ij->j", columns, columns), np.float64)


def _corner_squares(machine: Machine, moves: _Stretch) -> Floats:
    """Return the squared speed at each corner between two moves [(mm/s)^2 in the common length].

    With t half the turn between the headings, ``|u - w| = 2 sin(t)`` and the interior angle is pi - 2 t:
    the radius within the tolerance is ``d cos(t) / (1 - cos(t))``, which equals
    ``d cos(t) (1 + cos(t)) / sin(t)^2`` and so keeps its digits where the path is nearly straight; the radius
    that fits into half of the shorter move is ``room cos(t) / sin(t)``. No corner is taken faster than either
    of its moves.
    """
    headings, lengths, accelerations = moves.headings, moves.lengths, moves.accelerations
    sine2 = np.minimum(_squares(headings[:, 1:] - headings[:, :-1]) / 4.0, 1.0)
    sine2 = np.maximum(sine2, _STRAIGHT_RAD**2)
    cosine = np.sqrt(1.0 - sine2)
    room = np.minimum(lengths[:-1], lengths[1:]) / 2.0
    radius = cosine * np.minimum(machine.path_tolerance_mm * (1.0 + cosine) / sine2, room / np.sqrt(sine2))
    radius *= np.minimum(accelerations[:-1], accelerations[1:])
    squares = moves.speeds * moves.speeds
    np.minimum(radius, squares[:-1], out=radius)
    return np.asarray(np.minimum(radius, squares[1:], out=radius), np.float64)


def _two_passes(allowed: Floats, gains: Floats) -> Floats:
    """Return the largest squared speeds within `allowed` that change by at most `gains` along each move.

    Forward ``w[k+1] = min(allowed[k+1], w[k] + gain[k])`` is, with S the running sum of the gains, the
    running minimum of ``allowed - S``, plus S; backward the same from the other end.
    """
    total = np.empty(len(allowed))
    total[0] = 0.0
    np.cumsum(gains, out=total[1:])
    forward = np.minimum.accumulate(allowed - total)
    forward += total
    back = total[-1] - total
    forward -= back
    backward = np.minimum.accumulate(forward[::-1])[::-1]
    backward += back
    return np.asarray(np.clip(backward, 0.0, allowed, out=backward), np.float64)
