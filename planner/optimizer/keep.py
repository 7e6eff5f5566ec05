"""Which plan stays as near as may be to the published one? What still fits stays, the rest finds new places.

This is the safe plan after a breakdown: it is there at once, and whatever is better starts from it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from planner.optimizer.board import Board, Spot
from planner.optimizer.floor import Fixed, Floor, Key
from planner.optimizer.greedy import Taste, cost_of, fixed_board, is_done, place_job
from planner.optimizer.problem import MOVED_MIN, Row
from planner.optimizer.ties import keeps_ties


def kept_board(floor: Floor) -> Board | None:
    """Return a board with every published row that can stay, and the displaced jobs placed anew.

    Parameters
    ----------
    floor : Floor
        The problem in numbers; its published rows are looked at [-].
    """
    if not floor.published:
        return None
    base, displaced = staying_board(floor)
    best: tuple[tuple[int, ...], Board] | None = None
    for order in _orders(floor):
        board = base.copy()
        for j in sorted(displaced, key=order):
            if not is_done(board, j):
                place_job(board, j, Taste(early_end=True))
        cost = cost_of(board)
        if best is None or cost < best[0]:
            best = cost, board
    return best[1] if best else base


def staying_board(floor: Floor) -> tuple[Board, list[int]]:
    """Return a board with every published row that can stay, and the jobs that have no place in it.

    Parameters
    ----------
    floor : Floor
        The problem in numbers; its published rows are looked at [-].
    """
    board = fixed_board(floor)
    displaced = []
    begins = {j: floor.published[j, s].start_min for j, s in sorted(floor.published, reverse=True)}
    for j in sorted(begins, key=lambda j: (begins[j], j)):
        if not is_done(board, j) and not _stay(board, j):
            displaced.append(j)
    displaced += [j for j in range(len(floor.jobs)) if j not in begins and not is_done(board, j)]
    return board, displaced


def board_of_rows(floor: Floor, rows: Sequence[Row]) -> Board:
    """Return a board with the rows of a plan that keeps to all rules.

    Parameters
    ----------
    floor : Floor
        The problem in numbers [-].
    rows : sequence of Row
        The plan's rows [-].
    """
    stuck = {key: entry for key, entry in fixed_board(floor).entries.items() if entry.stuck}
    number = {job.name: j for j, job in enumerate(floor.jobs)}
    single = {one.name: c for c, one in enumerate(floor.singles)}
    endless = {floor.kinds[one.kind]: c for c, one in enumerate(floor.singles) if one.life is None}
    placed = []
    for row in rows:
        work = floor.option_on((number[row.job], row.step), row.resource)
        if work is not None:
            cutters = tuple(
                single[name] if name in single else endless[name.rsplit("-", 1)[0]] for name in row.cutters
            )
            placed.append((work, row.start_min, cutters))
    board = Board(floor)
    board.load(placed, stuck)
    return board


def moved_of(board: Board) -> int:
    """Return how many published steps are not where they were, or not at all [-].

    Parameters
    ----------
    board : Board
        What is placed [-].
    """
    floor = board.floor
    return sum(
        key not in board.entries
        or floor.is_moved(key, board.entries[key].work.resource, board.entries[key].start_min)
        for key in floor.published
    )


def _orders(floor: Floor) -> list[Callable[[int], tuple[int, ...]]]:
    return [
        lambda j: (floor.latest_end(j, 0), -floor.jobs[j].priority, j),
        lambda j: (-floor.jobs[j].priority, floor.latest_end(j, 0), j),
        lambda j: (len(floor.work[j][0]), -sum(floor.shortest[j]), j),
    ]


def _stay(board: Board, j: int) -> bool:
    """Place all steps of a job where they were published, or near enough not to count as moved."""
    floor = board.floor
    placed: list[Key] = []
    ready = floor.jobs[j].release_min
    for s in range(len(floor.jobs[j].steps)):
        key = (j, s)
        if key not in board.entries:
            if key not in floor.published or not _stay_step(board, key, ready):
                break
            placed.append(key)
        entry = board.entries[key]
        wait = floor.jobs[j].wait_after(s - 1) if s else None
        if entry.start_min < ready or (wait is not None and entry.start_min - ready > wait):
            break
        ready = entry.end_min
    whole = is_done(board, j) and board.entries[j, len(floor.jobs[j].steps) - 1].end_min == ready
    if whole and keeps_ties(board, (j,)):
        return True
    for key in reversed(placed):
        board.take(key)
    return False


def _stay_step(board: Board, key: Key, ready: int) -> bool:
    floor = board.floor
    old = floor.published[key]
    work = floor.option_on(key, old.resource)
    if work is None:
        return False
    low = max(ready, old.start_min, floor.earliest_start(*key))
    high = floor.latest_end(*key)
    stays = low == old.start_min and low + work.whole_min <= high
    if stays and board.fix(Fixed(work, low, False, old.cutters), stuck=False):
        return True
    near = [
        spot
        for spot in board.spots(
            work,
            max(ready, floor.earliest_start(*key), old.start_min - MOVED_MIN),
            min(high, old.start_min + MOVED_MIN + work.whole_min),
            late=False,
            both=True,
        )
    ]
    if not near:
        return False

    def away(spot: Spot) -> tuple[int, int]:
        return abs(spot.start_min - old.start_min), spot.change_cost

    board.put(min(near, key=away))
    return True
