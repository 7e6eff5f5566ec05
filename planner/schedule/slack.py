"""How much slack does a plan need? Stored nights against the chance that all are ready, as a curve.

Slack is a share of every shift that the plan leaves free at its end. A plan that saves every stored night has
none, and some of it is late on most days; so the chance comes first, and nights are saved below it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from time import monotonic

import numpy as np

from planner.optimizer import solve, tier_values, verify
from planner.optimizer.board import Board
from planner.optimizer.floor import Floor
from planner.optimizer.greedy import Taste, cost_of, is_done, place_job, shift_late
from planner.optimizer.improve import improve
from planner.optimizer.keep import staying_board
from planner.optimizer.problem import Plan, PlanProblem, Resource
from planner.optimizer.solve import checked_plan
from planner.schedule.ready import Ready, Spread, chance_ready

SHARES = (1.0, 0.92, 0.85, 0.8, 0.75)
REPLICATIONS = 2000
SLICES, ROUNDS, ROUNDS_JOBS = 3, 30, 4000
"""So many times so many rounds, more for few jobs, until no more is undone or late than without slack."""
FIRST = ("undone", "late")
RESERVED = 0.6
"""Share of a point's time until which it is made better; the rest goes into its chance and its checks."""


@dataclass(frozen=True, slots=True, eq=False)
class SlackPoint:
    """One plan on the curve: so much of each shift is planned, with this outcome."""

    share: float
    nights: int
    undone: int
    late: int
    chance: float
    expected: float
    plan: Plan


@dataclass(frozen=True, slots=True, eq=False)
class Safe:
    """A plan that meets the chance asked for, or comes nearest to it; the curve it was chosen from."""

    plan: Plan
    ready: Ready
    share: float
    met: bool
    curve: tuple[SlackPoint, ...]


def with_slack(problem: PlanProblem, share: float) -> PlanProblem:
    """Return the problem with only a share of each machine's open times to plan in.

    Parameters
    ----------
    problem : PlanProblem
        As it is [-].
    share : float
        Of every open time, from its beginning, 0 to 1 [-].
    """

    def shorter(resource: Resource) -> Resource:
        if resource.kind != "machine" or resource.open is None:
            return resource
        spans = tuple((a, a + max(1, round(share * (b - a)))) for a, b in resource.open)
        return replace(resource, open=spans)

    return replace(problem, resources=tuple(shorter(resource) for resource in problem.resources))


def slack_curve(
    problem: PlanProblem,
    plan: Plan,
    spread: Spread,
    *,
    seed: int = 0,
    shares: Sequence[float] = SHARES,
    replications: int = REPLICATIONS,
    seconds: float | None = None,
) -> tuple[SlackPoint, ...]:
    """Return plans with more and more slack, each made from the one before: what reaches into it moves.

    Parameters
    ----------
    problem : PlanProblem
        As it is [-].
    plan : Plan
        A good plan without slack [-].
    spread : Spread
        What chance does to runs [-].
    seed : int
        Source of chance; every point lives through the same days [-].
    shares : sequence of float
        Of every shift, the largest first [-].
    replications : int
        For each point [-].
    seconds : float, optional
        For the whole curve: jobs left over are looked after as long as that leaves time for the points to
        come [s]; without it a number of rounds counts, and the same seed gives the same curve.
    """
    begin = monotonic()
    points: list[SlackPoint] = []
    for share in shares:
        if share < 1:
            ahead = sum(s <= share for s in shares)
            going = _going(begin, seconds, ahead, monotonic() - begin, len(points))
            plan = _freed(problem, plan, share, seed, going)
        points.append(_point(problem, plan, spread, share, seed, replications))
    return tuple(points)


def _going(begin: float, seconds: float | None, ahead: int, passed: float, made: int) -> Callable[[], bool]:
    """Return whether a point may still be made better, with an equal part of what is left for each ahead."""
    if seconds is None:
        return lambda: True
    rest = max(0.0, seconds - passed)
    until = begin + passed + RESERVED * rest / max(1, ahead)
    return lambda: monotonic() < until


