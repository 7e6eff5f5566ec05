"""How is the shortest tour found? The search over a net of clusters, and its general entry."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterable, Sequence
from typing import Any

import numpy as np

from engine.errors import BadInput, CannotBeDone
from engine.order.net import Net, distance_net
from engine.records import Floats, Ints, Report, Stop, ignore, never

_HOT, _HOT_PLAIN, _COLD = 0.3, 0.8, 0.01  # temperatures as shares of the start's mean link; plain: no options
_HOT_RULED = 2.0  # under precedence, where there is time to cool: better ways lie behind longer ones
_ROUNDS = 16  # the search asks `stop` and reports this often
_LEAST_KICKS = 400
_RUINED, _RUINED_PLAIN = 0.72, 0.3  # of the kicks, where clusters have a choice and where they have none
_KICKS_A_CYCLE = 100  # a cluster; a larger budget is spent in more cycles of cooling

Told = Callable[[float], None]


def order_clusters(
    distances: Floats,
    clusters: Sequence[Ints],
    precedence: Iterable[tuple[int, int]] = (),
    *,
    points: bool = False,
    seed: int = 0,
    kicks_per_cluster: int = 100,
    stop: Stop = never,
) -> tuple[Ints, float]:
    """Return a short closed tour that visits one node of each cluster.

    Parameters
    ----------
    distances : ndarray (n, n) or (n, dimensions)
        Symmetric distances between nodes; or, with `points`, where they lie [any unit].
    clusters : sequence of int arrays
        The nodes of each cluster; the tour starts with the first cluster [-].
    precedence : iterable of (int, int)
        Clusters of which the first must be visited before the second [-].
    points : bool
        True: nodes are given by their places, and distances are Euclidean [-].
    seed, kicks_per_cluster : int
        Same seed and budget, same answer [-].
    stop : callable
        Asked whether to end the search.

    Returns
    -------
    tuple of ndarray (len(clusters),) and float
        The nodes in the order of the tour, and its length [unit of `distances`].
    """
    if points:
        places = np.asarray(distances, np.float64)
        distances = np.sqrt(np.sum((places[:, None] - places) ** 2, axis=2))
    sizes = [len(c) for c in clusters]
    if not sizes or min(sizes) == 0 or not np.array_equal(distances, distances.T):
        raise BadInput("clusters of at least one node each and symmetric distances are expected")
    befores: list[list[int]] = [[] for _ in clusters]
    for earlier, later in precedence:
        befores[later].append(earlier)
    if befores[0]:
        raise BadInput("the first cluster starts the tour; nothing can come before it")
    refuse_circles([f"cluster {i}" for i in range(len(clusters))], befores)
    net = distance_net(distances, [np.asarray(c, np.int64) for c in clusters], befores)
    tour = np.zeros(len(clusters), np.int64)
    tour[1:], _, _ = nearest_order(net, range(1, len(clusters)), 0)
    tour = search(net, tour, seed, kicks_per_cluster, stop=stop)
    return _best_nodes(net, tour)


def refuse_circles(names: Sequence[str], waits: Sequence[Sequence[int]]) -> None:
    """Refuse clusters that wait for each other, and name one circle of them.

    Parameters
    ----------
    names : sequence of str
        What they are called.
    waits : sequence of sequences of int
        For each, those that come before it [-].
    """
    left = set(range(len(waits)))
    free = {i for i in left if not waits[i]}
    followers: dict[int, list[int]] = {}
    for i, befores in enumerate(waits):
        for j in set(befores):
            followers.setdefault(j, []).append(i)
    missing = [len(set(befores)) for befores in waits]
    while free:
        one = free.pop()
        left.discard(one)
        for later in followers.get(one, ()):
            missing[later] -= 1
            if missing[later] == 0:
                free.add(later)
    if not left:
        return
    walk = [min(left)]
    while walk[-1] not in walk[:-1]:  # everyone left waits for someone left
        walk.append(min(left.intersection(waits[walk[-1]])))
    circle = walk[walk.index(walk[-1]) :]
    raise CannotBeDone(
        "passes wait for each other in a circle: " + " waits for ".join(names[i] for i in circle)
    )


def compiled(report: Report = ignore, total: int = 0) -> tuple[Any, Any]:
    """Return the compiled parts, the search and what is nearest; a computer's first import compiles them.

    Parameters
    ----------
    report : callable
        Told when the compiled part is not loaded yet.
    total : int
        Steps of the work that waits for it [-].
    """
    if "engine.order.kernel" not in sys.modules:
        report(0, total, "order of the passes (its first run on a computer compiles the search, some 15 s)")
    from engine.order import kernel, nearest

    return kernel, nearest


def nearest_order(net: Net, members: Iterable[int], end: int) -> tuple[Ints, Ints, int]:
    """Return clusters in the order of nearest neighbour, their options, and the end where the last is left.

    Parameters
    ----------
    net : Net
        The clusters.
    members : iterable of int
        Those to order; what they wait for is among them [-].
    end : int
        The end to start from [-].
    """
    order = np.array(list(members), np.int64)
    pending = np.diff(net.starts[3]).astype(np.int64)
    chosen = np.zeros(len(pending), np.int64)
    tables = net.table, net.axes, net.options, net.starts, net.boxes, net.late, *net.tree
    last: int = compiled()[1].nearest(*tables, pending, order, int(end), chosen)
    return order, chosen[order], last


def best_options(net: Net, clusters: Ints, fixed: int = -1) -> tuple[Ints, float]:
    """Return the best option of each cluster for an order of clusters, and the way through them.

    Parameters
    ----------
    net : Net
        The clusters.
    clusters : int array (n,)
        Their order [-].
    fixed : int
        The option of the first cluster, which is the last one too; -1: any [-].
    """
    taken = np.zeros(len(clusters), np.int64)
    tables = net.table, net.axes, net.options, net.starts, net.boxes
    way: float = compiled()[1].best_options(*tables, np.asarray(clusters, np.int64), int(fixed), taken)
    return taken, way


def search(
    net: Net,
    tour: Ints,
    seed: int,
    kicks_per_cluster: int,
    *,
    stop: Stop = never,
    told: Told | None = None,
) -> Ints:
    """Return the best tour found from a start that keeps the precedence; cluster 0 stays in front.

    Parameters
    ----------
    net : Net
        The clusters.
    tour : int array (n,)
        The start [-].
    seed, kicks_per_cluster : int
        Same seed and budget, same answer [-].
    stop : callable
        Asked whether to end.
    told : callable, optional
        Told the share of the budget that is spent.
    """
    n = len(tour)
    if n < 3:
        return tour
    kernel, nearest = compiled()
    few = min(kernel.NEAR, n - 1)
    near, facing, near_way = np.zeros((n, few), np.int64), np.zeros((n, few), np.int64), np.zeros((n, few))
    nearest.find_near(net.table, net.axes, net.starts, net.boxes, *net.tree, near, facing, near_way)
    closed = np.append(tour, tour[0])
    taken, _ = best_options(net, closed)
    kept = np.zeros((2, n + 1), np.int64)
    kept[0] = closed
    kept[1, closed[:-1]] = taken[:-1]
    best = kept.copy()
    mean = _mean_link(net, taken)
    budget = max(_LEAST_KICKS, kicks_per_cluster * n)
    cycles = max(1, budget // (_KICKS_A_CYCLE * n))
    kicks = budget // (cycles * _ROUNDS)
    tables = net.table, net.axes, net.options, net.starts, near, facing, near_way
    rules = net.late, net.early, net.apart
    plain = net.options.shape[1] == n
    ruined, heat = (_RUINED_PLAIN, _HOT_PLAIN) if plain else (_RUINED, _HOT)
    if net.late.size and kicks_per_cluster >= _KICKS_A_CYCLE:
        heat = _HOT_RULED
    for turn in range(cycles * _ROUNDS):
        if stop():
            break
        if turn % _ROUNDS == 0:  # heated again, from the best so far
            kept[:] = best
        hot, cold = (mean * heat * (_COLD / heat) ** ((turn % _ROUNDS + step) / _ROUNDS) for step in (0, 1))
        kernel.anneal(*tables, *rules, kept, best, kicks, hot, cold, ruined, seed * cycles * _ROUNDS + turn)
        if told is not None:
            told((turn + 1) / (cycles * _ROUNDS))
    return best[0, :-1].copy()


def _mean_link(net: Net, taken: Ints) -> float:
    """Return the mean way from option to option, lifts left out."""
    leave, entry = net.options[1, taken[:-1]], net.options[0, taken[1:]]
    if not len(net.axes):
        return float(net.table[leave, entry].mean())
    slow, ramp, even, square, period = net.axes.T
    axes = len(slow)
    way = np.abs(net.table[leave, :axes] - net.table[entry, :axes])
    way = np.minimum(way, period - way)
    times = np.where(way > even, way * slow + ramp, np.sqrt(way * square)).max(axis=1)
    return float(np.nanmean(times))


def _best_nodes(net: Net, tour: Ints) -> tuple[Ints, float]:
    """Return the best nodes of a closed tour from its first cluster on, and its length."""
    smallest = int(np.argmin(np.diff(net.starts[0])[tour]))
    turned = np.concatenate([tour[smallest:], tour[: smallest + 1]])
    first = net.starts[0, turned[0]], net.starts[0, turned[0] + 1]
    taken = min((best_options(net, turned, o) for o in range(*first)), key=lambda found: found[1])[0]
    ends = np.roll(net.options[0, taken[:-1]], smallest)
    return net.vertex[ends], float(net.table[ends, np.roll(ends, -1)].sum())
