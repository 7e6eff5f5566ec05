"""Which jobs share which machine and day, so that the least is undone, late or stored, for few jobs?

The order inside an open time is left open at first: jobs that need the same fixture and the same cutters are
alike, and what an open time spends on changes is the cheapest walk through the sorts of jobs in it. Of the
best ways to share out, one that leaves much room is given an exact order. If some jobs do not fit into an
open time in any order, or no order is found, they are ruled out together and the next way is tried.
"""

from __future__ import annotations

from collections import defaultdict
from itertools import combinations
from typing import Any

from planner.optimizer.alone import Duty, Sort, clashing, fits_alone
from planner.optimizer.board import Board
from planner.optimizer.exact import run_solver
from planner.optimizer.floor import Floor, Work
from planner.optimizer.greedy import cost_of
from planner.optimizer.model import Effort, Going
from planner.optimizer.orders import JUDGED, Orders, Settled, Stay, is_able
from planner.optimizer.problem import PERSON

MOST_SORTS = 6
"""With more sorts of jobs on one machine there are too many sets of them to look at."""
MOST_ALONE = 10
"""Of more jobs in one open time not every order is tried."""
MOST_TRIED = 60
ENOUGH_MIN = 30
"""More room than this in an open time is worth nothing more."""
SHARING, ORDERING = 0.05, 0.02
"""How long the solver may try, in its own units: for much room, for an order."""


def is_shareable(floor: Floor) -> bool:
    """Return whether `share_days` can say something of a problem.

    Parameters
    ----------
    floor : Floor
        The problem in numbers [-].
    """
    sorts = defaultdict(set)
    for steps in floor.work:
        for work in steps[0] if steps else ():
            sorts[work.resource].add(_sort(work))
    return is_able(floor) and all(len(own) <= MOST_SORTS for own in sorts.values())


def share_days(floor: Floor, board: Board, effort: Effort, going: Going) -> Settled:
    """Return the best board found, and bounds of the first tiers as far as the board reaches them.

    Parameters
    ----------
    floor : Floor
        The problem in numbers [-].
    board : Board
        A valid plan [-].
    effort : Effort
        Time for all tiers together [s], workers, seed.
    going : Callable
        Asked now and then; False ends the search [-].
    """
    search = _Search(floor, board, effort, going)
    least = search.least()
    if len(least) == len([name for name in floor.tiers if name in JUDGED]):
        board = search.ordered(board, least)
    settled = Settled(board)
    for name, value in zip(floor.tiers, cost_of(board), strict=True):
        if name not in least:
            break
        settled.bounds[name] = least[name]
        if least[name] < value:
            break
    return settled


