"""Where must the machine's axes stand so that its cutter stands as wanted, and the way back.

Every machine is one chain of links seen from the workpiece: the axes that move the work, the outermost first
and each turned round, then the axes that move the cutter from the base outwards::

    workpiece -- C^-1 -- A^-1 -- base -- X -- Y -- Z -- cutter        tip + seat = E1 E2 ... Ek tip0
                                                                      direction  = R1 R2 ... Rk cutter_axis

The rotary axes follow from the direction in closed form, the linear ones from the tip by a linear solve.
Where the linear axes alone cannot bring the tip to its place (a turntable with an upright), all axes share
what is left: the tip always has priority over the direction.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from engine.errors import BadInput
from engine.frames import normalised
from engine.records import Bools, Floats, Ints, Machine

TIP_TOLERANCE_MM = 1e-6
"""A tip this near its wanted place is there [mm]."""

_PARALLEL = 1e-6  # sine below which a turn about an axis no longer moves a direction
_LIMIT_SPARE = 1e-7  # rounding allowed at a limit [mm] or [deg]
_MANY, _FEW = 1000, 150  # rows from which the branch is chosen on a sample, and rows of the sample
_STEPS = 40  # most damped steps; a handful is usual
_LONGEST_TURN_RAD = 0.4  # of one damped step, so that it cannot jump to another solution


@dataclass(frozen=True, slots=True, eq=False)
class AxisSolution:
    """Axis values for wanted tips and directions, and by how much they miss them."""

    axes: Floats  # (n, k) machine's order, mm and degrees
    residual_mm: Floats  # (n,) distance from the wanted tip
    lean_rad: Floats  # (n,) angle between the wanted and the taken direction
    over_limit: Bools  # (n,) some axis stands outside its limits

    def __post_init__(self) -> None:
        for name in self.__slots__:
            array = np.array(getattr(self, name))
            array.setflags(write=False)
            object.__setattr__(self, name, array)


@dataclass(frozen=True, slots=True, eq=False)
class _Link:
    """One axis as seen from the workpiece: sign -1 where it moves the work."""

    column: int
    sign: float
    rotary: bool
    direction: Floats
    through: Floats
    low: float
    high: float

    @property
    def narrow(self) -> bool:
        """Whether some directions of a whole turn lie outside the limits."""
        return self.high - self.low < 360.0


def from_axes(machine: Machine, axes: Floats) -> tuple[Floats, Floats]:
    """Return where the tip stands and where the cutter's axis points, seen from the workpiece.

    Parameters
    ----------
    machine : Machine
        The axis chain [-].
    axes : ndarray (n, k)
        Axis values in the machine's order [mm] and [deg].

    Returns
    -------
    tuple of ndarray (n, 3)
        Tips in the seat frame [mm], and unit vectors from the tip into the holder [-].
    """
    axes = np.atleast_2d(np.asarray(axes, float))
    tips = np.tile(np.asarray(machine.cutter_tip_at_zero_mm, float), (len(axes), 1))
    directions = np.tile(normalised(np.asarray(machine.cutter_axis, float)), (len(axes), 1))
    for link in reversed(_chain(machine)):
        values = link.sign * axes[:, link.column]
        if link.rotary:
            turns_rad = np.radians(values)
            tips = _rotated(tips - link.through, link.direction, turns_rad) + link.through
            directions = _rotated(directions, link.direction, turns_rad)
        else:
            tips = tips + values[:, None] * link.direction
    return tips - np.asarray(machine.seat_mm, float), directions


def tip_rates(machine: Machine, axes: Floats) -> Floats:
    """Return how far the tip moves in the seat frame for a small move of each axis.

    Parameters
    ----------
    machine : Machine
        The axis chain [-].
    axes : ndarray (n, k)
        Axis values in the machine's order [mm] and [deg].

    Returns
    -------
    ndarray (n, 3, k)
        Millimetres for one unit of each axis [mm/mm] and [mm/deg].
    """
    rates = _tips_and_rates(machine, np.atleast_2d(np.asarray(axes, float)))[1]
    return rates * np.where([axis.kind == "rotary" for axis in machine.axes], np.pi / 180.0, 1.0)


def to_axes(
    machine: Machine,
    tips_seat_mm: Floats,
    directions: Floats,
    start: Floats | None = None,
    may_unwind: Bools | None = None,
) -> AxisSolution:
    """Return the axis values for wanted tips and directions, continuous along the rows.

    The tip has priority; a direction that the rotary axes do not reach is taken as near as they can. Of the
    two ways in which two rotary axes reach a direction one is kept for all rows: the one with the fewest rows
    out of limits, then the least mean lean, then the nearest to `start`. Rotary axes never jump by a turn: an
    axis with limits is shifted by whole turns for all rows together, and rows outside its limits are marked.

    Parameters
    ----------
    machine : Machine
        The axis chain, with two rotary axes at most [-].
    tips_seat_mm : ndarray (n, 3)
        Wanted tips in the seat frame [mm].
    directions : ndarray (n, 3)
        Wanted directions from the tip into the holder, of any length but nought [-].
    start : ndarray (k,), optional
        Where the machine stands before the first row [mm] and [deg].
    may_unwind : ndarray (n,), optional
        True where a wound axis may turn back by whole turns on its way to the row: only where the cutter has
        room for it, such as on the way from home [-].

    Returns
    -------
    AxisSolution
        Values are never clipped: look at `over_limit` and `residual_mm`.
    """
    tips = np.asarray(tips_seat_mm, float).reshape(-1, 3)
    wanted = normalised(np.asarray(directions, float).reshape(-1, 3))
    begin = None if start is None else np.asarray(start, float)
    rotary = [link for link in _chain(machine) if link.rotary]
    _check_rotary(machine, rotary)
    branches: tuple[float, ...] = (1.0, -1.0) if len(rotary) == 2 else (1.0,)
    breaks = np.array([], int) if may_unwind is None else np.flatnonzero(may_unwind)
    runs = np.unique(np.concatenate([[0], breaks, [len(tips)]])).astype(int)
    if len(branches) == 2 and len(tips) > _MANY:
        branches = _able(machine, tips[:: len(tips) // _FEW], wanted[:: len(tips) // _FEW], begin)
    solutions = [
        _continuous(machine, _branch(machine, tips, wanted, begin, branch), begin, runs)
        for branch in branches
    ]
    judged = [_judged(machine, axes, tips, wanted) for axes in solutions]
    return min(judged, key=lambda solution: _merit(solution, begin))


def _able(machine: Machine, tips: Floats, wanted: Floats, begin: Floats | None) -> tuple[float, ...]:
    """Return the branch that alone keeps within limits on a sample of the rows, else both."""
    whole = np.array([0, len(tips)])
    judged = [
        _judged(
            machine,
            _continuous(machine, _branch(machine, tips, wanted, begin, b), begin, whole),
            tips,
            wanted,
        )
        for b in (1.0, -1.0)
    ]
    out = [bool(one.over_limit.any() or (one.residual_mm > TIP_TOLERANCE_MM).any()) for one in judged]
    if out[0] == out[1]:
        return (1.0, -1.0)
    return (-1.0,) if out[0] else (1.0,)


def cutter_directions(machine: Machine, points_seat_mm: Floats, wanted: Floats) -> Floats:
    """Return the directions the cutter takes when its tip stands on points of the skin.

    Parameters
    ----------
    machine : Machine
        The axis chain [-].
    points_seat_mm : ndarray (n, 3)
        Where the cutter's axis crosses the skin, in the seat frame [mm].
    wanted : ndarray (n, 3)
        Wanted directions from the tip into the holder, such as the skin's normals [-].

    Returns
    -------
    ndarray (n, 3)
        Unit vectors from the tip into the holder, as this machine takes them [-].
    """
    return from_axes(machine, to_axes(machine, points_seat_mm, wanted).axes)[1]


# --- the chain -----------------------------------------------------------------------------------------


def _chain(machine: Machine) -> list[_Link]:
    """Return the links from the workpiece to the cutter."""
    links: dict[str, list[_Link]] = {"work": [], "cutter": []}
    for column, axis in enumerate(machine.axes):
        links[axis.moves].append(
            _Link(
                column=column,
                sign=-1.0 if axis.moves == "work" else 1.0,
                rotary=axis.kind == "rotary",
                direction=normalised(np.asarray(axis.direction, float)),
                through=np.asarray(axis.through, float),
                low=-np.inf if axis.minimum is None else axis.minimum,
                high=np.inf if axis.maximum is None else axis.maximum,
            )
        )
    return links["work"][::-1] + links["cutter"]


def _check_rotary(machine: Machine, rotary: Sequence[_Link]) -> None:
    if len(rotary) > 2:
        raise BadInput(f"machine {machine.name}: {len(rotary)} rotary axes, expected two at most")
    if len(rotary) == 2 and np.linalg.norm(np.cross(rotary[0].direction, rotary[1].direction)) < _PARALLEL:
        words = " and ".join(machine.axes[link.column].word for link in rotary)
        raise BadInput(f"machine {machine.name}: rotary axes {words} are parallel, expected them across")


def _rotated(vectors: Floats, axis: Floats, turns_rad: Floats) -> Floats:
    """Rodrigues' rotation of each row about a unit vector."""
    cos, sin = np.cos(turns_rad)[:, None], np.sin(turns_rad)[:, None]
    along = (vectors @ axis)[:, None] * axis
    return along + (vectors - along) * cos + _crossed(axis, vectors) * sin


