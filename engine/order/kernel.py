"""How is a tour made shorter? The compiled part of the search; its first import on a computer compiles it.

A tour is an array of clusters; each has one chosen option, that is the end where it is entered and the end
where it is left. Cluster 0 stays at position 0 and stands once more behind the last. Link l leads from
position l - 1 to position l. Links l1 < l2 < l3 bound two stretches, A and B, and a move joins them anew::

    .. l1-1 | l1 ... l2-1 | l2 ... l3-1 | l3 ..      form 0   A' B    2-opt (Croes, Oper. Res. 6, 1958)
            |      A      |      B      |            form 1   A' B'   3-opt (Lin, Bell System Tech. J. 44,
            l1            l2            l3           form 2   B  A    1965); Or's moves (1976) are among
                                                     form 3   B' A    them, for stretches of any length
    A' is A turned round, with all its options       form 4   B  A'
"""

# ruff: noqa: NPY002 (compiled code has only the legacy random calls)

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar

import numba
import numpy as np
from numba import types

from engine.records import Floats, Ints

F = TypeVar("F", bound=Callable[..., object])

NEAR = 15  # neighbours kept of each cluster, and most clusters taken out at a time
_BREADTH, _BREADTH_BEHIND = 8, 5  # neighbours tried for the first new link of a move, the second;
_BREADTH_TIMED, _BREADTH_BEHIND_TIMED = 5, 2  # fewer where a way is worked out, not looked up
_LONGEST_KICK = 8  # clusters in a stretch of a double bridge
_SHARE_OPTION = 0.1  # of the kicks that give a cluster another option
_FEW_OPTIONS = (
    6  # of a cluster with more, only the one facing the neighbour and the chosen one are tried there
)
_SHARE_RELATED = 0.5  # of the clusters taken out next to one, instead of its two nearest
_FARTHEST = 300  # places along the tour: beyond, shifting costs more than it brings
_SKIP = 0.1  # of the places that taken out clusters do not look at, so that they land elsewhere
_LEAST = 1e-9  # a smaller gain is rounding


# rows of the two integer tables and of the boxes, and of a tour's state
ENTRY, LEAVE, BACK = (
    0,
    1,
    2,
)  # of an option: end where it is entered, where it is left, the same run backwards
FIRST, ENDS, LATE, EARLY = 0, 1, 2, 3  # of a cluster: where its options, ends, later and earlier ones start
LOW, HIGH = 0, 1
TOUR, CHOSEN, WHERE, COME, GO = (
    0,
    1,
    2,
    3,
    4,
)  # clusters by position; option, position of each; ends by position
SCRATCH, QUEUE, QUEUED, SPAN = (
    5,
    6,
    7,
    8,
)  # ring of clusters to look at; its start, length, and the range touched

_f, _i, _b = types.float64, types.int64, types.boolean
_pair: Any = types.Tuple((_f, _i))  # type: ignore[no-untyped-call]
_four: Any = types.UniTuple(_i, 4)  # type: ignore[no-untyped-call]
_ints, _rows, _floats, _boxes = (
    types.int64[::1],
    types.int64[:, ::1],
    types.float64[:, ::1],
    types.float64[:, :, ::1],
)


def _compiled(result: Any, *arguments: Any, inside: bool = True, inline: bool = False) -> Callable[[F], F]:
    """Compile for exactly these types, so that no later call compiles again."""
    settings: dict[str, Any] = {"cache": True, "error_model": "numpy", "forceinline": inline}
    settings |= {"no_cpython_wrapper": inside, "no_cfunc_wrapper": True}
    decorate: Callable[[F], F] = numba.njit(result(*arguments), **settings)
    return decorate


# --- distances -----------------------------------------------------------------------------------------


@_compiled(_f, _floats, _floats, _i, _i, inline=True)
def way(table: Floats, axes: Floats, p: int, q: int) -> float:
    """Return the way between two ends: looked up, or the time of the slowest axis with half of both lifts.

    T = d / v + v / a, or sqrt(4 d / a) where d < v^2 / a, see `travel_times`; both at once, without a branch:
    T = sqrt(4 m / a) + (d - m) / v with m = min(d, v^2 / a). An axis that is not a number takes no time: an
    end with such a pose is anywhere.

    Indices [-], times [s].
    """
    k = axes.shape[0]
    if k == 0:
        return float(table[p, q])
    slowest = 0.0
    for axis in range(k):
        d = abs(table[p, axis] - table[q, axis])
        other = axes[axis, 4] - d
        d = d if d < other else other
        m = d if d < axes[axis, 2] else axes[axis, 2]
        t = np.sqrt(m * axes[axis, 3]) + (d - m) * axes[axis, 0]
        slowest = t if t > slowest else slowest
    return float(slowest + table[p, k] + table[q, k])