class _Search:
    """Sharing out, ordering, ruling out, in a time."""

    def __init__(self, floor: Floor, board: Board, effort: Effort, going: Going) -> None:
        self.floor, self.board, self.effort, self.going = floor, board, effort, going
        self.left = effort.seconds
        self.tries = 0
        self.shares = _Shares(floor, board)

    def least(self) -> dict[str, int]:
        """Return what each of the first tiers cannot be less than, the ones before it at their least."""
        model, least = self.shares.model, {}
        for name, value in zip(self.floor.tiers, cost_of(self.board), strict=True):
            if name not in JUDGED:
                break
            total = self.shares.totals[name]
            least[name] = 0
            if isinstance(total, int):
                continue
            if value == 0:
                model.add(total <= 0)
                continue
            model.minimize(total)
            solver = self._solved(self.shares, self.left)
            if solver is None or round(solver.objective_value) > solver.best_objective_bound + 1e-6:
                del least[name]
                break
            least[name] = round(solver.objective_value)
            model.add(total <= least[name])
        return least

    def ordered(self, board: Board, least: dict[str, int]) -> Board:
        """Return a board that reaches the least of every tier, or the best that was found on the way."""
        goals = self.shares.add_goals()
        for _ in range(MOST_TRIED):
            if cost_of(board)[: len(least)] <= tuple(least.values()):
                break
            self.shares.model.maximize(goals[self.tries % len(goals)])
            solver = self._solved(self.shares, self.left, SHARING)
            if solver is None:
                break
            chosen = [stay for stay in self.shares.stays if solver.boolean_value(stay.chosen)]
            if self._rule_out_alone(chosen, solver):
                continue
            self.tries += 1
            found = self._order_of(chosen, least)
            if found is not None:
                board = min(board, found, key=cost_of)
            some = self._of_fullest_day(chosen, solver) if found is None else chosen
            self.shares.model.add(sum(stay.chosen for stay in some) <= len(some) - 1)
        return board

    def _rule_out_alone(self, chosen: list[Stay], solver: Any) -> bool:
        """Rule out jobs that do not fit into an open time even if served at once; return whether any were."""
        shares, is_any = self.shares, False
        for (r, w), ways in shares.before.items():
            own = [stay for stay in chosen if (stay.work.resource, stay.window) == (r, w)]
            if not own or len(own) > MOST_ALONE:
                continue
            first = self.floor.windows[r][w][0]
            fitted = next(sort for sort, is_so in ways.items() if solver.value(is_so))
            duties = [shares.duty(stay) for stay in own]
            clash = clashing(duties, fitted, first, shares.change)
            if clash:
                is_any = True
                duties = [duties[n] for n in clash]
                lost = [
                    is_so
                    for sort, is_so in ways.items()
                    if not fits_alone(duties, sort, first, shares.change)
                ]
                shares.model.add(sum(own[n].chosen for n in clash) + sum(lost) <= len(clash))
        return is_any

    def _order_of(self, chosen: list[Stay], least: dict[str, int]) -> Board | None:
        """Return a board with an order of the jobs where they are, None where none is found soon.

        What is found at all is found at once, by one way of searching or the other.
        """
        orders = Orders(self.floor, self.board, {(s.job, s.work.resource, s.window) for s in chosen})
        orders.model.clear_hints()  # type: ignore[no-untyped-call]
        for name, value in least.items():
            orders.model.add(orders.totals[name] <= value)
        for linearization in (0, 1):
            solver = self._solved(orders, self.left, ORDERING, linearization)
            if solver is not None:
                return orders.board_of(solver)
        return None

    def _of_fullest_day(self, chosen: list[Stay], solver: Any) -> list[Stay]:
        """Return the jobs of the day with the fullest open time."""
        rooms, windows = self.shares.rooms, self.floor.windows
        r, w = min(rooms, key=lambda place: int(solver.value(rooms[place])))
        day = self.shares.stretch(*windows[r][w])
        return [s for s in chosen if self.shares.stretch(*windows[s.work.resource][s.window]) == day]

    def _solved(
        self, orders: Orders, seconds: float, patience: float | None = None, linearization: int = 1
    ) -> Any:
        """Return a solver with an answer, None for none in the time, or within the solver's own units."""
        if self.left < 0.05 or not self.going():
            return None
        effort = self.effort
        solver = orders.solver(Effort(max(0.05, seconds), 1, effort.seed + self.tries, effort.deterministic))
        solver.parameters.linearization_level = linearization
        if patience is not None:
            most = seconds if effort.deterministic else patience
            solver.parameters.max_deterministic_time = min(patience, most)
        status = run_solver(solver, orders.model, self.going)
        self.left -= solver.response_proto.deterministic_time if effort.deterministic else solver.wall_time
        return solver if status in (orders.cp.OPTIMAL, orders.cp.FEASIBLE) else None


def _sort(work: Work) -> Sort:
    kinds = [kind for kind, _ in work.wear]
    return work.fixture, kinds[0] if kinds else None, kinds[-1] if kinds else None


