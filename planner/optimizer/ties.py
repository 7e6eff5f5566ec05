"""Does a board keep to what lasts over several steps: carriers, pieces that wait, longest times between?"""

from __future__ import annotations

from collections.abc import Iterable

from planner.optimizer.board import Board

Interval = tuple[int, int]


def keeps_ties(board: Board, jobs: Iterable[int] | None = None) -> bool:
    """Return whether nothing on the board that may still move breaks a limit over several steps.

    Parameters
    ----------
    board : Board
        What is placed [-].
    jobs : iterable of int, optional
        Look at the times between steps of these alone [-]; carriers and waiting are counted for all.
    """
    floor = board.floor
    if not floor.is_tied:
        return True
    looked = range(len(floor.jobs)) if jobs is None else jobs
    return all(_in_time(board, j) for j in looked) and _carriers_last(board) and _few_wait(board)


def _in_time(board: Board, j: int) -> bool:
    for first, second, most in board.floor.limits[j]:
        before, after = board.entries.get((j, first)), board.entries.get((j, second))
        if before is None or after is None or (before.held and after.held):
            continue
        if after.start_min - before.end_min > most:
            return False
    return True


def _carriers_last(board: Board) -> bool:
    floor, entries = board.floor, board.entries
    for r, holds in floor.holds.items():
        old: list[Interval] = []
        new: list[Interval] = []
        for j, first, last in holds:
            begin = entries.get((j, first))
            if begin is not None:
                there = [entry for s in range(first, last + 1) if (entry := entries.get((j, s))) is not None]
                span = begin.start_min, max(entry.end_min for entry in there)
                (old if all(entry.held for entry in there) else new).append(span)
        if not _fit(old, new, floor.problem.resources[r].capacity):
            return False
    return True


def _few_wait(board: Board) -> bool:
    floor, entries = board.floor, board.entries
    old: dict[int, list[Interval]] = {}
    new: dict[int, list[Interval]] = {}
    for key, first in floor.waits:
        entry, before = entries.get(key), entries.get(first)
        if entry is None or before is None or before.end_min >= entry.start_min:
            continue
        if floor.most_waiting[entry.work.resource] is not None:
            kind = old if entry.held and before.held else new
            kind.setdefault(entry.work.resource, []).append((before.end_min, entry.start_min))
    return all(_fit(old.get(r, []), spans, floor.most_waiting[r] or 0) for r, spans in new.items())


def _fit(old: list[Interval], new: list[Interval], most: int) -> bool:
    """Return whether no more spans than allowed overlap wherever one of the new ones is."""
    if len(old) + len(new) <= most:
        return True
    change = [(first, 1, 0) for first, _ in old] + [(last, -1, 0) for _, last in old]
    change += [(first, 1, 1) for first, _ in new] + [(last, -1, -1) for _, last in new]
    count = fresh = 0
    for _, step, is_new in sorted(change):
        count += step
        fresh += is_new
        if count > most and fresh > 0:
            return False
    return True
