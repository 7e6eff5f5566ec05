"""Which clusters are near? Compiled: lists of neighbours, the order of nearest neighbour, the best entries.

The boxes of the clusters stand in a k-d tree (Bentley, Communications of the ACM 18, 1975): node i has the
children 2 i + 1 and 2 i + 2 and a box round theirs. What is nearest is found by going into the nearer child
first and leaving out each node whose box is too far; so the answers are those of looking at all.
"""

from __future__ import annotations

import numpy as np
from numba import types

from engine.order.ways import (
    ENDS,
    ENTRY,
    FIRST,
    HIGH,
    LATE,
    LEAVE,
    LOW,
    boxes_,
    called_way,
    entry,
    f_,
    floats_,
    i_,
    inner,
    ints_,
    least_way,
    line_,
    pair_,
    put,
    rows_,
)
from engine.records import Floats, Ints

_DEEP = 64  # nodes that wait to be looked at: more than two for each level of any tree


@inner(pair_, floats_, floats_, rows_, boxes_, i_, i_)
def _closest(table: Floats, axes: Floats, starts: Ints, boxes: Floats, c: int, q: int) -> tuple[float, int]:
    """Return the shortest way between two clusters, with boxes very nearly, and the end of c it has."""
    best, end, other = np.inf, starts[ENDS, c], starts[ENDS, q]
    if axes.shape[0] == 0:
        for p in range(starts[ENDS, c], starts[ENDS, c + 1]):
            for e in range(starts[ENDS, q], starts[ENDS, q + 1]):
                found = called_way(table, axes, p, e)
                if found < best:
                    best, end = found, p
        return best, end
    for p in range(starts[ENDS, c], starts[ENDS, c + 1]):
        bound = least_way(table, table, p, boxes[LOW], q, boxes[HIGH], axes)
        if bound < best:
            best, end = bound, p
    best = np.inf
    for e in range(starts[ENDS, q], starts[ENDS, q + 1]):
        found = called_way(table, axes, end, e)
        if found < best:
            best, other = found, e
    for p in range(starts[ENDS, c], starts[ENDS, c + 1]):
        found = called_way(table, axes, p, other)
        if found < best:
            best, end = found, p
    return best, end


@inner(i_, floats_, floats_, i_, i_, boxes_, ints_, floats_, f_, ints_, line_, i_)
def _children(
    low: Floats,
    high: Floats,
    p: int,
    node: int,
    nodes: Floats,
    alive: Ints,
    axes: Floats,
    limit: float,
    todo: Ints,
    at_least: Floats,
    top: int,
) -> int:
    """Put the children of a node whose boxes lie nearer than a limit on the pile, the nearer one on top."""
    first = 2 * node + 1
    one = least_way(low, high, p, nodes[LOW], first, nodes[HIGH], axes)
    two = least_way(low, high, p, nodes[LOW], first + 1, nodes[HIGH], axes)
    near, far = (first, first + 1) if one <= two else (first + 1, first)
    if alive[far] and max(one, two) < limit:
        todo[top], at_least[top] = far, max(one, two)
        top += 1
    if alive[near] and min(one, two) < limit:
        todo[top], at_least[top] = near, min(one, two)
        top += 1
    return top


@entry(types.void, floats_, floats_, rows_, boxes_, ints_, rows_, boxes_, rows_, rows_, floats_)
def find_near(
    table: Floats,
    axes: Floats,
    starts: Ints,
    boxes: Floats,
    leaves: Ints,
    spans: Ints,
    nodes: Floats,
    near: Ints,
    facing: Ints,
    near_way: Floats,
) -> None:
    """Fill the lists of neighbours: all of them measured, or the few whose boxes are nearest.

    Indices [-], times [s].
    """
    n, few = near.shape
    some = min(2 * few, n - 1) if axes.shape[0] else n - 1
    rough, bounds, end_to = np.empty(n, np.int64), np.empty(n), np.empty(n, np.int64)
    todo, at_least = np.empty(_DEEP, np.int64), np.empty(_DEEP)
    alive = np.ones(spans.shape[1], np.int64)
    for c in range(n):
        size, top, at_least[0] = 0, 1, 0.0
        todo[0] = 0
        while top:
            top -= 1
            node = todo[top]
            limit = bounds[size - 1] if size == some else np.inf
            if at_least[top] >= limit:
                continue
            if 2 * node + 1 < alive.size:
                top = _children(
                    boxes[LOW], boxes[HIGH], c, node, nodes, alive, axes, limit, todo, at_least, top
                )
                continue
            for at in range(spans[0, node], spans[1, node]):
                if leaves[at] != c:
                    bound = least_way(boxes[LOW], boxes[HIGH], c, boxes[LOW], leaves[at], boxes[HIGH], axes)
                    if size < some or bound < bounds[size - 1]:
                        size = put(rough, bounds, size, some, leaves[at], bound)
        taken = 0
        for x in range(size):
            found, end_to[rough[x]] = _closest(table, axes, starts, boxes, c, rough[x])
            taken = put(near[c], near_way[c], taken, few, rough[x], found)
        for rank in range(few):  # ends and options of a cluster are numbered alike
            facing[c, rank] = starts[FIRST, c] + end_to[near[c, rank]] - starts[ENDS, c]


