"""Who carves what, where and when? The best in every tier, with proof as far as it goes."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from importlib.metadata import version
from time import monotonic

import numpy as np

from planner.optimizer.around import (
    around_cuts,
    cut_sooner,
    cuts_alone,
    has_more_steps,
    in_order_of_cuts,
)
from planner.optimizer.board import Board
from planner.optimizer.bound import lower_bounds
from planner.optimizer.days import is_shareable, share_days
from planner.optimizer.exact import repair, solve_exactly
from planner.optimizer.floor import Floor
from planner.optimizer.greedy import MANY, cost_of, greedy, is_done, shift_late
from planner.optimizer.improve import improve
from planner.optimizer.keep import board_of_rows, kept_board, moved_of
from planner.optimizer.master import by_open_times
from planner.optimizer.model import Effort
from planner.optimizer.orders import JUDGED, Settled, is_able, settle
from planner.optimizer.problem import Plan, PlanProblem, Tier
from planner.optimizer.relaxed import by_shares, fits
from planner.optimizer.verify import verify
from planner.optimizer.verify_tiers import tier_values
from planner.optimizer.why import why

Report = Callable[[int, int, str], None]
Stop = Callable[[], bool]

TINY, SMALL = 1000, 3500
"""So many possible pairs of steps on one resource are left to the exact model alone, or as the last means."""
FREE_JOBS = 14
POLISHED_SETTLED, POLISHED_SMALL, POLISHED, POLISHED_MANY, POLISHED_STEPS = 0.92, 0.5, 0.75, 0.65, 0.85
"""Share of the time that goes into better plans; the rest is for what no plan can go below."""
SHARED, IMPROVED, SETTLED = 0.65, 0.05, 0.85
"""For few jobs: until then they are shared out over the days; if that proves nothing, the plan is improved
for so long, and until then the best order in every open time is looked for."""
FEW, GREEDY = 40, 0.4
"""With more steps than the cut: every order of placing, for few jobs or with hands to spare, until then."""
CUTS_TRIED, CUTS_ENOUGH, CUTS_SHARE, CUTS_UNTIL = 8, 3, 0.05, 0.45
"""How often cuts are planned alone, at least if nothing is undone, each time for so long, until then."""
ROUNDS = 40
"""Rounds of improvement where the answer must be repeatable, in place of time."""


REPEATABLE_BOUND_S = 120.0
"""A limit that the linear programmes of a repeatable answer do not come near."""


def ignore(done: int, total: int, note: str) -> None:
    """Take a report and do nothing with it."""


def never() -> bool:
    """Never ask for an end."""
    return False


def solve(
    problem: PlanProblem,
    *,
    seconds: float = 30.0,
    workers: int = 2,
    seed: int = 0,
    report: Report = ignore,
    stop: Stop = never,
    repeatable: bool = False,
    most_moved: float | None = None,
    begin: Plan | None = None,
) -> Plan:
    """Return the best plan that the time allows, with what is proven about it.

    Parameters
    ----------
    problem : PlanProblem
        Jobs, resources, people, cutters, pins and tiers [-].
    seconds : float
        Time for the whole [s].
    workers : int
        Threads of the solver [-].
    seed : int
        Source of all chance [-].
    report : Callable
        Told (done, total, note) as the work goes on [-].
    stop : Callable
        Asked often; True ends the work with the best plan so far [-].
    repeatable : bool
        Count work in place of seconds, so that one worker and one seed give one plan; the relaxation's bound
        then comes from fractions alone, and `seconds` is in the solver's own units [-].
    most_moved : float, optional
        Such a share of the published steps may move, beside those that must, even where more would leave less
        undone [-].
    begin : Plan, optional
        A plan of the same problem, of a search that was stopped: it goes on from there [-].
    """
    clock = _Clock(monotonic(), seconds, stop, report)
    floor = Floor(problem)
    first = _first(floor, most_moved, clock, Effort(seconds, workers, seed, repeatable))
    if begin is not None and not verify(problem, replace(begin, tiers={})):
        first = min(first, board_of_rows(floor, begin.rows), key=cost_of)
    if most_moved is not None:
        must = moved_of(first)
        floor.most_moved = must + int(most_moved * (len(floor.published) - must))
    clock.tell("a first plan stands")
    effort = Effort(seconds, workers, seed, repeatable)
    best, bounds = _better(floor, first, clock, effort, begin is not None)
    clock.tell("looking for what no plan can go below")
    bounds = _bounded(problem, floor, best, bounds, clock, repeatable)
    if (
        _is_small(floor)
        and not is_able(floor)
        and floor.most_moved is None
        and not _proven(floor, best, bounds)
        and not clock.stop()
    ):
        best, proved = _exactly(floor, best, clock, effort, 0.95)
        bounds = _merged(floor, best, bounds, proved)
    plan, breaches = _checked(problem, floor, (best, first), bounds)
    for breach in breaches:
        clock.tell(f"breach: {breach}")
    clock.tell("done", ended=True)
    return replace(plan, seed=seed, seconds=round(clock.passed(), 3), versions=_versions())


def first_plan(problem: PlanProblem) -> Plan:
    """Return a valid plan at once; after a breakdown it stays as near as may be to the published one.

    Parameters
    ----------
    problem : PlanProblem
        Jobs, resources, people, cutters, pins and tiers [-].
    """
    floor = Floor(problem)
    board = kept_board(floor)
    if board is None:
        at_once = _Clock(monotonic(), 0.0, never, ignore)
        board = _first(floor, None, at_once, Effort(0.0))
    plan, breaches = _checked(problem, floor, (board, board), {})
    if breaches:
        plan, _ = _checked(problem, floor, (greedy(floor),) * 2, {})
    return replace(plan, versions=_versions())


def checked_plan(problem: PlanProblem, floor: Floor, board: Board) -> Plan:
    """Return a board as a plan without proof; raises where the checker finds a breach.

    Parameters
    ----------
    problem : PlanProblem
        What the plan must keep to [-].
    floor : Floor
        The same in numbers [-].
    board : Board
        What is placed [-].
    """
    plan = _plan(problem, floor, board, {})
    breaches = verify(problem, plan)
    if breaches:
        raise ValueError(f"the plan breaks a rule: {breaches[0]} ({len(breaches)} in all)")
    return plan


def _first(floor: Floor, most_moved: float | None, clock: _Clock, effort: Effort) -> Board:
    """Return the cheaper of a plan made anew and one that keeps to what was published."""
    kept = kept_board(floor)
    if kept is not None and most_moved is not None:
        return kept
    fresh = _cuts_first(floor, clock, effort) if has_more_steps(floor) else greedy(floor)
    return fresh if kept is None or cost_of(fresh) < cost_of(kept) else kept


def _cuts_first(floor: Floor, clock: _Clock, effort: Effort) -> Board:
    """Return a plan made around the cuts, planned alone for a part of the time, or one made at once."""
    cuts = Floor(cuts_alone(floor))
    board = greedy(cuts)
    found = [_all_steps(floor, board)]
    if len(floor.jobs) <= FEW or not cost_of(found[0])[0]:
        found.append(greedy(floor, clock.going(GREEDY) if clock.seconds else lambda: True))
    rng = np.random.default_rng(effort.seed)
    for _ in range(CUTS_TRIED if clock.seconds else 0):
        if effort.deterministic:
            board = improve(board, rng, lambda: not clock.stop(), ROUNDS)
        elif not clock.going(CUTS_UNTIL)():
            break
        else:
            until = clock.passed() + CUTS_SHARE * clock.seconds
            board = improve(board, rng, lambda until=until: clock.passed() < until and not clock.stop())  # type: ignore[misc]
        found.append(_all_steps(floor, board))
        if not cost_of(found[-1])[0] and len(found) > CUTS_ENOUGH:
            break
        sooner = cut_sooner(floor, board, found[-1])
        if sooner is not board.floor.problem:
            board = greedy(Floor(sooner))
    return min(found, key=cost_of)


def _all_steps(floor: Floor, cuts: Board) -> Board:
    """Return a plan of all steps from one of the cuts; with hands to spare each cut may stay where it is."""
    board = shift_late(in_order_of_cuts(floor, cuts))
    if all(is_done(board, j) for j in range(len(floor.jobs))):
        board = min(board, shift_late(around_cuts(floor, cuts)), key=cost_of)
    return board


@dataclass(frozen=True, slots=True)
class _Clock:
    begin: float
    seconds: float
    stop: Stop
    report: Report

    def passed(self) -> float:
        return monotonic() - self.begin

    def left(self, share: float = 1.0) -> float:
        return max(0.0, share * self.seconds - self.passed())

    def going(self, share: float = 1.0) -> Callable[[], bool]:
        return lambda: self.left(share) > 0 and not self.stop()

    def tell(self, note: str, ended: bool = False) -> None:
        whole = max(1, round(self.seconds))
        self.report(whole if ended else min(whole, round(self.passed())), whole, note)


# --- better -------------------------------------------------------------------------------------


def _better(
    floor: Floor, first: Board, clock: _Clock, effort: Effort, is_begun: bool
) -> tuple[Board, dict[str, int]]:
    """Return a better plan and what the exact model proved on the way."""
    if not floor.jobs or clock.stop():
        return first, {}
    if _pairs(floor) <= TINY and floor.most_moved is None:
        return _exactly(floor, first, clock, effort, 0.8)
    if floor.most_moved is None and is_able(floor):
        settled = _settled(floor, first, clock, effort)
        settled.bounds = _relaxed(floor, settled, clock, effort)
        return min(first, _polish(floor, settled.board, clock, effort), key=cost_of), settled.bounds
    best = _started(floor, first, clock, effort, is_begun)
    return min(first, _polish(floor, best, clock, effort), key=cost_of), {}


def _settled(floor: Floor, first: Board, clock: _Clock, effort: Effort) -> Settled:
    """Return the best order in every open time, with what is proven of the first tiers."""
    shared, left = Settled(first), effort.seconds
    if is_shareable(floor):
        seconds = SHARED * (left if effort.deterministic else clock.left())
        shared = share_days(floor, first, replace(effort, seconds=seconds), lambda: not clock.stop())
        if _reaches(shared):
            clock.tell("no other sharing out over the days is better")
            return shared
        left *= 1 - SHARED
    rng = np.random.default_rng(effort.seed)
    if effort.deterministic:
        board = improve(shared.board, rng, lambda: not clock.stop(), ROUNDS)
        left *= SETTLED
    else:
        board = improve(shared.board, rng, clock.going(clock.passed() / clock.seconds + IMPROVED))
        left = clock.left(SETTLED)
    settled = settle(floor, board, replace(effort, seconds=left), lambda: not clock.stop())
    settled.bounds = _higher(shared, settled)
    clock.tell("the order in every open time is looked through")
    return settled


def _relaxed(floor: Floor, settled: Settled, clock: _Clock, effort: Effort) -> dict[str, int]:
    """Return the bounds of the first tiers, raised by the relaxation, before time goes into the rest."""
    values = dict(zip(floor.tiers, cost_of(settled.board), strict=True))
    seconds = REPEATABLE_BOUND_S if effort.deterministic else clock.left(POLISHED_SETTLED)
    relaxed = lower_bounds(
        floor.problem,
        values,
        seconds,
        lambda: not clock.stop(),
        fractions_only=effort.deterministic,
        only=JUDGED,
    )
    return {name: max(bound, settled.bounds.get(name, 0)) for name, bound in relaxed.items()}


def _reaches(settled: Settled) -> bool:
    """Return whether a board reaches what the first tiers cannot be less than."""
    judged = dict(zip(settled.board.floor.tiers, cost_of(settled.board), strict=True))
    return all(settled.bounds.get(name) == value for name, value in judged.items() if name in JUDGED)


def _higher(shared: Settled, settled: Settled) -> dict[str, int]:
    """Return the higher bound of each tier, as far as the boards they were made for cost the same."""
    bounds = dict(settled.bounds)
    costs = zip(cost_of(shared.board), cost_of(settled.board), strict=True)
    for name, (before, after) in zip(settled.board.floor.tiers, costs, strict=True):
        if name in shared.bounds:
            bounds[name] = min(after, max(bounds.get(name, 0), shared.bounds[name]))
        if before != after:
            break
    return bounds


def _exactly(
    floor: Floor, board: Board, clock: _Clock, effort: Effort, until: float
) -> tuple[Board, dict[str, int]]:
    seconds = effort.seconds * until if effort.deterministic else clock.left(until)
    going = clock.going(until + 0.05)
    proof = solve_exactly(
        floor,
        board,
        replace(effort, seconds=seconds),
        lambda: not clock.stop() and (effort.deterministic or going()),
    )
    clock.tell("the exact model has ended")
    return proof.board, proof.bounds


def _started(floor: Floor, first: Board, clock: _Clock, effort: Effort, is_begun: bool) -> Board:
    """Return the best of several beginnings, each made a little better."""
    if floor.published:  # what is published is the beginning; anything made anew would move too much
        return first
    if has_more_steps(floor):  # sharing out knows the cuts alone, and has been tried
        return first
    starts = by_shares(floor, 0.3 * effort.seconds, lambda: not clock.stop()) if fits(floor) else []
    if len(floor.jobs) <= MANY and not clock.stop():
        share = 0.15 * (effort.seconds if effort.deterministic else clock.left())
        shared = by_open_times(floor, first, replace(effort, seconds=share), lambda: not clock.stop())
        starts += [] if starts and shared is first else [shared]
    if not starts or is_begun:
        starts.append(first)
    clock.tell("shared out over the open times")
    begin, better = clock.passed(), []
    for n, board in enumerate(starts, start=1):
        until = begin + n * (clock.left(0.45) + clock.passed() - begin) / len(starts)
        rng = np.random.default_rng(effort.seed)
        if effort.deterministic:
            better.append(improve(board, rng, lambda: not clock.stop(), ROUNDS))
        else:
            better.append(
                improve(board, rng, lambda until=until: clock.passed() < until and not clock.stop())  # type: ignore[misc]
            )
    return min(better, key=cost_of)


def _is_small(floor: Floor) -> bool:
    return TINY < _pairs(floor) <= SMALL or is_able(floor)


def _pairs(floor: Floor) -> int:
    """Return how many pairs of steps the exact model has to order; machines with changes count four times."""
    count = [0] * len(floor.stateful)
    for steps in floor.work:
        for options in steps:
            for work in options:
                count[work.resource] += 1
    return sum(n * n * (4 if stateful else 1) for n, stateful in zip(count, floor.stateful, strict=True))


def _polish(floor: Floor, board: Board, clock: _Clock, effort: Effort) -> Board:
    """Take turns: many quick rounds of taking out and placing anew, and exact repair of a few open times."""
    rng = np.random.default_rng(effort.seed)
    share = POLISHED if len(floor.jobs) <= MANY else POLISHED_MANY
    if has_more_steps(floor):
        share = POLISHED_STEPS
    elif _is_small(floor):
        share = POLISHED_SETTLED if is_able(floor) else POLISHED_SMALL
    places = _places(floor, rng)
    rounds = 0
    while clock.going(share)() or effort.deterministic:
        rounds += 1
        if effort.deterministic:
            board = improve(board, rng, lambda: not clock.stop(), 10)
        else:
            end = min(clock.left(share), 0.06 * clock.seconds)
            until = clock.passed() + end
            board = improve(board, rng, lambda until=until: clock.passed() < until and not clock.stop())  # type: ignore[misc]
        if clock.stop() or (effort.deterministic and rounds > ROUNDS // 10):
            break
        if len(floor.jobs) <= MANY and not (has_more_steps(floor) and any(cost_of(board)[:2])):
            board = _repaired(floor, board, next(places), clock, effort)
        clock.tell(" | ".join(f"{n} {v}" for n, v in zip(floor.tiers, cost_of(board), strict=True)))
    return board


def _places(floor: Floor, rng: np.random.Generator) -> Iterator[set[tuple[int, int]]]:
    """Yield a few open times near each other: of one machine, or of two machines at one time."""
    lines = [r for r, stateful in enumerate(floor.stateful) if stateful and floor.windows[r]]
    while True:
        if not lines:
            yield set()
            continue
        r = int(rng.choice(lines))
        w = int(rng.integers(len(floor.windows[r])))
        other = int(rng.choice(lines)) if rng.random() < 0.6 else r
        v = w if other != r else w + 1
        yield {(r, w), (other, min(v, len(floor.windows[other]) - 1))}


def _repaired(
    floor: Floor, board: Board, places: set[tuple[int, int]], clock: _Clock, effort: Effort
) -> Board:
    inside = []
    for key, entry in board.entries.items():
        window = floor.window_of(entry.work, entry.start_min)
        if window is not None and (entry.work.resource, window) in places:
            inside.append((entry.start_min, key[0]))
    stuck = {key[0] for key, entry in board.entries.items() if entry.stuck}
    free = list(dict.fromkeys(j for _, j in sorted(inside) if j not in stuck))
    begin = (sum(start for start, _ in inside) % max(1, len(free) - FREE_JOBS + 1)) if free else 0
    chosen = set(free[begin : begin + FREE_JOBS])
    chosen |= {
        j for j in range(len(floor.jobs)) if not is_done(board, j) and j not in stuck and len(chosen) < 20
    }
    if not chosen:
        return board
    seconds = 0.5 if effort.deterministic else min(max(0.3, 0.06 * clock.seconds), clock.left(POLISHED))
    if seconds <= 0:
        return board
    better = repair(floor, board, chosen, places, replace(effort, seconds=seconds), lambda: not clock.stop())
    return board if floor.most_moved is not None and moved_of(better) > floor.most_moved else better


# --- bound and check ----------------------------------------------------------------------------


def _bounded(
    problem: PlanProblem,
    floor: Floor,
    board: Board,
    proved: dict[str, int],
    clock: _Clock,
    repeatable: bool,
) -> dict[str, int]:
    """Return for each tier the better of two bounds: of the exact model, and of the relaxation."""
    values = dict(zip(floor.tiers, cost_of(board), strict=True))
    if all(proved.get(name, 0) == value for name, value in values.items()):
        return proved
    share = 0.65 if _is_small(floor) and not is_able(floor) else 0.96
    seconds = REPEATABLE_BOUND_S if repeatable else clock.left(share)
    return lower_bounds(
        problem, values, seconds, lambda: not clock.stop(), fractions_only=repeatable, proven=proved
    )


def _proven(floor: Floor, board: Board, bounds: dict[str, int]) -> bool:
    return all(bounds.get(name, 0) == value for name, value in zip(floor.tiers, cost_of(board), strict=True))


def _merged(floor: Floor, board: Board, relaxed: dict[str, int], proved: dict[str, int]) -> dict[str, int]:
    """Return the better bound of each tier as far as the new plan is as good as the one they were made for.

    A bound holds among the plans that are as good in the tiers before it, so what the relaxation said of a
    worse plan's later tiers holds for a better one only up to the first tier that got better.
    """
    bounds = {}
    for name, value in zip(floor.tiers, cost_of(board), strict=True):
        bounds[name] = min(value, max(relaxed.get(name, 0), proved.get(name, 0)))
        if bounds[name] != value:
            bounds |= {n: proved.get(n, 0) for n in floor.tiers if n not in bounds}
            break
    return bounds


def _checked(
    problem: PlanProblem, floor: Floor, boards: tuple[Board, Board], bounds: dict[str, int]
) -> tuple[Plan, list[str]]:
    """Return the first plan that the checker finds no breach in, and the breaches of those before it."""
    best, first = boards
    plan = _plan(problem, floor, best, bounds)
    breaches = verify(problem, plan)
    if breaches:
        plan = _plan(problem, floor, first, {})
        breaches = ["better plan given up: " + breach for breach in breaches] + verify(problem, plan)
    return plan, breaches


def _plan(problem: PlanProblem, floor: Floor, board: Board, bounds: dict[str, int]) -> Plan:
    undone = tuple(job.name for j, job in enumerate(floor.jobs) if not is_done(board, j))
    plan = Plan(rows=board.rows(), undone=undone)
    plan = replace(plan, tiers=_tiers(problem, floor, tier_values(problem, plan), bounds))
    return replace(plan, why=why(problem, plan))


def _tiers(
    problem: PlanProblem, floor: Floor, values: dict[str, int], bounds: dict[str, int]
) -> dict[str, Tier]:
    tiers = {}
    all_proven = True
    for name in floor.tiers:
        value, bound = values[name], bounds.get(name, 0)
        if value == 0 or (all_proven and value == bound):
            status = "proven best"
        elif all_proven and name in bounds:
            status = f"within {_counted(value - bound, name)} of the best possible"
        else:
            status = "not proven"
        all_proven = all_proven and value == bound
        if name in problem.tiers:
            tiers[name] = Tier(value, bound, status)
    return tiers


COUNTED = {
    "undone": ("unit of priority undone", "units of priority undone"),
    "late": ("weighted minute", "weighted minutes"),
    "stored_nights": ("night", "nights"),
    "changeovers": ("change", "changes"),
    "completion": ("weighted minute", "weighted minutes"),
    "moved": ("step", "steps"),
    "finish": ("minute", "minutes"),
}
"""What a tier counts: of one, of many."""


def _counted(number: int, tier: str) -> str:
    return f"{number} {COUNTED[tier][number != 1]}"


def _versions() -> dict[str, str]:
    return {name: version(name) for name in ("ortools", "scipy", "numpy")}
