"""Which order in every open time is the best of all, proven, for few jobs of one step each?

One model in which an open time of a machine is a round trip through the jobs done there. What a change
between two jobs takes is known beforehand, so the sums of an open time are nearly exact. Left out is which
single cutter of a type is taken, beside the wear of each machine as a whole: what is proven holds for any
plan, and a plan made from the answer is checked like every other.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, field
from typing import Any

from planner.optimizer.board import Board
from planner.optimizer.exact import run_solver
from planner.optimizer.floor import Floor, Work
from planner.optimizer.greedy import cost_of, is_done
from planner.optimizer.insert import Place, insert_at
from planner.optimizer.model import Effort, Going
from planner.optimizer.problem import NIGHT_MIN

MOST_ARCS = 8_000
JUDGED = ("undone", "late", "stored_nights")
"""The tiers that the model knows; they must come first."""


@dataclass(slots=True, eq=False)
class Stay:
    """A job in one open time of one machine."""

    job: int
    work: Work
    window: int
    low: int
    high: int
    chosen: Any
    start: Any


@dataclass(slots=True)
class Settled:
    """A board, and what the first tiers cannot be less than."""

    board: Board
    bounds: dict[str, int] = field(default_factory=dict)


def is_able(floor: Floor) -> bool:
    """Return whether the model can say something of a problem: one step a job, on machines, nothing fixed.

    Parameters
    ----------
    floor : Floor
        The problem in numbers [-].
    """
    if floor.is_chained or floor.is_tied or floor.held or floor.pins or floor.tiers[:1] != ("undone",):
        return False
    if any(len(steps) != 1 for steps in floor.work):
        return False
    if any(resource.capacity > 1 for resource in floor.problem.resources):
        return False
    count: dict[tuple[int, int], int] = defaultdict(int)
    for steps in floor.work:
        for work in steps[0]:
            for w in range(len(floor.windows[work.resource])):
                count[work.resource, w] += 1
    return sum(n * n for n in count.values()) <= MOST_ARCS


def settle(floor: Floor, board: Board, effort: Effort, going: Going) -> Settled:
    """Return the best board found and bounds of the first tiers, each fixed before the next.

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
    orders = Orders(floor, board)
    settled = Settled(board)
    left = effort.seconds
    for place, name in enumerate(floor.tiers):
        if name not in JUDGED or left < 0.05 or not going():
            break
        known = dict(zip(floor.tiers, cost_of(settled.board), strict=True))[name]
        total = orders.totals[name]
        bound = 0
        if known > 0 and not isinstance(total, int):
            orders.model.minimize(total)
            solver = orders.solver(Effort(left, effort.workers, effort.seed, effort.deterministic))
            status = run_solver(solver, orders.model, going)
            left -= solver.response_proto.deterministic_time if effort.deterministic else solver.wall_time
            if status in (orders.cp.OPTIMAL, orders.cp.FEASIBLE):
                found = orders.board_of(solver)
                if cost_of(found) < cost_of(settled.board):
                    settled.board = found
            if status != orders.cp.INFEASIBLE:
                bound = max(0, int(-(-(solver.best_objective_bound - 1e-6) // 1)))
        settled.bounds[name] = bound
        value = cost_of(settled.board)[place]
        if bound < value:
            break
        orders.model.add(total <= value)
        orders.hint(settled.board)
    return settled


class Orders:
    """The model: stays in open times, their order, people, wear, and what the tiers count.

    Parameters
    ----------
    floor : Floor
        The problem in numbers [-].
    board : Board
        A valid plan, told to the solver as a hint [-].
    only : set of tuple, optional
        The job, resource and open time [-] of the stays that there are; all when left out.
    """

    def __init__(self, floor: Floor, board: Board, only: set[tuple[int, int, int]] | None = None) -> None:
        from ortools.sat.python import cp_model

        self.cp = cp_model
        self.model = cp_model.CpModel()
        self.floor = floor
        self.begin = board.begin
        self.only = only
        self.undone = [self.model.new_bool_var("undone") for _ in floor.jobs]
        self.start = [self.model.new_int_var(floor.first_min, floor.last_min, "start") for _ in floor.jobs]
        self.stays: list[Stay] = []
        self.groups: dict[tuple[int, int], list[Stay]] = defaultdict(list)
        self._add_stays()
        self.after: dict[tuple[int, int], dict[str, Any]] = {}
        for r in range(len(floor.windows)):
            for w in range(len(floor.windows[r])):
                self._add_open_time(r, w)
        self._add_people()
        self._add_wear()
        self.totals = self._totals()
        self.hint(board)

    def _add_stays(self) -> None:
        floor, model = self.floor, self.model
        for j, undone in enumerate(self.undone):
            low, high = floor.earliest_start(j, 0), floor.latest_end(j, 0)
            own = []
            for work in floor.work[j][0]:
                for w, (first, last) in enumerate(floor.windows[work.resource]):
                    a, b = max(first, low), min(last, high)
                    if a + work.whole_min > b:
                        continue
                    if self.only is not None and (j, work.resource, w) not in self.only:
                        continue
                    chosen = model.new_bool_var("here")
                    model.add(self.start[j] >= a).only_enforce_if(chosen)
                    model.add(self.start[j] <= b - work.whole_min).only_enforce_if(chosen)
                    stay = Stay(j, work, w, a, b, chosen, self.start[j])
                    own.append(stay)
                    self.groups[work.resource, w].append(stay)
            model.add_exactly_one([undone, *(stay.chosen for stay in own)])
            self.stays += own

    # --- one open time ---------------------------------------------------------------------------

    def _add_open_time(self, r: int, w: int) -> None:
        """Add the round trip through what is done in an open time, and that it fits with all changes."""
        model, floor = self.model, self.floor
        stays = self.groups[r, w]
        before = self._before(r, w)
        after = {name: model.new_bool_var(name) for name in self._states(r)}
        for which in ("fixture", "kind"):
            model.add_at_most_one([lit for name, lit in after.items() if name.startswith(which)])
        self.after[r, w] = after
        first, last = floor.windows[r][w]
        idle = model.new_bool_var("idle")
        arcs: list[tuple[int, int, Any]] = [(0, 0, idle)]
        load: Any = 0
        fixture_first, kind_first = model.new_bool_var("fixture change"), model.new_bool_var("cutter change")
        kind_min = self._least_change(r)
        for name, lit in after.items():
            model.add(lit <= self._value(before, name)).only_enforce_if(idle)
        for i, stay in enumerate(stays, start=1):
            inner = self._inner(stay.work)
            load += (stay.work.whole_min + inner) * stay.chosen
            arcs.append((i, i, ~stay.chosen))
            model.add_implication(stay.chosen, ~idle)
            begins, ends = model.new_bool_var("first"), model.new_bool_var("last")
            arcs += [(0, i, begins), (i, 0, ends)]
            if stay.work.fixture is not None:
                model.add(fixture_first >= begins - self._value(before, f"fixture {stay.work.fixture}"))
                for name, lit in after.items():
                    if name.startswith("fixture") and name != f"fixture {stay.work.fixture}":
                        model.add_implication(ends, ~lit)
            if stay.work.wear:
                model.add(kind_first >= begins - self._value(before, f"kind {stay.work.wear[0][0]}"))
                for name, lit in after.items():
                    if name.startswith("kind") and name != f"kind {stay.work.wear[-1][0]}":
                        model.add_implication(ends, ~lit)
            change = floor.problem.fixture_change_min * fixture_first + kind_min * kind_first
            model.add(stay.start >= first + change + inner).only_enforce_if(stay.chosen)
            for k, other in enumerate(stays, start=1):
                if k == i or stay.low + stay.work.whole_min + other.work.whole_min > other.high:
                    continue
                lit = model.new_bool_var("then")
                arcs.append((i, k, lit))
                between = self._between(stay.work, other.work)
                load += between * lit
                gap = stay.work.whole_min + between + self._inner(other.work)
                model.add(other.start >= stay.start + gap).only_enforce_if(lit)
        if not stays:
            model.add(idle == 1)
            return
        model.add_circuit(arcs)
        load += floor.problem.fixture_change_min * fixture_first + kind_min * kind_first
        model.add(load <= last - first)
        self._add_part_times(stays, first, last)
        self._keep_apart(stays)

    def _add_part_times(self, stays: list[Stay], first: int, last: int) -> None:
        """Add that what comes late, or must leave early, fits into its part."""
        model = self.model
        for minute in sorted({stay.low for stay in stays} - {first}):
            late = [s for s in stays if s.low >= minute]
            model.add(sum(s.work.whole_min * s.chosen for s in late) <= last - minute)
        for minute in sorted({stay.high for stay in stays} - {last}):
            early = [s for s in stays if s.high <= minute]
            model.add(sum(s.work.whole_min * s.chosen for s in early) <= minute - first)

    def _keep_apart(self, stays: list[Stay]) -> None:
        """Add that nothing overlaps."""
        self.model.add_no_overlap(
            [
                self.model.new_optional_interval_var(
                    s.start, s.work.whole_min, s.start + s.work.whole_min, s.chosen, "stay"
                )
                for s in stays
            ]
        )

    def _states(self, r: int) -> set[str]:
        works = [work for steps in self.floor.work for work in steps[0] if work.resource == r]
        names = {f"fixture {work.fixture}" for work in works if work.fixture is not None}
        return names | {f"kind {kind}" for work in works for kind, _ in work.wear}

    def _before(self, r: int, w: int) -> dict[str, Any]:
        """Return what stands on a machine when an open time begins: known for the first one."""
        if w:
            return self.after[r, w - 1]
        state = self.begin[r]
        names = {f"fixture {state.fixture}": 1}
        if state.fitted is not None:
            names[f"kind {self.floor.singles[state.fitted].kind}"] = 1
        return names

    @staticmethod
    def _value(before: dict[str, Any], name: str) -> Any:
        return before.get(name, 0)

    def _change_min(self, kind: int) -> int:
        return self.floor.singles[self.floor.of_kind[kind][0]].change_min

    def _least_change(self, r: int) -> int:
        kinds = {kind for steps in self.floor.work for w in steps[0] if w.resource == r for kind, _ in w.wear}
        return min((self._change_min(kind) for kind in kinds), default=0)

    def _inner(self, work: Work) -> int:
        """Return minutes of the changes to a job's second and further cutters, always before it."""
        return sum(self._change_min(kind) for kind, _ in work.wear[1:])

    def _between(self, before: Work, after: Work) -> int:
        """Return minutes of change from one job to the next; none where a state is not known."""
        minutes = 0
        if before.fixture is not None and after.fixture not in (None, before.fixture):
            minutes += self.floor.problem.fixture_change_min
        if before.wear and after.wear and before.wear[-1][0] != after.wear[0][0]:
            minutes += self._change_min(after.wear[0][0])
        return minutes

    # --- people and cutters ----------------------------------------------------------------------

    def _add_people(self) -> None:
        free, model, floor = self.floor.people, self.model, self.floor
        if free is None:
            return
        by_day: dict[int, list[tuple[int, int]]] = defaultdict(list)
        for r, windows in enumerate(floor.windows):
            for w, (first, last) in enumerate(windows):
                by_day[self._stretch(first, last)].append((r, w))
        for windows_there in by_day.values():
            spans, needs = [], []
            minutes: Any = 0
            first = min(floor.windows[r][w][0] for r, w in windows_there)
            last = max(floor.windows[r][w][1] for r, w in windows_there)
            for r, w in windows_there:
                for stay in self.groups[r, w]:
                    for offset, length, need in stay.work.parts:
                        begin = stay.start + offset
                        spans.append(
                            model.new_optional_interval_var(begin, length, begin + length, stay.chosen, "by")
                        )
                        needs.append(need)
                        minutes += need * length * stay.chosen
            if not spans:
                continue
            there = free[first - floor.first_min : last - floor.first_min]
            model.add(minutes <= int(there.sum()))
            model.add_cumulative(spans, needs, int(there.max()))

    def _stretch(self, first: int, last: int) -> int:
        """Return the beginning of the stretch of overlapping open times that an open time belongs to."""
        spans = sorted(span for windows in self.floor.windows for span in windows)
        begin, end = spans[0]
        for a, b in spans:
            if a >= end:
                begin, end = a, b
            end = max(end, b)
            if (a, b) == (first, last):
                return begin
        return begin

    def _add_wear(self) -> None:
        """Add that each machine's wear fits into the cutters issued to it."""
        floor, model = self.floor, self.model
        wear: dict[tuple[int, int], list[Any]] = defaultdict(list)
        for stay in self.stays:
            for kind, share in stay.work.wear:
                wear[kind, stay.work.resource].append(share * stay.chosen)
        issued: dict[int, list[Any]] = defaultdict(list)
        for (kind, r), shares in sorted(wear.items()):
            singles = [(c, floor.singles[c]) for c in floor.of_kind[kind]]
            if singles[0][1].life is None:
                continue
            supply: Any = 0
            for c, single in singles:
                if single.home == r:
                    supply += single.life or 0
                elif single.home is None:
                    here = model.new_bool_var("issued")
                    issued[c].append(here)
                    supply += (single.life or 0) * here
            model.add(sum(shares) <= supply)
        for machines in issued.values():
            model.add_at_most_one(machines)

    # --- tiers, and the answer -------------------------------------------------------------------

    def _totals(self) -> dict[str, Any]:
        model, jobs = self.model, self.floor.jobs
        late: list[Any] = []
        nights: list[Any] = []
        for stay in self.stays:
            job = jobs[stay.job]
            if job.due_min is not None and stay.high > job.due_min and job.priority:
                least = max(0, stay.low + stay.work.whole_min - job.due_min)
                over = model.new_int_var(0, stay.high - job.due_min, "late")
                model.add(over >= stay.start + stay.work.whole_min - job.due_min).only_enforce_if(stay.chosen)
                model.add(over >= least).only_enforce_if(stay.chosen)
                late.append(job.priority * over)
            if job.use_min is None or not job.perish:
                continue
            fewest = max(0, (job.use_min - stay.high) // NIGHT_MIN)
            most = max(0, (job.use_min - stay.low - stay.work.whole_min) // NIGHT_MIN)
            nights.append(job.perish * fewest * stay.chosen)
            for more in range(fewest + 1, most + 1):
                # an end by this minute costs one night more
                early = model.new_bool_var("one night more")
                end_after = job.use_min - more * NIGHT_MIN
                model.add(stay.start + stay.work.whole_min > end_after).only_enforce_if(stay.chosen, ~early)
                nights.append(job.perish * early)
        return {
            "undone": sum(job.priority * lit for job, lit in zip(jobs, self.undone, strict=True)),
            "late": sum(late),
            "stored_nights": sum(nights),
        }

    def hint(self, board: Board) -> None:
        """Tell the solver of the plan at hand."""
        self.model.clear_hints()  # type: ignore[no-untyped-call]
        for j, undone in enumerate(self.undone):
            self.model.add_hint(undone, not is_done(board, j))
            entry = board.entries.get((j, 0))
            if entry is not None:
                self.model.add_hint(self.start[j], entry.start_min)
        for stay in self.stays:
            entry = board.entries.get((stay.job, 0))
            is_here = entry is not None and entry.work is stay.work
            if is_here and entry is not None:
                is_here = stay.low <= entry.start_min <= stay.high - stay.work.whole_min
            self.model.add_hint(stay.chosen, is_here)

    def solver(self, effort: Effort) -> Any:
        """Return a solver that tries as hard as asked."""
        solver = self.cp.CpSolver()
        solver.parameters.num_workers = effort.workers
        solver.parameters.random_seed = effort.seed
        if effort.deterministic:
            solver.parameters.max_deterministic_time = effort.seconds
        else:
            solver.parameters.max_time_in_seconds = effort.seconds
        return solver

    def board_of(self, solver: Any) -> Board:
        """Return the answer as a board; what does not stand with real cutters is left out."""
        board = Board(self.floor)
        chosen = [stay for stay in self.stays if solver.boolean_value(stay.chosen)]
        for stay in sorted(chosen, key=lambda stay: int(solver.value(stay.start))):
            start = int(solver.value(stay.start))
            exact = Place((), stay.work, start, start + stay.work.whole_min)
            if not insert_at(board, exact):
                insert_at(board, Place((), stay.work, stay.low, stay.high))
        return board
