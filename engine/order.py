"""In which order are the passes cut, and where is each entered? The shortest travel that keeps precedence.

A pass is a cluster of options: a closed pass may be entered at any vertex, an open one from either end. With
the time of the slowest axis as the distance this is a generalised travelling salesman problem (Fischetti,
Salazar Gonzalez, Toth, Operations Research 45(3), 1997, 378-394) with precedence. Time over distance is
concave, so the time is a metric and symmetric: turning a stretch round costs nothing to judge.

The search: nearest neighbour, then 2-opt (Croes 1958) and Or-opt (Or 1976) with change of option from a work
queue, then exchanges of two neighbouring stretches, accepted by annealing (Kirkpatrick et al. 1983). At the
end a dynamic program finds the best entries for the order found.
"""

# ruff: noqa: NPY002 (compiled code has only the legacy random calls)

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Sequence
from dataclasses import dataclass
from functools import cache
from itertools import pairwise
from math import inf, isfinite, sqrt
from typing import Any

import numpy as np

from engine.errors import BadInput, CannotBeDone
from engine.records import Bools, Floats, Ints, Machine, Order, Report, Stop, _freeze, ignore, never

KICKS_PER_PASS = 40
_SEARCH_ENTRIES = 16  # entries of a closed pass that the search looks at; the last step looks at all of them
_LARGEST_MATRIX = 3000
_NEIGHBOURS = 10
_LONGEST_STRETCH = 3  # passes that Or-opt moves at a time
_LONGEST_KICK = 30  # passes
_HOT, _COLD = 0.3, 0.003  # temperatures at start and end, as a share of the start's mean link
_ROUNDS = 16  # the search asks `stop` and reports this often


@dataclass(frozen=True, slots=True, eq=False)
class TravelMetric:
    """How long the axes take from pose to pose; all start and stop together, the slowest decides."""

    max_speed: Floats  # (k,) [mm/s] or [deg/s]
    max_acceleration: Floats  # (k,) [mm/s2] or [deg/s2]
    period: Floats  # (k,) 360 for an endless rotary axis, inf where there is no wrap
    home: Floats  # (k,) the pose at the start and at the end
    lift_s: float = 0.0  # retract and plunge of one pass [s]

    def __post_init__(self) -> None:
        _freeze(
            self,
            max_speed=(self.max_speed, np.float64, (None,)),
            max_acceleration=(self.max_acceleration, np.float64, (None,)),
            period=(self.period, np.float64, (None,)),
            home=(self.home, np.float64, (None,)),
        )


