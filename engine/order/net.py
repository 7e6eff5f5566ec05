"""Which options does each pass have, as the tables that the compiled search reads?"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import product
from math import isfinite

import numpy as np

from engine.order.poses import PassPoses, TravelMetric
from engine.records import Floats, Ints

_LEAF = 4  # clusters at least in a leaf of the tree of boxes
_MOST_TURNS = 2  # either way, of an axis with one limit only


@dataclass(frozen=True, slots=True, eq=False)
class Net:
    """Clusters of options; see `engine.order.ways` for the rows of the tables."""

    table: Floats  # (m, m) distances between ends, or (m, k + 1) poses and half the lift
    axes: Floats  # (k, 5) limits of the axes; none where the table holds distances
    options: Ints  # (3, o)
    starts: Ints  # (5, n + 1)
    boxes: Floats  # (2, n, k)
    tree: tuple[Ints, Ints, Floats]  # the boxes as a tree, see `_tree`
    late: Ints
    early: Ints
    apart: Ints
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
    starts, late, early, apart = _rules(counts, counts, waits, [[] for _ in waits])
    boxes = np.zeros((2, len(clusters), 0))
    return Net(
        table=table,
        axes=np.zeros((0, 5)),
        options=np.stack([numbers] * 3),
        starts=starts,
        boxes=boxes,
        tree=_tree(boxes, np.zeros(0)),
        late=late,
        early=early,
        apart=apart,
        vertex=nodes,
        backwards=np.zeros_like(nodes),
    )


def pass_net(
    passes: Sequence[PassPoses],
    metric: TravelMetric,
    waits: Sequence[Sequence[int]],
    most: int | None,
    *,
    beside: Sequence[Sequence[int]] | None = None,
    not_first: Sequence[int] = (),
    not_last: Sequence[int] = (),
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
    beside : sequence of sequences of int, optional
        The passes that must not be next to each [-].
    not_first : sequence of int
        The passes that must not be the first after a start from a pose [-].
    not_last : sequence of int
        The passes that must not be the last then [-].
    start : ndarray (k,), optional
        None: home is the last cluster. A pose: cluster 0 is left there, and entered at home [mm and deg].
    to_home : bool
        False: cluster 0 is entered anywhere, at no cost [-].
    """
    winding = metric.winding
    found = [_options_of(one, metric, winding, most) for one in passes]
    rules = [[list(map(int, some)) for some in rule] for rule in (waits, beside or [()] * len(passes))]
    if start is None:
        found.append(_station(metric.home, metric.home))
        rules = [[*rule, []] for rule in rules]
    else:
        found.insert(0, _station(start, metric.home if to_home else np.full_like(metric.home, np.nan)))
        rules = [[[], *([j + 1 for j in some] for some in rule)] for rule in rules]
        rules[1][0] = [j + 1 for j in not_first]
        for c in rules[1][0]:
            rules[1][c].append(0)
        for j in not_last:
            rules[1][j + 1].append(len(found))
    ends, first = _starts([len(o.half_s) for o in found]), _starts([len(o.entry) for o in found])
    poses = np.concatenate([o.poses for o in found])
    poses = np.where(np.isfinite(metric.period), np.remainder(poses, metric.period), poses)
    table = np.concatenate([poses, np.concatenate([o.half_s for o in found])[:, None]], axis=1)
    v, a = metric.max_speed, metric.max_acceleration
    starts, late, early, apart = _rules(first, ends, *rules)
    options = [
        np.concatenate([o.entry + end for o, end in zip(found, ends, strict=False)]),
        np.concatenate([o.leave + end for o, end in zip(found, ends, strict=False)]),
        np.concatenate([o.back + option for o, option in zip(found, first, strict=False)]),
    ]
    boxes = np.stack([op.reduceat(poses, ends[:-1], axis=0) for op in (np.minimum, np.maximum)])
    return Net(
        table=table,
        axes=np.stack([1.0 / v, v / a, v * v / a, 4.0 / a, metric.period], axis=1),
        options=np.array(options, np.int64),
        starts=starts,
        boxes=boxes,
        tree=_tree(boxes, 1.0 / v),
        late=late,
        early=early,
        apart=apart,
        vertex=np.concatenate([o.vertex for o in found]),
        backwards=np.concatenate([o.backwards for o in found]),
    )