def _crossed(axis: Floats, vectors: Floats) -> Floats:
    """Return the cross product of one vector with each row; several times faster than the general one."""
    x, y, z = axis
    turn = np.array([[0.0, z, -y], [-z, 0.0, x], [y, -x, 0.0]])
    found: Floats = vectors @ turn
    return found


def _tips_and_rates(machine: Machine, axes: Floats) -> tuple[Floats, Floats]:
    """Return tips (n, 3) [mm] and their rates (n, 3, k) by each axis [mm/mm] and [mm/rad]."""
    tips = np.tile(np.asarray(machine.cutter_tip_at_zero_mm, float), (len(axes), 1))
    rates = np.zeros((len(axes), axes.shape[1], 3))
    done: list[int] = []
    for link in reversed(_chain(machine)):
        values = link.sign * axes[:, link.column]
        if link.rotary:
            turns_rad = np.radians(values)
            tips = _rotated(tips - link.through, link.direction, turns_rad) + link.through
            for column in done:
                rates[:, column] = _rotated(rates[:, column], link.direction, turns_rad)
            rates[:, link.column] = link.sign * _crossed(link.direction, tips - link.through)
        else:
            tips = tips + values[:, None] * link.direction
            rates[:, link.column] = link.sign * link.direction
        done.append(link.column)
    return tips - np.asarray(machine.seat_mm, float), rates.transpose(0, 2, 1)


