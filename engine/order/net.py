"""Which options does each pass have, as the tables that the compiled search reads?"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import product
from math import isfinite

import numpy as np

from engine.order.poses import PassPoses, TravelMetric
from engine.records import Floats, Ints

_MOST_TURNS = 2  # either way, of an axis with one limit only


@dataclass(frozen=True, slots=True, eq=False)
class Net:
    """Clusters of options; see `engine.order.kernel` for the rows of the tables."""

    table: Floats  # (m, m) distances between ends, or (m, k + 1) poses and half the lift
    axes: Floats  # (k, 5) limits of the axes; none where the table holds distances
    options: Ints  # (3, o)
    starts: Ints  # (4, n + 1)
    boxes: Floats  # (2, n, k)
    late: Ints
    early: Ints
    vertex: Ints  # (o,) where an option enters its pass
    backwards: Ints  # (o,) 1 = the pass is run backwards


@dataclass(frozen=True, slots=True, eq=False)
class _Options:
    """The ends and options of one cluster; ends and options count from 0."""

    poses: Floats  # (e, k)
    half_s: Floats  # (e,) half of plunge and retract
    entry: Ints  # (o,)
    leave: Ints
    back: Ints
    vertex: Ints
    backwards: Ints


def distance_net(distances: Floats, clusters: Sequence[Ints], waits: Sequence[Sequence[int]]) -> Net:
    """Return the net of nodes in clusters, renumbered cluster by cluster.

    Parameters
    ----------
    distances : ndarray (m, m)
        Between the nodes [any unit].
    clusters : sequence of int arrays
        The nodes of each [-].
    waits : sequence of sequences of int
        The clusters that come before each [-].
    """
    nodes = np.concatenate(clusters)
    whole = np.array_equal(nodes, np.arange(len(distances)))
    table = np.ascontiguousarray(distances if whole else distances[np.ix_(nodes, nodes)], np.float64)
    numbers, counts = np.arange(len(nodes)), _starts([len(c) for c in clusters])
    starts, late, early = _precedence(counts, counts, waits)
    return Net(
        table,
        np.zeros((0, 5)),
        np.stack([numbers] * 3),
        starts,
        np.zeros((2, len(clusters), 0)),
        late,
        early,
        nodes,
        np.zeros_like(nodes),
    )


def pass_net(
    passes: Sequence[PassPoses],
    metric: TravelMetric,
    waits: Sequence[Sequence[int]],
    most: int | None,
    *,
    start: Floats | None = None,
    to_home: bool = True,
) -> Net:
    """Return the net of passes, and one cluster more for where they start and end.

    Parameters
    ----------
    passes : sequence of PassPoses
        The passes.
    metric : TravelMetric
        The axes, and home.
    waits : sequence of sequences of int
        The passes that come before each [-].
    most : int or None
        Spread entries of a closed pass that are options; None: every vertex is [-].
    start : ndarray (k,), optional
        None: home is the last cluster. A pose: cluster 0 is left there, and entered at home [mm and deg].
    to_home : bool
        False: cluster 0 is entered anywhere, at no cost [-].
    """
    found = [_options_of(one, metric, most) for one in passes]
    waits = [[int(j) for j in w] for w in waits]
    if start is None:
        found.append(_station(metric.home, metric.home))
        waits.append([])
    else:
        found.insert(0, _station(start, metric.home if to_home else np.full_like(metric.home, np.nan)))
        waits = [[], *([j + 1 for j in w] for w in waits)]
    ends, first = _starts([len(o.half_s) for o in found]), _starts([len(o.entry) for o in found])
    poses = np.concatenate([o.poses for o in found])
    poses = np.where(np.isfinite(metric.period), np.remainder(poses, metric.period), poses)
    table = np.concatenate([poses, np.concatenate([o.half_s for o in found])[:, None]], axis=1)
    v, a = metric.max_speed, metric.max_acceleration
    starts, late, early = _precedence(first, ends, waits)
    options = [
        np.concatenate([o.entry + end for o, end in zip(found, ends, strict=False)]),
        np.concatenate([o.leave + end for o, end in zip(found, ends, strict=False)]),
        np.concatenate([o.back + option for o, option in zip(found, first, strict=False)]),
    ]
    return Net(
        table,
        np.stack([1.0 / v, v / a, v * v / a, 4.0 / a, metric.period], axis=1),
        np.array(options, np.int64),
        starts,
        np.stack([op.reduceat(poses, ends[:-1], axis=0) for op in (np.minimum, np.maximum)]),
        late,
        early,
        np.concatenate([o.vertex for o in found]),
        np.concatenate([o.backwards for o in found]),
    )


def _starts(sizes: Sequence[int]) -> Ints:
    return np.concatenate([[0], np.cumsum(np.asarray(sizes, np.int64))]).astype(np.int64)


def _precedence(first: Ints, ends: Ints, waits: Sequence[Sequence[int]]) -> tuple[Ints, Ints, Ints]:
    """Return the starts of clusters' options, ends, later and earlier ones, and the last two lists."""
    follow: list[list[int]] = [[] for _ in waits]
    for later, befores in enumerate(waits):
        for earlier in befores:
            follow[earlier].append(later)
    starts = [first, ends, _starts([len(f) for f in follow]), _starts([len(w) for w in waits])]
    late, early = (np.array([c for some in lists for c in some], np.int64) for lists in (follow, waits))
    return np.array(starts, np.int64), late, early