def _tree(boxes: Floats, slow: Floats) -> tuple[Ints, Ints, Floats]:
    """Return clusters leaf by leaf, where those of each node start and end, and its box (2, nodes, k).

    Each level cuts the clusters of a node into two halves, across the axis that takes longest from end to
    end; node i has the children 2 i + 1 and 2 i + 2.
    """
    count, width = boxes.shape[1:]
    levels = max(0, (count // _LEAF).bit_length() - 1) if width else 0
    middles = np.nan_to_num(boxes.sum(axis=0) / 2.0) * slow
    leaves, spans, nodes = np.arange(count), [], []
    for level in range(levels + 1):
        cuts = (np.arange(2**level + 1) * count) >> level
        spans.append(np.stack([cuts[:-1], cuts[1:]]))
        if width:
            sides = zip((np.minimum, np.maximum), boxes[:, leaves], strict=True)
            nodes.append(np.stack([op.reduceat(side, cuts[:-1], axis=0) for op, side in sides]))
        if level < levels:
            mine = middles[leaves]
            size = np.maximum.reduceat(mine, cuts[:-1]) - np.minimum.reduceat(mine, cuts[:-1])
            node = np.repeat(np.arange(2**level), np.diff(cuts))
            across = mine[np.arange(count), size.argmax(axis=1)[node]]
            leaves = leaves[np.lexsort((across, node))]
    return (
        np.ascontiguousarray(leaves, np.int64),
        np.ascontiguousarray(np.concatenate(spans, axis=1), np.int64),
        np.concatenate(nodes, axis=1) if nodes else np.zeros((2, 1, 0)),
    )


def _starts(sizes: Sequence[int]) -> Ints:
    return np.concatenate([[0], np.cumsum(np.asarray(sizes, np.int64))]).astype(np.int64)


def _rules(
    first: Ints, ends: Ints, waits: Sequence[Sequence[int]], beside: Sequence[Sequence[int]]
) -> tuple[Ints, Ints, Ints, Ints]:
    """Return the starts of clusters' options, ends and lists, and the lists: later, earlier, not beside."""
    follow: list[list[int]] = [[] for _ in waits]
    for later, befores in enumerate(waits):
        for earlier in befores:
            follow[earlier].append(later)
    lists = follow, waits, beside
    starts = [first, ends, *(_starts([len(some) for some in rule]) for rule in lists)]
    late, early, apart = (np.array([c for some in rule for c in some], np.int64) for rule in lists)
    return np.array(starts, np.int64), late, early, apart


def _station(leave: Floats, enter: Floats) -> _Options:
    """Return the cluster that a tour starts from and comes back to."""
    zero = np.zeros(1, np.int64)
    return _Options(np.stack([leave, enter]), np.zeros(2), zero + 1, zero, zero, zero, zero)


def _options_of(one: PassPoses, metric: TravelMetric, winding: tuple[int, ...], most: int | None) -> _Options:
    count = len(one.axes)
    half_s = (one.plunge_s + one.retract_s + metric.lift_s) / 2.0
    if not one.closed:
        vertices = np.array([0, count - 1])
    elif most is None or count <= most:
        vertices = np.arange(count)
    else:
        vertices = (np.arange(most) * count) // most
    if winding and one.closed and one.round_deg[list(winding)].any():
        return _round_options(one, metric, winding, vertices, half_s)
    poses, where = one.axes[vertices], vertices
    if winding:
        turns = _turns(metric, winding, one.axes.min(axis=0), one.axes.max(axis=0))
        poses = (poses + turns[:, None, :]).reshape(-1, one.axes.shape[1])
        where = np.tile(vertices, len(turns))
    numbers = np.arange(len(poses))
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


def _turns(metric: TravelMetric, winding: tuple[int, ...], low: Floats, high: Floats) -> Floats:
    """Return by what (t, k) the winding axes may be shifted so that a stretch keeps inside its limits."""
    choices = []
    for axis in winding:
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
        shift[list(winding)] = 360.0 * np.array(picked)
        shifts.append(shift)
    return np.array(shifts)


def _round_options(
    one: PassPoses, metric: TravelMetric, winding: tuple[int, ...], vertices: Ints, half_s: Floats
) -> _Options:
    """Return the options of a pass round a winding axis: both ways, every vertex, in turns that have room."""
    poses, halves, where = [], [], []
    on = one.round_deg * (one.rounds - 1)
    for v in vertices:
        run = np.concatenate([one.axes[v:], one.axes[: v + 1] + one.round_deg])
        low = np.minimum(run.min(axis=0), run.min(axis=0) + on)
        high = np.maximum(run.max(axis=0), run.max(axis=0) + on)
        for shift in _turns(metric, winding, low, high):
            start = one.axes[v] + shift
            poses += [start, start + one.round_deg * one.rounds]
            halves += [half_s[v]] * 2
            where += [v] * 2
    numbers = np.arange(len(poses))
    return _Options(
        np.array(poses), np.array(halves), numbers, numbers ^ 1, numbers ^ 1, np.array(where), numbers % 2
    )
