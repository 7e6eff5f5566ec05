"""Which job goes to which machine in which open time? For many jobs at once.

One number for each job, machine and open time: 1 if the job's deciding step is done there. Capacity,
changes of fixture and cutter, people and cutter life are counted for an open time as a whole; the exact
order and the minutes follow when the jobs are placed.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from typing import Any

from planner.optimizer.board import Board
from planner.optimizer.exact import run_solver
from planner.optimizer.floor import Floor, Work
from planner.optimizer.greedy import Taste, cost_of, fixed_board, is_done, key_step, place_job, shift_late
from planner.optimizer.model import Effort, Going
from planner.optimizer.problem import NIGHT_MIN

PAD_MIN = 2
"""Minutes kept free for each job, because order and people take more than the sums say."""
PEOPLE_SHARE = 0.95
"""Share of the people's minutes that the sums may use, because peaks do not fit together."""


@dataclass(frozen=True, slots=True, eq=False)
class _Place:
    """A job's deciding step in one open time of one resource."""

    job: int
    work: Work
    window: int
    chosen: Any
    first_end: int
    last_end: int


def by_open_times(floor: Floor, board: Board, effort: Effort, going: Going) -> Board:
    """Return a board made from the best sharing out over open times, or the board if that costs less.

    Parameters
    ----------
    floor : Floor
        The problem in numbers [-].
    board : Board
        A valid plan [-].
    effort : Effort
        Time [s], workers, seed.
    going : Callable
        Asked before each tier [-].
    """
    places = _share_out(floor, board, effort, going)
    if not places:
        return board
    found = shift_late(_place_all(floor, places))
    return found if cost_of(found) < cost_of(board) else board


def _share_out(floor: Floor, board: Board, effort: Effort, going: Going) -> dict[int, tuple[Work, int]]:
    """Return a work and an open time for each job, minimising one tier after the other."""
    from ortools.sat.python import cp_model

    model = cp_model.CpModel()
    begin = fixed_board(floor)
    jobs = [j for j in range(len(floor.jobs)) if not _any_placed(floor, begin, j)]
    undone = {j: model.new_bool_var("undone") for j in jobs}
    places = _add_places(floor, model, undone)
    changes = _add_capacity(floor, model, places, begin)
    _add_people(floor, model, places)
    changes += _add_lives(floor, model, places)
    _hint(floor, model, board, places, undone)
    totals = _totals(floor, places, undone, changes)
    left = effort.seconds
    chosen: dict[int, tuple[Work, int]] = {}
    for name in floor.tiers:
        total = totals.get(name, 0)
        if isinstance(total, int):
            continue
        if left < 0.05 or not going():
            break
        model.minimize(total)
        solver = cp_model.CpSolver()
        solver.parameters.num_workers = effort.workers
        solver.parameters.random_seed = effort.seed
        if effort.deterministic:
            solver.parameters.max_deterministic_time = left * 0.5
        else:
            solver.parameters.max_time_in_seconds = left * 0.5
        status = run_solver(solver, model, going)
        left -= solver.response_proto.deterministic_time if effort.deterministic else solver.wall_time
        if status not in (cp_model.OPTIMAL, cp_model.FEASIBLE):
            break
        chosen = {p.job: (p.work, p.window) for p in places if solver.boolean_value(p.chosen)}
        model.add(total <= round(solver.objective_value))
        model.clear_hints()  # type: ignore[no-untyped-call]
        for place in places:
            model.add_hint(place.chosen, solver.boolean_value(place.chosen))
    return chosen


def _any_placed(floor: Floor, board: Board, j: int) -> bool:
    return any((j, s) in board.entries for s in range(len(floor.jobs[j].steps)))