def _station(leave: Floats, enter: Floats) -> _Options:
    """Return the cluster that a tour starts from and comes back to."""
    zero = np.zeros(1, np.int64)
    return _Options(np.stack([leave, enter]), np.zeros(2), zero + 1, zero, zero, zero, zero)


def _options_of(one: PassPoses, metric: TravelMetric, most: int | None) -> _Options:
    count = len(one.axes)
    half_s = (one.plunge_s + one.retract_s + metric.lift_s) / 2.0
    if not one.closed:
        vertices = np.array([0, count - 1])
    elif most is None or count <= most:
        vertices = np.arange(count)
    else:
        vertices = (np.arange(most) * count) // most
    if one.closed and one.round_deg[list(metric.winding)].any():
        return _round_options(one, metric, vertices, half_s)
    turns = _turns(metric, one.axes.min(axis=0), one.axes.max(axis=0))
    poses = (one.axes[vertices] + turns[:, None, :]).reshape(-1, one.axes.shape[1])
    numbers, where = np.arange(len(poses)), np.tile(vertices, len(turns))
    other, backwards = numbers, np.zeros_like(numbers)
    if not one.closed:
        other, backwards = numbers ^ 1, numbers % 2
    stays = one.closed or one.returns
    return _Options(
        poses,
        half_s[where],
        numbers,
        numbers if stays else other,
        numbers if stays else other,
        where,
        backwards,
    )


def _turns(metric: TravelMetric, low: Floats, high: Floats) -> Floats:
    """Return by what (t, k) the winding axes may be shifted so that a stretch keeps inside its limits."""
    if not metric.winding:
        return np.zeros((1, len(low)))
    choices = []
    for axis in metric.winding:
        down = np.ceil((metric.lowest[axis] - low[axis]) / 360.0 - 1e-9)
        up = np.floor((metric.highest[axis] - high[axis]) / 360.0 + 1e-9)
        down = down if isfinite(down) else up - 2 * _MOST_TURNS
        up = up if isfinite(up) else down + 2 * _MOST_TURNS
        choices.append(
            np.arange(down, up + 1) if down <= up else np.zeros(1)
        )  # none fits: judged later, by name
    shifts = []
    for picked in product(*choices):
        shift = np.zeros(len(low))
        shift[list(metric.winding)] = 360.0 * np.array(picked)
        shifts.append(shift)
    return np.array(shifts)


def _round_options(one: PassPoses, metric: TravelMetric, vertices: Ints, half_s: Floats) -> _Options:
    """Return the options of a pass round a winding axis: both ways, every vertex, in turns that have room."""
    poses, halves, where = [], [], []
    on = one.round_deg * (one.rounds - 1)
    for v in vertices:
        run = np.concatenate([one.axes[v:], one.axes[: v + 1] + one.round_deg])
        low = np.minimum(run.min(axis=0), run.min(axis=0) + on)
        high = np.maximum(run.max(axis=0), run.max(axis=0) + on)
        for shift in _turns(metric, low, high):
            start = one.axes[v] + shift
            poses += [start, start + one.round_deg * one.rounds]
            halves += [half_s[v]] * 2
            where += [v] * 2
    numbers = np.arange(len(poses))
    return _Options(
        np.array(poses), np.array(halves), numbers, numbers ^ 1, numbers ^ 1, np.array(where), numbers % 2
    )
