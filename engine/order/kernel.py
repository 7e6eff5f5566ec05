"""How is a tour made shorter? The compiled part of the search; its first import on a computer compiles it.

Clusters whose surroundings changed wait in a queue; each tries another option, another place, and moves of
two or three links to its neighbours, until nothing helps. Then a kick, and the same again: the longer way is
kept by chance, less and less often.
"""

# ruff: noqa: NPY002 (compiled code has only the legacy random calls)

from __future__ import annotations

import numpy as np
from numba import types

from engine.order.moves import (
    CHOSEN,
    COME,
    GO,
    QUEUE,
    QUEUED,
    ROWS,
    SCRATCH,
    SPAN,
    TOUR,
    WHERE,
    ask,
    ask_beside,
    choose,
    clash,
    clashes,
    joined,
    keeps,
    move,
)
from engine.order.ways import (
    EARLY,
    ENTRY,
    FIRST,
    LATE,
    LEAVE,
    called_way,
    entry,
    f_,
    floats_,
    i_,
    inner,
    ints_,
    rows_,
    way,
)
from engine.records import Floats, Ints

NEAR = 15  # neighbours kept of each cluster, and most clusters taken out at a time
_BREADTH, _BREADTH_BEHIND = 8, 5  # neighbours tried for the first new link of a move, the second;
_BREADTH_TIMED, _BREADTH_BEHIND_TIMED = 5, 2  # fewer where a way is worked out, not looked up
_LONGEST_KICK = 8  # clusters in a stretch of a double bridge
_SHARE_OPTION = 0.1  # of the kicks that give a cluster another option
_FEW_OPTIONS = (
    6  # of a cluster with more only the one facing the neighbour and the chosen one are tried there
)
_SHARE_RELATED = 0.5  # of the clusters taken out next to one, instead of its two nearest
_FARTHEST = 300  # places along the tour: beyond, shifting costs more than it brings
_SKIP = 0.1  # of the places that taken out clusters do not look at, so that they land elsewhere
_LEAST = 1e-9  # a smaller gain is rounding


