"""What does a problem say, as one constraint model (CP-SAT)? Of all its jobs, or of a few that may move."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any

import numpy as np

from planner.optimizer.board import Board, Entry
from planner.optimizer.floor import Floor, Key, Minutes, Work
from planner.optimizer.greedy import is_done, last_end
from planner.optimizer.problem import MOVED_MIN, NIGHT_MIN

Going = Callable[[], bool]


@dataclass(frozen=True, slots=True)
class Effort:
    """How hard the solver may try; `deterministic` counts its own units in place of seconds."""

    seconds: float
    workers: int = 1
    seed: int = 0
    deterministic: bool = False


@dataclass(slots=True, eq=False)
class _Use:
    """An option in the model: chosen or not, its line's change, and the cutters it can take."""

    work: Work
    chosen: Any
    start: Any
    end: Any
    change: Any = 0
    cost: Any = 0
    fixture_change: Any = None
    cutter_change: Any = None
    fixture_after: Any = None
    first: dict[int, Any] = field(default_factory=dict)
    last: dict[int, Any] = field(default_factory=dict)
    picks: list[dict[int, Any]] = field(default_factory=list)
    first_number: Any = None
    cutter_after: Any = None


class Model:
    """The constraint model of a problem, or of the jobs in `free` with all else left where it is.

    Parameters
    ----------
    floor : Floor
        The problem in numbers [-].
    board : Board
        A valid plan: the first answer, and what stays where it is [-].
    free : set of int, optional
        The jobs that may move [-]; all of them when left out.
    places : set of tuple, optional
        Resource and open time of the places that free jobs' steps on lines may use [-].
    """

    def __init__(
        self,
        floor: Floor,
        board: Board,
        free: set[int] | None = None,
        places: set[tuple[int, int]] | None = None,
    ) -> None:
        from ortools.sat.python import cp_model

        self.cp = cp_model
        self.m = cp_model.CpModel()
        self.floor = floor
        self.board = board
        self.free = set(range(len(floor.jobs))) if free is None else free
        self.partial = free is not None
        self.places = places
        self.base = self._base()
        self.done: dict[int, Any] = {}
        self.start: dict[Key, Any] = {}
        self.end: dict[Key, Any] = {}
        self.uses: dict[Key, list[_Use]] = {}
        self.fixture_ids: dict[str | None, int] = {}
        self.by_resource: list[list[_Use]] = [[] for _ in floor.stateful]
        self.owner: dict[tuple[int, int], Any] = {}
        self.totals: dict[str, Any] = {}
        self._add_steps()
        self._add_job_rules()
        self._add_rooms()
        self._add_lines()
        self._add_cutters()
        self._add_people()
        self._add_ties()
        self._add_tiers()
        self.add_hints()

    def _base(self) -> Board:
        """Return the board with only what cannot move in this model."""
        base = Board(self.floor)
        kept = [entry for key, entry in self.board.entries.items() if key[0] not in self.free or entry.held]
        stuck = {entry.work.key: entry for entry in kept if entry.stuck}
        base.load([(entry.work, entry.start_min, entry.cutters) for entry in kept], stuck)
        return base

    # --- steps and jobs --------------------------------------------------------------------------

    def _starts(self, work: Work) -> list[list[int]]:
        """Return the minutes at which a work may start, as spans."""
        floor = self.floor
        pin = floor.pins.get(work.key)
        low, high = floor.earliest_start(*work.key), floor.latest_end(*work.key) - work.whole_min
        if pin is not None:
            if pin.work is not work or floor.window_of(work, pin.start_min) is None:
                return []
            low = high = pin.start_min
        spans = []
        for w, (first, last) in enumerate(floor.windows[work.resource]):
            is_line = self.places is not None and floor.stateful[work.resource]
            if is_line and (work.resource, w) not in (self.places or ()):
                continue
            a, b = max(first, low), min(last - work.whole_min, high)
            if a <= b:
                spans.append([a, b])
        return spans

    def _add_steps(self) -> None:
        m, floor = self.m, self.floor
        for j in sorted(self.free):
            self.done[j] = m.new_bool_var(f"done {j}")
            for s, options in enumerate(floor.work[j]):
                key = (j, s)
                if key in self.base.entries:
                    entry = self.base.entries[key]
                    self.start[key], self.end[key] = entry.start_min, entry.end_min
                    continue
                uses = [(work, spans) for work in options if (spans := self._starts(work))]
                if not uses:
                    m.add(self.done[j] == 0)
                    self.start[key] = self.end[key] = 0
                    self.uses[key] = []
                    continue
                reach = self.cp.Domain.from_intervals([span for _, spans in uses for span in spans])
                self.start[key] = m.new_int_var_from_domain(reach, f"start {j} {s}")
                self.uses[key] = []
                for work, spans in uses:
                    chosen = self.done[j] if len(uses) == 1 else m.new_bool_var("chosen")
                    domain = self.cp.Domain.from_intervals(spans)
                    if len(uses) > 1:
                        m.add_linear_expression_in_domain(self.start[key], domain).only_enforce_if(chosen)
                    use = _Use(work, chosen, self.start[key], self.start[key] + work.whole_min)
                    self.uses[key].append(use)
                    self.by_resource[work.resource].append(use)
                if len(uses) > 1:
                    m.add(sum(use.chosen for use in self.uses[key]) == self.done[j])
                self.end[key] = self.start[key] + sum(u.work.whole_min * u.chosen for u in self.uses[key])

    def _add_job_rules(self) -> None:
        m = self.m
        for j in sorted(self.free):
            job, done = self.floor.jobs[j], self.done[j]
            last = (j, len(job.steps) - 1)
            if job.deadline_min is not None:
                m.add(self.end[last] <= job.deadline_min).only_enforce_if(done)
            held = [(j, s) in self.base.entries for s in range(len(job.steps))]
            if not held[0] and self.uses[j, 0]:
                m.add(self.start[j, 0] >= job.release_min).only_enforce_if(done)
            if all(held) and is_done(self.base, j):
                m.add(done == 1)
            self._add_sequence(j, held[0])
            for s in range(len(job.steps) - 1):
                if held[s] and held[s + 1]:
                    continue
                m.add(self.start[j, s + 1] >= self.end[j, s]).only_enforce_if(done)
                wait = job.wait_after(s)
                if wait is not None:
                    m.add(self.start[j, s + 1] <= self.end[j, s] + wait).only_enforce_if(done)

    def _add_sequence(self, j: int, is_held: bool) -> None:
        """Add that a job starts after those it follows on, and before those that follow on it."""
        m = self.m
        for k in () if is_held else self.floor.before[j]:
            last = (k, len(self.floor.jobs[k].steps) - 1)
            if k in self.free:
                m.add_implication(self.done[j], self.done[k])
                m.add(self.start[j, 0] >= self.end[last]).only_enforce_if(self.done[j])
            elif last in self.base.entries:
                m.add(self.start[j, 0] >= self.base.entries[last].end_min).only_enforce_if(self.done[j])
            else:
                m.add(self.done[j] == 0)
        for k in self.floor.following[j]:
            if k not in self.free and (k, 0) in self.base.entries:
                last = (j, len(self.floor.jobs[j].steps) - 1)
                m.add(self.end[last] <= self.base.entries[k, 0].start_min)
                m.add(self.done[j] == 1)

    # --- rooms and people ------------------------------------------------------------------------

    def _add_rooms(self) -> None:
        for r, uses in enumerate(self.by_resource):
            room = self.base.room[r]
            if room is None or not uses:
                continue
            spans = [
                self.m.new_optional_interval_var(u.start, u.work.whole_min, u.end, u.chosen, "use")
                for u in uses
            ]
            # Closed time is in the starts' domains already: only what stays there blocks.
            blocks = [self.m.new_interval_var(a, b - a, b, "taken") for a, b, _ in self._shortages(room)]
            capacity = self.floor.problem.resources[r].capacity
            if capacity == 1:
                self.m.add_no_overlap(spans + blocks)
            else:
                needs = [1] * len(spans) + [short for _, _, short in self._shortages(room)]
                self.m.add_cumulative(spans + blocks, needs, capacity)

    def _shortages(self, free: Minutes) -> list[tuple[int, int, int]]:
        """Return spans in which less than the most is free, with what is missing."""
        missing = int(free.max()) - np.maximum(free, 0)
        edges = np.flatnonzero(np.diff(missing)) + 1
        bounds = [0, *(int(edge) for edge in edges), len(missing)]
        first = self.floor.first_min
        return [(first + a, first + b, int(missing[a])) for a, b in pairwise(bounds) if missing[a] > 0]

    def _add_people(self) -> None:
        for pool, free in enumerate(self.base.free):
            self._add_pool(pool, free)

    def _add_pool(self, pool: int, free: Minutes) -> None:
        most = int(free.max())
        spans, needs = [], []
        for use in (use for uses in self.uses.values() for use in uses if pool in use.work.pools):
            for offset, length, need in use.work.parts:
                first = use.start + offset
                spans.append(
                    self.m.new_optional_interval_var(first, length, first + length, use.chosen, "people")
                )
                needs.append(need)
                if need > most:
                    self.m.add(use.chosen == 0)
        for a, b, short in self._shortages(free):
            spans.append(self.m.new_interval_var(a, b - a, b, "missing"))
            needs.append(short)
        if spans and most > 0:
            self.m.add_cumulative(spans, needs, most)

    # --- what lasts over several steps -----------------------------------------------------------

    def _add_ties(self) -> None:
        if not self.floor.is_tied:
            return
        for j in sorted(self.free):
            for first, second, most in self.floor.limits[j]:
                if not {(j, first), (j, second)} <= set(self.base.entries):
                    late = self.start[j, second] <= self.end[j, first] + most
                    self.m.add(late).only_enforce_if(self.done[j])
        for r in self.floor.carriers:
            self._add_carriers(r)
        for r, most_there in enumerate(self.floor.most_waiting):
            if most_there is not None:
                self._add_waiting(r, most_there)

    def _add_carriers(self, r: int) -> None:
        name = self.floor.problem.resources[r].name
        spans, fixed = [], []
        for j, job in enumerate(self.floor.jobs):
            for hold in job.holds:
                if hold.resource != name:
                    continue
                if j in self.free:
                    a, b = self.start[j, hold.from_step], self.end[j, hold.to_step]
                    spans.append(self._lasting(a, b, self.done[j]))
                elif (j, hold.from_step) in self.base.entries:
                    steps = range(hold.from_step, hold.to_step + 1)
                    there = [self.base.entries[j, s] for s in steps if (j, s) in self.base.entries]
                    fixed.append((there[0].start_min, max(entry.end_min for entry in there)))
        self._share(spans, fixed, self.floor.problem.resources[r].capacity)

    def _add_waiting(self, r: int, most: int) -> None:
        spans, fixed = [], []
        for j, begins in enumerate(self.floor.waits_after):
            for s, begin in enumerate(begins):
                if begin < 0:
                    continue
                if j in self.free and (j, s) not in self.base.entries:
                    spans += [
                        self._lasting(self.end[j, begin], self.start[j, s], use.chosen)
                        for use in self.uses[j, s]
                        if use.work.resource == r
                    ]
                elif (j, s) in self.base.entries and (j, begin) in self.base.entries:
                    entry = self.base.entries[j, s]
                    if entry.work.resource == r:
                        fixed.append((self.base.entries[j, begin].end_min, entry.start_min))
        self._share(spans, fixed, most)

    def _lasting(self, start: Any, end: Any, there: Any) -> Any:
        length = self.m.new_int_var(0, self.floor.last_min - self.floor.first_min, "lasting")
        begins, ends = (self.m.new_int_var(self.floor.first_min, self.floor.last_min, "") for _ in range(2))
        self.m.add(begins == start).only_enforce_if(there)
        self.m.add(ends == end).only_enforce_if(there)
        return self.m.new_optional_interval_var(begins, length, ends, there, "lasting")

    def _share(self, spans: list[Any], fixed: list[tuple[int, int]], most: int) -> None:
        """Add that spans share so many units; what stays may have more of them than there are."""
        blocks = [self.m.new_interval_var(a, b - a, b, "stays") for a, b in fixed if a < b]
        taken = max((sum(a <= at < b for a, b in fixed) for at, _ in fixed), default=0)
        if spans:
            self.m.add_cumulative(spans + blocks, [1] * (len(spans) + len(blocks)), max(most, taken))

    # --- lines -----------------------------------------------------------------------------------

    def _add_lines(self) -> None:
        for r, stateful in enumerate(self.floor.stateful):
            if not stateful:
                continue
            uses = [self._fixed_use(entry) for entry in self.base.lines[r]] + self.by_resource[r]
            fixed = len(self.base.lines[r])
            for place, use in enumerate(uses):
                self._add_change(use, r, self.base.lines[r][place] if place < fixed else None)
            self._add_route(r, uses, fixed)
            self._add_busy(r, uses)
            self.by_resource[r] = uses

    def _fixed_use(self, entry: Entry) -> _Use:
        return _Use(entry.work, True, entry.start_min, entry.end_min)

    def _add_change(self, use: _Use, r: int, entry: Entry | None) -> None:
        """Add what a use changes before it: its fixture, its first cutter, and every further one."""
        m, work, floor = self.m, use.work, self.floor
        minutes: list[Any] = []
        costs: list[Any] = []
        if work.fixture is not None:
            use.fixture_change = m.new_bool_var("fixture change")
            use.fixture_after = self._fixture_id(work.fixture)
            minutes.append(floor.problem.fixture_change_min * use.fixture_change)
            costs.append(3 * use.fixture_change)
        else:
            use.fixture_after = m.new_int_var(0, 10**4, "fixture")
        for place, (kind, _) in enumerate(work.wear):
            kept = entry is not None and (self.partial or bool(entry.wish))
            able = [] if kept else self._able(kind, r)
            if entry is not None and not able:
                able = [entry.cutters[place]]
            picks = {c: m.new_bool_var("pick") for c in able}
            m.add(sum(picks.values()) == use.chosen)
            use.picks.append(picks)
            change_min = floor.singles[floor.of_kind[kind][0]].change_min
            if place == 0:
                use.cutter_change = m.new_bool_var("cutter change")
                use.first_number = sum((c + 1) * pick for c, pick in picks.items())
                minutes.append(change_min * use.cutter_change)
                costs.append(use.cutter_change)
            else:
                minutes.append(change_min)
                costs.append(use.chosen)
            use.cutter_after = sum((c + 1) * pick for c, pick in picks.items())
        if not work.wear:
            use.cutter_after = m.new_int_var(0, len(floor.singles), "cutter")
        use.change, use.cost = sum(minutes), sum(costs)

    def _fixture_id(self, fixture: str | None) -> int:
        return self.fixture_ids.setdefault(fixture, len(self.fixture_ids))

    def _able(self, kind: int, r: int) -> list[int]:
        singles = self.floor.singles
        return [
            c
            for c in self.floor.of_kind[kind]
            if singles[c].home in (None, r)
            and (singles[c].life is None or not self.partial or self.board.owner[c] in (None, r))
        ]

    def _add_route(self, r: int, uses: list[_Use], fixed: int) -> None:
        """Add the order of a line as a circuit through the chosen uses; node 0 is its begin and end."""
        m = self.m
        begin = self.base.begin[r]
        arcs: list[tuple[int, int, Any]] = []
        idle = m.new_bool_var("idle")
        arcs.append((0, 0, idle))
        for i, use in enumerate(uses, start=1):
            if use.chosen is not True:
                arcs.append((i, i, ~use.chosen))
                m.add_implication(use.chosen, ~idle)
            else:
                m.add(idle == 0)
            first, last = m.new_bool_var("first"), m.new_bool_var("last")
            arcs += [(0, i, first), (i, 0, last)]
            fitted = 0 if begin.fitted is None else begin.fitted + 1
            self._link(first, self._fixture_id(begin.fixture), fitted, None, use)
        for i, before in enumerate(uses, start=1):
            for k, after in enumerate(uses, start=1):
                if i == k or (i <= fixed and k <= fixed and k != i + 1):
                    continue
                if before.work.key == after.work.key:
                    continue
                arc = m.new_bool_var("arc")
                arcs.append((i, k, arc))
                if not (k <= fixed and self.base.lines[r][k - 1].held):
                    m.add(after.start >= before.end + after.change).only_enforce_if(arc)
                else:
                    m.add(after.start >= before.end).only_enforce_if(arc)
                self._link(arc, before.fixture_after, before.cutter_after, before.work, after)
        m.add_circuit(arcs)

    def _link(self, arc: Any, fixture: Any, cutter: Any, before: Work | None, after: _Use) -> None:
        """Say which changes a use needs after a state, if the arc is taken."""
        m = self.m
        if after.fixture_change is None:
            m.add(after.fixture_after == fixture).only_enforce_if(arc)
        elif isinstance(fixture, int):
            if fixture != after.fixture_after:
                m.add_implication(arc, after.fixture_change)
        else:
            m.add(fixture == after.fixture_after).only_enforce_if(arc, ~after.fixture_change)
        if after.cutter_change is None:
            m.add(after.cutter_after == cutter).only_enforce_if(arc)
        elif before is not None and before.wear and before.wear[-1][0] != after.work.wear[0][0]:
            m.add_implication(arc, after.cutter_change)
        else:
            m.add(after.first_number == cutter).only_enforce_if(arc, ~after.cutter_change)

    def _add_busy(self, r: int, uses: list[_Use]) -> None:
        """Keep each use with its change inside one open time."""
        m = self.m
        spans = []
        held = {entry.work.key for entry in self.base.lines[r] if entry.held}
        for use in uses:
            if use.chosen is True:
                if use.work.key in held:
                    spans.append(m.new_interval_var(use.start, use.work.whole_min, use.end, "held"))
                    continue
                most = use.start - self._opened(use)
                m.add(use.change <= most)
            whole = m.new_int_var(use.work.whole_min, use.work.whole_min + self.floor.change_max, "busy")
            m.add(whole == use.work.whole_min + use.change)
            begin = m.new_int_var(self.floor.first_min - self.floor.change_max, self.floor.last_min, "begin")
            if use.chosen is True:
                spans.append(m.new_interval_var(begin, whole, use.end, "busy"))
            else:
                spans.append(m.new_optional_interval_var(begin, whole, use.end, use.chosen, "busy"))
        m.add_no_overlap(spans + self._closed(r))

    def _opened(self, use: _Use) -> int:
        window = self.floor.window_of(use.work, use.start)
        return use.start if window is None else self.floor.windows[use.work.resource][window][0]

    def _closed(self, r: int) -> list[Any]:
        """Return the closed times of a resource; touching open times are split by the change rule below."""
        windows = self.floor.windows[r]
        first, last = self.floor.first_min - self.floor.change_max - 1, self.floor.last_min + 1
        edges = [first, *(minute for window in windows for minute in window), last]
        closed = []
        for a, b in zip(edges[::2], edges[1::2], strict=True):
            if a < b:
                closed.append(self.m.new_interval_var(a, b - a, b, "closed"))
        for (_, a), (b, _) in pairwise(windows):
            if a == b:
                self._split(r, a)
        return closed

    def _split(self, r: int, minute: int) -> None:
        """Keep changes from running over the point where two open times touch."""
        for use in self.by_resource[r]:
            after = self.m.new_bool_var("after")
            self.m.add(use.start >= minute).only_enforce_if(after)
            self.m.add(use.start < minute).only_enforce_if(~after)
            self.m.add(use.start - use.change >= minute).only_enforce_if(after, use.chosen)

    # --- cutters ---------------------------------------------------------------------------------

    def _add_cutters(self) -> None:
        m, singles = self.m, self.floor.singles
        picks: dict[int, list[tuple[int, int, Any, bool]]] = {}
        for r, uses in enumerate(self.by_resource):
            for use in uses:
                for (_, share), choice in zip(use.work.wear, use.picks, strict=True):
                    for c, pick in choice.items():
                        picks.setdefault(c, []).append((r, share, pick, use.chosen is True))
        self.new_cutters: list[Any] = []
        for c, entries in sorted(picks.items()):
            life = singles[c].life
            if life is None:
                continue
            m.add(sum(share * pick for _, share, pick, _ in entries) <= max(life, self._worn(entries)))
            if singles[c].home is not None:
                continue
            new = m.new_bool_var("new cutter")
            self.new_cutters.append(new)
            for r in sorted({r for r, *_ in entries}):
                self.owner[c, r] = m.new_bool_var("owner")
                for other, _, pick, _ in entries:
                    if other == r:
                        m.add_implication(pick, self.owner[c, r])
                m.add_implication(self.owner[c, r], new)
            m.add_at_most_one(self.owner[c, r] for r in sorted({r for r, *_ in entries}))

    def _worn(self, entries: list[tuple[int, int, Any, bool]]) -> int:
        """Return the wear of rows that run already: they stay, even where a cutter is worn out by them."""
        if not any(entry.held for line in self.base.lines for entry in line):
            return 0
        return sum(share for _, share, _, is_fixed in entries if is_fixed)

    # --- tiers -----------------------------------------------------------------------------------

    def _add_tiers(self) -> None:
        makers = {
            "undone": self._undone,
            "late": self._late,
            "stored_nights": self._nights,
            "changeovers": self._changeovers,
            "completion": self._completion,
            "moved": self._moved,
            "finish": self._finish,
        }
        for name in self.floor.tiers:
            self.totals[name] = makers[name]()

    def _last(self, j: int) -> Any:
        return self.end[j, len(self.floor.jobs[j].steps) - 1]

    def _undone(self) -> Any:
        return sum(self.floor.jobs[j].priority * (1 - done) for j, done in self.done.items())

    def _late(self) -> Any:
        terms = []
        for j, done in self.done.items():
            job = self.floor.jobs[j]
            if job.due_min is not None and job.priority:
                late = self.m.new_int_var(0, max(0, self.floor.last_min - job.due_min), "late")
                self.m.add(late >= self._last(j) - job.due_min).only_enforce_if(done)
                terms.append(job.priority * late)
        return sum(terms)

    def _nights(self) -> Any:
        terms = []
        for j, done in self.done.items():
            job = self.floor.jobs[j]
            if job.use_min is not None and job.perish:
                most = max(0, (job.use_min - self.floor.first_min) // NIGHT_MIN + 1)
                nights = self.m.new_int_var(0, most, "nights")
                stored = NIGHT_MIN * nights + NIGHT_MIN - 1
                self.m.add(stored >= job.use_min - self._last(j)).only_enforce_if(done)
                terms.append(job.perish * nights)
        return sum(terms)

    def _changeovers(self) -> Any:
        costs: list[Any] = []
        for r, uses in enumerate(self.by_resource):
            if not self.floor.stateful[r]:
                continue
            for use in uses:
                if use.chosen is True:
                    costs.append(use.cost)
                    continue
                if use.fixture_change is not None:
                    costs.append(3 * use.fixture_change)
                    self.m.add_implication(use.fixture_change, use.chosen)
                if use.cutter_change is not None:
                    costs.append(use.cutter_change + (len(use.work.wear) - 1) * use.chosen)
                    self.m.add_implication(use.cutter_change, use.chosen)
        return sum(costs) + sum(2 * new for new in self.new_cutters)

    def _completion(self) -> Any:
        terms = []
        for j, done in self.done.items():
            job = self.floor.jobs[j]
            end = self.m.new_int_var(min(0, self.floor.first_min), max(self.floor.last_min, 0), "completion")
            self.m.add(end >= self._last(j)).only_enforce_if(done)
            self.m.add(end >= 0).only_enforce_if(~done)
            terms.append(job.priority * end)
        return sum(terms)

    def _moved(self) -> Any:
        stays: list[Any] = []
        for key, old in self.floor.published.items():
            if key[0] not in self.free:
                continue
            if key in self.base.entries:
                entry = self.base.entries[key]
                stays.append(int(not self.floor.is_moved(key, entry.work.resource, entry.start_min)))
                continue
            for use in self.uses[key]:
                if use.work.resource == self.floor.resource_index.get(old.resource):
                    stay = self.m.new_bool_var("stays")
                    self.m.add_implication(stay, use.chosen)
                    self.m.add(use.start >= old.start_min - MOVED_MIN).only_enforce_if(stay)
                    self.m.add(use.start <= old.start_min + MOVED_MIN).only_enforce_if(stay)
                    stays.append(stay)
        count = sum(key[0] in self.free for key in self.floor.published)
        return count - sum(stays)

    def _finish(self) -> Any:
        fixed = last_end(self.base)
        finish = self.m.new_int_var(min(0, fixed), max(self.floor.last_min, fixed), "finish")
        self.m.add(finish >= fixed)
        for uses in self.uses.values():
            for use in uses:
                self.m.add(finish >= use.end).only_enforce_if(use.chosen)
        return finish

    def add_hints(self) -> None:
        """Tell the solver of the plan at hand."""
        entries = self.board.entries
        for j, done in self.done.items():
            was_done = is_done(self.board, j)
            self.m.add_hint(done, was_done)
            for s in range(len(self.floor.jobs[j].steps)):
                if (j, s) in self.base.entries or not was_done or not self.uses[j, s]:
                    continue
                entry = entries[j, s]
                self.m.add_hint(self.start[j, s], entry.start_min)
                if len(self.uses[j, s]) > 1:
                    for use in self.uses[j, s]:
                        self.m.add_hint(use.chosen, use.work is entry.work)

    # --- solving ---------------------------------------------------------------------------------

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
        """Return the solver's answer as a board."""
        placed = [(entry.work, entry.start_min, entry.cutters) for entry in self.base.entries.values()]
        fixed_picks = {
            use.work.key: self._picked(solver, use) for uses in self.by_resource for use in uses if use.picks
        }
        placed = [(work, start, fixed_picks.get(work.key, cutters)) for work, start, cutters in placed]
        for key, uses in self.uses.items():
            for use in uses:
                if solver.value(use.chosen):
                    placed.append((use.work, int(solver.value(self.start[key])), self._picked(solver, use)))
        board = Board(self.floor)
        board.load(placed, {key: entry for key, entry in self.board.entries.items() if entry.stuck})
        return board

    def _picked(self, solver: Any, use: _Use) -> tuple[int, ...]:
        return tuple(next((c for c, pick in picks.items() if solver.value(pick)), -1) for picks in use.picks)