@_compiled(_f, _floats, _floats, _i, _i)
def _way(table: Floats, axes: Floats, p: int, q: int) -> float:
    """Return the same by a call: where it is not asked often this compiles faster."""
    return way(table, axes, p, q)


@_compiled(_f, _floats, _floats, _i, _floats, _i, _floats, _floats)
def _least_way(
    low: Floats, high: Floats, c: int, low_q: Floats, q: int, high_q: Floats, axes: Floats
) -> float:
    """Return what the way between ends in two boxes takes at least."""
    slowest = 0.0
    for axis in range(axes.shape[0]):
        d, other = low[c, axis] - high_q[q, axis], low_q[q, axis] - high[c, axis]
        d = d if d > other else other
        if d > 0.0:
            if axes[axis, 4] < np.inf:  # the gap the other way round
                round_ = min(low[c, axis], low_q[q, axis]) + axes[axis, 4]
                d = max(0.0, min(d, round_ - max(high[c, axis], high_q[q, axis])))
            m = d if d < axes[axis, 2] else axes[axis, 2]
            t = np.sqrt(m * axes[axis, 3]) + (d - m) * axes[axis, 0]
            slowest = t if t > slowest else slowest
    return float(slowest)


@_compiled(_i, _ints, types.float64[::1], _i, _i, _i, _f)
def _put(names: Ints, ways: Floats, size: int, most: int, name: int, way_: float) -> int:
    """Put a name in its place of a list sorted by way, and return the list's new length."""
    if size == most:
        if way_ >= ways[size - 1]:
            return size
        size -= 1
    at = size
    while at > 0 and ways[at - 1] > way_:
        names[at], ways[at] = names[at - 1], ways[at - 1]
        at -= 1
    names[at], ways[at] = name, way_
    return size + 1


@_compiled(_pair, _floats, _floats, _rows, _boxes, _i, _i)
def _closest(table: Floats, axes: Floats, starts: Ints, boxes: Floats, c: int, q: int) -> tuple[float, int]:
    """Return the shortest way between two clusters, with boxes very nearly, and the end of c it has."""
    best, end, other = np.inf, starts[ENDS, c], starts[ENDS, q]
    if axes.shape[0] == 0:
        for p in range(starts[ENDS, c], starts[ENDS, c + 1]):
            for e in range(starts[ENDS, q], starts[ENDS, q + 1]):
                found = _way(table, axes, p, e)
                if found < best:
                    best, end = found, p
        return best, end
    for p in range(starts[ENDS, c], starts[ENDS, c + 1]):
        bound = _least_way(table, table, p, boxes[LOW], q, boxes[HIGH], axes)
        if bound < best:
            best, end = bound, p
    best = np.inf
    for e in range(starts[ENDS, q], starts[ENDS, q + 1]):
        found = _way(table, axes, end, e)
        if found < best:
            best, other = found, e
    for p in range(starts[ENDS, c], starts[ENDS, c + 1]):
        found = _way(table, axes, p, other)
        if found < best:
            best, end = found, p
    return best, end