# --- one branch ----------------------------------------------------------------------------------------


def _branch(machine: Machine, tips: Floats, wanted: Floats, start: Floats | None, branch: float) -> Floats:
    """Return axis values (n, k) of one branch; rotary axes not yet unwrapped."""
    axes = _reached(machine, tips, _rotary_values(machine, wanted, start, branch))
    poor = _missed(machine, axes, tips)
    if poor.any() and _linear_count(machine) < 3:
        # A second try from the side on which the tip lies: the wanted direction may point far off it.
        outward = tips[poor] + np.where(np.linalg.norm(tips[poor], axis=1) > 1e-9, 0.0, 1.0)[:, None]
        again = _reached(machine, tips[poor], _rotary_values(machine, normalised(outward), start, branch))
        better = ~_missed(machine, again, tips[poor])
        rows = np.flatnonzero(poor)[better]
        axes[rows] = again[better]
    return axes


def _linear_count(machine: Machine) -> int:
    return sum(axis.kind == "linear" for axis in machine.axes)


def _missed(machine: Machine, axes: Floats, tips: Floats) -> Bools:
    """Which rows are off the tip or outside limits, whole turns apart."""
    off: Bools = np.linalg.norm(from_axes(machine, axes)[0] - tips, axis=1) > TIP_TOLERANCE_MM
    for link in _chain(machine):
        values = axes[:, link.column]
        if link.rotary:
            values = _into_limits(values, link) if link.narrow else np.zeros_like(values)
        if not link.rotary or link.narrow:
            off |= (values < link.low - _LIMIT_SPARE) | (values > link.high + _LIMIT_SPARE)
    return off