@inner(types.void, ints_, i_, i_)
def _count(alive: Ints, node: int, more: int) -> None:
    """Add to the number of clusters left below a node and all that are above it."""
    while node >= 0:
        alive[node] += more
        node = (node - 1) // 2 if node else -1


@entry(i_, floats_, floats_, rows_, rows_, boxes_, ints_, ints_, rows_, boxes_, ints_, ints_, i_, ints_)
def nearest(
    table: Floats,
    axes: Floats,
    options: Ints,
    starts: Ints,
    boxes: Floats,
    late: Ints,
    leaves: Ints,
    spans: Ints,
    nodes: Floats,
    pending: Ints,
    members: Ints,
    end: int,
    chosen: Ints,
) -> int:
    """Sort members into the order of nearest neighbour from an end, over all entries; return the last end.

    `pending` counts for each cluster those that must come before it, and is counted down.

    Indices [-], times [s].
    """
    todo, at_least = np.empty(_DEEP, np.int64), np.empty(_DEEP)
    alive = np.zeros(spans.shape[1], np.int64)
    leaf, free = np.zeros(leaves.size, np.int64), np.zeros(leaves.size, np.int64)
    for node in range(alive.size // 2, alive.size):
        for at in range(spans[0, node], spans[1, node]):
            leaf[leaves[at]] = node
    for c in members:
        free[c] = 1 if pending[c] == 0 else 2
        if free[c] == 1:
            _count(alive, leaf[c], 1)
    for step in range(members.size):
        best, taken, option = np.inf, -1, -1
        todo[0], at_least[0], top = 0, 0.0, 1
        while top:
            top -= 1
            node = todo[top]
            if at_least[top] >= best:
                continue
            if 2 * node + 1 < alive.size:
                top = _children(table, table, end, node, nodes, alive, axes, best, todo, at_least, top)
                continue
            for at in range(spans[0, node], spans[1, node]):
                c = leaves[at]
                if free[c] != 1:
                    continue
                if least_way(table, table, end, boxes[LOW], c, boxes[HIGH], axes) >= best:
                    continue
                for o in range(starts[FIRST, c], starts[FIRST, c + 1]):
                    found = called_way(table, axes, end, options[ENTRY, o])
                    if found < best:
                        best, taken, option = found, c, o
        members[step], chosen[taken], free[taken] = taken, option, 0
        _count(alive, leaf[taken], -1)
        end = options[LEAVE, option]
        for x in range(starts[LATE, taken], starts[LATE, taken + 1]):
            c = late[x]
            pending[c] -= 1
            if pending[c] == 0 and free[c] == 2:
                free[c] = 1
                _count(alive, leaf[c], 1)
    return end


@entry(f_, floats_, floats_, rows_, rows_, boxes_, ints_, i_, ints_)
def best_options(
    table: Floats,
    axes: Floats,
    options: Ints,
    starts: Ints,
    boxes: Floats,
    clusters: Ints,
    fixed: int,
    taken: Ints,
) -> float:
    """Fill in the best options of clusters in their order (Bellman 1957), and return the way through them.

    With `fixed` 0 or more the first and the last cluster are the same, and both take this option.

    Indices [-], times [s].
    """
    layers = clusters.size
    offset = np.zeros(layers + 1, np.int64)
    for x in range(layers):
        offset[x + 1] = offset[x] + starts[FIRST, clusters[x] + 1] - starts[FIRST, clusters[x]]
    came = np.empty(offset[layers], np.int64)
    cost = np.zeros(offset[layers])
    names, ways = np.empty(offset[layers], np.int64), np.empty(offset[layers])
    if fixed >= 0:
        for o in range(offset[1]):
            cost[o] = 0.0 if starts[FIRST, clusters[0]] + o == fixed else np.inf
    for x in range(1, layers):
        before, here = clusters[x - 1], clusters[x]
        size = 0
        for o in range(offset[x - 1], offset[x]):  # cheapest first, so that most of them need no look
            size = put(names, ways, size, layers + offset[layers], o, cost[o])
        for o in range(offset[x], offset[x + 1]):
            end = options[ENTRY, starts[FIRST, here] + o - offset[x]]
            bound = 0.0
            if axes.shape[0]:
                bound = least_way(table, table, end, boxes[LOW], before, boxes[HIGH], axes)
            best, came[o] = np.inf, names[0]
            for y in range(size):
                if ways[y] + bound >= best:
                    break
                leave = options[LEAVE, starts[FIRST, before] + names[y] - offset[x - 1]]
                found = ways[y] + called_way(table, axes, leave, end)
                if found < best:
                    best, came[o] = found, names[y]
            cost[o] = best
    last = offset[layers - 1]
    if fixed >= 0:
        last += fixed - starts[FIRST, clusters[0]]
    else:
        for o in range(last, offset[layers]):
            if cost[o] < cost[last]:
                last = o
    total = cost[last]
    for x in range(layers - 1, -1, -1):
        taken[x] = starts[FIRST, clusters[x]] + last - offset[x]
        last = came[last] if x else last
    return float(total)