def _freed(problem: PlanProblem, plan: Plan, share: float, seed: int, going: Callable[[], bool]) -> Plan:
    """Return the plan with what reaches into the slack placed anew, with a few rounds for jobs left over."""
    narrow = with_slack(problem, share)
    kept, _ = staying_board(Floor(replace(narrow, published=plan.rows, frozen_until_min=None)))
    floor = Floor(narrow)
    board = Board(floor)
    board.load(
        [
            (floor.work[j][s][kept.floor.work[j][s].index(entry.work)], entry.start_min, entry.cutters)
            for (j, s), entry in kept.entries.items()
        ],
        {key: entry for key, entry in kept.entries.items() if entry.stuck},
    )
    missing = [j for j in range(len(floor.jobs)) if not is_done(board, j)]
    for j in sorted(missing, key=lambda j: (-floor.jobs[j].priority, floor.latest_end(j, 0))):
        place_job(board, j, Taste())
    values = tier_values(problem, plan)
    wanted = tuple(values[name] for name in floor.tiers if name in FIRST)
    rng = np.random.default_rng(seed)
    for _ in range(SLICES):
        if tuple(c for name, c in zip(floor.tiers, cost_of(board), strict=True) if name in FIRST) <= wanted:
            break
        board = improve(board, rng, going, max(ROUNDS, ROUNDS_JOBS // len(floor.jobs)))
        if not going():
            break
    return checked_plan(narrow, floor, shift_late(board))


def _point(
    problem: PlanProblem, plan: Plan, spread: Spread, share: float, seed: int, replications: int
) -> SlackPoint:
    values = tier_values(problem, plan)
    ready = chance_ready(problem, plan, spread, np.random.default_rng(seed), replications)
    return SlackPoint(
        share, values["stored_nights"], values["undone"], values["late"], ready.chance, ready.expected, plan
    )


def plan_safely(
    problem: PlanProblem,
    target: float,
    *,
    spread: Spread | None = None,
    seconds: float = 30.0,
    workers: int = 2,
    seed: int = 0,
    report: Callable[[int, int, str], None] = lambda done, total, note: None,
    stop: Callable[[], bool] = lambda: False,
    repeatable: bool = False,
) -> Safe:
    """Return a plan that meets a chance of all being ready first, and then saves stored nights.

    Parameters
    ----------
    problem : PlanProblem
        Jobs, machines, people, cutters [-].
    target : float
        The chance that all are ready in time, 0 to 1 [-].
    spread : Spread, optional
        What chance does to runs [-].
    seconds, workers, seed, report, stop, repeatable
        As in `solve`.
    """
    spread = spread or Spread()
    options = {"workers": workers, "seed": seed, "stop": stop, "repeatable": repeatable}
    plan = solve(problem, seconds=0.5 * seconds, report=report, **options)  # type: ignore[arg-type]
    curve = slack_curve(problem, plan, spread, seed=seed)
    least = min((point.undone, point.late) for point in curve)
    able = [point for point in curve if (point.undone, point.late) == least]
    chosen = next((point for point in able if point.chance >= target), max(able, key=lambda p: p.chance))
    best, share = chosen.plan, chosen.share
    # where slack enough leaves jobs over in the curve's few rounds, a longer search may place them
    goal = chosen if chosen.chance >= target else next((p for p in curve if p.chance >= target), chosen)
    if goal.share < 1 and not stop():
        narrow = with_slack(problem, goal.share)
        better = solve(narrow, seconds=0.5 * seconds, report=report, begin=goal.plan, **options)  # type: ignore[arg-type]
        point = _point(problem, better, spread, goal.share, seed, REPLICATIONS)
        enough = point.chance >= min(target, chosen.chance)
        if (
            (point.undone, point.late) <= least
            and enough
            and (goal is not chosen or point.nights <= goal.nights)
        ):
            best, share = better, goal.share
    best = _told_for(problem, best, plan)
    ready = chance_ready(problem, best, spread, np.random.default_rng(seed), REPLICATIONS)
    return Safe(best, ready, share, ready.chance >= target, curve)


def _told_for(problem: PlanProblem, best: Plan, loose: Plan) -> Plan:
    """Return a plan with tiers and bounds as for the whole problem, not for the one with slack."""
    values = tier_values(problem, best)
    tiers = {}
    for name, tier in loose.tiers.items():
        proven = values[name] == tier.bound and tier.status == "proven best"
        status = "proven best" if proven or values[name] == 0 else "with slack, not proven"
        tiers[name] = replace(tier, value=values[name], bound=min(tier.bound, values[name]), status=status)
    whole = replace(best, tiers=tiers)
    breaches = verify(problem, whole)
    return loose if breaches else whole