def _rotary_values(machine: Machine, wanted: Floats, start: Floats | None, branch: float) -> Floats:
    """Return axes (n, k) with the rotary ones set for the directions and the linear ones at 0."""
    axes = np.zeros((len(wanted), len(machine.axes)))
    rotary = [link for link in _chain(machine) if link.rotary]
    cutter = np.broadcast_to(normalised(np.asarray(machine.cutter_axis, float)), wanted.shape)
    if len(rotary) == 1:
        axes[:, rotary[0].column] = _turn_deg(rotary[0], cutter, wanted, start)
    if len(rotary) == 2:
        first, second = rotary
        between = _between(first.direction, second.direction, wanted, cutter, branch)
        second_deg = _turn_deg(second, cutter, between, start)
        tilted = _turned(second, cutter, second_deg)
        first_deg = _turn_deg(first, tilted, wanted, start)
        if first.narrow:  # its limits may have held it back: the other takes the nearest
            second_deg = _turn_deg(second, cutter, _turned(first, wanted, -first_deg), start)
        axes[:, first.column], axes[:, second.column] = first_deg, second_deg
    return axes


def _turned(link: _Link, vectors: Floats, values_deg: Floats) -> Floats:
    return _rotated(vectors, link.direction, link.sign * np.radians(values_deg))


def _between(first: Floats, second: Floats, wanted: Floats, cutter: Floats, branch: float) -> Floats:
    """Return the directions v = R2 cutter = R1^-1 wanted: two cones about the two rotary axes cross there.

    With c = first . second, v = p first + q second + r (first x second) has v . first = wanted . first and
    v . second = cutter . second; r follows from |v| = 1 up to its sign, which is the branch (the second of
    the canonical rotation subproblems; Kahan 1983, Paden 1986, from memory). Where the cones do not meet, v
    is the direction on the second cone nearest to the first one: in the plane of both axes.
    """
    c = float(first @ second)
    across = np.cross(first, second)
    on_first, on_second = wanted @ first, cutter @ second
    p = (on_first - c * on_second) / (1 - c * c)
    q = (on_second - c * on_first) / (1 - c * c)
    rest = 1 - p * p - q * q - 2 * p * q * c
    r = branch * np.sqrt(np.maximum(rest, 0.0) / (1 - c * c))
    meeting = p[:, None] * first + q[:, None] * second + r[:, None] * across
    side = np.where(on_first >= on_second * c, 1.0, -1.0) * np.sqrt(np.maximum(1 - on_second**2, 0.0))
    in_plane = on_second[:, None] * second + side[:, None] * normalised(first - c * second)
    return np.where((rest >= 0)[:, None], meeting, in_plane)


