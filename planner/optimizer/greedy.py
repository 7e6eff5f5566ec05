"""Which valid plan can be had at once, for any problem? One placed job by job.

Jobs are placed one after the other, each where it costs least in the order of the tiers, in gaps too. Several
orders are tried and the best plan is kept.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from planner.optimizer.board import Board, Spot
from planner.optimizer.floor import Floor, Work
from planner.optimizer.insert import insert
from planner.optimizer.ties import keeps_ties

Cost = tuple[int, ...]
Rank = tuple[float, ...]
SPOTS_TRIED = 12
PUSHES = 40
LATER_MIN = 10
FAR = 10**12
MANY = 300
"""With more jobs than this the first plan is made in two orders only; what follows is quicker."""


@dataclass(frozen=True, slots=True)
class Taste:
    """What decides between places that cost the same; `skip` leaves good places out by chance."""

    late: bool = False
    early_end: bool = False
    skip: float = 0.0
    rng: np.random.Generator | None = None


def cost_of(board: Board) -> Cost:
    """Return what the board costs, tier by tier in their order.

    Parameters
    ----------
    board : Board
        What is placed [-].
    """
    floor = board.floor
    total = dict.fromkeys((*floor.tiers, "late", "stored_nights", "completion"), 0)
    for j, job in enumerate(floor.jobs):
        if not is_done(board, j):
            total["undone"] += job.priority
            continue
        for name, value in floor.cost_of_end(job, board.entries[j, len(job.steps) - 1].end_min).items():
            total[name] += value
    if "changeovers" in total:
        total["changeovers"] = board.change_cost()
    if "moved" in total:
        total["moved"] = sum(
            key not in board.entries
            or floor.is_moved(key, board.entries[key].work.resource, board.entries[key].start_min)
            for key in floor.published
        )
    if "finish" in total:
        total["finish"] = last_end(board)
    return tuple(total[name] for name in floor.tiers)


def is_done(board: Board, j: int) -> bool:
    """Return whether all steps of a job are placed, in time for its deadline.

    Parameters
    ----------
    board : Board
        What is placed [-].
    j : int
        The job's index [-].
    """
    job = board.floor.jobs[j]
    if any((j, s) not in board.entries for s in range(len(job.steps))):
        return False
    return job.deadline_min is None or board.entries[j, len(job.steps) - 1].end_min <= job.deadline_min


def last_end(board: Board) -> int:
    """Return the last end of all that is placed [min].

    Parameters
    ----------
    board : Board
        What is placed [-].
    """
    if any(room is not None for room in board.room):
        return max((entry.end_min for entry in board.entries.values()), default=0)
    return max((line[-1].end_min for line in board.lines if line), default=0)


# --- one job ------------------------------------------------------------------------------------


def place_job(board: Board, j: int, taste: Taste, only: tuple[Work, int] | None = None) -> bool:
    """Place all steps of a job where they cost least; place nothing and return False where none fits.

    Parameters
    ----------
    board : Board
        Is changed [-].
    j : int
        The job's index [-].
    taste : Taste
        Decides between places that cost the same [-].
    only : tuple, optional
        Work and open time [-] that the deciding step must use; anywhere when left out.
    """
    steps = len(board.floor.jobs[j].steps)
    if any(key not in board.entries for key in board.floor.pinned_steps.get(j, ())):
        return False  # its pin cannot be kept, so the job stays undone
    if any((j, s) in board.entries for s in range(steps)):
        return place_forward(board, j)
    if board.floor.is_chained:
        return _place_in_chain(board, j, taste)
    if steps == 1 and only is None and not board.floor.is_tied:
        finish = last_end(board)
        return insert(board, j, lambda spot: _rank(board, j, 0, spot, taste, finish), taste.skip, taste.rng)
    if _place_around(board, j, key_step(board.floor, j), taste, only):
        return True
    return only is None and place_forward(board, j)


def _place_in_chain(board: Board, j: int, taste: Taste) -> bool:
    """Place a job after those it follows on and before those that follow on it, as early as it fits."""
    floor = board.floor
    if not all(is_done(board, other) for other in floor.before[j]):
        return False
    ends = [board.entries[k, len(floor.jobs[k].steps) - 1].end_min for k in floor.before[j]]
    starts = [board.entries[k, 0].start_min for k in floor.following[j] if (k, 0) in board.entries]
    if not place_forward(board, j, max(ends, default=None)):
        return False
    last = (j, len(floor.jobs[j].steps) - 1)
    if board.entries[last].end_min <= min(starts, default=FAR):
        return True
    for s in reversed(range(len(floor.jobs[j].steps))):
        board.take((j, s))
    return False


def in_sequence(board: Board) -> bool:
    """Return whether every placed job has those that it follows on, before it.

    Parameters
    ----------
    board : Board
        What is placed [-].
    """
    floor = board.floor
    for j, before in enumerate(floor.before):
        if before and (j, 0) in board.entries:
            ends = [board.entries.get((k, len(floor.jobs[k].steps) - 1)) for k in before]
            start = board.entries[j, 0].start_min
            if any(end is None or end.end_min > start for end in ends):
                return False
    return True


def key_step(floor: Floor, j: int) -> int:
    """Return the step that decides: the longest one on machines with fixtures and cutters, else the longest.

    Parameters
    ----------
    floor : Floor
        The problem in numbers [-].
    j : int
        The job's index [-].
    """
    return max(
        range(len(floor.work[j])),
        key=lambda s: (any(floor.stateful[w.resource] for w in floor.work[j][s]), floor.shortest[j][s], s),
    )


def _rank(board: Board, j: int, step: int, spot: Spot, taste: Taste, finish: int) -> Rank:
    floor = board.floor
    end = spot.start_min + spot.work.whole_min
    job_end = end + sum(floor.shortest[j][step + 1 :])
    costs = floor.cost_of_end(floor.jobs[j], job_end)
    costs["undone"] = 0
    costs["changeovers"] = spot.change_cost
    costs["moved"] = int(floor.is_moved((j, step), spot.work.resource, spot.start_min))
    costs["finish"] = max(0, job_end - finish)
    tie = -spot.start_min if taste.late else end
    lasting = 0 if taste.early_end else spot.work.whole_min
    return (*(costs[name] for name in floor.tiers), lasting, tie)


def _place_around(board: Board, j: int, deciding: int, taste: Taste, only: tuple[Work, int] | None) -> bool:
    """Place the key step first, then the steps before it as late and those after it as early as they fit."""
    floor = board.floor
    low, high = floor.earliest_start(j, deciding), floor.latest_end(j, deciding)
    works = floor.work[j][deciding]
    if only is not None:
        works = [only[0]]
        first, last = floor.windows[only[0].resource][only[1]]
        low, high = max(low, first), min(high, last)
    finish = last_end(board)
    found: list[tuple[Rank, int, Spot]] = []
    for work in works:
        for spot in board.spots(work, low, high, late=False, both=True):
            found.append((_rank(board, j, deciding, spot, taste, finish), len(found), spot))
    if taste.rng is not None and taste.skip > 0 and len(found) > 1:
        kept = taste.rng.random(len(found)) >= taste.skip
        found = [entry for entry, keep in zip(found, kept, strict=True) if keep] or found
    if len(floor.work[j]) == 1 and not floor.is_tied:
        if found:
            board.put(min(found)[2])
        return bool(found)
    found.sort()
    for _, _, spot in found[:SPOTS_TRIED]:
        board.put(spot)
        if _place_others(board, j, deciding):
            if keeps_ties(board, (j,)):
                return True
            for s in reversed(range(len(floor.work[j]))):
                if s != deciding:
                    board.take((j, s))
        board.take((j, deciding))
    return False


def _place_others(board: Board, j: int, deciding: int) -> bool:
    placed: list[int] = []
    before = range(deciding - 1, -1, -1)
    after = range(deciding + 1, len(board.floor.work[j]))
    for step, is_late in [(s, True) for s in before] + [(s, False) for s in after]:
        spot = _before(board, j, step) if is_late else _after(board, j, step)
        if spot is None:
            for done in reversed(placed):
                board.take((j, done))
            return False
        board.put(spot)
        placed.append(step)
    return True


def _before(board: Board, j: int, step: int) -> Spot | None:
    """Return the latest place for a step whose next one is placed, inside the longest wait."""
    floor = board.floor
    start = board.entries[j, step + 1].start_min
    wait = floor.jobs[j].wait_after(step)
    spots = []
    for work in floor.work[j][step]:
        low = floor.earliest_start(j, step)
        if wait is not None:
            low = max(low, start - wait - work.whole_min)
        for first, second, most in floor.limits[j]:
            if first == step and (j, second) in board.entries:
                low = max(low, board.entries[j, second].start_min - most - work.whole_min)
        spots += [next(board.spots(work, low, start, late=True), None)]
    return max(
        (s for s in spots if s is not None), key=lambda s: (s.start_min, -s.work.resource), default=None
    )


def _after(board: Board, j: int, step: int) -> Spot | None:
    """Return the earliest end for a step whose step before it is placed, inside the longest wait."""
    floor = board.floor
    end = board.entries[j, step - 1].end_min
    wait = floor.jobs[j].wait_after(step - 1)
    spots = []
    for work in floor.work[j][step]:
        high = floor.latest_end(j, step)
        if wait is not None:
            high = min(high, end + wait + work.whole_min)
        for first, second, most in floor.limits[j]:
            if second == step and (j, first) in board.entries:
                high = min(high, board.entries[j, first].end_min + most + work.whole_min)
        spots += [next(board.spots(work, max(end, floor.earliest_start(j, step)), high, late=False), None)]
    return min(
        (s for s in spots if s is not None),
        key=lambda s: (s.start_min + s.work.whole_min, s.change_cost, s.work.resource),
        default=None,
    )


def place_forward(board: Board, j: int, low: int | None = None) -> bool:
    """Place the steps from the first on, each at its earliest end; a wait that gets too long pushes back.

    Parameters
    ----------
    board : Board
        Is changed where all steps find a place [-].
    j : int
        The job's index [-].
    low : int, optional
        The first step starts no sooner [min].
    """
    floor = board.floor
    job = floor.jobs[j]
    not_before = [floor.earliest_start(j, s) for s in range(len(job.steps))]
    if low is not None:
        not_before[0] = max(not_before[0], low)
    for _ in range(PUSHES):
        placed: list[int] = []
        pushed = False
        ready = -(10**12)
        for s in range(len(job.steps)):
            if (j, s) in board.entries:
                if board.entries[j, s].start_min < ready:
                    break
            else:
                spot = _earliest(board, j, s, max(ready, not_before[s]))
                if spot is None:
                    break
                board.put(spot)
                placed.append(s)
            entry = board.entries[j, s]
            wait = job.wait_after(s - 1) if s else None
            if wait is not None and entry.start_min - ready > wait:
                before = board.entries[j, s - 1]
                pushed = s - 1 in placed
                not_before[s - 1] = max(before.start_min + 1, entry.start_min - wait - before.work.whole_min)
                break
            late = _too_late(board, j, s)
            if late is not None:
                pushed = late[0] in placed
                not_before[late[0]] = late[1]
                break
            ready = entry.end_min
        else:
            if is_done(board, j) and _released(board, j):
                if keeps_ties(board, (j,)):
                    return True
                if placed:  # carriers or places to wait are taken: a little later they may be free
                    pushed = True
                    not_before[placed[0]] = board.entries[j, placed[0]].start_min + LATER_MIN
        for done in reversed(placed):
            board.take((j, done))
        if not pushed:
            return False
    return False


def _too_late(board: Board, j: int, step: int) -> tuple[int, int] | None:
    """Return the step that must start later, and when [min], where a limit between two steps is passed."""
    start = board.entries[j, step].start_min
    for first, second, most in board.floor.limits[j]:
        before = board.entries.get((j, first))
        if second == step and before is not None and start - before.end_min > most:
            return first, max(before.start_min + 1, start - most - before.work.whole_min)
    return None


def _released(board: Board, j: int) -> bool:
    entry = board.entries[j, 0]
    return entry.held or entry.start_min >= board.floor.jobs[j].release_min


def _earliest(board: Board, j: int, step: int, low: int) -> Spot | None:
    floor = board.floor
    high = floor.latest_end(j, step)
    found = []
    for work in floor.work[j][step]:
        spot = next(board.spots(work, low, high, late=False), None)
        if spot is not None:
            found.append(spot)
    return min(
        found, key=lambda s: (s.start_min + s.work.whole_min, s.change_cost, s.work.resource), default=None
    )


# --- all jobs -----------------------------------------------------------------------------------


def greedy(floor: Floor, going: Callable[[], bool] = lambda: True) -> Board:
    """Return the best of several plans, each made by placing jobs one after the other.

    Parameters
    ----------
    floor : Floor
        The problem in numbers [-].
    going : Callable
        Asked before each plan but the first; False ends it with the best so far [-].
    """
    begin = fixed_board(floor)
    best: tuple[Cost, Board] | None = None
    quick: tuple[Order, ...] = (_by_due, _by_release)
    for order in quick:
        if best is not None and not going():
            return best[1]
        board = shift_late(_forward(begin, order(floor)))
        if best is None or cost_of(board) < best[0]:
            best = cost_of(board), board
    if len(floor.jobs) > MANY:
        return best[1] if best else begin
    for order, taste in _orders(floor):
        if best is not None and not going():
            return best[1]
        board = begin.copy()
        missing = [j for j in order(floor) if not is_done(board, j) and not place_job(board, j, taste)]
        for _ in range(len(missing) if floor.is_chained else 1):
            for j in missing:
                if not is_done(board, j):
                    place_job(board, j, taste)
        board = _without_costly(shift_late(board))
        cost = cost_of(board)
        if best is None or cost < best[0]:
            best = cost, board
    return best[1] if best else begin


def _forward(begin: Board, order: list[int]) -> Board:
    """Place the jobs in an order, each where it ends first: no good plan, but little stays undone."""
    board = begin.copy()
    for j in order:
        if is_done(board, j) or board.floor.pinned_steps.get(j) or board.floor.is_chained:
            continue
        if len(board.floor.work[j]) > 1 or (j, 0) in board.entries:
            place_forward(board, j)
            continue
        spot = _earliest(board, j, 0, board.floor.earliest_start(j, 0))
        if spot is not None and not board.floor.is_tied:
            board.put(spot)
    for _ in range(len(order) if board.floor.is_chained else 1):
        for j in order:
            if not is_done(board, j):
                place_job(board, j, Taste())
    return board


def _without_costly(board: Board) -> Board:
    """Leave out jobs that cost more than they bring, where another tier ranks above `undone`."""
    floor = board.floor
    if floor.tiers[0] == "undone":
        return board
    for j in range(len(floor.jobs)):
        keys = [key for key in ((j, s) for s in range(len(floor.jobs[j].steps))) if key in board.entries]
        if any(board.entries[key].stuck for key in keys):
            continue
        trial = board.copy()
        try:
            for key in reversed(keys):
                trial.take(key)
        except LookupError:
            continue
        if cost_of(trial) < cost_of(board):
            board = trial
    return board


def fixed_board(floor: Floor) -> Board:
    """Return a board with the frozen rows and the pins that can be kept, with the rest of the pinned jobs.

    A job whose pin cannot be kept stays off the board.

    Parameters
    ----------
    floor : Floor
        The problem in numbers [-].
    """
    dropped: set[int] = set()
    while True:
        board = Board(floor)
        for fixed in sorted(floor.held.values(), key=lambda f: (f.start_min, f.work.key)):
            board.fix(fixed)
        lost = _fix_pins(board, dropped)
        if not lost:
            return board
        dropped |= lost


def _fix_pins(board: Board, dropped: set[int]) -> set[int]:
    """Place pins and the jobs they belong to; return the jobs for which that fails."""
    floor = board.floor
    pinned = sorted({key[0] for key in floor.pins} - dropped)
    for key, pin in sorted(floor.pins.items(), key=lambda entry: (entry[1].start_min, entry[0])):
        if key[0] not in dropped and not board.fix(pin):
            return {key[0]}
    for j in pinned:
        if not _released_pin(floor, j) or not place_job(board, j, Taste()):
            return {j}
    return set()


def _released_pin(floor: Floor, j: int) -> bool:
    pin = floor.pins.get((j, 0))
    return pin is None or pin.start_min >= floor.jobs[j].release_min


Order = Callable[[Floor], list[int]]


def _orders(floor: Floor) -> list[tuple[Order, Taste]]:
    late, early = Taste(late=True), Taste(early_end=True)
    few: list[tuple[Order, Taste]] = [(_by_need, early), (_by_need, late), (_by_room, Taste())]
    if len(floor.jobs) > 60:
        return few
    return [*few, (_by_weight, early), (_by_release, early), (_by_length, early), (_by_length, Taste())]


def _needed(floor: Floor, j: int) -> int:
    job = floor.jobs[j]
    return min(
        [floor.last_min]
        + [minute for minute in (job.deadline_min, job.due_min, job.use_min) if minute is not None]
    )


def _by_need(floor: Floor) -> list[int]:
    return sorted(range(len(floor.jobs)), key=lambda j: (_needed(floor, j), -floor.jobs[j].priority, j))


def _by_due(floor: Floor) -> list[int]:
    def due(j: int) -> int:
        minute = floor.jobs[j].due_min
        return floor.last_min if minute is None else minute

    return sorted(range(len(floor.jobs)), key=lambda j: (due(j), floor.jobs[j].release_min, j))


def _by_room(floor: Floor) -> list[int]:
    """Jobs with the least time between release and need, for their work, come first."""

    def slack(j: int) -> int:
        return _needed(floor, j) - floor.jobs[j].release_min - sum(floor.shortest[j])

    return sorted(range(len(floor.jobs)), key=lambda j: (-floor.jobs[j].priority, slack(j), j))


def _by_weight(floor: Floor) -> list[int]:
    """Work for each unit of weight, shortest first (Smith 1956, Nav. Res. Logist. Q. 3:59-66)."""
    return sorted(
        range(len(floor.jobs)), key=lambda j: (sum(floor.shortest[j]) / max(1, floor.jobs[j].priority), j)
    )


def _by_release(floor: Floor) -> list[int]:
    return sorted(range(len(floor.jobs)), key=lambda j: (floor.jobs[j].release_min, _needed(floor, j), j))


def _by_length(floor: Floor) -> list[int]:
    """Longest first (Graham 1969, SIAM J. Appl. Math. 17:416-429)."""
    return sorted(range(len(floor.jobs)), key=lambda j: (-sum(floor.shortest[j]), j))


# --- as late as is safe -------------------------------------------------------------------------


def shift_late(board: Board) -> Board:
    """Return the board with every step as late as its order allows, where that costs less; else the board.

    Lanterns that wait carved lose nights; a step moves only where nothing gets late or undone by it.

    Parameters
    ----------
    board : Board
        Stays as it is [-].
    """
    floor = board.floor
    if "stored_nights" not in floor.tiers or floor.is_chained:
        return board
    moved = board.copy()
    finish = last_end(board)
    for key in sorted(moved.entries, key=lambda k: moved.entries[k].start_min, reverse=True):
        entry = moved.entries[key]
        if entry.stuck:
            continue
        j, s = key
        job = floor.jobs[j]
        high = min(finish, floor.latest_end(j, s))
        if s + 1 < len(job.steps):
            if (j, s + 1) not in moved.entries:
                continue
            high = min(high, moved.entries[j, s + 1].start_min)
        elif job.due_min is not None:
            high = min(high, max(job.due_min, entry.end_min))
        wait = job.wait_after(s - 1) if s else None
        if wait is not None:
            high = min(high, moved.entries[j, s - 1].end_min + wait + entry.work.whole_min)
        for first, second, most in floor.limits[j]:
            if second == s and (j, first) in moved.entries:
                high = min(high, moved.entries[j, first].end_min + most + entry.work.whole_min)
        start = moved.latest_shift(key, entry.start_min, high)
        if start is not None and start > entry.start_min:
            moved.shift(key, start)
    return moved if cost_of(moved) < cost_of(board) and keeps_ties(moved) else board