@inner(f_, floats_, floats_, rows_, rows_, rows_, rows_, floats_, ints_, ints_, rows_)
def _improve(
    table: Floats,
    axes: Floats,
    options: Ints,
    starts: Ints,
    near: Ints,
    facing: Ints,
    near_way: Floats,
    late: Ints,
    apart: Ints,
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
                            if gain > best and keeps(starts, late, apart, t, l1, l2, l3, 2):
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
                            if gain > best and keeps(starts, late, apart, t, x, z, z, 0):
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
                                form_ = joined(l1, l2, l3, side1, side2, side3)
                                if form_ < 0:
                                    continue
                                x, z = min(l1, l2, l3), max(l1, l2, l3)
                                y = l1 + l2 + l3 - x - z
                                if keeps(starts, late, apart, t, x, y, z, form_):
                                    best, b1, b2, b3, form, option = gain, x, y, z, form_, -1
            if form < 0 and option < 0:
                break
            total += best
            if form >= 0:
                move(options, t, b1, b2, b3, form)
            if option >= 0:
                at = where[c]
                choose(options, t, at, option)
                ask_beside(t, at if at else n)
                ask_beside(t, at + 1)
    return total


@inner(f_, floats_, floats_, rows_, rows_, ints_, ints_, rows_)
def _bridge(
    table: Floats, axes: Floats, options: Ints, starts: Ints, late: Ints, apart: Ints, t: Ints
) -> float:
    """Exchange three short stretches A B C for C B A (Martin, Otto and Felten 1991); return the gain."""
    n = t.shape[1] - 1
    l1 = 1 + int(np.random.random() * (n - 3))
    l2 = min(l1 + 1 + int(np.random.random() * _LONGEST_KICK), n - 2)
    l3 = min(l2 + 1 + int(np.random.random() * _LONGEST_KICK), n - 1)
    l4 = min(l3 + 1 + int(np.random.random() * _LONGEST_KICK), n)
    if not keeps(starts, late, apart, t, l1, l2, l4, 2):
        return 0.0
    gain = 0.0
    for link in (l1, l2, l3, l4):
        gain += called_way(table, axes, t[GO, link - 1], t[COME, link])
    seam1, seam2 = l1 + l4 - l3, l1 + l4 - l2
    move(options, t, l1, l2, l4, 2)
    if not keeps(starts, late, apart, t, l1, l1 + l3 - l2, seam2, 2):
        move(options, t, l1, seam2, l4, 2)
        return 0.0
    move(options, t, l1, l1 + l3 - l2, seam2, 2)
    for link in (l1, seam1, seam2, l4):
        gain -= called_way(table, axes, t[GO, link - 1], t[COME, link])
    return gain


@inner(types.void, ints_, ints_, ints_, ints_, i_, i_)
def _shift(tour: Ints, where: Ints, come: Ints, go: Ints, start: int, end: int) -> None:
    tour[end], come[end], go[end] = tour[start], come[start], go[start]
    where[tour[end]] = end


@inner(f_, floats_, floats_, rows_, rows_, rows_, rows_, ints_, ints_, ints_, rows_)
def _ruin(
    table: Floats,
    axes: Floats,
    options: Ints,
    starts: Ints,
    near: Ints,
    facing: Ints,
    late: Ints,
    early: Ints,
    apart: Ints,
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
            gain += called_way(table, axes, go[at - 1] if where[tour[at - 1]] < 0 else go[w - 1], come[at])
            if at == high or where[tour[at + 1]] >= 0:
                gain += called_way(table, axes, go[at], come[at + 1]) - called_way(
                    table, axes, go[w - 1], come[at + 1]
                )
        elif w < at:
            _shift(tour, where, come, go, at, w)
            w += 1
        else:
            w += 1
    t[SPAN, 2], t[SPAN, 3] = low, high
    ask(t, tour[w - 1])
    ask(t, tour[high + 1])
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
                before = (w if link == high + 1 else link) - 1
                if apart.size and (
                    clash(starts, apart, c, tour[before])
                    or clash(starts, apart, c, tour[link] if link < n else n)
                ):
                    continue
                start, end = go[before], come[link]
                base = called_way(table, axes, start, end)
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
            best = called_way(table, axes, start, options[ENTRY, option]) + called_way(
                table, axes, options[LEAVE, option], end
            )
            best -= called_way(table, axes, start, end)
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
        choose(options, t, at, option)
    for x in range(out):
        at = where[t[SCRATCH, x]]
        ask_beside(t, at)
        ask(t, tour[at + 1])
    return gain


@inner(types.void, rows_, rows_, rows_, i_, i_)
def _restore(options: Ints, t: Ints, kept: Ints, low: int, high: int) -> None:
    """Copy a stretch of a kept tour back."""
    for at in range(low, high + 1):
        c = kept[TOUR, at]
        option = kept[CHOSEN, c]
        t[TOUR, at], t[CHOSEN, c], t[WHERE, c] = c, option, at
        t[COME, at], t[GO, at] = options[ENTRY, option], options[LEAVE, option]
    t[COME, -1], t[GO, -1] = t[COME, 0], t[GO, 0]


@entry(
    f_, floats_, floats_, rows_, rows_, rows_, rows_, floats_, ints_, ints_, ints_, rows_, rows_, i_,
    f_, f_, f_, i_,
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
    apart: Ints,
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
    t = np.empty((ROWS, n + 1), np.int64)
    t[TOUR, n] = kept[TOUR, n]
    _restore(options, t, kept, 0, n - 1)
    t[SPAN, 0], t[SPAN, 1], t[SPAN, 2], t[SPAN, 3] = 0, n, 0, n - 1
    length, shortest = 0.0, 0.0
    for at in range(n):
        t[QUEUE, at], t[QUEUED, at] = kept[TOUR, at], 1
        length += called_way(table, axes, t[GO, at], t[COME, at + 1])
        c, q = best[TOUR, at], best[TOUR, at + 1]
        shortest += called_way(table, axes, options[LEAVE, best[CHOSEN, c]], options[ENTRY, best[CHOSEN, q]])
    kept_length = length
    beside, fewest = clashes(starts, apart, kept[TOUR], 1, n), clashes(starts, apart, best[TOUR], 1, n)
    for kick in range(kicks + 1):
        kind = np.random.random() if kick else 2.0  # the first time there is no kick, only improvement
        if kind < _SHARE_OPTION:
            c = int(np.random.random() * n)
            at, choices = t[WHERE, c], starts[FIRST, c + 1] - starts[FIRST, c]
            if choices == 1:
                continue
            before, behind = at if at else n, at + 1
            length -= called_way(table, axes, t[GO, before - 1], t[COME, before])
            length -= called_way(table, axes, t[GO, behind - 1], t[COME, behind])
            choose(options, t, at, starts[FIRST, c] + int(np.random.random() * choices))
            length += called_way(table, axes, t[GO, before - 1], t[COME, before])
            length += called_way(table, axes, t[GO, behind - 1], t[COME, behind])
            ask_beside(t, before)
            ask_beside(t, behind)
        elif kind < _SHARE_OPTION + ruined:
            length -= _ruin(table, axes, options, starts, near, facing, late, early, apart, t)
        elif kind < 1.0 and n > 4:
            length -= _bridge(table, axes, options, starts, late, apart, t)
        if length < np.inf:
            length -= _improve(table, axes, options, starts, near, facing, near_way, late, apart, t)
        low, high = t[SPAN, 2], t[SPAN, 3]
        t[SPAN, 2], t[SPAN, 3] = n, 0
        heat = hot * (cold / hot) ** (kick / (kicks + 1.0)) if hot > 0.0 else 0.0
        longest, more = kept_length - heat * np.log(1.0 - np.random.random()), 0
        if (
            apart.size and length < np.inf
        ):  # fewer pairs side by side that must not be come before a short way
            more = clashes(starts, apart, t[TOUR], low, high + 1)
            more -= clashes(starts, apart, kept[TOUR], low, high + 1)
            longest = longest if more == 0 else np.inf if more < 0 else -np.inf
        if length < longest:
            beside += more
            for at in range(low, high + 1):
                c = t[TOUR, at]
                kept[TOUR, at], kept[CHOSEN, c] = c, t[CHOSEN, c]
            kept_length = length
            if beside < fewest or (beside == fewest and length < shortest - _LEAST):
                shortest, fewest = length, beside
                for at in range(n):
                    best[TOUR, at], best[CHOSEN, at] = kept[TOUR, at], kept[CHOSEN, at]
        else:
            _restore(options, t, kept, low, high)
            length = kept_length
    return shortest