def _turn_deg(link: _Link, before: Floats, after: Floats, start: Floats | None) -> Floats:
    """Return the axis values that turn `before` nearest to `after` (the first canonical subproblem).

    Where no turn about the axis matters, the value of the row before is kept.
    """
    axis = link.direction
    sines = np.einsum("ij,ij->i", np.cross(axis, before), after)
    cosines = np.einsum("ij,ij->i", before, after) - (before @ axis) * (after @ axis)
    values = link.sign * np.degrees(np.arctan2(sines, cosines))
    matters = np.minimum(
        np.linalg.norm(np.cross(axis, before), axis=1), np.linalg.norm(np.cross(axis, after), axis=1)
    )
    held = _kept(values, matters > _PARALLEL, None if start is None else float(start[link.column]))
    return np.clip(_into_limits(held, link), link.low, link.high) if link.narrow else held


def _kept(values: Floats, known: Bools, start: float | None) -> Floats:
    """Fill unknown values from the row before; the first ones from the start, else the first known one."""
    if known.all():
        return values
    last = np.maximum.accumulate(np.where(known, np.arange(len(values)), -1))
    first = float(values[np.argmax(known)]) if known.any() else 0.0
    return np.where(last >= 0, values[last], first if start is None else start)


def _into_limits(values_deg: Floats, link: _Link) -> Floats:
    """Shift each value by whole turns to within half a turn of the middle of the limits."""
    middle = (link.low + link.high) / 2.0
    return middle + np.remainder(values_deg - middle + 180.0, 360.0) - 180.0


# --- bringing the tip to its place ---------------------------------------------------------------------


def _reached(machine: Machine, tips: Floats, axes: Floats) -> Floats:
    """Bring the tips to their place: linear axes first, then all axes where that is not enough."""
    linear = [column for column, axis in enumerate(machine.axes) if axis.kind == "linear"]
    axes = axes.copy()
    now, rates = _tips_and_rates(machine, axes)
    if linear and len(axes):
        axes[:, linear] += np.einsum("nij,nj->ni", _inverse(rates[:, :, linear]), tips - now)
    missed = np.linalg.norm(from_axes(machine, axes)[0] - tips, axis=1) > TIP_TOLERANCE_MM
    if missed.any():
        axes[missed] = _damped_steps(machine, tips[missed], axes[missed])
    return axes


def _inverse(rates: Floats) -> Floats:
    """Return the inverse, or the pseudo-inverse where the axes are not three independent ones."""
    if rates.shape[2] == 3 and np.abs(np.linalg.det(rates)).min() > _PARALLEL:
        return np.asarray(np.linalg.inv(rates), np.float64)
    square = rates.transpose(0, 2, 1) @ rates
    if rates.shape[2] < 3 and np.abs(np.linalg.det(square)).min() > _PARALLEL:
        return np.asarray(np.linalg.solve(square, rates.transpose(0, 2, 1)), np.float64)
    return np.asarray(np.linalg.pinv(rates, rcond=1e-9), np.float64)


def _damped_steps(machine: Machine, tips: Floats, axes: Floats) -> Floats:
    """Move all axes until the tips are at their place (Gauss-Newton, damped by the row's own distance)."""
    axes = axes.copy()
    rotary = np.array([axis.kind == "rotary" for axis in machine.axes])
    reach_mm = max(1.0, float(np.median(np.linalg.norm(tips, axis=1))))
    unit = np.where(rotary, 1.0 / reach_mm, 1.0)  # a turn counts as the arc it makes at the skin
    damping = np.full(len(tips), 1e-3)
    now, rates = _tips_and_rates(machine, axes)
    active = np.arange(len(tips))
    for _ in range(_STEPS):
        miss = tips[active] - now
        distance = np.linalg.norm(miss, axis=1)
        busy = distance > TIP_TOLERANCE_MM * 1e-3
        active, now, rates, miss, distance = active[busy], now[busy], rates[busy], miss[busy], distance[busy]
        if not len(active):
            break
        step = _step(rates * unit, miss, damping[active] * np.minimum(distance, 1.0)) * unit
        turn = np.abs(step[:, rotary]).max(axis=1, initial=0.0)
        step *= np.minimum(1.0, _LONGEST_TURN_RAD / np.maximum(turn, 1e-300))[:, None]
        tried = axes[active] + np.where(rotary, np.degrees(step), step)
        tried_now, tried_rates = _tips_and_rates(machine, tried)
        nearer = np.linalg.norm(tips[active] - tried_now, axis=1) < distance
        damping[active] = np.where(nearer, damping[active] * 0.1, np.maximum(damping[active] * 10.0, 1e-3))
        axes[active] = np.where(nearer[:, None], tried, axes[active])
        now = np.where(nearer[:, None], tried_now, now)
        rates = np.where(nearer[:, None, None], tried_rates, rates)
    return axes


