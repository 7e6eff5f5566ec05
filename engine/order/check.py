"""Is an order what it says? Judged move by move, in plain numbers, by code that the search does not use."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from itertools import pairwise
from math import isfinite, sqrt

from engine.order.poses import PassPoses, TravelMetric
from engine.records import Order

_SAME_S = 1e-6  # share of the travel by which two sums may differ
_SAME_DEG = 1e-6
_FEW = 14  # passes of which all orders are gone through


def check_order(
    order: Order,
    passes: Sequence[PassPoses],
    metric: TravelMetric,
    *,
    groups: Sequence[int] | None = None,
    after: Sequence[Collection[int]] | None = None,
    apart: Collection[tuple[int, int]] = (),
    home_before: Collection[int] = (),
) -> tuple[str, ...]:
    """Return what is wrong with an order, in words; none: every pass once, all rules kept, travel true.

    Parameters
    ----------
    order : Order
        The order to judge.
    passes, metric, groups, after, apart, home_before
        As given to `order_passes` [-].
    """
    sequence = [int(i) for i in order.sequence]
    if sorted(sequence) != list(range(len(passes))):
        return (f"the order holds passes {sorted(sequence)}, each of 0..{len(passes) - 1} once expected",)
    wrong = list(_late(sequence, passes, groups, after))
    wrong += _not_apart(order, passes, groups, after, apart, home_before)
    home = [float(v) for v in metric.home]
    total, pose, group = 0.0, home, None
    for at, i in enumerate(sequence):
        one, entry, turned = passes[i], int(order.entries[at]), bool(order.reversed[at])
        wrong += _entry_faults(one, entry, turned)
        now = None if groups is None else groups[i]
        if at and now != group and now in home_before:
            total += _one_move_s(metric, pose, home)
            pose = home
        start, end, leave = _poses_of(one, entry, turned)
        if len(order.wound_deg):
            axis = _first_winding(metric)
            shift = float(order.wound_deg[at, 0]) - start[axis]
            start[axis], end[axis] = start[axis] + shift, end[axis] + shift
            wrong += _winding_faults(one, entry, turned, shift, axis, metric)
            if abs(float(order.wound_deg[at, 1]) - end[axis]) > _SAME_DEG:
                said = float(order.wound_deg[at, 1])
                wrong.append(f"pass {one.name} ends at {end[axis]:.3f} deg, the order says {said:.3f}")
        total += _one_move_s(metric, pose, start) + metric.lift_s
        total += float(one.plunge_s[entry]) + float(one.retract_s[leave])
        pose, group = end, now
    total += _one_move_s(metric, pose, home)
    if abs(total - order.travel_s) > _SAME_S * max(1.0, total):
        wrong.append(f"travel is {total:.6f} s, the order says {order.travel_s:.6f} s")
    return tuple(wrong)


def _late(
    sequence: list[int],
    passes: Sequence[PassPoses],
    groups: Sequence[int] | None,
    after: Sequence[Collection[int]] | None,
) -> Iterator[str]:
    """Tell the passes that are cut too early, and the groups that are cut too late."""
    done: set[int] = set()
    for i in sequence:
        for j in after[i] if after is not None else ():
            if j not in done:
                yield f"pass {passes[j].name} is cut after pass {passes[i].name}, before it expected"
        if groups is not None and any(groups[j] > groups[i] for j in done):
            yield f"pass {passes[i].name} of group {groups[i]} is cut after a later group"
        done.add(i)


def _not_apart(
    order: Order,
    passes: Sequence[PassPoses],
    groups: Sequence[int] | None,
    after: Sequence[Collection[int]] | None,
    apart: Collection[tuple[int, int]],
    home_before: Collection[int],
) -> Iterator[str]:
    """Tell the pairs that follow each other and must not, unless the order owns up to them and needs them."""
    sequence, told = [int(i) for i in order.sequence], {(int(i), int(j)) for i, j in order.together}
    group = [0] * len(passes) if groups is None else list(groups)
    bad = {(i, j) for pair in apart for i, j in (tuple(pair), tuple(pair)[::-1])}
    found = set()
    for i, j in pairwise(sequence):
        if (i, j) in bad and not (group[i] != group[j] and group[j] in home_before):
            found.add((i, j))
            if (i, j) not in told:
                yield f"pass {passes[j].name} follows pass {passes[i].name}, which it must not"
    for i, j in sorted(told - found):
        yield f"the order says that pass {passes[j].name} follows pass {passes[i].name}, but it does not"
    if not found:
        return
    waits = [()] * len(passes) if after is None else after
    if len(passes) <= _FEW:
        least = _least_together(len(passes), bad, group, waits, home_before)
    else:
        least = 0 if home_before else _parts(len(passes), bad) - 1
    if len(found) > least:
        yield f"{len(found)} pairs follow each other that must not; {least} are known to be needed"


def _least_together(
    count: int,
    bad: Collection[tuple[int, int]],
    group: Sequence[int],
    waits: Sequence[Collection[int]],
    home_before: Collection[int],
) -> int:
    """Return how few bad pairs an order that keeps the precedence has at least, from all sets of passes."""
    best = {(0, -1): 0}
    for _ in range(count):
        further: dict[tuple[int, int], int] = {}
        for (done, last), cost in best.items():
            for i in range(count):
                earlier = [j for j in range(count) if j in waits[i] or group[j] < group[i]]
                if done >> i & 1 or any(not done >> j & 1 for j in earlier):
                    continue
                by_home = last >= 0 and group[last] != group[i] and group[i] in home_before
                more = cost + ((last, i) in bad and not by_home)
                key = done | 1 << i, i
                further[key] = min(further.get(key, more), more)
        best = further
    return min(best.values())


def _parts(count: int, bad: Collection[tuple[int, int]]) -> int:
    """Return into how many parts the passes fall if only good pairs are joined: a way joins no two parts."""
    left, parts = set(range(count)), 0
    while left:
        parts += 1
        todo = [left.pop()]
        while todo:
            one = todo.pop()
            near = {j for j in left if (one, j) not in bad}
            left -= near
            todo += near
    return parts


def _entry_faults(one: PassPoses, entry: int, turned: bool) -> list[str]:
    if not one.closed and entry != (len(one.axes) - 1 if turned else 0):
        return [f"open pass {one.name} is entered at vertex {entry}, not at an end"]
    return []


def _poses_of(one: PassPoses, entry: int, turned: bool) -> tuple[list[float], list[float], int]:
    """Return the poses at entry and exit of a pass, and the vertex at which it is left."""
    leave = entry if one.closed or one.returns else (0 if turned else len(one.axes) - 1)
    end = [float(v) for v in one.axes[leave]]
    if one.closed:
        sense = -1.0 if turned else 1.0
        end = [v + sense * float(r) * one.rounds for v, r in zip(end, one.round_deg, strict=True)]
    return [float(v) for v in one.axes[entry]], end, leave


def _first_winding(metric: TravelMetric) -> int:
    limited = [isfinite(a) or isfinite(b) for a, b in zip(metric.lowest, metric.highest, strict=True)]
    return limited.index(True)


def _winding_faults(
    one: PassPoses, entry: int, turned: bool, shift: float, axis: int, metric: TravelMetric
) -> list[str]:
    """Tell whether a winding axis leaves its limits on the way along a pass, or jumps between its turns."""
    if abs(shift / 360.0 - round(shift / 360.0)) > _SAME_DEG:
        return [f"pass {one.name} is shifted by {shift:.3f} deg, whole turns expected"]
    count = len(one.axes)
    low, high = float(metric.lowest[axis]), float(metric.highest[axis])
    for step in range(count * one.rounds + 1 if one.closed else count):
        vertex, advance = step, 0.0
        if one.closed:
            whole, vertex = divmod(entry - step if turned else entry + step, count)
            advance = whole * float(one.round_deg[axis])
        value = float(one.axes[vertex, axis]) + advance + shift
        if not low - _SAME_DEG <= value <= high + _SAME_DEG:
            return [f"pass {one.name} takes an axis to {value:.1f} deg, limits {low:.1f} to {high:.1f}"]
    return []


def _one_move_s(metric: TravelMetric, start: Sequence[float], end: Sequence[float]) -> float:
    """Return the time of one move [s], axis by axis."""
    slowest = 0.0
    for axis, (p, q) in enumerate(zip(start, end, strict=True)):
        way, period = abs(float(p) - float(q)), float(metric.period[axis])
        v, a = float(metric.max_speed[axis]), float(metric.max_acceleration[axis])
        if isfinite(period):
            way = min(way % period, -way % period)
        slowest = max(slowest, way / v + v / a if way >= v * v / a else 2.0 * sqrt(way / a))
    return slowest
