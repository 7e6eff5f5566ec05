"""Between which poses does the cutter travel, and how long does each move take on a machine's axes?"""

from __future__ import annotations

from dataclasses import dataclass, field
from math import inf, isfinite

import numpy as np

from engine.errors import BadInput
from engine.records import Floats, Machine, _freeze

_HALF_TURN_DEG = 180.0  # a rotary axis with limits wider apart may stand at a place in more than one turn


def _none() -> Floats:
    return np.zeros(0)


@dataclass(frozen=True, slots=True, eq=False)
class TravelMetric:
    """How long the axes take from pose to pose; all start and stop together, the slowest decides."""

    max_speed: Floats  # (k,) [mm/s] or [deg/s]
    max_acceleration: Floats  # (k,) [mm/s2] or [deg/s2]
    period: Floats  # (k,) 360 for an endless rotary axis, inf where there is no wrap
    home: Floats  # (k,) the pose at the start and at the end
    lift_s: float = 0.0  # retract and plunge of one pass, wherever it is entered [s]
    lowest: Floats = field(default_factory=_none)  # (k,) limits of axes with a cable that winds up;
    highest: Floats = field(default_factory=_none)  # -inf and inf for the others; none: no axis winds

    def __post_init__(self) -> None:
        _freeze(
            self,
            max_speed=(self.max_speed, np.float64, (None,)),
            max_acceleration=(self.max_acceleration, np.float64, (None,)),
            period=(self.period, np.float64, (None,)),
            home=(self.home, np.float64, (None,)),
            lowest=(self.lowest if len(self.lowest) else [-inf] * len(self.home), np.float64, (None,)),
            highest=(self.highest if len(self.highest) else [inf] * len(self.home), np.float64, (None,)),
        )

    @property
    def winding(self) -> tuple[int, ...]:
        """The axes that wind, by number."""
        return tuple(np.flatnonzero(np.isfinite(self.lowest) | np.isfinite(self.highest)).tolist())


@dataclass(frozen=True, slots=True, eq=False)
class PassPoses:
    """Where a pass may be entered: the machine's axes at its vertices, in the order of the vertices.

    A closed pass is left where it was entered, an open one at its other end; if it `returns`, as one with an
    even number of levels run to and fro does, at the same end. A closed pass round a winding axis leaves
    that axis `round_deg` x `rounds` farther on. An axis that winds must not jump by a turn between vertices.
    """

    name: str
    axes: Floats  # (v, k)
    closed: bool
    returns: bool = False
    plunge_s: Floats = field(default_factory=_none)  # (v,) from the shell down, at each vertex; none: no time
    retract_s: Floats = field(default_factory=_none)  # (v,) back up
    round_deg: Floats = field(default_factory=_none)  # (k,) advance of the axes in one round forwards
    rounds: int = 1

    def __post_init__(self) -> None:
        rows, width = np.shape(self.axes)
        _freeze(
            self,
            axes=(self.axes, np.float64, (None, None)),
            plunge_s=(self.plunge_s if len(self.plunge_s) else np.zeros(rows), np.float64, (rows,)),
            retract_s=(self.retract_s if len(self.retract_s) else np.zeros(rows), np.float64, (rows,)),
            round_deg=(self.round_deg if len(self.round_deg) else np.zeros(width), np.float64, (width,)),
        )
        if rows == 0:
            raise BadInput(f"pass {self.name} has no vertices, at least 1 expected")


def metric_of(machine: Machine, lift_s: float = 0.0) -> TravelMetric:
    """Return the travel metric of a machine; its speeds are per minute, an axis without range is endless.

    Parameters
    ----------
    machine : Machine
        The machine.
    lift_s : float
        Retract and plunge of one pass [s].
    """
    low = np.array([-inf if a.minimum is None else a.minimum for a in machine.axes])
    high = np.array([inf if a.maximum is None else a.maximum for a in machine.axes])
    rotary = np.array([a.kind == "rotary" for a in machine.axes])
    endless = rotary & np.isinf(low) & np.isinf(high)
    winds = rotary & ~endless & (high - low > _HALF_TURN_DEG)
    return TravelMetric(
        max_speed=np.array([a.max_speed / 60.0 for a in machine.axes]),
        max_acceleration=np.array([a.max_acceleration for a in machine.axes]),
        period=np.where(endless, 360.0, inf),
        home=np.array(machine.home, float),
        lift_s=lift_s,
        lowest=np.where(winds, low, -inf),
        highest=np.where(winds, high, inf),
    )


def travel_times(metric: TravelMetric, start: Floats, end: Floats) -> Floats:
    """Return the time of travel between poses.

    Speed rises and falls at the greatest acceleration a, up to v: T = d / v + v / a, or 2 sqrt(d / a) where
    d < v^2 / a (Biagiotti and Melchiorri, *Trajectory Planning for Automatic Machines and Robots*, 2008,
    section 3.2, from memory).

    Parameters
    ----------
    metric : TravelMetric
        The machine's axes.
    start, end : ndarray (n, k), (m, k)
        Poses [mm and deg].

    Returns
    -------
    ndarray (n, m)
        Times [s].
    """
    return _times(metric, np.asarray(start)[:, None, :], np.asarray(end)[None, :, :])


def move_times(metric: TravelMetric, start: Floats, end: Floats) -> Floats:
    """Return the time of each move of a row of moves.

    Parameters
    ----------
    metric : TravelMetric
        The machine's axes.
    start, end : ndarray (n, k)
        Poses [mm and deg].

    Returns
    -------
    ndarray (n,)
        Times [s].
    """
    return _times(metric, np.asarray(start), np.asarray(end))


def _times(metric: TravelMetric, start: Floats, end: Floats) -> Floats:
    slowest = np.zeros(np.broadcast_shapes(start.shape, end.shape)[:-1])
    for axis in range(len(metric.max_speed)):
        v, a, period = metric.max_speed[axis], metric.max_acceleration[axis], metric.period[axis]
        way = np.abs(start[..., axis] - end[..., axis])
        if isfinite(period):
            way = np.remainder(way, period)
            way = np.minimum(way, period - way)
        time = np.sqrt(way * (4.0 / a))
        np.copyto(time, way / v + v / a, where=way > v * v / a)
        np.maximum(slowest, time, out=slowest)
    return slowest