@dataclass(frozen=True, slots=True, eq=False)
class PassPoses:
    """Where a pass may be entered: the machine's axes at its vertices, in the order of the vertices."""

    name: str
    axes: Floats  # (v, k)
    closed: bool

    def __post_init__(self) -> None:
        _freeze(self, axes=(self.axes, np.float64, (None, None)))
        if len(self.axes) == 0:
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
    endless = [a.kind == "rotary" and a.minimum is None and a.maximum is None for a in machine.axes]
    return TravelMetric(
        max_speed=np.array([a.max_speed / 60.0 for a in machine.axes]),
        max_acceleration=np.array([a.max_acceleration for a in machine.axes]),
        period=np.where(endless, 360.0, inf),
        home=np.array(machine.home, float),
        lift_s=lift_s,
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
    slowest = np.zeros((len(start), len(end)))
    for axis in range(len(metric.max_speed)):
        v, a, period = metric.max_speed[axis], metric.max_acceleration[axis], metric.period[axis]
        way = np.abs(start[:, axis, None] - end[None, :, axis])
        if isfinite(period):
            way = np.remainder(way, period)
            way = np.minimum(way, period - way)
        time = np.sqrt(way * (4.0 / a))
        np.copyto(time, way / v + v / a, where=way > v * v / a)
        np.maximum(slowest, time, out=slowest)
    return slowest


def order_passes(
    passes: Sequence[PassPoses],
    metric: TravelMetric,
    *,
    groups: Sequence[int] | None = None,
    after: Sequence[Collection[int]] | None = None,
    home_before: Collection[int] = (),
    seed: int = 0,
    kicks_per_pass: int = KICKS_PER_PASS,
    report: Report = ignore,
    stop: Stop = never,
) -> Order:
    """Return the order of passes, and their entries, of short travel from home and back.

    Groups are cut one after the other, in increasing number; each starts where the one before ended, or at
    home where the cutter is changed. When `stop` asks for an end, the best order so far is returned.

    Parameters
    ----------
    passes : sequence of PassPoses
        The passes.
    metric : TravelMetric
        Time between poses.
    groups : sequence of int
        Group of each pass (phase and cutter); None: one group [-].
    after : sequence of collections of int
        For each pass, the passes that must be cut before it [-].
    home_before : collection of int
        Groups that start at home, as after a change of cutter [-].
    seed : int
        Same seed and budget, same answer [-].
    kicks_per_pass : int
        Budget of the search [-].
    report, stop : callable
        Told how far the search is, and asked whether to end it.

    Raises
    ------
    BadInput
        When `after` names passes that are not there or lie in a later group.
    CannotBeDone
        When passes wait for each other in a circle.
    """
    group_of = np.zeros(len(passes), np.int64) if groups is None else np.asarray(groups, np.int64)
    waits = _waits([p.name for p in passes], group_of, [()] * len(passes) if after is None else after)
    route = _Route(tuple(passes), group_of, metric, frozenset(home_before))
    nearest, nearest_choices = _nearest(route, waits)
    sequence: list[int] = []
    for stage in _stages(route, nearest):
        start = _end_of(route, sequence) if sequence and not stage.from_home else metric.home
        ordered = _search_stage(route, stage, start, waits, seed, kicks_per_pass, stop)
        sequence += ordered
        report(len(sequence), len(passes), "order of the passes")
    choices, travel_s = _with_best_entries(route, sequence)
    near_choices, near_s = _with_best_entries(route, nearest)
    if near_s < travel_s:  # group by group the search does not see what a group's end costs the next
        sequence, choices, travel_s = nearest, near_choices, near_s
    entries, reverse = _vertices(route, sequence, choices)
    return Order(
        sequence=np.array(sequence, np.int64),
        entries=entries,
        reversed=reverse,
        travel_s=travel_s,
        travel_nearest_s=_route_time(route, nearest, nearest_choices),
    )


def order_clusters(
    distances: Floats,
    clusters: Sequence[Ints],
    precedence: Iterable[tuple[int, int]] = (),
    *,
    seed: int = 0,
    kicks_per_cluster: int = 100,
    stop: Stop = never,
) -> tuple[Ints, float]:
    """Return a short closed tour that visits one node of each cluster.

    Parameters
    ----------
    distances : ndarray (n, n)
        Symmetric distances between nodes [any unit].
    clusters : sequence of int arrays
        The nodes of each cluster; the tour starts with the first cluster [-].
    precedence : iterable of (int, int)
        Clusters of which the first must be visited before the second [-].
    seed, kicks_per_cluster : int
        Same seed and budget, same answer [-].
    stop : callable
        Asked whether to end the search.

    Returns
    -------
    tuple of ndarray (len(clusters),) and float
        The nodes in the order of the tour, and its length [unit of `distances`].
    """
    sizes = [len(c) for c in clusters]
    if not sizes or min(sizes) == 0 or not np.array_equal(distances, distances.T):
        raise BadInput("clusters of at least one node each and symmetric distances are expected")
    befores: list[list[int]] = [[] for _ in clusters]
    for earlier, later in precedence:
        befores[later].append(earlier)
    if befores[0]:
        raise BadInput("the first cluster starts the tour; nothing can come before it")
    waits = _waits([f"cluster {i}" for i in range(len(clusters))], np.zeros(len(clusters), np.int64), befores)
    nodes = np.concatenate([np.asarray(c, np.int64) for c in clusters])
    model = _Model(
        np.ascontiguousarray(distances, np.float64),
        _starts(sizes),
        nodes,
        nodes,
        np.arange(len(nodes)),
        waits,
    )
    tour, chosen = _nearest_in(model)
    tour, _ = _search(model, tour, chosen, seed, kicks_per_cluster * len(clusters), stop)
    layers = [(nodes[model.first[c] : model.first[c + 1]],) * 2 for c in tour]
    return _best_cycle(layers, lambda a, b: distances[np.ix_(a, b)])


def check_order(
    order: Order,
    passes: Sequence[PassPoses],
    metric: TravelMetric,
    *,
    groups: Sequence[int] | None = None,
    after: Sequence[Collection[int]] | None = None,
    home_before: Collection[int] = (),
) -> tuple[str, ...]:
    """Return what is wrong with an order, in words; judged move by move, apart from the search.

    Parameters
    ----------
    order : Order
        The order to judge.
    passes, metric, groups, after, home_before
        As given to `order_passes` [-].
    """
    sequence = [int(i) for i in order.sequence]
    if sorted(sequence) != list(range(len(passes))):
        return (f"the order holds passes {sorted(sequence)}, each of 0..{len(passes) - 1} once expected",)
    wrong = []
    for at, i in enumerate(sequence):
        late = [passes[j].name for j in (after[i] if after is not None else ()) if j not in sequence[:at]]
        wrong += [f"pass {name} is cut after pass {passes[i].name}, before it expected" for name in late]
        if groups is not None and any(groups[j] > groups[i] for j in sequence[:at]):
            wrong.append(f"pass {passes[i].name} of group {groups[i]} is cut after a later group")
    total, pose, group = 0.0, list(metric.home), None
    for i, entry, turned in zip(sequence, order.entries, order.reversed, strict=True):
        vertices = passes[i].axes
        if not passes[i].closed and int(entry) != (len(vertices) - 1 if turned else 0):
            wrong.append(f"open pass {passes[i].name} is entered at vertex {entry}, not at an end")
        now = None if groups is None else groups[i]
        if group is not None and now != group and now in home_before:
            total += _one_move_s(metric, pose, metric.home)
            pose = list(metric.home)
        total += _one_move_s(metric, pose, vertices[entry]) + metric.lift_s
        pose = list(vertices[entry] if passes[i].closed else vertices[0 if turned else len(vertices) - 1])
        group = now
    total += _one_move_s(metric, pose, metric.home)
    if abs(total - order.travel_s) > 1e-6 * max(1.0, total):
        wrong.append(f"travel is {total:.6f} s, the order says {order.travel_s:.6f} s")
    return tuple(wrong)


def _one_move_s(
    metric: TravelMetric, start: Sequence[float] | Floats, end: Sequence[float] | Floats
) -> float:
    """Return the time of one move [s], axis by axis in plain numbers."""
    slowest = 0.0
    for axis, (p, q) in enumerate(zip(start, end, strict=True)):
        way, v, a = (
            abs(float(p) - float(q)),
            float(metric.max_speed[axis]),
            float(metric.max_acceleration[axis]),
        )
        if isfinite(metric.period[axis]):
            way = min(way % float(metric.period[axis]), -way % float(metric.period[axis]))
        slowest = max(slowest, way / v + v / a if way >= v * v / a else 2.0 * sqrt(way / a))
    return slowest


# --- groups, precedence, entries -----------------------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False)
class _Route:
    """The passes with their groups on one machine."""

    passes: tuple[PassPoses, ...]
    group_of: Ints
    metric: TravelMetric
    home_before: frozenset[int]

    def times(self, start: Floats, end: Floats) -> Floats:
        return travel_times(self.metric, start, end)

    def by_home(self, earlier: int, later: int) -> bool:
        """Tell whether the way from one pass to the next leads over home."""
        now = int(self.group_of[later])
        return now != int(self.group_of[earlier]) and now in self.home_before


@dataclass(frozen=True, slots=True)
class _Stage:
    """Passes of one group, in the order of nearest neighbour."""

    members: list[int]
    from_home: bool
    to_home: bool


def _waits(names: Sequence[str], group_of: Ints, after: Sequence[Collection[int]]) -> list[list[int]]:
    """Return, for each pass, the passes of its own group that come before it; refuse what cannot be."""
    waits: list[list[int]] = []
    for i, befores in enumerate(after):
        for j in befores:
            if not 0 <= j < len(names):
                raise BadInput(f"pass {names[i]} waits for pass number {j}, 0 to {len(names) - 1} expected")
            if group_of[j] > group_of[i]:
                raise BadInput(f"pass {names[i]} waits for pass {names[j]}, which is in a later group")
        waits.append(sorted({j for j in befores if group_of[j] == group_of[i]}))
    _refuse_circles(names, waits)
    return waits


def _refuse_circles(names: Sequence[str], waits: list[list[int]]) -> None:
    """Refuse passes that wait for each other, and name one circle of them."""
    left = set(range(len(waits)))
    while left:
        free = {i for i in left if not left.intersection(waits[i])}
        if not free:
            break
        left -= free
    if not left:
        return
    walk = [min(left)]
    while walk[-1] not in walk[:-1]:  # everyone left waits for someone left
        walk.append(min(left.intersection(waits[walk[-1]])))
    circle = walk[walk.index(walk[-1]) :]
    raise CannotBeDone(
        "passes wait for each other in a circle: " + " waits for ".join(names[i] for i in circle)
    )


def _options(one: PassPoses) -> tuple[Floats, Floats]:
    """Return the entry and exit poses of all options: every vertex, or forward and backward."""
    return (one.axes, one.axes) if one.closed else (one.axes[[0, -1]], one.axes[[-1, 0]])


def _nearest(route: _Route, waits: list[list[int]]) -> tuple[list[int], list[int]]:
    """Return the passes and options of nearest neighbour over all entries, group by group."""
    n = len(route.passes)
    entries = [_options(p)[0] for p in route.passes]
    owner = np.repeat(np.arange(n), [len(e) for e in entries])
    first = _starts([len(e) for e in entries])
    poses = np.concatenate(entries) if n else np.zeros((0, len(route.metric.home)))
    open_waits = [set(w) for w in waits]
    left = np.ones(n, bool)
    sequence: list[int] = []
    choices: list[int] = []
    pose = route.metric.home
    while left.any():
        group = route.group_of[left].min()
        free = np.array([left[i] and not open_waits[i] for i in range(n)]) & (route.group_of == group)
        if sequence and route.by_home(sequence[-1], int(np.flatnonzero(free)[0])):
            pose = route.metric.home
        candidates = np.flatnonzero(free[owner])
        best = int(candidates[np.argmin(route.times(pose[None], poses[candidates])[0])])
        i = int(owner[best])
        sequence.append(i)
        choices.append(best - int(first[i]))
        pose = _options(route.passes[i])[1][choices[-1]]
        left[i] = False
        for w in open_waits:
            w.discard(i)
    return sequence, choices


def _stages(route: _Route, nearest: list[int]) -> list[_Stage]:
    """Return the groups in the order they are cut, each in the order of nearest neighbour."""
    stages: list[_Stage] = []
    numbers = sorted({int(g) for g in route.group_of})
    for at, group in enumerate(numbers):
        stages.append(
            _Stage(
                [i for i in nearest if route.group_of[i] == group],
                from_home=at == 0 or group in route.home_before,
                to_home=at == len(numbers) - 1 or numbers[at + 1] in route.home_before,
            )
        )
    return stages


def _layers(route: _Route, sequence: list[int]) -> tuple[list[tuple[Floats, Floats]], list[int]]:
    """Return the options along the way, home included, and at which layer each pass stands."""
    home = (route.metric.home[None], route.metric.home[None])
    layers, where = [home], []
    for at, i in enumerate(sequence):
        if at and route.by_home(sequence[at - 1], i):
            layers.append(home)
        where.append(len(layers))
        layers.append(_options(route.passes[i]))
    return [*layers, home], where


def _with_best_entries(route: _Route, sequence: list[int]) -> tuple[list[int], float]:
    """Return the best options for an order, and the travel with them [s]."""
    layers, where = _layers(route, sequence)
    found, _ = _best_chain(layers, route.times)
    choices = [found[w] for w in where]
    return choices, _route_time(route, sequence, choices)


def _route_time(route: _Route, sequence: list[int], choices: list[int]) -> float:
    """Return the travel of an order with given options, lifts included [s]."""
    layers, where = _layers(route, sequence)
    taken = np.zeros(len(layers), np.int64)
    taken[where] = choices
    links = [
        route.times(a[1][i : i + 1], b[0][j : j + 1])[0, 0]
        for a, b, i, j in zip(layers[:-1], layers[1:], taken[:-1], taken[1:], strict=True)
    ]
    return float(sum(links)) + route.metric.lift_s * len(sequence)


def _end_of(route: _Route, sequence: list[int]) -> Floats:
    """Return the pose in which an order of passes ends when its entries are the best."""
    choices, _ = _with_best_entries(route, sequence)
    pose: Floats = _options(route.passes[sequence[-1]])[1][choices[-1]]
    return pose


def _vertices(route: _Route, sequence: list[int], choices: list[int]) -> tuple[Ints, Bools]:
    """Return entry vertices and which passes are run backwards."""
    closed = np.array([route.passes[i].closed for i in sequence], bool)
    last = np.array([len(route.passes[i].axes) - 1 for i in sequence], np.int64)
    taken = np.array(choices, np.int64)
    return np.where(closed, taken, taken * last), ~closed & (taken == 1)


_Times = Callable[[Any, Any], Floats]


def _best_chain(layers: Sequence[tuple[Any, Any]], times: _Times) -> tuple[list[int], float]:
    """Return the best option of each layer and their cost, by dynamic programming (Bellman 1957)."""
    cost = np.zeros(len(layers[0][0]))
    came: list[Ints] = []
    for before, here in pairwise(layers):
        total = cost[:, None] + times(before[1], here[0])
        came.append(np.argmin(total, axis=0))
        cost = total.min(axis=0)
    taken = [int(np.argmin(cost))]
    for back in reversed(came):
        taken.append(int(back[taken[-1]]))
    return taken[::-1], float(cost.min())


def _best_cycle(layers: list[tuple[Ints, Ints]], times: _Times) -> tuple[Ints, float]:
    """Return the best nodes of a closed tour through the layers and its length."""
    best: tuple[list[int], float] = ([], inf)
    for start in layers[0][0]:
        fixed = (np.array([start]), np.array([start]))
        found = _best_chain([fixed, *layers[1:], fixed], times)
        best = min(best, ([int(start), *found[0][1:-1]], found[1]), key=lambda f: f[1])
    nodes = np.array([best[0][0], *(layer[0][i] for layer, i in zip(layers[1:], best[0][1:], strict=True))])
    ahead = np.roll(nodes, -1)
    return nodes, float(sum(times(nodes[i : i + 1], ahead[i : i + 1])[0, 0] for i in range(len(nodes))))


# --- the search ----------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False)
class _Model:
    """A closed tour through clusters of options; cluster 0 stays at the front."""

    distances: Floats  # (m, m) symmetric, between ends
    first: Ints  # (n + 1,) options of cluster c are first[c] .. first[c + 1] - 1
    entry: Ints  # (o,) end where an option is entered
    exit: Ints  # (o,) end where it is left
    back: Ints  # (o,) the same option the other way round
    waits: list[list[int]]  # clusters that come before each


def _starts(sizes: Sequence[int]) -> Ints:
    return np.concatenate([[0], np.cumsum(np.asarray(sizes, np.int64))]).astype(np.int64)


def _search_stage(
    route: _Route,
    stage: _Stage,
    start: Floats,
    waits: list[list[int]],
    seed: int,
    kicks_per_pass: int,
    stop: Stop,
) -> list[int]:
    """Return one group's passes in an order of short travel."""
    if len(stage.members) < 2:
        return stage.members
    model, chosen = _stage_model(route, stage, start, waits)
    tour = np.arange(len(stage.members) + 1)
    tour, _ = _search(model, tour, chosen, seed, kicks_per_pass * len(stage.members), stop)
    return [stage.members[c - 1] for c in tour[1:]]


def _stage_model(route: _Route, stage: _Stage, start: Floats, waits: list[list[int]]) -> tuple[_Model, Ints]:
    """Return the model of one group; cluster 0 is left at its start and entered at its end."""
    spread = max(2, min(_SEARCH_ENTRIES, _LARGEST_MATRIX // len(stage.members)))
    ends, entry, leave, back, sizes = [start[None], route.metric.home[None]], [1], [0], [0], [1]
    at = 2
    for i in stage.members:
        one = route.passes[i]
        if one.closed:
            few = min(spread, len(one.axes))
            ends.append(one.axes[(np.arange(few) * len(one.axes)) // few])
            options = list(range(at, at + few))
            entry, leave, back = (
                entry + options,
                leave + options,
                back + list(range(len(back), len(back) + few)),
            )
        else:
            ends.append(one.axes[[0, -1]])
            few = 2
            entry, leave, back = [*entry, at, at + 1], [*leave, at + 1, at], [*back, len(back) + 1, len(back)]
        sizes.append(few)
        at += few
    poses = np.concatenate(ends)
    distances = route.times(poses, poses)
    if (
        not stage.to_home
    ):  # the way back to cluster 0 costs nothing: the next group starts where this one ends
        distances[1, :] = distances[:, 1] = 0.0
    local = {i: c for c, i in enumerate(stage.members, start=1)}
    model = _Model(
        distances,
        _starts(sizes),
        np.array(entry, np.int64),
        np.array(leave, np.int64),
        np.array(back, np.int64),
        [[], *([local[j] for j in waits[i]] for i in stage.members)],
    )
    return model, _chosen_for(model, np.arange(len(sizes)))


def _chosen_for(model: _Model, tour: Ints) -> Ints:
    """Return the best option of each cluster for a tour from and back to cluster 0."""
    options = [np.arange(model.first[c], model.first[c + 1]) for c in [*tour, tour[0]]]
    layers = [(model.entry[o], model.exit[o]) for o in options]
    taken, _ = _best_chain(layers, lambda a, b: model.distances[np.ix_(a, b)])
    chosen = np.zeros(len(tour), np.int64)
    chosen[tour] = [o[t] for o, t in zip(options[:-1], taken[:-1], strict=True)]
    return chosen


def _nearest_in(model: _Model) -> tuple[Ints, Ints]:
    """Return a tour of nearest neighbour from the first option of cluster 0."""
    n = len(model.first) - 1
    owner = np.repeat(np.arange(n), np.diff(model.first))
    tour, chosen = [0], np.zeros(n, np.int64)
    while len(tour) < n:
        free = [c not in tour and all(w in tour for w in model.waits[c]) for c in range(n)]
        candidates = np.flatnonzero(np.array(free)[owner])
        way = model.distances[model.exit[chosen[tour[-1]]], model.entry[candidates]]
        option = int(candidates[np.argmin(way)])
        tour.append(int(owner[option]))
        chosen[tour[-1]] = option
    return np.array(tour, np.int64), chosen


def _search(model: _Model, tour: Ints, chosen: Ints, seed: int, kicks: int, stop: Stop) -> tuple[Ints, Ints]:
    """Return the best tour found, and its options, from a start that keeps the precedence."""
    n = len(tour)
    if n < 3:
        return tour, chosen
    anneal = _compiled()
    lists = *_near_clusters(model), *_followers(model.waits)
    now, options = np.array(tour, np.int64), np.array(chosen, np.int64)
    best, best_options = now.copy(), options.copy()
    mean = _tour_length(model, now, options) / n
    per_round = max(1, kicks // _ROUNDS)
    for turn in range(_ROUNDS):
        if stop():
            break
        hot, cold = (mean * _HOT * (_COLD / _HOT) ** ((turn + step) / _ROUNDS) for step in (0, 1))
        anneal(
            model.distances, model.entry, model.exit, model.back, model.first, *lists,
            now, options, best, best_options, per_round, hot, cold, seed * _ROUNDS + turn,
        )  # fmt: skip
    return best, best_options


def _tour_length(model: _Model, tour: Ints, chosen: Ints) -> float:
    taken = chosen[tour]
    return float(model.distances[model.exit[taken], model.entry[np.roll(taken, -1)]].sum())


def _near_clusters(model: _Model) -> tuple[Ints, Floats]:
    """Return the nearest clusters of each, nearest first, and how far their closest options are."""
    between = model.distances[np.ix_(model.exit, model.entry)]
    between = np.minimum.reduceat(
        np.minimum.reduceat(between, model.first[:-1], axis=0), model.first[:-1], axis=1
    )
    np.fill_diagonal(between, inf)
    few = min(_NEIGHBOURS, len(between) - 1)
    near = np.argsort(between, axis=1, kind="stable")[:, :few]
    return np.ascontiguousarray(near, np.int64), np.ascontiguousarray(
        np.take_along_axis(between, near, axis=1)
    )


def _followers(waits: list[list[int]]) -> tuple[Ints, Ints]:
    """Return the clusters that must come after each, as one list with starts."""
    after: list[list[int]] = [[] for _ in waits]
    for later, befores in enumerate(waits):
        for earlier in befores:
            after[earlier].append(later)
    return _starts([len(a) for a in after]), np.array([c for a in after for c in a], np.int64)


# --- the compiled part ---------------------------------------------------------------------------------
# Plain functions until `_compiled` compiles them, so that importing this module stays cheap. A move takes two
# neighbouring stretches of the tour, positions i..j and j+1..k, and exchanges them, each perhaps turned
# round; k = j only turns the first. Position 0 never moves.


@cache
def _compiled() -> Callable[..., float]:
    """Compile the functions below, callees first, and return the outermost."""
    from numba import njit, types

    f, i, b = types.float64, types.int64, types.boolean
    d, v, m = types.float64[:, ::1], types.int64[::1], types.int64[:, ::1]
    for name, signature in {
        "_gain": f(d, v, v, v, v, i, i, i, b, b),
        "_keeps_precedence": b(v, v, v, v, i, i, i, b, b),
        "_rearrange": types.void(v, v, v, v, v, v, v, v, i, i, i, b, b),
        "_best_option": i(d, v, v, v, i, i, i),
        "_improve": f(d, v, v, v, v, m, d, v, v, v, v, v, v, v, v, v),
        "_anneal": f(d, v, v, v, v, m, d, v, v, v, v, v, v, i, f, f, i),
    }.items():
        plain = getattr(globals()[name], "py_func", globals()[name])
        globals()[name] = njit(signature, cache=True)(plain)
    compiled: Callable[..., float] = globals()["_anneal"]
    return compiled


def _gain(
    distances: Floats,
    entry: Ints,
    leave: Ints,
    tour: Ints,
    chosen: Ints,
    i: int,
    j: int,
    k: int,
    turn_a: bool,
    turn_b: bool,
) -> float:
    """Return by how much a move shortens the tour."""
    before = leave[chosen[tour[i - 1]]]
    behind = entry[chosen[tour[(k + 1) % tour.size]]]
    a_in, a_out = entry[chosen[tour[i]]], leave[chosen[tour[j]]]
    if k == j:
        old = distances[before, a_in] + distances[a_out, behind]
        return float(old - distances[before, a_out] - distances[a_in, behind]) if turn_a else 0.0
    b_in, b_out = entry[chosen[tour[j + 1]]], leave[chosen[tour[k]]]
    old = distances[before, a_in] + distances[a_out, b_in] + distances[b_out, behind]
    if turn_a:
        a_in, a_out = a_out, a_in
    if turn_b:
        b_in, b_out = b_out, b_in
    new = distances[before, b_in] + distances[b_out, a_in] + distances[a_out, behind]
    return float(old - new)


def _keeps_precedence(
    follow_first: Ints,
    follow: Ints,
    tour: Ints,
    where: Ints,
    i: int,
    j: int,
    k: int,
    turn_a: bool,
    turn_b: bool,
) -> bool:
    """Tell whether every cluster still comes before its followers after a move."""
    if follow.size == 0:
        return True
    for at in range(i, k + 1):
        in_a = at <= j
        c = tour[at]
        for f in range(follow_first[c], follow_first[c + 1]):
            other = where[follow[f]]
            if other > k:
                continue
            same = (other <= j) == in_a
            if (same and ((in_a and turn_a) or (not in_a and turn_b))) or not same:
                return False
    return True


def _rearrange(
    tour: Ints,
    where: Ints,
    chosen: Ints,
    back: Ints,
    scratch: Ints,
    queue: Ints,
    queued: Ints,
    span: Ints,
    i: int,
    j: int,
    k: int,
    turn_a: bool,
    turn_b: bool,
) -> None:
    """Do a move, queue the clusters at its seams and widen the touched range."""
    at = i
    for stretch in range(2):
        low, high, turn = (j + 1, k, turn_b) if stretch == 0 else (i, j, turn_a)
        for step in range(high - low + 1):
            c = tour[high - step] if turn else tour[low + step]
            if turn:
                chosen[c] = back[chosen[c]]
            scratch[at] = c
            at += 1
    for at in range(i, k + 1):
        tour[at] = scratch[at]
        where[scratch[at]] = at
    span[2], span[3] = min(span[2], i), max(span[3], k)
    n = tour.size
    seam = i + k - j
    for at in (i - 1, i, seam - 1, seam, k, (k + 1) % n):
        c = tour[at]
        if not queued[c]:
            queued[c] = 1
            queue[(span[0] + span[1]) % n] = c
            span[1] += 1


def _best_option(
    distances: Floats, entry: Ints, leave: Ints, first: Ints, c: int, start: int, end: int
) -> int:
    """Return the option of the shortest way from end to end through a cluster."""
    best, option = np.inf, int(first[c])
    for o in range(first[c], first[c + 1]):
        way = distances[start, entry[o]] + distances[leave[o], end]
        if way < best:
            best, option = way, o
    return option


def _improve(
    distances: Floats,
    entry: Ints,
    leave: Ints,
    back: Ints,
    first: Ints,
    near: Ints,
    near_way: Floats,
    follow_first: Ints,
    follow: Ints,
    tour: Ints,
    where: Ints,
    chosen: Ints,
    scratch: Ints,
    queue: Ints,
    queued: Ints,
    span: Ints,
) -> float:
    """Move clusters from the queue until none helps; return the gain.

    `span` holds the queue's head and length, and the lowest and highest position touched.
    """
    n = tour.size
    total = 0.0
    while span[1] > 0:
        c = queue[span[0]]
        span[0] = (span[0] + 1) % n
        span[1] -= 1
        queued[c] = 0
        while True:
            at = where[c]
            start, end = leave[chosen[tour[at - 1]]], entry[chosen[tour[(at + 1) % n]]]
            through = distances[start, entry[chosen[c]]] + distances[leave[chosen[c]], end]
            found = _best_option(distances, entry, leave, first, c, start, end)
            gain = through - distances[start, entry[found]] - distances[leave[found], end]
            best, best_option = max(gain, 1e-9), (found if gain > 1e-9 else -1)
            best_i, best_j, best_k, best_turn_a, best_turn_b = 0, 0, 0, False, False
            for rank in range(near.shape[1]):
                if near_way[c, rank] >= through:  # the links beside c can give no more than that
                    break
                q = near[c, rank]
                there = where[q]
                for kind in range(2 + 4 * 3):
                    turn_a, turn_b, option = False, False, -1
                    if kind == 0:  # c gets q as its next
                        i, j = min(at, there) + 1, max(at, there)
                        k, turn_a = j, True
                    elif kind == 1:  # c gets q as its previous
                        i, j = min(at, there), max(at, there) - 1
                        if i == 0:  # cluster 0 stays; the rest of the tour turns round instead
                            i, j = j + 1, n - 1
                        k, turn_a = j, True
                    else:  # a stretch that starts (0, 1) or ends (2, 3) with c goes behind (0, 3) or before q
                        long, way = (kind - 2) // 4, (kind - 2) % 4
                        low = at if way < 2 else at - long
                        high = low + long
                        to = there if way == 0 or way == 3 else (there - 1 + n) % n
                        turn = way == 1 or way == 3
                        if low < 1 or high > n - 1 or low - 1 <= to <= high or low <= there <= high:
                            continue
                        if long == 0 and way > 1:
                            continue
                        if to > high:
                            i, j, k, turn_a = low, high, to, turn
                        else:
                            i, j, k, turn_b = to + 1, low - 1, high, turn
                        if long == 0:
                            new_start, new_end = leave[chosen[tour[to]]], entry[chosen[tour[(to + 1) % n]]]
                            option = _best_option(distances, entry, leave, first, c, new_start, new_end)
                            turn_a, turn_b = False, False
                            gain = through - distances[start, end] + distances[new_start, new_end]
                            gain -= distances[new_start, entry[option]] + distances[leave[option], new_end]
                    if option < 0:
                        gain = _gain(distances, entry, leave, tour, chosen, i, j, k, turn_a, turn_b)
                    if gain > best and _keeps_precedence(
                        follow_first, follow, tour, where, i, j, k, turn_a, turn_b
                    ):
                        best, best_option = gain, option
                        best_i, best_j, best_k, best_turn_a, best_turn_b = i, j, k, turn_a, turn_b
            if best_i == 0 and best_option < 0:
                break
            total += best
            if best_i > 0:
                _rearrange(
                    tour, where, chosen, back, scratch, queue, queued, span,
                    best_i, best_j, best_k, best_turn_a, best_turn_b,
                )  # fmt: skip
            if best_option >= 0:
                chosen[c] = best_option
                span[2], span[3] = min(span[2], where[c]), max(span[3], where[c])
                for other in (tour[where[c] - 1], tour[(where[c] + 1) % n]):
                    if not queued[other]:
                        queued[other] = 1
                        queue[(span[0] + span[1]) % n] = other
                        span[1] += 1
    return total


def _anneal(
    distances: Floats,
    entry: Ints,
    leave: Ints,
    back: Ints,
    first: Ints,
    near: Ints,
    near_way: Floats,
    follow_first: Ints,
    follow: Ints,
    tour: Ints,
    chosen: Ints,
    best_tour: Ints,
    best_chosen: Ints,
    kicks: int,
    hot: float,
    cold: float,
    seed: int,
) -> float:
    """Improve tour and chosen in place, and keep the best of all; return the length of the best."""
    np.random.seed(seed)
    n = tour.size
    # loops instead of slices and copies: they compile in half the time
    where, scratch = np.empty(n, np.int64), np.empty(n, np.int64)
    queue, queued, span = np.empty(n, np.int64), np.empty(n, np.int64), np.empty(4, np.int64)
    kept_tour, kept_chosen = np.empty(n, np.int64), np.empty(n, np.int64)
    span[0], span[1], span[2], span[3] = 0, n, n, 0
    length, best = 0.0, 0.0
    for at in range(n):
        queue[at], queued[at] = tour[at], 1
        kept_tour[at], kept_chosen[at] = tour[at], chosen[at]
        where[tour[at]] = at
        length += distances[leave[chosen[tour[at - 1]]], entry[chosen[tour[at]]]]
        best += distances[leave[best_chosen[best_tour[at - 1]]], entry[best_chosen[best_tour[at]]]]
    kept = length
    for kick in range(kicks + 1):
        c = int(np.random.random() * n)
        choices = first[c + 1] - first[c]
        if kick > 0 and choices > 1 and np.random.random() < 0.5:
            at = where[c]  # another entry; the neighbours follow before the pass itself may go back
            start, end = leave[chosen[tour[at - 1]]], entry[chosen[tour[(at + 1) % n]]]
            length -= distances[start, entry[chosen[c]]] + distances[leave[chosen[c]], end]
            chosen[c] = first[c] + int(np.random.random() * choices)
            length += distances[start, entry[chosen[c]]] + distances[leave[chosen[c]], end]
            span[2], span[3] = at, at
            for other in (tour[at - 1], tour[(at + 1) % n], c):
                if not queued[other]:
                    queued[other] = 1
                    queue[(span[0] + span[1]) % n] = other
                    span[1] += 1
        elif kick > 0:  # the first round only improves
            i = 1 + int(np.random.random() * (n - 2))
            j = min(i + int(np.random.random() * _LONGEST_KICK), n - 2)
            k = min(j + 1 + int(np.random.random() * _LONGEST_KICK), n - 1)
            if not _keeps_precedence(follow_first, follow, tour, where, i, j, k, False, False):
                continue
            length -= _gain(distances, entry, leave, tour, chosen, i, j, k, False, False)
            _rearrange(tour, where, chosen, back, scratch, queue, queued, span, i, j, k, False, False)
        length -= _improve(
            distances, entry, leave, back, first, near, near_way, follow_first, follow, tour, where, chosen,
            scratch, queue, queued, span,
        )  # fmt: skip
        low, high = span[2], span[3]
        span[2], span[3] = n, 0
        heat = hot * (cold / hot) ** (kick / (kicks + 1.0)) if hot > 0.0 else 0.0
        if length < kept - heat * np.log(1.0 - np.random.random()):
            for at in range(low, high + 1):
                c = tour[at]
                kept_tour[at] = c
                kept_chosen[c] = chosen[c]
            kept = length
            if length < best - 1e-9:
                best = length
                for at in range(n):
                    best_tour[at], best_chosen[at] = tour[at], chosen[at]
        else:
            for at in range(low, high + 1):
                c = kept_tour[at]
                tour[at] = c
                where[c] = at
                chosen[c] = kept_chosen[c]
            length = kept
    return best