@_compiled(types.void, _floats, _floats, _rows, _boxes, _ints, _i, _rows, _rows, _floats, inside=False)
def find_near(
    table: Floats,
    axes: Floats,
    starts: Ints,
    boxes: Floats,
    sweep: Ints,
    along: int,
    near: Ints,
    facing: Ints,
    near_way: Floats,
) -> None:
    """Fill the lists of neighbours: all of them measured, or the few whose boxes are nearest.

    `sweep` sorts the boxes by their middles on the axis `along`: from each the look goes both ways until the
    gap on that axis alone is too wide.

    Indices [-], times [s].
    """
    n, few = near.shape
    some = min(2 * few, n - 1) if axes.shape[0] else n - 1
    rough, at_least, end_to = np.empty(n, np.int64), np.empty(n), np.empty(n, np.int64)
    widest = 0.0
    for c in range(n if axes.shape[0] else 0):
        wide = boxes[HIGH, c, along] - boxes[LOW, c, along]
        widest = wide if wide > widest else widest
    for here in range(n):
        c = sweep[here]
        size = 0
        for step in (-1, 1):
            at = here + step
            while 0 <= at < n:
                q = sweep[at]
                at += step
                bound = 0.0
                if axes.shape[0]:
                    if size == some:
                        gap = abs(
                            boxes[LOW, c, along] + boxes[HIGH, c, along]
                            - boxes[LOW, q, along] - boxes[HIGH, q, along]
                        ) / 2.0 - widest  # fmt: skip
                        m = min(gap, axes[along, 2])
                        alone = np.sqrt(max(m, 0.0) * axes[along, 3]) + (gap - m) * axes[along, 0]
                        if gap > 0.0 and axes[along, 4] == np.inf and alone >= at_least[size - 1]:
                            break
                    bound = _least_way(boxes[LOW], boxes[HIGH], c, boxes[LOW], q, boxes[HIGH], axes)
                if size < some or bound < at_least[size - 1]:
                    size = _put(rough, at_least, size, some, q, bound)
        taken = 0
        for x in range(size):
            found, end_to[rough[x]] = _closest(table, axes, starts, boxes, c, rough[x])
            taken = _put(near[c], near_way[c], taken, few, rough[x], found)
        for rank in range(few):  # ends and options of a cluster are numbered alike
            facing[c, rank] = starts[FIRST, c] + end_to[near[c, rank]] - starts[ENDS, c]


# --- start and end of the search -----------------------------------------------------------------------


@_compiled(_i, _floats, _floats, _rows, _rows, _boxes, _ints, _ints, _ints, _i, _ints, inside=False)
def nearest(
    table: Floats,
    axes: Floats,
    options: Ints,
    starts: Ints,
    boxes: Floats,
    late: Ints,
    pending: Ints,
    members: Ints,
    end: int,
    chosen: Ints,
) -> int:
    """Sort members into the order of nearest neighbour from an end, over all entries; return the last end.

    `pending` counts for each cluster those that must come before it, and is counted down.

    Indices [-], times [s].
    """
    for step in range(members.size):
        best, at, option = np.inf, -1, -1
        for x in range(step, members.size):
            c = members[x]
            if pending[c] > 0:
                continue
            if axes.shape[0] and _least_way(table, table, end, boxes[LOW], c, boxes[HIGH], axes) >= best:
                continue
            for o in range(starts[FIRST, c], starts[FIRST, c + 1]):
                found = _way(table, axes, end, options[ENTRY, o])
                if found < best:
                    best, at, option = found, x, o
        c = members[at]
        members[at] = members[step]
        members[step], chosen[c] = c, option
        end = options[LEAVE, option]
        for x in range(starts[LATE, c], starts[LATE, c + 1]):
            pending[late[x]] -= 1
    return end


@_compiled(_f, _floats, _floats, _rows, _rows, _boxes, _ints, _i, _ints, inside=False)
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
            size = _put(names, ways, size, layers + offset[layers], o, cost[o])
        for o in range(offset[x], offset[x + 1]):
            end = options[ENTRY, starts[FIRST, here] + o - offset[x]]
            bound = 0.0
            if axes.shape[0]:
                bound = _least_way(table, table, end, boxes[LOW], before, boxes[HIGH], axes)
            best, came[o] = np.inf, names[0]
            for y in range(size):
                if ways[y] + bound >= best:
                    break
                leave = options[LEAVE, starts[FIRST, before] + names[y] - offset[x - 1]]
                found = ways[y] + _way(table, axes, leave, end)
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


# --- moves ---------------------------------------------------------------------------------------------


@_compiled(_four, _i, _i, _i, _i)
def _places(l1: int, l2: int, l3: int, form: int) -> tuple[int, int, int, int]:
    """Return where a move puts the first cluster of A and the sense of A (1 or -1), and the same of B."""
    if form == 0:
        return l2 - 1, -1, l2, 1
    if form == 1:
        return l2 - 1, -1, l3 - 1, -1
    if form == 2:
        return l1 + l3 - l2, 1, l1, 1
    if form == 3:
        return l1 + l3 - l2, 1, l1 + l3 - l2 - 1, -1
    return l3 - 1, -1, l1, 1


