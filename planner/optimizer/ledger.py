"""What does a board cost, tier by tier, when only a few jobs have changed since it was last asked?"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from planner.optimizer.board import Board
from planner.optimizer.greedy import Cost, is_done, last_end

PARTS = ("undone", "late", "stored_nights", "completion", "moved")
Old = tuple[list[int], NDArray[np.int64], NDArray[np.float64], Cost]


class Ledger:
    """Each job's part of the cost, and where its first step stands.

    Parameters
    ----------
    board : Board
        What is placed [-].
    """

    def __init__(self, board: Board) -> None:
        count = len(board.floor.jobs)
        self.floor = board.floor
        self.parts = np.zeros((count, len(PARTS)), dtype=np.int64)
        self.places = np.full((count, 2), -1.0)
        self._done = np.zeros(count, dtype=bool)
        self.by_job: dict[int, list[tuple[int, int]]] = {}
        for key in board.floor.published:
            self.by_job.setdefault(key[0], []).append(key)
        self.totals = np.zeros(len(PARTS), dtype=np.int64)
        self.cost: Cost = ()
        self._enter(board, range(count))

    @property
    def done(self) -> NDArray[np.bool_]:
        """Which jobs are done, (jobs,)."""
        return self._done

    @property
    def costly(self) -> NDArray[np.bool_]:
        """Which jobs cost lateness, stored nights or a move, (jobs,)."""
        return np.asarray((self.parts[:, 1] > 0) | (self.parts[:, 2] > 0) | (self.parts[:, 4] > 0))

    @property
    def late(self) -> NDArray[np.bool_]:
        """Which jobs are late, (jobs,)."""
        return np.asarray(self.parts[:, 1] > 0)

    @property
    def moved(self) -> int:
        """How many published steps have moved [-]."""
        return int(self.totals[4])

    @property
    def start(self) -> NDArray[np.float64]:
        """When each job's first step starts [min], (jobs,)."""
        return self.places[:, 0]

    @property
    def resource(self) -> NDArray[np.float64]:
        """Where each job's first step is, by index, (jobs,)."""
        return self.places[:, 1]

    def turn_to(self, board: Board) -> Old:
        """Enter what a board has changed since it was copied; return what stood there before.

        Parameters
        ----------
        board : Board
            A copy of the one in the ledger, changed [-].
        """
        jobs = sorted(board.touched)
        old = jobs, self.parts[jobs], self.places[jobs], self.cost
        self.totals -= self.parts[jobs].sum(axis=0)
        self._enter(board, jobs)
        return old

    def turn_back(self, old: Old) -> None:
        """Undo `turn_to`.

        Parameters
        ----------
        old : tuple
            What `turn_to` returned [-].
        """
        jobs, parts, places, cost = old
        self.totals += parts.sum(axis=0) - self.parts[jobs].sum(axis=0)
        self.parts[jobs], self.places[jobs], self.cost = parts, places, cost
        self._done[jobs] = ~np.isnan(places[:, 0])

    def _enter(self, board: Board, jobs: list[int] | range) -> None:
        for j in jobs:
            self.parts[j], self.places[j] = self._of(board, j)
            self._done[j] = not np.isnan(self.places[j, 0])
        self.totals += self.parts[list(jobs)].sum(axis=0) if len(jobs) else 0
        total = dict(zip(PARTS, (int(value) for value in self.totals), strict=True))
        total["changeovers"] = board.change_cost() if "changeovers" in self.floor.tiers else 0
        total["finish"] = last_end(board) if "finish" in self.floor.tiers else 0
        self.cost = tuple(total[name] for name in self.floor.tiers)

    def _of(self, board: Board, j: int) -> tuple[list[int], tuple[float, float]]:
        floor = self.floor
        job = floor.jobs[j]
        moved = sum(
            key not in board.entries
            or floor.is_moved(key, board.entries[key].work.resource, board.entries[key].start_min)
            for key in self.by_job.get(j, ())
        )
        if not is_done(board, j):
            return [job.priority, 0, 0, 0, moved], (np.nan, np.nan)
        end = floor.cost_of_end(job, board.entries[j, len(job.steps) - 1].end_min)
        entry = board.entries[j, 0]
        parts = [0, end["late"], end["stored_nights"], end["completion"], moved]
        return parts, (float(entry.start_min), float(entry.work.resource))