class _Shares(Orders):
    """Jobs in open times without their order; its least is what no order can go below."""

    def __init__(self, floor: Floor, board: Board) -> None:
        self.fitted: dict[int, dict[Sort, Any]] = {}
        self.before: dict[tuple[int, int], dict[Sort, Any]] = {}
        """For each open time, which sort of job may have been done before it, and whether it was."""
        self.rooms: dict[tuple[int, int], Any] = {}
        self.entering: dict[tuple[int, int], Any] = {}
        super().__init__(floor, board)

    def add_goals(self) -> list[Any]:
        """Return what may be asked for in turns: room in the fullest open time, and room in all of them."""
        most = max((last - first for spans in self.floor.windows for first, last in spans), default=0)
        fullest = self.model.new_int_var(0, most, "room")
        each = []
        for left in self.rooms.values():
            self.model.add(fullest <= left)
            each.append(self.model.new_int_var(0, ENOUGH_MIN, "room"))
            self.model.add(each[-1] <= left)
        return [fullest, sum(each)]

    def duty(self, stay: Stay) -> Duty:
        """Return what a job asks of an open time."""
        return Duty(_sort(stay.work), stay.work.whole_min, self._inner(stay.work), stay.low, stay.high)

    def stretch(self, first: int, last: int) -> int:
        """Return the beginning [min] of the stretch of overlapping open times that one belongs to."""
        return self._stretch(first, last)

    # --- one open time ---------------------------------------------------------------------------

    def _add_open_time(self, r: int, w: int) -> None:
        """Add a walk through the sorts of jobs: in at what is fitted, round as often as there are jobs."""
        model = self.model
        stays = self.groups[r, w]
        by_sort: dict[Sort, list[Stay]] = defaultdict(list)
        for stay in stays:
            by_sort[_sort(stay.work)].append(stay)
        into: dict[Sort, list[tuple[Sort | None, Any]]] = {sort: [] for sort in by_sort}
        out: dict[Sort, list[Any]] = {sort: [] for sort in by_sort}
        after: dict[Sort, list[Any]] = defaultdict(list)
        load: Any = sum((s.work.whole_min + self._inner(s.work)) * s.chosen for s in stays)
        entering: Any = 0
        self.before[r, w] = self._fitted(r)
        for begin, is_so in self.before[r, w].items():
            idle = model.new_bool_var("idle")
            after[begin].append(idle)
            leaving = [idle]
            for sort, own in by_sort.items():
                step = model.new_bool_var("first")
                leaving.append(step)
                into[sort].append((None, step))
                minutes = self.change(begin, sort)
                load += minutes * step
                entering += (minutes + min(self._inner(stay.work) for stay in own)) * step
            model.add(sum(leaving) == is_so)
        for sort, own in by_sort.items():
            end = model.new_bool_var("last")
            out[sort].append(end)
            after[sort].append(end)
            for other, others in by_sort.items():
                step = model.new_int_var(0, min(len(own), len(others)), "then")
                out[sort].append(step)
                into[other].append((sort, step))
                load += self.change(sort, other) * step
        self._add_walk(by_sort, into, out)
        self.fitted[r] = {sort: sum(ways) for sort, ways in after.items()}
        first, last = self.floor.windows[r][w]
        self.entering[r, w] = entering
        self.rooms[r, w] = last - first - load
        model.add(load <= last - first)
        self._add_part_times(stays, first, last)

    def _add_walk(
        self,
        by_sort: dict[Sort, list[Stay]],
        into: dict[Sort, list[tuple[Sort | None, Any]]],
        out: dict[Sort, list[Any]],
    ) -> None:
        """Add that every job is come to and left, and that no set of sorts is a round trip of its own."""
        model = self.model
        used = {sort: model.new_bool_var("used") for sort in by_sort}
        for sort, own in by_sort.items():
            count = sum(stay.chosen for stay in own)
            model.add(sum(step for _, step in into[sort]) == count)
            model.add(sum(out[sort]) == count)
            for stay in own:
                model.add_implication(stay.chosen, used[sort])
        for size in range(1, len(by_sort) + 1):
            for some in combinations(by_sort, size):
                entered = [step for sort in some for origin, step in into[sort] if origin not in some]
                for sort in some:
                    model.add(sum(entered) >= used[sort])

    def _fitted(self, r: int) -> dict[Sort, Any]:
        """Return what can be fitted on a machine before an open time, as a sort of job, and whether it is."""
        if r not in self.fitted:
            state = self.begin[r]
            kind = None if state.fitted is None else self.floor.singles[state.fitted].kind
            self.fitted[r] = {(state.fixture, kind, kind): 1}
        return self.fitted[r]

    def change(self, before: Sort, after: Sort) -> int:
        """Return minutes of change between two sorts; none where a state is not known."""
        minutes = 0
        if before[0] is not None and after[0] not in (None, before[0]):
            minutes += self.floor.problem.fixture_change_min
        if before[2] is not None and after[1] is not None and before[2] != after[1]:
            minutes += self._change_min(after[1])
        return minutes

    # --- people ----------------------------------------------------------------------------------

    def _add_people(self) -> None:
        """Add that person-minutes are there, and that few people cannot begin, or end, everywhere at once."""
        free, floor = self.floor.people, self.floor
        if free is None:
            return
        days: dict[int, list[tuple[int, int]]] = defaultdict(list)
        for r, spans in enumerate(floor.windows):
            for w, span in enumerate(spans):
                days[self._stretch(*span)].append((r, w))
        for places in days.values():
            first = min(floor.windows[r][w][0] for r, w in places)
            last = max(floor.windows[r][w][1] for r, w in places)
            need = sum(
                share * length * stay.chosen
                for place in places
                for stay in self.groups[place]
                for _, length, share in stay.work.parts
            )
            self.model.add(need <= int(free[first - floor.first_min : last - floor.first_min].sum()))
        self._add_ends()

    def _add_ends(self) -> None:
        """Add the wait of machines that cannot all be loaded when they open, or unloaded when they close.

        Loads that begin less than a load's length after the opening all go on in the minute before that
        length is over, so no more of them than there are people; any other machine changes or waits so long.
        """
        model, floor = self.model, self.floor
        opening: dict[int, list[tuple[int, int]]] = defaultdict(list)
        closing: dict[int, list[tuple[int, int]]] = defaultdict(list)
        for (r, w), stays in self.groups.items():
            if stays:
                first, last = floor.windows[r][w]
                opening[first].append((r, w))
                closing[last].append((r, w))
        for first, places in opening.items():
            least = min(_loading(stay.work) for place in places for stay in self.groups[place])
            self._add_waits(places, first + least - 1, least, self.entering)
        for last, places in closing.items():
            least = min(_unloading(stay.work) for place in places for stay in self.groups[place])
            self._add_waits(places, last - least, least, {})
        for room in self.rooms.values():
            model.add(room >= 0)

    def _add_waits(
        self, places: list[tuple[int, int]], minute: int, least: int, busy: dict[tuple[int, int], Any]
    ) -> None:
        """Add that all machines but as many as there are people at a minute are busy otherwise, or wait."""
        model, floor = self.model, self.floor
        if not least or floor.people is None:
            return
        hands = int(floor.people[minute - floor.first_min]) // PERSON
        if hands >= len(places):
            return
        at_once = [model.new_bool_var("at once") for _ in places]
        model.add(sum(at_once) <= hands)
        for place, is_first in zip(places, at_once, strict=True):
            wait = model.new_int_var(0, least, "wait")
            model.add(wait + busy.get(place, 0) >= least).only_enforce_if(~is_first)
            self.rooms[place] -= wait


def _loading(work: Work) -> int:
    """Return how long a person is needed from a job's first minute on [min]."""
    return next((n for offset, n, need in work.parts if offset == 0 and need >= PERSON), 0)


def _unloading(work: Work) -> int:
    """Return how long a person is needed up to a job's last minute [min]."""
    return next((n for at, n, need in work.parts if at + n == work.whole_min and need >= PERSON), 0)