@_compiled(_b, _rows, _ints, _rows, _i, _i, _i, _i)
def _keeps(starts: Ints, late: Ints, t: Ints, l1: int, l2: int, l3: int, form: int) -> bool:
    """Tell whether every cluster still comes before those that must come after it, once a move is made."""
    if late.size == 0:
        return True
    a, sense_a, b, sense_b = _places(l1, l2, l3, form)
    for at in range(l1, l3):
        c = t[TOUR, at]
        for x in range(starts[LATE, c], starts[LATE, c + 1]):
            other = t[WHERE, late[x]]
            if other >= l3:
                continue
            here = a + sense_a * (at - l1) if at < l2 else b + sense_b * (at - l2)
            there = a + sense_a * (other - l1) if other < l2 else b + sense_b * (other - l2)
            if there < here:
                return False
    return True


@_compiled(_i, _i, _i, _i, _i, _i, _i)
def _form(l1: int, l2: int, l3: int, side1: int, side2: int, side3: int) -> int:
    """Return the form that joins three links so, in the order they were taken; -1 = the tour falls apart.

    Each link is entered at one side (0 before it, 1 behind it) and left at the other: the ends joined are
    those of links 1 and 2, 2 and 3, 3 and 1. Ends are numbered along the tour, two a link.
    """
    end1 = 2 * ((l1 > l2) + (l1 > l3)) + side1
    end2 = 2 * ((l2 > l1) + (l2 > l3)) + side2
    end3 = 2 * ((l3 > l1) + (l3 > l2)) + side3
    with0, with1 = -1, -1
    for x, y in ((end1, end2), (end2 ^ 1, end3), (end3 ^ 1, end1 ^ 1)):
        if x == 0:
            with0 = y
        elif y == 0:
            with0 = x
        if x == 1:
            with1 = y
        elif y == 1:
            with1 = x
    if with0 == 2 and with1 == 4:
        return 1
    if with0 == 3 and with1 == 4:
        return 2
    if with0 == 4 and with1 == 3:
        return 3
    if with0 == 3 and with1 == 5:
        return 4
    return -1


@_compiled(types.void, _rows, _rows, _i, _i)
def _choose(options: Ints, t: Ints, at: int, option: int) -> None:
    """Give the cluster of a position an option."""
    t[CHOSEN, t[TOUR, at]] = option
    t[COME, at], t[GO, at] = options[ENTRY, option], options[LEAVE, option]
    if at == 0:
        t[COME, -1], t[GO, -1] = t[COME, 0], t[GO, 0]
    t[SPAN, 2], t[SPAN, 3] = min(t[SPAN, 2], at), max(t[SPAN, 3], at)


@_compiled(types.void, _rows, _i)
def _ask(t: Ints, c: int) -> None:
    """Put a cluster at the end of the queue."""
    if not t[QUEUED, c]:
        t[QUEUED, c] = 1
        last = t[SPAN, 0] + t[SPAN, 1]
        n = t.shape[1] - 1
        t[QUEUE, last if last < n else last - n] = c
        t[SPAN, 1] += 1


@_compiled(types.void, _rows, _i)
def _ask_beside(t: Ints, link: int) -> None:
    """Put the clusters at both sides of a link at the end of the queue."""
    _ask(t, t[TOUR, link - 1])
    _ask(t, t[TOUR, link])


@_compiled(types.void, _rows, _rows, _i, _i, _i, _i)
def _move(options: Ints, t: Ints, l1: int, l2: int, l3: int, form: int) -> None:
    """Make a move, and queue the clusters at its seams."""
    a, sense_a, b, sense_b = _places(l1, l2, l3, form)
    for at in range(l1, l3):
        c = t[TOUR, at]
        sense = sense_a if at < l2 else sense_b
        t[SCRATCH, a + sense * (at - l1) if at < l2 else b + sense * (at - l2)] = c
        if sense < 0:
            t[CHOSEN, c] = options[BACK, t[CHOSEN, c]]
    for at in range(l1, l3):
        c = t[SCRATCH, at]
        t[TOUR, at] = c
        t[WHERE, c] = at
        t[COME, at], t[GO, at] = options[ENTRY, t[CHOSEN, c]], options[LEAVE, t[CHOSEN, c]]
    t[SPAN, 2], t[SPAN, 3] = min(t[SPAN, 2], l1), max(t[SPAN, 3], l3 - 1)
    _ask_beside(t, l1)
    _ask_beside(t, l2 if form < 2 else l1 + l3 - l2)
    _ask_beside(t, l3)