def _step(rates: Floats, miss: Floats, damping: Floats) -> Floats:
    """Return the shortest step of all axes (n, k) that closes the miss, damped so that it stays bounded."""
    square = rates @ rates.transpose(0, 2, 1) + (damping + 1e-12)[:, None, None] * np.eye(3)
    pulled = np.linalg.solve(square, miss[:, :, None])
    return (rates.transpose(0, 2, 1) @ pulled)[:, :, 0]


# --- along the rows ------------------------------------------------------------------------------------


def _continuous(machine: Machine, axes: Floats, start: Floats | None, runs: Ints) -> Floats:
    """Unwrap rotary axes along the rows; shift those with limits by whole turns, each run of rows as one."""
    axes = axes.copy()
    for link in _chain(machine):
        if link.rotary and len(axes):
            values = np.unwrap(axes[:, link.column], period=360.0)
            aim = None if start is None else float(start[link.column])
            for low, high in pairwise(runs if np.isfinite([link.low, link.high]).any() else runs[[0, -1]]):
                values[low:high] += _shift_deg(values[low:high], link, aim)
                aim = float(values[high - 1])
            axes[:, link.column] = values
    return axes


def _shift_deg(values: Floats, link: _Link, near: float | None) -> float:
    """Return the whole turns [deg] with the fewest rows outside the limits, then the least way to go."""
    aim = float(values[0]) if near is None else near
    if near is None and np.isfinite(link.low + link.high):
        aim = (link.low + link.high) / 2.0
    turns = [round((aim - values[0]) / 360.0)]
    for limit in (link.low, link.high):
        if np.isfinite(limit):
            for edge in (values.min(), values.max()):
                turns += [np.floor((limit - edge) / 360.0), np.ceil((limit - edge) / 360.0)]

    def cost(turn: float) -> tuple[int, float]:
        moved = values + 360.0 * turn
        over = (moved < link.low - _LIMIT_SPARE) | (moved > link.high + _LIMIT_SPARE)
        return int(over.sum()), abs(moved[0] - aim)

    return 360.0 * float(min(turns, key=cost))


def _judged(machine: Machine, axes: Floats, tips: Floats, wanted: Floats) -> AxisSolution:
    taken_tips, taken = from_axes(machine, axes)
    over = np.zeros(len(axes), bool)
    for link in _chain(machine):
        values = axes[:, link.column]
        over |= (values < link.low - _LIMIT_SPARE) | (values > link.high + _LIMIT_SPARE)
    # atan2 keeps its digits at small angles, where arccos has none left
    lean = np.arctan2(np.linalg.norm(np.cross(wanted, taken), axis=1), np.einsum("ij,ij->i", wanted, taken))
    return AxisSolution(axes, np.linalg.norm(taken_tips - tips, axis=1), lean, over)


def _merit(solution: AxisSolution, start: Floats | None) -> tuple[int, float, float]:
    """Return what makes one branch better than the other, the smaller the better."""
    bad = solution.over_limit | (solution.residual_mm > TIP_TOLERANCE_MM)
    if not len(bad):
        return 0, 0.0, 0.0
    away = np.abs(solution.axes[0] - (np.zeros(solution.axes.shape[1]) if start is None else start)).max()
    return int(bad.sum()), round(float(solution.lean_rad.mean()), 9), float(away)
