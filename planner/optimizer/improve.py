"""How does a plan get better: take a few jobs out, place them anew, keep what costs no more.

Ruin and recreate after Schrimpf et al. 2000, J. Comput. Phys. 159:139-171; a trial may cost as much as the
plan of some rounds ago, after Burke and Bykov 2017, Eur. J. Oper. Res. 258:70-78 (both from memory).
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from planner.optimizer.board import Board
from planner.optimizer.greedy import Cost, Taste, cost_of, in_sequence, key_step, place_job, shift_late
from planner.optimizer.ledger import Ledger
from planner.optimizer.ties import keeps_ties

Going = Callable[[], bool]
UNDONE_TRIED = 8
MOST_OUT = 9
ROUNDS_AGO = 60
ROOM_OUT = 4
MAKES_ROOM = 0.5
"""Chance that a round is spent on an undone or late job, while there is one."""


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
    search = _Search(board, rng)
    rounds = 0
    while search.movable.size and going() and (most_rounds is None or rounds < most_rounds):
        search.step(rounds)
        rounds += 1
    ends = [search.best, shift_late(search.best), shift_late(search.current)]
    return min(ends, key=cost_of)


class _Search:
    """The plan that is worked on, the best so far, and what the last rounds cost."""

    def __init__(self, board: Board, rng: np.random.Generator) -> None:
        self.rng = rng
        self.current = board.copy()
        self.ledger = Ledger(self.current)
        self.best, self.best_cost = board, self.ledger.cost
        self.past: list[Cost] = [self.ledger.cost] * ROUNDS_AGO
        self.movable = np.array(
            [j for j in range(len(board.floor.jobs)) if not _is_stuck(board, j)], dtype=int
        )

    def step(self, number: int) -> None:
        """Try one change."""
        cost = self.ledger.cost
        trial = self._ruin_and_recreate()
        if trial is None or (trial.floor.is_chained and not in_sequence(trial)) or not keeps_ties(trial):
            return
        moved = self.ledger.moved
        old = self.ledger.turn_to(trial)
        new = self.ledger.cost
        most = trial.floor.most_moved
        if most is not None and self.ledger.moved > max(most, moved):
            self.ledger.turn_back(old)
        elif new <= cost or new <= self.past[number % ROUNDS_AGO]:
            self.current = trial
            if new < self.best_cost:
                self.best, self.best_cost = trial, new
        else:
            self.ledger.turn_back(old)
        self.past[number % ROUNDS_AGO] = min(self.ledger.cost, self.past[number % ROUNDS_AGO])

    def _ruin_and_recreate(self) -> Board | None:
        rng, ledger = self.rng, self.ledger
        trial = self.current.copy()
        done = ledger.done[self.movable]
        missing, placed = self.movable[~done], self.movable[done]
        needy = [int(j) for j in (*missing, *placed[ledger.late[placed]])]
        if needy and rng.random() < MAKES_ROOM:
            return self._make_room(trial, needy[int(rng.integers(len(needy)))])
        chosen = self._choose(placed) if placed.size else []
        keys = [(j, s) for j in chosen for s in range(len(trial.floor.jobs[j].steps))]
        if not _take_out(trial, keys):
            return None
        some = [int(j) for j in rng.permutation(missing)[:UNDONE_TRIED]] if missing.size else []
        taste = Taste(
            bool(rng.random() < 0.5), bool(rng.random() < 0.5), float(rng.choice([0.0, 0.05, 0.2])), rng
        )
        for j in self._order([*chosen, *some]):
            place_job(trial, j, taste)
        return trial

    def _make_room(self, trial: Board, needy: int) -> Board | None:
        """Take jobs out of an open time that an undone or late job could use, and place that job first."""
        rng, floor = self.rng, trial.floor
        keys = [(needy, s) for s in range(len(floor.jobs[needy].steps)) if (needy, s) in trial.entries]
        step = key_step(floor, needy)
        works = floor.work[needy][step]
        work = works[int(rng.integers(len(works)))]
        low, high = floor.earliest_start(needy, step), floor.latest_end(needy, step)
        due = floor.jobs[needy].due_min
        high = high if due is None else min(high, due)
        spans = [span for span in floor.windows[work.resource] if min(span[1], high) - max(span[0], low) > 0]
        if not spans:
            return None
        first, last = spans[int(rng.integers(len(spans)))]
        inside = [
            j
            for j in self.movable[self.ledger.resource[self.movable] == work.resource]
            if first <= self.ledger.start[j] < last and j != needy
        ]
        count = min(len(inside), int(rng.integers(1, ROOM_OUT + 1)))
        out = [int(j) for j in rng.choice(inside, count, replace=False)] if count else []
        keys += [(j, s) for j in out for s in range(len(floor.jobs[j].steps))]
        if not _take_out(trial, keys):
            return None
        taste = Taste(bool(rng.random() < 0.5), True, float(rng.choice([0.0, 0.1])), rng)
        for j in (needy, *self._order(out)):
            place_job(trial, j, taste)
        return trial

    def _choose(self, placed: np.ndarray) -> list[int]:
        """Choose jobs to take out: at random, near each other in time, on one machine, or those that cost."""
        rng, ledger = self.rng, self.ledger
        count = min(len(placed), int(rng.integers(1, MOST_OUT + 1)))
        kind = rng.integers(4)
        if kind == 0:
            return [int(j) for j in rng.choice(placed, count, replace=False)]
        costly = placed[ledger.costly[placed]] if kind == 3 else placed
        seed = int(rng.choice(costly if costly.size else placed))
        away = np.abs(ledger.start[placed] - ledger.start[seed]) * rng.uniform(0.5, 1.5, placed.size)
        if kind == 2:
            away = np.where(ledger.resource[placed] == ledger.resource[seed], away, away + 1e9)
        near = np.argpartition(away, count - 1)[:count]
        return [int(placed[n]) for n in near[np.argsort(away[near], kind="stable")]]

    def _order(self, jobs: list[int]) -> list[int]:
        if self.rng.random() < 0.5:
            return [int(j) for j in self.rng.permutation(jobs)]
        floor = self.current.floor
        return sorted(jobs, key=lambda j: (floor.latest_end(j, 0), -floor.jobs[j].priority))


def _take_out(trial: Board, keys: list[tuple[int, int]]) -> bool:
    """Take steps away, from the last one back, so that what stays never needs a longer change in between."""
    try:
        for key in sorted(keys, key=lambda k: trial.entries[k].start_min, reverse=True):
            trial.take(key)
    except LookupError:
        return False
    trial.free_cutters()
    return True


def _is_stuck(board: Board, j: int) -> bool:
    keys = [(j, s) for s in range(len(board.floor.jobs[j].steps))]
    return any(key in board.entries and board.entries[key].stuck for key in keys)