# --- the search ----------------------------------------------------------------------------------------


@_compiled(_f, _floats, _floats, _rows, _rows, _rows, _rows, _floats, _ints, _rows)
def _improve(
    table: Floats,
    axes: Floats,
    options: Ints,
    starts: Ints,
    near: Ints,
    facing: Ints,
    near_way: Floats,
    late: Ints,
    t: Ints,
) -> float:
    """Move clusters from the queue until none helps; return the gain."""
    entry, leave, first = options[ENTRY], options[LEAVE], starts[FIRST]
    tour, chosen, where, come, go = t[TOUR], t[CHOSEN], t[WHERE], t[COME], t[GO]
    n = tour.size - 1
    wide, wide_behind = min(near.shape[1], _BREADTH), min(near.shape[1], _BREADTH_BEHIND)
    if axes.shape[0]:
        wide, wide_behind = min(wide, _BREADTH_TIMED), min(wide_behind, _BREADTH_BEHIND_TIMED)
    total = 0.0
    while t[SPAN, 1] > 0:
        c = t[QUEUE, t[SPAN, 0]]
        t[SPAN, 0] = t[SPAN, 0] + 1 if t[SPAN, 0] + 1 < n else 0
        t[SPAN, 1] -= 1
        t[QUEUED, c] = 0
        while True:
            best, b1, b2, b3, form, option = _LEAST, 0, 0, 0, -1, -1
            at = where[c]
            choices = first[c + 1] - first[c]
            tries = choices if choices <= _FEW_OPTIONS else 2
            if choices > 1:  # another option, here or elsewhere
                start, end = go[at - 1 if at else n - 1], come[at + 1]
                around = way(table, axes, start, come[at]) + way(table, axes, go[at], end)
                for o in range(first[c], first[c + 1]):
                    gain = around - way(table, axes, start, entry[o])
                    if gain > best:
                        gain -= way(table, axes, leave[o], end)
                        if gain > best:
                            best, option = gain, o
                out = around - way(table, axes, start, end)
                for rank in range(wide if at else 0):
                    if near_way[c, rank] >= around or out <= best:
                        break
                    there = where[near[c, rank]]
                    for link in (there, there + 1):
                        link = link if link else n
                        if link == at or link == at + 1:
                            continue
                        start, end = go[link - 1], come[link]
                        base = out + way(table, axes, start, end)
                        if base - near_way[c, rank] <= best:
                            continue
                        l1, l2, l3 = min(link, at), (at + 1 if link > at else at), max(link, at + 1)
                        for x in range(tries):
                            o = first[c] + x
                            if tries < choices:
                                o = facing[c, rank] if x == 0 else chosen[c]
                            gain = base - way(table, axes, start, entry[o])
                            if gain <= best:
                                continue
                            gain -= way(table, axes, leave[o], end)
                            if gain > best and _keeps(starts, late, t, l1, l2, l3, 2):
                                best, b1, b2, b3, form, option = gain, l1, l2, l3, 2, o
            for side1 in range(2):  # the link behind c gives way to a new one, then the one before it
                l1 = at + 1 - side1
                l1 = l1 if l1 else n
                here, far1 = (go[l1 - 1], come[l1]) if side1 == 0 else (come[l1], go[l1 - 1])
                old1 = way(table, axes, here, far1)
                for rank in range(wide):
                    if near_way[c, rank] >= old1:
                        break
                    for side2 in range(2):
                        l2 = where[near[c, rank]] + 1 - side2
                        l2 = l2 if l2 else n
                        if l2 == l1:
                            continue
                        here2, far2 = (go[l2 - 1], come[l2]) if side2 == 0 else (come[l2], go[l2 - 1])
                        gain2 = old1 - way(table, axes, here, here2)
                        if gain2 <= _LEAST:
                            continue
                        gain2 += way(table, axes, here2, far2)
                        if side1 == side2:
                            gain = gain2 - way(table, axes, far2, far1)
                            x, z = min(l1, l2), max(l1, l2)
                            if gain > best and _keeps(starts, late, t, x, z, z, 0):
                                best, b1, b2, b3, form, option = gain, x, z, z, 0, -1
                        other = tour[l2 - side2] if side2 else tour[l2]
                        for rank_behind in range(wide_behind):
                            if near_way[other, rank_behind] >= gain2 - best:
                                break
                            for side3 in range(2):
                                l3 = where[near[other, rank_behind]] + 1 - side3
                                l3 = l3 if l3 else n
                                if l3 == l1 or l3 == l2:  # noqa: SIM109 (compiles faster)
                                    continue
                                here3, far3 = (go[l3 - 1], come[l3]) if side3 == 0 else (come[l3], go[l3 - 1])
                                gain3 = gain2 - way(table, axes, far2, here3)
                                if gain3 <= _LEAST:
                                    continue
                                gain = gain3 + way(table, axes, here3, far3)
                                if gain <= best:
                                    continue
                                gain -= way(table, axes, far3, far1)
                                if gain <= best:
                                    continue
                                joined = _form(l1, l2, l3, side1, side2, side3)
                                if joined < 0:
                                    continue
                                x, z = min(l1, l2, l3), max(l1, l2, l3)
                                y = l1 + l2 + l3 - x - z
                                if _keeps(starts, late, t, x, y, z, joined):
                                    best, b1, b2, b3, form, option = gain, x, y, z, joined, -1
            if form < 0 and option < 0:
                break
            total += best
            if form >= 0:
                _move(options, t, b1, b2, b3, form)
            if option >= 0:
                at = where[c]
                _choose(options, t, at, option)
                _ask_beside(t, at if at else n)
                _ask_beside(t, at + 1)
    return total


