"""In which order are the passes cut, and where is each entered? Block by block, from home and back."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from engine.errors import BadInput
from engine.order.net import Net, pass_net
from engine.order.poses import PassPoses, TravelMetric, move_times
from engine.order.search import best_options, compiled, nearest_order, refuse_circles, search
from engine.records import Floats, Ints, Order, Report, Stop, ignore, never

KICKS_PER_PASS = 15
_KICKS_LARGE, _LARGE = 8, 500  # a pass of a job this large: kicks gain less there and cost the same
_TRIES = 4  # of groups searched anew, ending with another pass, so that the next one can keep the rules
_SEARCH_ENTRIES = 16  # entries of a closed pass that the search looks at; the last step looks at all of them


def order_passes(
    passes: Sequence[PassPoses],
    metric: TravelMetric,
    *,
    groups: Sequence[int] | None = None,
    after: Sequence[Collection[int]] | None = None,
    apart: Collection[tuple[int, int]] = (),
    home_before: Collection[int] = (),
    seed: int = 0,
    kicks_per_pass: int | None = None,
    report: Report = ignore,
    stop: Stop = never,
) -> Order:
    """Return the order of passes, and their entries, of short travel from home and back.

    Groups are cut one after the other, in increasing number; each starts where the one before ended, or at
    home where the cutter is changed. Two passes of `apart` are never cut one straight after the other, unless
    no order is found that keeps all such pairs apart: then as few as may be, and the order names them. When
    `stop` asks for an end, the best order so far is returned.

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
    apart : collection of (int, int)
        Pairs of passes that must not follow each other, in either sense [-].
    home_before : collection of int
        Groups that start at home, as after a change of cutter [-].
    seed : int
        Same seed and budget, same answer [-].
    kicks_per_pass : int, optional
        Budget of the search; None: 15, and 8 in a group of 500 passes or more [-].
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
    beside = _beside([p.name for p in passes], apart)
    compiled(report, len(passes))
    net = pass_net(passes, metric, waits, None, beside=beside)
    route = _Route(tuple(passes), group_of, metric, frozenset(home_before), net, waits, beside)
    nearest, nearest_options = _nearest(route)
    stages = _stages(route, nearest)
    budget = _Budget(seed, kicks_per_pass, stop, report)
    sequence = _search_stages(route, stages, frozenset(), budget)
    barred: frozenset[int] = frozenset()
    for _ in range(_TRIES):  # what a group's end leaves open to the next one is not seen before
        ends = _ends_before(route, sequence, {int(route.group_of[j]) for _, j in _together(route, sequence)})
        if ends <= barred or stop():
            break
        barred |= ends
        again = _search_stages(route, stages, barred, budget)
        sequence = min(sequence, again, key=lambda found: len(_together(route, found)))
    taken, travel_s = _with_best_entries(route, sequence)
    if len(stages) > 1:  # group by group the search does not see what a group's end costs the next
        near_taken, near_s = _with_best_entries(route, nearest)
        if (len(_together(route, nearest)), near_s) < (len(_together(route, sequence)), travel_s):
            sequence, taken, travel_s = nearest, near_taken, near_s
    entries, reverse = route.net.vertex[taken], route.net.backwards[taken] == 1
    return Order(
        sequence=np.array(sequence, np.int64),
        entries=entries,
        reversed=reverse,
        travel_s=travel_s,
        travel_nearest_s=_route_time(route, nearest, nearest_options),
        wound_deg=_wound(route, taken),
        together=_together(route, sequence),
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Route:
    """The passes with their groups on one machine, and every option of theirs; home is the last cluster."""

    passes: tuple[PassPoses, ...]
    group_of: Ints
    metric: TravelMetric
    home_before: frozenset[int]
    net: Net
    waits: list[list[int]]
    beside: list[list[int]]

    def by_home(self, earlier: int, later: int) -> bool:
        """Tell whether the way from one pass to the next leads over home."""
        now = int(self.group_of[later])
        return now != int(self.group_of[earlier]) and now in self.home_before


@dataclass(frozen=True, slots=True)
class _Budget:
    """How long the search runs, and who is told."""

    seed: int
    kicks_per_pass: int | None
    stop: Stop
    report: Report


@dataclass(frozen=True, slots=True)
class _Stage:
    """Passes of one group, in the order of nearest neighbour."""

    members: list[int]
    from_home: bool
    to_home: bool
    first_after: set[int]  # passes that may be the first of the next stage, where home does not lie between

    def clashes_with_next(self, route: _Route, i: int) -> bool:
        """Tell whether none of the next stage may follow a pass."""
        return bool(self.first_after) and self.first_after <= set(route.beside[i])


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
    refuse_circles(names, waits)
    return waits


def _beside(names: Sequence[str], apart: Collection[tuple[int, int]]) -> list[list[int]]:
    """Return, for each pass, those that must not be cut straight before or after it."""
    beside: list[set[int]] = [set() for _ in names]
    for i, j in apart:
        if not (0 <= i < len(names) and 0 <= j < len(names)) or i == j:
            raise BadInput(f"passes {i} and {j} are to be kept apart, two of 0 to {len(names) - 1} expected")
        beside[i].add(j)
        beside[j].add(i)
    return [sorted(some) for some in beside]


def _together(route: _Route, sequence: Sequence[int]) -> tuple[tuple[int, int], ...]:
    """Return the pairs that an order does not keep apart; home between them does."""
    return tuple((i, j) for i, j in pairwise(sequence) if j in route.beside[i] and not route.by_home(i, j))


def _ends_before(route: _Route, sequence: Sequence[int], groups: Collection[int]) -> frozenset[int]:
    """Return the last passes before these groups begin."""
    changes = [(i, j) for i, j in pairwise(sequence) if route.group_of[i] != route.group_of[j]]
    return frozenset(i for i, j in changes if int(route.group_of[j]) in groups)


def _nearest(route: _Route) -> tuple[list[int], Ints]:
    """Return the passes and options of nearest neighbour over all entries, group by group."""
    home = len(route.passes)
    home_end = int(route.net.options[1, route.net.starts[0, home]])
    sequence: list[int] = []
    taken: list[Ints] = []
    end = home_end
    for group in np.unique(route.group_of):
        members = np.flatnonzero(route.group_of == group)
        if sequence and int(group) in route.home_before:
            end = home_end
        order, options, end = nearest_order(route.net, members, end)
        sequence += order.tolist()
        taken.append(options)
    return sequence, np.concatenate(taken) if taken else np.zeros(0, np.int64)


def _stages(route: _Route, nearest: list[int]) -> list[_Stage]:
    """Return the groups in the order they are cut, each in the order of nearest neighbour."""
    numbers = sorted({int(g) for g in route.group_of})
    members = [[i for i in nearest if route.group_of[i] == group] for group in numbers]
    by_home = [True, *(group in route.home_before for group in numbers[1:]), True]
    return [
        _Stage(
            some,
            from_home=by_home[at],
            to_home=by_home[at + 1],
            first_after=set() if by_home[at + 1] else {i for i in members[at + 1] if not route.waits[i]},
        )
        for at, some in enumerate(members)
    ]


def _search_stages(
    route: _Route, stages: Sequence[_Stage], barred: frozenset[int], budget: _Budget
) -> list[int]:
    """Return all passes in an order of short travel; no group ends with a pass that is `barred`."""
    sequence: list[int] = []
    for stage in stages:
        last = sequence[-1] if sequence and not stage.from_home else None
        sequence += _search_stage(route, stage, sequence, last, barred, budget)
    return sequence


def _search_stage(
    route: _Route,
    stage: _Stage,
    done: list[int],
    last: int | None,
    barred: frozenset[int],
    budget: _Budget,
) -> list[int]:
    """Return one group's passes in an order of short travel, after the `last` pass of the group before."""
    if len(stage.members) < 2:
        return stage.members
    local = {i: c for c, i in enumerate(stage.members)}
    net = pass_net(
        [route.passes[i] for i in stage.members],
        route.metric,
        [[local[j] for j in route.waits[i]] for i in stage.members],
        _SEARCH_ENTRIES,
        beside=[[local[j] for j in route.beside[i] if j in local] for i in stage.members],
        not_first=[] if last is None else [local[j] for j in route.beside[last] if j in local],
        not_last=[local[i] for i in stage.members if i in barred or stage.clashes_with_next(route, i)],
        start=route.metric.home if last is None else _end_of(route, done),
        to_home=stage.to_home,
    )
    kicks = budget.kicks_per_pass
    if kicks is None:
        kicks = KICKS_PER_PASS if len(stage.members) < _LARGE else _KICKS_LARGE

    def told(share: float) -> None:
        way = len(done) + int(share * len(stage.members))
        budget.report(way, len(route.passes), "order of the passes")

    tour = search(net, np.arange(len(stage.members) + 1), budget.seed, kicks, stop=budget.stop, told=told)
    return [stage.members[c - 1] for c in tour[1:]]


def _with_home(route: _Route, sequence: list[int]) -> tuple[list[int], list[int]]:
    """Return the clusters along the way, home included, and at which place each pass stands."""
    home = len(route.passes)
    clusters, where = [home], []
    for at, i in enumerate(sequence):
        if at and route.by_home(sequence[at - 1], i):
            clusters.append(home)
        where.append(len(clusters))
        clusters.append(i)
    return [*clusters, home], where


def _with_best_entries(route: _Route, sequence: list[int]) -> tuple[Ints, float]:
    """Return the best options for an order, and the travel with them [s]."""
    clusters, where = _with_home(route, sequence)
    taken, _ = best_options(route.net, np.array(clusters))
    options = taken[where]
    return options, _route_time(route, sequence, options)


def _route_time(route: _Route, sequence: list[int], options: Ints) -> float:
    """Return the travel of an order with given options, lifts included, from its moves alone [s]."""
    net, metric = route.net, route.metric
    clusters, where = _with_home(route, sequence)
    entries, exits = np.tile(metric.home, (2, len(clusters), 1))
    entries[where] = net.table[net.options[0, options], : len(net.axes)]
    exits[where] = net.table[net.options[1, options], : len(net.axes)]
    lifts = metric.lift_s * len(sequence)
    for i, option in zip(sequence, options, strict=True):
        one, entry = route.passes[i], int(net.vertex[option])
        leave = entry if one.closed or one.returns else len(one.axes) - 1 - entry
        lifts += float(one.plunge_s[entry] + one.retract_s[leave])
    return float(move_times(metric, exits[:-1], entries[1:]).sum()) + lifts


def _end_of(route: _Route, sequence: list[int]) -> Floats:
    """Return the pose in which an order of passes ends when its entries are the best."""
    options, _ = _with_best_entries(route, sequence)
    pose: Floats = route.net.table[route.net.options[1, options[-1]], : len(route.net.axes)]
    return pose


def _wound(route: _Route, options: Ints) -> Floats:
    """Return where the first winding axis stands at entry and exit of each pass [deg]; none: no rows."""
    if not route.metric.winding:
        return np.zeros((0, 2))
    axis = route.metric.winding[0]
    return np.ascontiguousarray(route.net.table[route.net.options[:2, options], axis].T)