def _add_places(floor: Floor, model: Any, undone: dict[int, Any]) -> list[_Place]:
    places = []
    for j, not_done in undone.items():
        s = key_step(floor, j)
        low, high = floor.earliest_start(j, s), floor.latest_end(j, s)
        own = []
        for work in floor.work[j][s]:
            for w, (first, last) in enumerate(floor.windows[work.resource]):
                first_end, last_end = max(first, low) + work.whole_min, min(last, high)
                if first_end <= last_end:
                    own.append(_Place(j, work, w, model.new_bool_var("here"), first_end, last_end))
        model.add_exactly_one([not_done, *(place.chosen for place in own)])
        places += own
    return places


def _add_capacity(floor: Floor, model: Any, places: list[_Place], begin: Board) -> list[Any]:
    """Add that work and changes fit into each open time; return what the changes cost."""
    groups: dict[tuple[int, int], list[_Place]] = defaultdict(list)
    for place in places:
        groups[place.work.resource, place.window].append(place)
    costs: list[Any] = []
    fitted: dict[tuple[int, str], list[Any]] = defaultdict(list)
    for (r, w), group in sorted(groups.items()):
        first, last = floor.windows[r][w]
        capacity = floor.problem.resources[r].capacity
        inside = [e for e in begin.entries.values() if e.work.resource == r and first <= e.start_min < last]
        length = capacity * (last - first) - sum(e.work.whole_min for e in inside)
        pad = PAD_MIN if floor.stateful[r] else 0
        load = sum((place.work.whole_min + pad) * place.chosen for place in group)
        state = begin.begin[r]
        names = {
            f"fixture {place.work.fixture}": floor.problem.fixture_change_min
            for place in group
            if place.work.fixture is not None
        }
        kinds = {kind for place in group for kind, _ in place.work.wear}
        names |= {f"kind {k}": floor.singles[floor.of_kind[k][0]].change_min for k in sorted(kinds)}
        carried: dict[bool, list[Any]] = {True: [], False: []}
        at_start = {f"fixture {state.fixture}"}
        if state.fitted is not None:
            at_start.add(f"kind {floor.singles[state.fitted].kind}")
        for name, minutes in sorted(names.items()):
            used, carry = model.new_bool_var(name), model.new_bool_var("carried")
            for place in group:
                if name in _needs(place.work):
                    model.add_implication(place.chosen, used)
            model.add_implication(carry, used)
            if name not in at_start:
                model.add(carry <= sum(fitted[r, name]))
            is_fixture = name.startswith("fixture")
            carried[is_fixture].append(carry)
            fitted[r, name].append(used)
            costs.append((3 if is_fixture else 1) * (used - carry))
            load += minutes * (used - carry)
        for carries in carried.values():
            model.add_at_most_one(carries)
        model.add(load <= max(0, length))
        _add_part_times(floor, model, group, first, last, capacity)
    return costs


def _needs(work: Work) -> set[str]:
    return {f"fixture {work.fixture}", *(f"kind {kind}" for kind, _ in work.wear)}


def _add_part_times(
    floor: Floor, model: Any, group: list[_Place], first: int, last: int, capacity: int
) -> None:
    """Add that jobs which come late, or must leave early, fit into their part of an open time."""
    for minute in sorted({p.first_end - p.work.whole_min for p in group} - {first})[:20]:
        late = [p for p in group if p.first_end - p.work.whole_min >= minute]
        model.add(sum(p.work.whole_min * p.chosen for p in late) <= capacity * (last - minute))
    for minute in sorted({p.last_end for p in group} - {last})[:20]:
        early = [p for p in group if p.last_end <= minute]
        model.add(sum(p.work.whole_min * p.chosen for p in early) <= capacity * (minute - first))


def _add_people(floor: Floor, model: Any, places: list[_Place]) -> None:
    """Add that the person-minutes of all that starts in an open time are there in it."""
    if floor.people is None:
        return
    groups: dict[tuple[int, int], list[Any]] = defaultdict(list)
    for place in places:
        need = sum(length * share for _, length, share in place.work.parts)
        groups[floor.windows[place.work.resource][place.window]].append(need * place.chosen)
    for (first, last), needs in groups.items():
        there = int(floor.people[first - floor.first_min : last - floor.first_min].sum() * PEOPLE_SHARE)
        model.add(sum(needs) <= there)