@_compiled(_f, _floats, _floats, _rows, _rows, _ints, _rows)
def _bridge(table: Floats, axes: Floats, options: Ints, starts: Ints, late: Ints, t: Ints) -> float:
    """Exchange three short stretches A B C for C B A (Martin, Otto and Felten 1991); return the gain."""
    n = t.shape[1] - 1
    l1 = 1 + int(np.random.random() * (n - 3))
    l2 = min(l1 + 1 + int(np.random.random() * _LONGEST_KICK), n - 2)
    l3 = min(l2 + 1 + int(np.random.random() * _LONGEST_KICK), n - 1)
    l4 = min(l3 + 1 + int(np.random.random() * _LONGEST_KICK), n)
    if not _keeps(starts, late, t, l1, l2, l4, 2):
        return 0.0
    gain = 0.0
    for link in (l1, l2, l3, l4):
        gain += _way(table, axes, t[GO, link - 1], t[COME, link])
    seam1, seam2 = l1 + l4 - l3, l1 + l4 - l2
    _move(options, t, l1, l2, l4, 2)
    if not _keeps(starts, late, t, l1, l1 + l3 - l2, seam2, 2):
        _move(options, t, l1, seam2, l4, 2)
        return 0.0
    _move(options, t, l1, l1 + l3 - l2, seam2, 2)
    for link in (l1, seam1, seam2, l4):
        gain -= _way(table, axes, t[GO, link - 1], t[COME, link])
    return gain


@_compiled(types.void, _ints, _ints, _ints, _ints, _i, _i)
def _shift(tour: Ints, where: Ints, come: Ints, go: Ints, start: int, end: int) -> None:
    tour[end], come[end], go[end] = tour[start], come[start], go[start]
    where[tour[end]] = end


