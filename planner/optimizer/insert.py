"""Where does a job of one step go at the least cost? Into a gap, or into an open time packed anew.

Places are open times of machines in the order of what they cost at best in the first tiers. The search ends
with the first that cannot beat what is found. Where no gap will do, the rows of a better open time are packed
one after the other, with the job at the position that needs the fewest changes.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from planner.optimizer.board import Board, Entry, Spot, State
from planner.optimizer.floor import Floor, Key, Work
from planner.optimizer.problem import MOVED_MIN, NIGHT_MIN

JUDGED_BY_END = ("undone", "late", "stored_nights")
POSITIONS_TRIED = 3
Rank = tuple[float, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Place:
    """An open time that a job may use: what an end there costs at best, from when and until when."""

    key: Rank
    work: Work
    low: int
    high: int


def places_of(floor: Floor, j: int) -> tuple[Place, ...]:
    """Return the open times for a job's only step, the best first; the answer is kept with the floor.

    Parameters
    ----------
    floor : Floor
        The problem in numbers [-].
    j : int
        The job's index [-].
    """
    known: dict[int, tuple[Place, ...]] = floor.places
    if j not in known:
        known[j] = tuple(sorted(_places(floor, j), key=lambda place: place.key))
    return known[j]


def prefix_of(floor: Floor) -> int:
    """Return how many of the first tiers an end alone decides [-].

    Parameters
    ----------
    floor : Floor
        The problem in numbers [-].
    """
    count = 0
    for name in floor.tiers:
        if name not in JUDGED_BY_END:
            break
        count += 1
    return count


def _places(floor: Floor, j: int) -> list[Place]:
    job = floor.jobs[j]
    low, high = floor.earliest_start(j, 0), floor.latest_end(j, 0)
    names = floor.tiers[: prefix_of(floor)]
    found = []
    for work in floor.work[j][0]:
        for first, last in floor.windows[work.resource]:
            a, b = max(first, low), min(last, high)
            if a + work.whole_min > b:
                continue
            best = {
                "undone": 0,
                "late": floor.cost_of_end(job, a + work.whole_min)["late"],
                "stored_nights": floor.cost_of_end(job, b)["stored_nights"],
            }
            found.append(Place(tuple(best[name] for name in names), work, a, b))
    return found


def insert(
    board: Board, j: int, rank: object, skip: float = 0.0, rng: np.random.Generator | None = None
) -> bool:
    """Place a job of one step where it costs least; return False where it has no place.

    Parameters
    ----------
    board : Board
        Is changed [-].
    j : int
        The job's index [-].
    rank : callable
        What a spot costs, tier by tier [-].
    skip : float
        Chance that a place is passed over [-].
    rng : numpy.random.Generator, optional
        Source of chance [-].
    """
    places = places_of(board.floor, j)
    if rng is not None and skip > 0:
        kept = rng.random(len(places)) >= skip
        places = tuple(place for place, keep in zip(places, kept, strict=True) if keep) or places
    best: tuple[Rank, int, Spot] | None = None
    count = 0
    for place in places:
        if best is not None and place.key > best[0][: len(place.key)]:
            break
        for spot in board.spots(place.work, place.low, place.high, late=False, both=True):
            count += 1
            judged = (rank(spot), count, spot)  # type: ignore[operator]
            if best is None or judged[:2] < best[:2]:
                best = judged
    for place in places:
        if best is not None and place.key >= best[0][: len(place.key)]:
            break
        packed = pack(board, place)
        if packed is not None:
            board.put(packed)
            return True
    if best is not None:
        board.put(best[2])
    return best is not None


def insert_at(board: Board, place: Place) -> bool:
    """Put a work into one open time, in a gap or packed; return False where it does not fit.

    Parameters
    ----------
    board : Board
        Is changed [-].
    place : Place
        The open time and the work [-].
    """
    spots = list(board.spots(place.work, place.low, place.high, late=False))
    spot = min(spots, key=lambda s: (s.change_cost, s.start_min), default=None) or pack(board, place)
    if spot is not None:
        board.put(spot)
    return spot is not None


# --- packing an open time anew ----------------------------------------------------------------------


def pack(board: Board, place: Place) -> Spot | None:
    """Return a spot that packs an open time anew with one job more, None where that is too much.

    Parameters
    ----------
    board : Board
        Stays as it is [-].
    place : Place
        The open time, and the work that comes in [-].
    """
    floor, work = board.floor, place.work
    r = work.resource
    if board.room[r] is not None or "completion" in floor.tiers or floor.is_chained or floor.is_tied:
        return None
    first, last = next(span for span in floor.windows[r] if span[0] <= place.low and place.high <= span[1])
    line = board.lines[r]
    begin = next((n for n, entry in enumerate(line) if entry.start_min >= first), len(line))
    end = next((n for n in range(begin, len(line)) if line[n].start_min >= last), len(line))
    rows = line[begin:end]
    if any(entry.stuck for entry in rows):
        return None
    before = board.state_before(r, begin)
    if _least_min(board, before, rows, work) > last - first:
        return None
    failed: set[tuple[object, ...]] = floor.failed
    tried = (place.work, place.low, *(entry.work.key for entry in rows))
    if tried in failed:
        return None
    cutters = board.pick(work, board.state_before(r, begin).fitted)
    if cutters is None:
        return None
    new = Entry(work, 0, 0, 0, cutters, 0, board.begin[r])
    positions = sorted(range(len(rows) + 1), key=lambda at: (_changes(board, before, rows, new, at), -at))
    for entry in rows:
        board.book(entry.work, entry.start_min, -1)
    found = None
    for at in positions[:POSITIONS_TRIED]:
        walked = _walk(board, [*rows[:at], new, *rows[at:]], before, place, first, last)
        if walked is not None:
            found = _spot(board, begin, end, walked, work)
            if found is not None:
                break
    for entry in rows:
        board.book(entry.work, entry.start_min, 1)
    if found is None:
        failed.add(tried)
    return found


def _least_min(board: Board, before: State, rows: list[Entry], work: Work) -> int:
    """Return minutes that the rows and a work take in any order: themselves, and one change for each kind."""
    floor = board.floor
    works = [entry.work for entry in rows] + [work]
    fixtures = {w.fixture for w in works} - {None, before.fixture}
    kinds = {kind for w in works for kind, _ in w.wear}
    carried = None if before.fitted is None else floor.singles[before.fitted].kind
    changes = sum(floor.singles[floor.of_kind[kind][0]].change_min for kind in kinds - {carried})
    minutes = sum(w.whole_min for w in works)
    return minutes + len(fixtures) * floor.problem.fixture_change_min + changes


def _changes(board: Board, before: State, rows: list[Entry], new: Entry, at: int) -> int:
    """Return the minutes of change that the new row brings at a position."""
    state = rows[at - 1].after if at else before
    minutes, _, after = board.change(state, new.work, new.cutters)
    if at < len(rows):
        following = rows[at]
        minutes += board.change(after, following.work, following.cutters)[0]
        minutes -= board.change(state, following.work, following.cutters)[0]
    return minutes


def _walk(
    board: Board, order: list[Entry], state: State, place: Place, first: int, last: int
) -> list[Entry] | None:
    """Return the rows one after the other from the beginning of the open time, None where they run over."""
    steps = []
    free_at = first
    rest = sum(entry.work.whole_min for entry in order)
    for entry in order:
        if free_at + rest > last:
            return None
        rest -= entry.work.whole_min
        is_new = entry.work is place.work
        low, high = (place.low, place.high) if is_new else _bounds(board, entry)
        minutes, cost, state = board.change(state, entry.work, entry.cutters)
        start = board.first_fit(
            entry.work, max(low, free_at + minutes), min(high, last) - entry.work.whole_min
        )
        if start is None:
            return None
        free_at = start + entry.work.whole_min
        steps.append((entry, start, minutes, cost, state))
    return [
        replace(
            entry, start_min=a, end_min=a + entry.work.whole_min, change_min=m, change_cost=c, after=after
        )
        for entry, a, m, c, after in steps
    ]


def _bounds(board: Board, entry: Entry) -> tuple[int, int]:
    """Return from when until when a placed row may move without a cost and without moving another."""
    floor = board.floor
    j, s = entry.work.key
    job = floor.jobs[j]
    low, high = floor.earliest_start(j, s), floor.latest_end(j, s)
    if job.due_min is not None:
        high = min(high, max(job.due_min, entry.end_min))
    old = floor.published.get((j, s))
    if old is not None and not floor.is_moved((j, s), entry.work.resource, entry.start_min):
        low = max(low, old.start_min - MOVED_MIN)
        high = min(high, old.start_min + MOVED_MIN + entry.work.whole_min)
    if job.use_min is not None and s == len(job.steps) - 1:
        nights = max(0, (job.use_min - entry.end_min) // NIGHT_MIN)
        low = max(low, job.use_min - (nights + 1) * NIGHT_MIN + 1 - entry.work.whole_min)
    return _with_neighbours(board, (j, s), entry, low, high)


def _with_neighbours(board: Board, key: Key, entry: Entry, low: int, high: int) -> tuple[int, int]:
    j, s = key
    job = board.floor.jobs[j]
    before, after = board.entries.get((j, s - 1)), board.entries.get((j, s + 1))
    if before is not None:
        low = max(low, before.end_min)
        wait = job.wait_after(s - 1)
        high = high if wait is None else min(high, before.end_min + wait + entry.work.whole_min)
    if after is not None:
        high = min(high, after.start_min)
        wait = job.wait_after(s)
        low = low if wait is None else max(low, after.start_min - wait - entry.work.whole_min)
    return low, high


def _spot(board: Board, begin: int, end: int, walked: list[Entry], work: Work) -> Spot | None:
    line = board.lines[work.resource]
    tail = board.follow(work.resource, walked[-1].after, walked[-1].end_min, end)
    if tail is None:
        return None
    old = line[begin : end + len(tail)]
    delta = sum(e.change_cost for e in walked) + sum(e.change_cost for e in tail)
    delta -= sum(e.change_cost for e in old)
    start = next(entry.start_min for entry in walked if entry.work is work)
    return Spot(work, start, begin, len(old), (*walked, *tail), delta, packed=True)