def _add_lives(floor: Floor, model: Any, places: list[_Place]) -> list[Any]:
    """Add that each machine's wear fits into the cutters issued to it; return what new cutters cost."""
    wear: dict[tuple[int, int], list[Any]] = defaultdict(list)
    for place in places:
        for kind, share in place.work.wear:
            wear[kind, place.work.resource].append(share * place.chosen)
    costs = []
    issued: dict[int, list[Any]] = defaultdict(list)
    for (kind, r), shares in sorted(wear.items()):
        singles = [(c, floor.singles[c]) for c in floor.of_kind[kind]]
        if singles and singles[0][1].life is None:
            continue
        supply = 0
        for c, single in singles:
            if single.home == r:
                supply += single.life or 0
            elif single.home is None:
                here = model.new_bool_var("issued")
                issued[c].append(here)
                supply += (single.life or 0) * here
        model.add(sum(shares) <= supply)
    for here in issued.values():
        model.add_at_most_one(here)
        costs += [2 * one for one in here]
    return costs


def _totals(floor: Floor, places: list[_Place], undone: dict[int, Any], changes: list[Any]) -> dict[str, Any]:
    late, nights, completion, moved = [], [], [], []
    for place in places:
        job = floor.jobs[place.job]
        tail = sum(floor.shortest[place.job][place.work.key[1] + 1 :])
        first_end, last_end = place.first_end + tail, place.last_end + tail
        if job.due_min is not None and first_end > job.due_min:
            late.append(job.priority * (first_end - job.due_min) * place.chosen)
        if job.use_min is not None:
            nights.append(job.perish * max(0, (job.use_min - last_end) // NIGHT_MIN) * place.chosen)
        completion.append(job.priority * first_end * place.chosen)
        old = floor.published.get(place.work.key)
        if old is not None:
            first, last = floor.windows[place.work.resource][place.window]
            is_same = floor.resource_index.get(old.resource) == place.work.resource
            moved.append((0 if is_same and first <= old.start_min < last else 1) * place.chosen)
    return {
        "undone": sum(floor.jobs[j].priority * var for j, var in undone.items()),
        "late": sum(late),
        "stored_nights": sum(nights),
        "changeovers": sum(changes),
        "completion": sum(completion),
        "moved": sum(moved),
    }


def _hint(floor: Floor, model: Any, board: Board, places: list[_Place], undone: dict[int, Any]) -> None:
    for j, var in undone.items():
        model.add_hint(var, not is_done(board, j))
    for place in places:
        entry = board.entries.get(place.work.key)
        is_here = entry is not None and entry.work is place.work
        if is_here and entry is not None:
            is_here = floor.window_of(place.work, entry.start_min) == place.window
        model.add_hint(place.chosen, is_here)


# --- from open times to minutes -----------------------------------------------------------------


def _place_all(floor: Floor, places: dict[int, tuple[Work, int]]) -> Board:
    """Place each job in its open time, tight ones first; what does not fit goes wherever it does."""
    board = fixed_board(floor)

    def need(j: int) -> tuple[int, int, int]:
        work, window = places[j]
        first, last = floor.windows[work.resource][window]
        low, high = floor.earliest_start(*work.key), floor.latest_end(*work.key)
        return first, min(last, high) - max(first, low), -work.whole_min

    rest = [j for j in range(len(floor.jobs)) if j not in places]
    for j in sorted(places, key=need):
        if not is_done(board, j) and not place_job(board, j, Taste(early_end=True), only=places[j]):
            rest.append(j)
    for j in sorted(rest, key=lambda j: (-floor.jobs[j].priority, floor.latest_end(j, 0))):
        if not is_done(board, j):
            place_job(board, j, Taste())
    return board