@_compiled(_f, _floats, _floats, _rows, _rows, _rows, _rows, _ints, _ints, _rows)
def _ruin(
    table: Floats,
    axes: Floats,
    options: Ints,
    starts: Ints,
    near: Ints,
    facing: Ints,
    late: Ints,
    early: Ints,
    t: Ints,
) -> float:
    """Take some neighbouring clusters out and put each where it costs least; return the gain, -inf = cannot.

    After Schrimpf et al., Journal of Computational Physics 159, 2000 (ruin and recreate). While clusters
    are out the tour has a gap: positions w .. high hold nothing.
    """
    tour, where, come, go = t[TOUR], t[WHERE], t[COME], t[GO]
    n = tour.size - 1
    c = 1 + int(np.random.random() * (n - 1))
    most = min(1 + int(np.random.random() * near.shape[1]), n - 2)
    t[SCRATCH, 0] = c
    home = where[c]
    out, low, high = 1, home, home
    where[c] = -1
    for x in range(most - 1):
        q = near[c, x]
        if x < 2 and np.random.random() < _SHARE_RELATED:  # one that it waits for, or that waits for it
            kind = EARLY + (LATE - EARLY) * int(np.random.random() * 2.0)
            count = starts[kind, c + 1] - starts[kind, c]
            if count:
                y = starts[kind, c] + int(np.random.random() * count)
                q = late[y] if kind == LATE else early[y]
        if q > 0 and where[q] >= 0 and abs(where[q] - home) < _FARTHEST:
            t[SCRATCH, out] = q
            out += 1
            low, high = min(low, where[q]), max(high, where[q])
            where[q] = -1
    for x in range(out):
        y = x + int(np.random.random() * (out - x))
        t[SCRATCH, x], t[SCRATCH, y] = t[SCRATCH, y], t[SCRATCH, x]
    gain, w = 0.0, low
    for at in range(low, high + 1):
        if where[tour[at]] < 0:
            gain += _way(table, axes, go[at - 1] if where[tour[at - 1]] < 0 else go[w - 1], come[at])
            if at == high or where[tour[at + 1]] >= 0:
                gain += _way(table, axes, go[at], come[at + 1]) - _way(table, axes, go[w - 1], come[at + 1])
        elif w < at:
            _shift(tour, where, come, go, at, w)
            w += 1
        else:
            w += 1
    t[SPAN, 2], t[SPAN, 3] = low, high
    _ask(t, tour[w - 1])
    _ask(t, tour[high + 1])
    for x in range(out):
        c = t[SCRATCH, x]
        soonest, latest = 1, n
        for y in range(starts[EARLY, c], starts[EARLY, c + 1]):
            soonest = max(soonest, where[early[y]] + 1)
        for y in range(starts[LATE, c], starts[LATE, c + 1]):
            if where[late[y]] >= 0:
                latest = min(latest, where[late[y]])
        if w <= soonest <= high + 1:
            soonest = high + 1
        if soonest > latest:
            return -np.inf
        choices = starts[FIRST, c + 1] - starts[FIRST, c]
        tries = choices if choices <= _FEW_OPTIONS else 2
        best, place, option = np.inf, soonest, t[CHOSEN, c]
        for rank in range(near.shape[1]):
            there = where[near[c, rank]]
            if there < 0:
                continue
            for link in (there, there + 1):
                link = link if link else n
                if w <= link <= high + 1:  # at the gap
                    link = high + 1
                if link < soonest or link > latest or abs(link - home) > 2 * _FARTHEST:
                    continue
                if np.random.random() < _SKIP:
                    continue
                start, end = go[(w if link == high + 1 else link) - 1], come[link]
                base = _way(table, axes, start, end)
                for y in range(tries):
                    o = starts[FIRST, c] + y
                    if tries < choices:
                        o = facing[c, rank] if y == 0 else t[CHOSEN, c]
                    more = way(table, axes, start, options[ENTRY, o]) - base
                    if more < best:
                        more += way(table, axes, options[LEAVE, o], end)
                        if more < best:
                            best, place, option = more, link, o
        if best == np.inf:
            start, end = go[(w if place == high + 1 else place) - 1], come[place]
            best = _way(table, axes, start, options[ENTRY, option]) + _way(
                table, axes, options[LEAVE, option], end
            )
            best -= _way(table, axes, start, end)
        gain -= best
        if place < w:
            for at in range(w - 1, place - 1, -1):
                _shift(tour, where, come, go, at, at + 1)
            at = place
        else:
            for at in range(high + 1, place):
                _shift(tour, where, come, go, at, w)
                w += 1
            high = place - 1
            at = w
        w += 1
        tour[at] = c
        where[c] = at
        t[SPAN, 2], t[SPAN, 3] = min(t[SPAN, 2], at), max(t[SPAN, 3], high)
        _choose(options, t, at, option)
    for x in range(out):
        at = where[t[SCRATCH, x]]
        _ask_beside(t, at)
        _ask(t, tour[at + 1])
    return gain


