"""How does a plan get better: take a few jobs out, place them anew, keep what costs no more.

Ruin and recreate after Schrimpf et al. 2000, J. Comput. Phys. 159:139-171 (from memory).
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from planner.optimizer.board import Board
from planner.optimizer.greedy import Taste, cost_of, is_done, place_job, shift_late

Going = Callable[[], bool]
UNDONE_TRIED = 8


def improve(board: Board, rng: np.random.Generator, going: Going, most_rounds: int | None = None) -> Board:
    """Return a board that costs no more.

    Parameters
    ----------
    board : Board
        Where to start; stays as it is [-].
    rng : numpy.random.Generator
        Source of chance [-].
    going : Callable
        Asked before each round [-].
    most_rounds : int, optional
        End after so many rounds [-].
    """
    current, cost = board, cost_of(board)
    best, best_cost = current, cost
    movable = [j for j in range(len(board.floor.jobs)) if not _is_stuck(board, j)]
    rounds = 0
    while movable and going() and (most_rounds is None or rounds < most_rounds):
        rounds += 1
        trial = _ruin_and_recreate(current, movable, rng)
        if trial is None:
            continue
        trial_cost = cost_of(trial)
        if trial_cost <= cost:
            current, cost = trial, trial_cost
        if cost < best_cost:
            best, best_cost = current, cost
        if rounds % 50 == 0:
            current = shift_late(current)
            cost = cost_of(current)
    last = shift_late(current)
    return last if cost_of(last) < best_cost else best


def _is_stuck(board: Board, j: int) -> bool:
    keys = [(j, s) for s in range(len(board.floor.jobs[j].steps))]
    return any(key in board.entries and board.entries[key].stuck for key in keys)


def _ruin_and_recreate(board: Board, movable: list[int], rng: np.random.Generator) -> Board | None:
    trial = board.copy()
    missing = [j for j in movable if not is_done(board, j)]
    placed = [j for j in movable if is_done(board, j)]
    chosen = _choose(board, placed, rng) if placed else []
    keys = [(j, s) for j in chosen for s in range(len(board.floor.jobs[j].steps))]
    try:
        # From the last one back, so that what stays never needs a longer change in between.
        for key in sorted(keys, key=lambda k: board.entries[k].start_min, reverse=True):
            trial.take(key)
    except LookupError:
        return None
    trial.free_cutters()
    some = list(rng.permutation(missing)[:UNDONE_TRIED]) if missing else []
    order = _order(board, [*chosen, *(int(j) for j in some)], rng)
    taste = Taste(
        bool(rng.random() < 0.5), bool(rng.random() < 0.5), float(rng.choice([0.0, 0.05, 0.2])), rng
    )
    for j in order:
        place_job(trial, j, taste)
    return trial


def _choose(board: Board, placed: list[int], rng: np.random.Generator) -> list[int]:
    """Choose jobs to take out: at random, near each other in time, on one machine, or those that cost."""
    count = min(len(placed), int(rng.integers(1, 10)))
    kind = rng.integers(4)
    if kind == 0:
        return [int(j) for j in rng.permutation(placed)[:count]]
    seed = int(rng.choice(_costly(board, placed) if kind == 3 else placed))
    at = board.entries[seed, 0]

    def distance(j: int) -> float:
        entry = board.entries[j, 0]
        other = 0.0 if kind != 2 or entry.work.resource == at.work.resource else 1e9
        return abs(entry.start_min - at.start_min) * float(rng.uniform(0.5, 1.5)) + other

    return sorted(placed, key=distance)[:count]


def _costly(board: Board, placed: list[int]) -> list[int]:
    floor = board.floor
    costly = []
    for j in placed:
        job = floor.jobs[j]
        costs = floor.cost_of_end(job, board.entries[j, len(job.steps) - 1].end_min)
        moved = any(
            floor.is_moved((j, s), board.entries[j, s].work.resource, board.entries[j, s].start_min)
            for s in range(len(job.steps))
        )
        if costs["late"] or costs["stored_nights"] or moved:
            costly.append(j)
    return costly or placed


def _order(board: Board, jobs: list[int], rng: np.random.Generator) -> list[int]:
    if rng.random() < 0.5:
        return [int(j) for j in rng.permutation(jobs)]
    floor = board.floor
    return sorted(jobs, key=lambda j: (floor.latest_end(j, 0), -floor.jobs[j].priority))
