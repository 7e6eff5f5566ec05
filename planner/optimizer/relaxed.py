"""Which job goes to which machine in which open time, for very many jobs? Shares first, then whole jobs.

Shares of jobs in open times, by a linear programme; most shares of the best answer are whole already. Changes
are not in it, minutes kept free for each job stand for them. The bound never comes from here: it has a
programme of its own.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable
from typing import Any

import numpy as np

from planner.optimizer.board import Board
from planner.optimizer.floor import Floor
from planner.optimizer.greedy import Taste, fixed_board, is_done, place_job, shift_late
from planner.optimizer.insert import Place, insert_at, places_of
from planner.optimizer.problem import PERSON

PADS_MIN = (4, 7)
"""Minutes kept free for each job: the first is tried first."""
PEOPLE_SHARE = 0.95
WHOLE = 0.5
HOUR = 60.0


def by_shares(floor: Floor, seconds: float, going: Callable[[], bool]) -> list[Board]:
    """Return boards made from the best shares in open times; some jobs may be undone in them.

    Parameters
    ----------
    floor : Floor
        The problem in numbers; `fits` says whether this is of use [-].
    seconds : float
        For all linear programmes together [s].
    going : Callable
        Asked between them [-].
    """
    boards = []
    for pad in PADS_MIN:
        chosen = _shares(floor, pad, seconds / len(PADS_MIN)) if going() else {}
        if chosen:
            boards.append(shift_late(_place_all(floor, chosen)))
    return boards


def fits(floor: Floor) -> bool:
    """Return whether every job has one step, on machines that are lines.

    Parameters
    ----------
    floor : Floor
        The problem in numbers [-].
    """
    return (
        not floor.is_chained
        and not floor.is_tied
        and all(
            len(steps) == 1 and all(floor.stateful[work.resource] for work in steps[0])
            for steps in floor.work
        )
    )


def _shares(floor: Floor, pad_min: int, seconds: float) -> dict[int, Place]:
    """Return for each job the open time that has most of it, for those with more than half in one."""
    from ortools.linear_solver import pywraplp

    begin = fixed_board(floor)
    jobs = [j for j in range(len(floor.jobs)) if (j, 0) not in begin.entries]
    places = [(j, place) for j in jobs for place in places_of(floor, j)]
    solver = pywraplp.Solver.CreateSolver("GLOP")
    share = [solver.NumVar(0.0, 1.0, "") for _ in places]
    _each_once(floor, solver, jobs, places, share)
    _capacity(floor, solver, places, share, begin, pad_min)
    _people(floor, solver, places, share)
    solver.SetTimeLimit(int(1000 * seconds))
    # shares that are a little off are as good for choosing places; nothing is proven by them
    solver.SetSolverSpecificParametersAsString("change_status_to_imprecise: false")
    if solver.Solve() not in (pywraplp.Solver.OPTIMAL, pywraplp.Solver.FEASIBLE):
        return {}
    best: dict[int, tuple[float, Place]] = {}
    for (j, place), var in zip(places, share, strict=True):
        part = var.solution_value()
        if part > max(WHOLE, best[j][0] if j in best else 0.0):
            best[j] = part, place
    return {j: place for j, (_, place) in best.items()}


def _each_once(
    floor: Floor, solver: Any, jobs: list[int], places: list[tuple[int, Place]], share: list[Any]
) -> None:
    """Add that a job is shared out or undone; undone costs more than any nights and lateness."""
    rows = {j: solver.Constraint(1.0, 1.0) for j in jobs}
    objective = solver.Objective()
    names = floor.tiers
    worst = 1.0
    costs = []
    for (j, place), var in zip(places, share, strict=True):
        rows[j].SetCoefficient(var, 1.0)
        part = dict(zip(names, place.key, strict=False))
        cost = float(part.get("late", 0)) + float(part.get("stored_nights", 0))
        # of two places alike, the quicker machine
        costs.append(cost + 0.01 * place.work.whole_min / HOUR)
        worst = max(worst, cost)
        objective.SetCoefficient(var, costs[-1])
    for j in jobs:
        undone = solver.NumVar(0.0, 1.0, "")
        rows[j].SetCoefficient(undone, 1.0)
        objective.SetCoefficient(undone, (worst + 1.0) * max(1, floor.jobs[j].priority))
    objective.SetMinimization()


def _capacity(
    floor: Floor,
    solver: Any,
    places: list[tuple[int, Place]],
    share: list[Any],
    begin: Board,
    pad_min: int,
) -> None:
    """Add that work fits into each open time, and what comes late into the rest of it."""
    groups: dict[tuple[int, int], list[tuple[Place, Any]]] = defaultdict(list)
    for (_, place), var in zip(places, share, strict=True):
        r = place.work.resource
        w = next(w for w, (a, b) in enumerate(floor.windows[r]) if a <= place.low and place.high <= b)
        groups[r, w].append((place, var))
    for (r, w), group in groups.items():
        first, last = floor.windows[r][w]
        inside = [e for e in begin.lines[r] if first <= e.start_min < last]
        taken = sum(e.work.whole_min for e in inside)
        lows = sorted({place.low for place, _ in group})
        for low in [first, *lows[1:9]]:
            row = solver.Constraint(
                -solver.infinity(), max(0, last - low - (taken if low == first else 0)) / HOUR
            )
            for place, var in group:
                if place.low >= low:
                    row.SetCoefficient(var, (place.work.whole_min + pad_min) / HOUR)
        for high in sorted({place.high for place, _ in group} - {last})[:8]:
            row = solver.Constraint(-solver.infinity(), max(0, high - first) / HOUR)
            for place, var in group:
                if place.high <= high:
                    row.SetCoefficient(var, (place.work.whole_min + pad_min) / HOUR)


def _people(floor: Floor, solver: Any, places: list[tuple[int, Place]], share: list[Any]) -> None:
    """Add that the person-minutes of an open time are there in it."""
    if floor.people is None:
        return
    rows: dict[tuple[int, int], Any] = {}
    for (_, place), var in zip(places, share, strict=True):
        span = next(s for s in floor.windows[place.work.resource] if s[0] <= place.low and place.high <= s[1])
        if span not in rows:
            there = floor.people[span[0] - floor.first_min : span[1] - floor.first_min]
            rows[span] = solver.Constraint(
                -solver.infinity(), PEOPLE_SHARE * float(np.sum(there)) / (PERSON * HOUR)
            )
        need = sum(length * part for _, length, part in place.work.parts) / (PERSON * HOUR)
        rows[span].SetCoefficient(var, need)


def _place_all(floor: Floor, chosen: dict[int, Place]) -> Board:
    """Place each job in its open time, long ones first; what does not fit goes wherever it does."""
    board = fixed_board(floor)
    for j in sorted(chosen, key=lambda j: (chosen[j].low, -chosen[j].work.whole_min)):
        insert_at(board, chosen[j])
    rest = [j for j in range(len(floor.jobs)) if not is_done(board, j)]
    for j in sorted(
        rest, key=lambda j: (-floor.jobs[j].priority, len(floor.work[j][0]), floor.latest_end(j, 0))
    ):
        place_job(board, j, Taste(early_end=True))
    return board