@_compiled(types.void, _rows, _rows, _rows, _i, _i)
def _restore(options: Ints, t: Ints, kept: Ints, low: int, high: int) -> None:
    """Copy a stretch of a kept tour back."""
    for at in range(low, high + 1):
        c = kept[TOUR, at]
        option = kept[CHOSEN, c]
        t[TOUR, at], t[CHOSEN, c], t[WHERE, c] = c, option, at
        t[COME, at], t[GO, at] = options[ENTRY, option], options[LEAVE, option]
    t[COME, -1], t[GO, -1] = t[COME, 0], t[GO, 0]


@_compiled(
    _f, _floats, _floats, _rows, _rows, _rows, _rows, _floats, _ints, _ints, _rows, _rows, _i, _f, _f, _f, _i,
    inside=False,
)  # fmt: skip
def anneal(
    table: Floats,
    axes: Floats,
    options: Ints,
    starts: Ints,
    near: Ints,
    facing: Ints,
    near_way: Floats,
    late: Ints,
    early: Ints,
    kept: Ints,
    best: Ints,
    kicks: int,
    hot: float,
    cold: float,
    ruined: float,
    seed: int,
) -> float:
    """Improve a tour and its options (rows of `kept`) by kicks; copy the best and return its length.

    The share `ruined` of the kicks takes clusters out; what is left over are double bridges.

    Kicks and seed [-], times [s].
    """
    np.random.seed(seed)
    n = kept.shape[1] - 1
    t = np.empty((SPAN + 1, n + 1), np.int64)
    t[TOUR, n] = kept[TOUR, n]
    _restore(options, t, kept, 0, n - 1)
    t[SPAN, 0], t[SPAN, 1], t[SPAN, 2], t[SPAN, 3] = 0, n, 0, n - 1
    length, shortest = 0.0, 0.0
    for at in range(n):
        t[QUEUE, at], t[QUEUED, at] = kept[TOUR, at], 1
        length += _way(table, axes, t[GO, at], t[COME, at + 1])
        c, q = best[TOUR, at], best[TOUR, at + 1]
        shortest += _way(table, axes, options[LEAVE, best[CHOSEN, c]], options[ENTRY, best[CHOSEN, q]])
    kept_length = length
    for kick in range(kicks + 1):
        kind = np.random.random() if kick else 2.0  # the first time there is no kick, only improvement
        if kind < _SHARE_OPTION:
            c = int(np.random.random() * n)
            at, choices = t[WHERE, c], starts[FIRST, c + 1] - starts[FIRST, c]
            if choices == 1:
                continue
            before, behind = at if at else n, at + 1
            length -= _way(table, axes, t[GO, before - 1], t[COME, before])
            length -= _way(table, axes, t[GO, behind - 1], t[COME, behind])
            _choose(options, t, at, starts[FIRST, c] + int(np.random.random() * choices))
            length += _way(table, axes, t[GO, before - 1], t[COME, before])
            length += _way(table, axes, t[GO, behind - 1], t[COME, behind])
            _ask_beside(t, before)
            _ask_beside(t, behind)
        elif kind < _SHARE_OPTION + ruined:
            length -= _ruin(table, axes, options, starts, near, facing, late, early, t)
        elif kind < 1.0 and n > 4:
            length -= _bridge(table, axes, options, starts, late, t)
        if length < np.inf:
            length -= _improve(table, axes, options, starts, near, facing, near_way, late, t)
        low, high = t[SPAN, 2], t[SPAN, 3]
        t[SPAN, 2], t[SPAN, 3] = n, 0
        heat = hot * (cold / hot) ** (kick / (kicks + 1.0)) if hot > 0.0 else 0.0
        if length < kept_length - heat * np.log(1.0 - np.random.random()):
            for at in range(low, high + 1):
                c = t[TOUR, at]
                kept[TOUR, at], kept[CHOSEN, c] = c, t[CHOSEN, c]
            kept_length = length
            if length < shortest - _LEAST:
                shortest = length
                for at in range(n):
                    best[TOUR, at], best[CHOSEN, at] = kept[TOUR, at], kept[CHOSEN, at]
        else:
            _restore(options, t, kept, low, high)
            length = kept_length
    return shortest
