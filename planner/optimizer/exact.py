"""Which plan is the best of all, proven, for a small problem or a small part of a large one? One model.

The tiers are minimised one after the other, each fixed at its best value before the next, never as one
weighted sum: the proof of each tier is then worth something.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from threading import Event, Thread
from typing import Any

from planner.optimizer.board import Board
from planner.optimizer.floor import Floor
from planner.optimizer.greedy import cost_of
from planner.optimizer.model import Effort, Going, Model
from planner.optimizer.problem import NIGHT_MIN

WEIGHT_LIMIT = 10**15


@dataclass(slots=True)
class Proof:
    """The best plan found, and for each tier what it cannot be less than."""

    board: Board
    bounds: dict[str, int] = field(default_factory=dict)


def solve_exactly(floor: Floor, board: Board, effort: Effort, going: Going) -> Proof:
    """Return the best plan and what each tier cannot be less than, given the tiers before it.

    Parameters
    ----------
    floor : Floor
        The problem in numbers [-].
    board : Board
        A valid plan to start from [-].
    effort : Effort
        Time for all tiers together [s], workers, seed.
    going : Callable
        Asked now and then; an answer of False ends the search [-].
    """
    model = Model(floor, board)
    proof = Proof(board)
    left = effort.seconds
    for place, name in enumerate(floor.tiers):
        if left <= 0.01 or not going():
            break
        total = model.totals[name]
        share = left if place == len(floor.tiers) - 1 else left * 0.6
        known = _known(model, proof.board)[name]
        if isinstance(total, int):
            proof.bounds[name] = total
            continue
        model.m.minimize(total)
        solver = model.solver(Effort(share, effort.workers, effort.seed, effort.deterministic))
        status = run_solver(solver, model.m, going)
        left -= solver.response_proto.deterministic_time if effort.deterministic else solver.wall_time
        if status in (model.cp.OPTIMAL, model.cp.FEASIBLE):
            found = model.board_of(solver)
            if cost_of(found)[: place + 1] <= cost_of(proof.board)[: place + 1]:
                proof.board = found
                known = min(known, round(solver.objective_value))
            proof.bounds[name] = _round_up(solver.best_objective_bound)
        elif status == model.cp.UNKNOWN:
            proof.bounds[name] = max(0, _round_up(solver.best_objective_bound))
        else:
            break
        model.m.add(total <= known)
        _hint_again(model, proof.board)
    return proof


def _known(model: Model, board: Board) -> dict[str, int]:
    return dict(zip(model.floor.tiers, cost_of(board), strict=True))


def _round_up(bound: float) -> int:
    """Return the least whole number that is not below a proven bound."""
    return int(-(-(bound - 1e-6) // 1)) if abs(bound) < 1e15 else 0


def _hint_again(model: Model, board: Board) -> None:
    model.m.clear_hints()  # type: ignore[no-untyped-call]
    model.board = board
    model.add_hints()


def run_solver(solver: Any, model: Any, going: Going) -> Any:
    """Run a solver and end it soon after the work may not go on; return its status.

    Parameters
    ----------
    solver : CpSolver
        The solver, with its limits set [-].
    model : CpModel
        The model [-].
    going : Callable
        Asked ten times a second, from a thread of its own [-].
    """
    ended = Event()

    def watch() -> None:
        while not ended.wait(0.1):
            if not going():
                solver.stop_search()

    watcher = Thread(target=watch, daemon=True)
    watcher.start()
    try:
        return solver.solve(model)
    finally:
        ended.set()
        watcher.join()


def repair(
    floor: Floor,
    board: Board,
    free: set[int],
    places: set[tuple[int, int]],
    effort: Effort,
    going: Going = lambda: True,
) -> Board:
    """Return a board in which the free jobs are placed anew in some places, as well as it was or better.

    Parameters
    ----------
    floor : Floor
        The problem in numbers [-].
    board : Board
        A valid plan [-].
    free : set of int
        Jobs that may move [-].
    places : set of tuple
        Resource and open time where they may go [-].
    effort : Effort
        Time [s], workers, seed.
    going : Callable
        Asked now and then; an answer of False ends the search [-].
    """
    model = Model(floor, board, free, places)
    weight, goal = 1, 0
    for name in reversed(floor.tiers):
        total = model.totals[name]
        if isinstance(total, int):
            continue
        most = _most(model, name)
        if weight * (most + 1) > WEIGHT_LIMIT:
            # A sum that large is no longer exact: the tiers counted so far give way to this one.
            weight, goal = 1, 0
        goal = goal + weight * total
        weight *= most + 1
    if isinstance(goal, int):
        return board
    model.m.minimize(goal)
    solver = model.solver(effort)
    status = run_solver(solver, model.m, going)
    if status not in (model.cp.OPTIMAL, model.cp.FEASIBLE):
        return board
    found = model.board_of(solver)
    return found if cost_of(found) <= cost_of(board) else board


def _most(model: Model, name: str) -> int:
    """Return a number that a tier's sum over the free jobs cannot pass."""
    floor = model.floor
    span = floor.last_min - floor.first_min + 1
    jobs = [floor.jobs[j] for j in model.free]
    steps = sum(len(job.steps) for job in jobs) + len(model.base.entries)
    most = {
        "undone": sum(job.priority for job in jobs),
        "late": sum(job.priority for job in jobs) * span,
        "stored_nights": sum(job.perish * (span // NIGHT_MIN + 2) for job in jobs),
        "changeovers": steps * 10 + 2 * len(floor.singles),
        "completion": sum(job.priority for job in jobs) * span,
        "moved": len(floor.published),
        "finish": span,
    }
    return most[name]
