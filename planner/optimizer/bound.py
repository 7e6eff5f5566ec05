"""What can no plan go below, tier by tier? Bounds from a relaxation by open times.

The relaxation: how much of each step is done in which open time of which resource, as a linear
programme and then with whole numbers (HiGHS). It shares no code with what makes plans. Left out, so that the
bound is safe but not always reached: order inside an open time, peaks of people but those at its beginning
and its end, waits between steps.
Each bound holds among the plans that are as good in the tiers before it.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, field
from time import monotonic
from types import MappingProxyType
from typing import Any

import numpy as np

from planner.optimizer.problem import MOVED_MIN, NIGHT_MIN, Job, Option, PlanProblem, Resource, Span

Going = Callable[[], bool]
Terms = dict[int, float]
LARGE, LARGEST = 5_000, 40_000
"""With more columns a programme with fewer rows comes first, or alone."""
FAR = 10**9


@dataclass(frozen=True, slots=True)
class _Piece:
    """One step in one open time: how early it can start, how late it can end [min]."""

    column: int
    job: int
    step: int
    option: Option
    window: int
    earliest_end: int
    latest_end: int
    earliest_start: int


@dataclass(slots=True)
class _Programme:
    """Rows `low <= sum <= high` over columns that are 0 to `upper`."""

    upper: list[float] = field(default_factory=list)
    whole: list[bool] = field(default_factory=list)
    rows: list[tuple[Terms, float, float]] = field(default_factory=list)

    def column(self, upper: float = 1.0, whole: bool = True) -> int:
        """Add a column and return its number [-]."""
        self.upper.append(upper)
        self.whole.append(whole)
        return len(self.upper) - 1

    def row(self, terms: Terms, low: float = -np.inf, high: float = np.inf) -> None:
        """Add a row."""
        self.rows.append((dict(terms), low, high))


def lower_bounds(
    problem: PlanProblem,
    values: Mapping[str, int],
    seconds: float,
    going: Going = lambda: True,
    *,
    fractions_only: bool = False,
    proven: Mapping[str, int] = MappingProxyType({}),
    only: Collection[str] | None = None,
) -> dict[str, int]:
    """Return for each tier what no plan that is as good in the tiers before it can go below.

    Parameters
    ----------
    problem : PlanProblem
        The problem [-].
    values : Mapping
        What the plan at hand costs in each tier [-].
    seconds : float
        Time for all tiers together [s].
    going : Callable
        Asked between the tiers; False ends it with bounds of 0 [-].
    fractions_only : bool
        Leave the search with whole numbers out, whose bound depends on the time it has [-].
    proven : Mapping
        What was said before of each tier; one that is reached is not asked for again [-].
    only : collection of str, optional
        These tiers, which are the first, and no others [-].
    """
    tiers = problem.tiers if "undone" in problem.tiers else ("undone", *problem.tiers)
    tiers = tuple(name for name in tiers if only is None or name in only)
    bounds = {name: proven.get(name, 0) for name in tiers}
    end = monotonic() + seconds
    relaxed = _Relaxation(problem)
    if len(relaxed.programme.upper) > LARGE:
        bounds |= _of_many(relaxed, tiers, values, end - monotonic())
        if len(relaxed.programme.upper) > LARGEST:
            return bounds
    for place, name in enumerate(tiers):
        left = end - monotonic()
        if left <= 0 or not going():
            break
        terms, constant = relaxed.totals[name]
        if values[name] > bounds[name]:
            share = left / max(1, len(tiers) - place)
            found = _least(relaxed.programme, terms, constant, values[name], share, fractions_only)
            bounds[name] = max(bounds[name], found)
        relaxed.programme.row(terms, high=values[name] - constant)
    return bounds


def _of_many(
    relaxed: _Relaxation, tiers: tuple[str, ...], values: Mapping[str, int], seconds: float
) -> dict[str, int]:
    """Return the bound of the first tier that is not 0, for very many jobs, from a programme with fewer rows.

    Left out are the rows that tie changes to work, and the last end: the bound stays safe and gets lower.
    """
    whole = relaxed.programme
    rows = [
        (terms, low, high)
        for terms, low, high in whole.rows
        if relaxed.finish not in terms
        and not (len(terms) == 2 and high == 0 and sorted(terms.values()) == [-1.0, 1.0])
    ]
    programme = _Programme(whole.upper, whole.whole, rows)
    for name in tiers:
        terms, constant = relaxed.totals[name]
        if values[name] > 0:
            if name == "finish":
                return {}
            begin = monotonic()
            pooled = _pooled(relaxed, tiers, name)
            left = seconds - (monotonic() - begin)
            finest = _up(_solve(programme, terms, left, whole=False) + constant)
            return {name: max(0, pooled, finest)}
        programme.row(terms, high=-constant)
    return {}


def _pooled(relaxed: _Relaxation, tiers: tuple[str, ...], name: str) -> int:
    """Return a bound of a tier, those before it being 0, at once: all machines of a stretch as one.

    A job takes no less than on its quickest machine of the stretch, and costs no less than at its best there.
    """
    stretches = relaxed.stretches()
    before = [relaxed.totals[tier][0] for tier in tiers[: tiers.index(name)]]
    terms, constant = relaxed.totals[name]
    best: dict[tuple[int, int, int], tuple[float, float]] = {}
    for piece in relaxed.pieces:
        if any(earlier.get(piece.column, 0.0) > 0 for earlier in before):
            continue
        first, last = relaxed.span_of(piece)
        at = next(n for n, (a, b) in enumerate(stretches) if a <= first and last <= b)
        key = piece.job, piece.step, at
        minutes, cost = best.get(key, (np.inf, np.inf))
        best[key] = min(minutes, piece.option.whole_min), min(cost, terms.get(piece.column, 0.0))
    programme = _Programme()
    goal: Terms = {}
    once: dict[tuple[int, int], Terms] = defaultdict(dict)
    load: dict[int, Terms] = defaultdict(dict)
    for (job, step, at), (minutes, cost) in best.items():
        column = programme.column()
        goal[column] = cost
        once[job, step][column] = 1.0
        load[at][column] = float(minutes)
    for columns in once.values():
        programme.row(columns, 1.0, 1.0)
    for at, columns in load.items():
        room = relaxed.room_in(*stretches[at])
        programme.row(columns, high=room)
    return _up(_solve(programme, goal, 10.0, whole=False) + constant)


def _least(
    programme: _Programme, terms: Terms, constant: float, value: int, seconds: float, fractions_only: bool
) -> int:
    """Return the least whole value of a sum: first with fractions, then with whole numbers if that helps."""
    begin = monotonic()
    fractional = _solve(programme, terms, seconds, whole=False)
    bound = max(0, _up(fractional + constant))
    left = seconds - (monotonic() - begin)
    if bound < value and left > 0.05 and not fractions_only:
        bound = max(bound, _up(_solve(programme, terms, left, whole=True) + constant))
    return bound


def _up(value: float) -> int:
    """Return the next whole number, safe against the solver's own tolerance; 0 where nothing is known."""
    if not np.isfinite(value):
        return 0
    return int(np.ceil(value - 1e-4 - 1e-6 * abs(value)))


def _solve(programme: _Programme, terms: Terms, seconds: float, *, whole: bool) -> float:
    from scipy.optimize import Bounds, LinearConstraint, milp
    from scipy.sparse import csr_matrix

    columns = len(programme.upper)
    goal = np.zeros(columns)
    for column, factor in terms.items():
        goal[column] = factor
    entries = [(r, c, f) for r, (row, _, _) in enumerate(programme.rows) for c, f in row.items()]
    if not entries:
        return float(np.minimum(goal, 0) @ np.array(programme.upper))
    at_row, at_column, factors = (np.array(part) for part in zip(*entries, strict=True))
    matrix: Any = csr_matrix((factors, (at_row, at_column)), shape=(len(programme.rows), columns))
    low = np.array([row[1] for row in programme.rows])
    high = np.array([row[2] for row in programme.rows])
    answer = milp(
        goal,
        integrality=np.array(programme.whole, dtype=int) if whole else None,
        bounds=Bounds(np.zeros(columns), np.array(programme.upper)),
        constraints=LinearConstraint(matrix, low, high),
        options={"time_limit": max(0.05, seconds)},
    )
    if whole:
        return -np.inf if answer.mip_dual_bound is None else float(answer.mip_dual_bound)
    return float(answer.fun) if answer.status == 0 else -np.inf


class _Relaxation:
    """The columns and rows of a problem."""

    def __init__(self, problem: PlanProblem) -> None:
        self.problem = problem
        self.programme = _Programme()
        self.resources = {resource.name: resource for resource in problem.resources}
        self.changes = {cutter.type: cutter.change_min for cutter in problem.cutters}
        self.pieces: list[_Piece] = []
        self.undone = [self.programme.column() for _ in problem.jobs]
        self.fixed = _fixed_places(problem)
        self.change_terms: Terms = defaultdict(float)
        self.finish = self.programme.column(FAR, whole=False)
        self._loads: dict[tuple[str, int], Terms] = {}
        """Minutes of work and changes in each open time that ends."""
        self._entering: dict[tuple[str, int], Terms] = defaultdict(dict)
        """Minutes that the change before the first work of an open time takes at most: all changes in it."""
        self._add_pieces()
        self._add_open_times()
        self._add_ends()
        self._add_rooms()
        self._add_people()
        self._add_lives()
        self.totals = self._add_totals()

    # --- columns ---------------------------------------------------------------------------------

    def _add_pieces(self) -> None:
        for j, job in enumerate(self.problem.jobs):
            for s in range(len(job.steps)):
                columns: Terms = {self.undone[j]: 1.0}
                for piece in self._pieces_of(j, job, s):
                    self.pieces.append(piece)
                    columns[piece.column] = 1.0
                self.programme.row(columns, 1.0, 1.0)

    def _pieces_of(self, j: int, job: Job, s: int) -> list[_Piece]:
        shortest = [min(option.whole_min for option in step.options) for step in job.steps]
        released = job.release_min
        deadline = FAR if job.deadline_min is None else job.deadline_min
        place = self.fixed.get((job.name, s))
        any_fixed = any((job.name, step) in self.fixed for step in range(len(job.steps)))
        if self.problem.frozen_until_min is not None and not any_fixed:
            released = max(released, self.problem.frozen_until_min)
        pieces = []
        for option in job.steps[s].options:
            for w, (first, last) in enumerate(_windows(self.resources[option.resource])):
                start = max(first, -FAR if any_fixed else released + sum(shortest[:s]))
                end = min(last, deadline - (0 if any_fixed else sum(shortest[s + 1 :])))
                if place is not None:
                    if place[0] != option.resource or not first <= place[1] <= last:
                        continue
                    start, end = place[1], place[1] + option.whole_min
                if start + option.whole_min <= end:
                    pieces.append(
                        _Piece(self.programme.column(), j, s, option, w, start + option.whole_min, end, start)
                    )
        return pieces

    # --- rows ------------------------------------------------------------------------------------

    def _add_open_times(self) -> None:
        groups: dict[tuple[str, int], list[_Piece]] = defaultdict(list)
        for piece in self.pieces:
            groups[piece.option.resource, piece.window].append(piece)
        kinds_seen: dict[tuple[str, str], Terms] = defaultdict(dict)
        fixtures_seen: dict[tuple[str, str], Terms] = defaultdict(dict)
        self._groups = groups
        for (name, window), pieces in sorted(groups.items()):
            resource = self.resources[name]
            first, last = _windows(resource)[window]
            load: Terms = {piece.column: float(piece.option.whole_min) for piece in pieces}
            used = self.programme.column()
            for piece in pieces:
                self.programme.row({piece.column: 1.0, used: -1.0}, high=0.0)
            if resource.capacity == 1:
                self._add_fixtures(resource, pieces, load, fixtures_seen)
                self._add_kinds(resource, pieces, load, kinds_seen)
            if last < FAR:
                self._loads[name, window] = load
            self._add_part_times(pieces, resource.capacity, first, last)
            # The last end is not before this open time's start and the work in it, if it is used at all.
            share = {column: -minutes / resource.capacity for column, minutes in load.items()}
            share[used] = share.get(used, 0.0) - max(0.0, float(first))
            self.programme.row({self.finish: 1.0, **share}, low=0.0)

    def _add_rooms(self) -> None:
        """Add that work, changes and waits fit into each open time."""
        for (name, window), load in self._loads.items():
            resource = self.resources[name]
            first, last = _windows(resource)[window]
            self.programme.row(load, high=float(resource.capacity * (last - first)))

    def _add_ends(self) -> None:
        """Add the wait of machines that cannot all be loaded at opening, or unloaded at closing.

        Whatever ends less than the shortest unloading before closing is being unloaded in the minute that is
        so long before closing, by one person each. All machines but as many as there are people then end
        before that minute, and the rest of their open time is lost. At opening it is the same with loading,
        but a change before the first load may fill the time.
        """
        if self.problem.people is None or self.fixed:
            return
        opening: dict[int, list[tuple[str, int]]] = defaultdict(list)
        closing: dict[int, list[tuple[str, int]]] = defaultdict(list)
        for name, window in self._loads:
            first, last = _windows(self.resources[name])[window]
            if self.resources[name].capacity == 1:
                opening[first].append((name, window))
                closing[last].append((name, window))
        for first, places in opening.items():
            least = min(p.option.load_min for place in places for p in self._groups[place])
            self._add_waits(places, least, self._hands(places, first + least - 1), self._entering)
        for last, places in closing.items():
            least = min(p.option.unload_min for place in places for p in self._groups[place])
            self._add_waits(places, least, self._hands(places, last - least), {})

    def _hands(self, places: list[tuple[str, int]], minute: int) -> int:
        """Return how many people are there at a minute who can do some of what is done in some places."""
        skills = {piece.option.skill for place in places for piece in self._groups[place]}
        return sum(
            group.count
            for group in self.problem.people or ()
            if None in skills or "any" in group.skills or skills & set(group.skills)
            for first, last in (((-FAR, FAR),) if group.open is None else group.open)
            if first <= minute < last
        )

    def _add_waits(
        self, places: list[tuple[str, int]], least: int, hands: int, changes: Mapping[tuple[str, int], Terms]
    ) -> None:
        """Add that all places but as many as there are hands wait, as far as no change fills the time."""
        if not least or hands >= len(places):
            return
        served: Terms = {}
        for place in places:
            at_once = self.programme.column()
            served[at_once] = 1.0
            wait = self.programme.column(float(least), whole=False)
            self.programme.row({wait: 1.0, at_once: float(least), **changes.get(place, {})}, low=float(least))
            self._loads[place][wait] = 1.0
        self.programme.row(served, high=float(hands))

    def _add_part_times(self, pieces: list[_Piece], capacity: int, first: int, last: int) -> None:
        """Add that work which comes late, or must leave early, fits into its part of an open time."""
        if last < FAR:
            for minute in _few({piece.earliest_start for piece in pieces if piece.earliest_start > first}):
                late = {p.column: float(p.option.whole_min) for p in pieces if p.earliest_start >= minute}
                self.programme.row(late, high=float(capacity * (last - minute)))
        for minute in _few({piece.latest_end for piece in pieces if piece.latest_end < min(last, FAR // 2)}):
            early = {p.column: float(p.option.whole_min) for p in pieces if p.latest_end <= minute}
            if first > -FAR // 2:
                self.programme.row(early, high=float(capacity * (minute - first)))

    def _add_fixtures(
        self, resource: Resource, pieces: list[_Piece], load: Terms, seen: dict[tuple[str, str], Terms]
    ) -> None:
        """Add fixture changes: at least one for each fixture used in an open time, but the one carried in."""
        change_min = float(self.problem.fixture_change_min)
        names = sorted({p.option.fixture for p in pieces if p.option.fixture is not None})
        changes: Terms = {}
        carried: Terms = {}
        for fixture in names:
            used = self.programme.column()
            for piece in pieces:
                if piece.option.fixture == fixture:
                    self.programme.row({piece.column: 1.0, used: -1.0}, high=0.0)
            carry = self._carry(used, resource.fixture == fixture, seen[resource.name, fixture])
            carried[carry] = 1.0
            changes |= {used: 1.0, carry: -1.0}
            seen[resource.name, fixture][used] = 1.0
        if names:
            self.programme.row(carried, high=1.0)
        for column, factor in changes.items():
            if not self.fixed:
                # Rows that already run may stand there without the change they would have needed.
                load[column] = load.get(column, 0.0) + change_min * factor
            self._entering[resource.name, pieces[0].window][column] = change_min * factor
            self.change_terms[column] += 3.0 * factor

    def _carry(self, used: int, is_fitted: bool, before: Terms) -> int:
        """Add a column that is 1 only where something is used that was fitted before."""
        carry = self.programme.column()
        self.programme.row({carry: 1.0, used: -1.0}, high=0.0)
        if not is_fitted:
            self.programme.row({carry: 1.0, **dict.fromkeys(before, -1.0)}, high=0.0)
        return carry

    def _add_kinds(
        self, resource: Resource, pieces: list[_Piece], load: Terms, seen: dict[tuple[str, str], Terms]
    ) -> None:
        """Add cutter changes: one for each kind used, but the one carried in, and those inside steps.

        Between steps a cutter stays only where one step ends with what the next begins with; the changes are
        at least the surplus of beginnings over ends of each kind, less what is carried in.
        """
        kinds = sorted({kind for p in pieces for kind, _ in p.option.wear})
        if not kinds:
            return
        count = self.programme.column(float(len(self.problem.jobs) * 10))
        by_kind: Terms = {count: 1.0}
        by_order: Terms = {count: 1.0}
        carried: Terms = {}
        for piece in pieces:
            if len(piece.option.wear) > 1:
                by_order[piece.column] = by_order.get(piece.column, 0.0) - (len(piece.option.wear) - 1)
        for kind in kinds:
            used = self.programme.column()
            surplus = self.programme.column(float(len(pieces)), whole=False)
            balance: Terms = {surplus: 1.0}
            for piece in pieces:
                wear = piece.option.wear
                if any(name == kind for name, _ in wear):
                    self.programme.row({piece.column: 1.0, used: -1.0}, high=0.0)
                    begins, ends = wear[0][0] == kind, wear[-1][0] == kind
                    if begins != ends:
                        balance[piece.column] = -1.0 if begins else 1.0
            self.programme.row(balance, low=0.0)
            carry = self._carry(used, resource.cutter == kind, seen[resource.name, kind])
            carried[carry] = 1.0
            by_kind |= {used: -1.0, carry: 1.0}
            by_order |= {surplus: -1.0, carry: 1.0}
            seen[resource.name, kind][used] = 1.0
            self._need_cutter(resource, kind, used)
        self.programme.row(carried, high=1.0)
        self.programme.row(by_kind, low=0.0)
        self.programme.row(by_order, low=0.0)
        self.change_terms[count] += 1.0
        minutes = [self.changes.get(kind, 0) for kind in kinds]
        least = min(minutes)
        self._entering[resource.name, pieces[0].window][count] = float(max(minutes))
        if least and not self.fixed:
            load[count] = load.get(count, 0.0) + float(least)

    def _need_cutter(self, resource: Resource, kind: str, used: int) -> None:
        """Add that a machine which uses a kind holds one of its cutters, fitted or out of the store."""
        self._kind_used.setdefault((resource.name, kind), []).append(used)

    @property
    def _kind_used(self) -> dict[tuple[str, str], list[int]]:
        if not hasattr(self, "_kind_used_columns"):
            self._kind_used_columns: dict[tuple[str, str], list[int]] = {}
        return self._kind_used_columns

    def _add_people(self) -> None:
        """Add that person-minutes are there: of everybody for all work, of those who can for each skill."""
        if self.problem.people is None or self.fixed:
            return
        skills = sorted({piece.option.skill for piece in self.pieces if piece.option.skill is not None})
        for first, last in self.stretches():
            if last >= FAR:
                continue
            inside = [piece for piece in self.pieces if self._is_inside(piece, first, last)]
            for skill in (None, *skills):
                asking = [piece for piece in inside if skill in (None, piece.option.skill)]
                need = {piece.column: self._person_minutes(piece.option) for piece in asking}
                if need:
                    self.programme.row(need, high=float(self._present(first, last, skill)))

    def _is_inside(self, piece: _Piece, first: int, last: int) -> bool:
        a, b = _windows(self.resources[piece.option.resource])[piece.window]
        return first <= a and b <= last

    def _present(self, first: int, last: int, skill: str | None) -> int:
        """Return person-minutes of those who can do a skill, None = of everybody."""
        return sum(
            group.count * max(0, min(b, last) - max(a, first))
            for group in self.problem.people or ()
            if skill is None or "any" in group.skills or skill in group.skills
            for a, b in (((-FAR, FAR),) if group.open is None else group.open)
        )

    def _person_minutes(self, option: Option) -> float:
        share = self.resources[option.resource].attended if option.people is None else option.people
        return option.load_min + option.unload_min + option.run_min * share / 100

    def span_of(self, piece: _Piece) -> Span:
        """Return the open time of a piece [min]."""
        return _windows(self.resources[piece.option.resource])[piece.window]

    def room_in(self, first: int, last: int) -> float:
        """Return the minutes in which resources are open in a stretch, each of their units counted [min]."""
        return float(
            sum(
                resource.capacity * (b - a)
                for resource in self.problem.resources
                for a, b in _windows(resource)
                if first <= a and b <= last
            )
        )

    def stretches(self) -> list[Span]:
        """Return open times of all resources, those that overlap joined."""
        spans = sorted(span for resource in self.problem.resources for span in _windows(resource))
        joined: list[Span] = []
        for first, last in spans:
            if joined and first < joined[-1][1]:
                joined[-1] = joined[-1][0], max(joined[-1][1], last)
            else:
                joined.append((first, last))
        return joined

    def _add_lives(self) -> None:
        """Add that wear fits into the cutters a machine holds: the fitted one and those out of the store."""
        self.new_cutters: Terms = {}
        for cutter in self.problem.cutters:
            if cutter.life_left is None:
                continue
            holders = [r.name for r in self.problem.resources if r.cutter == cutter.type]
            fitted = dict(zip(holders, cutter.life_left, strict=False))
            store = cutter.life_left[len(holders) :]
            taken: list[Terms] = [{} for _ in store]
            for resource in self.problem.resources:
                wear: Terms = {}
                for piece in self.pieces:
                    share = dict(piece.option.wear).get(cutter.type)
                    if share and piece.option.resource == resource.name:
                        wear[piece.column] = float(share) / 1e4
                used = self._kind_used.get((resource.name, cutter.type), [])
                if not wear and not used:
                    continue
                supply = dict(wear)
                owned: Terms = {}
                for number, life in enumerate(store):
                    column = self.programme.column()
                    taken[number][column] = 1.0
                    supply[column] = -life / 1e4
                    owned[column] = -1.0
                if not self.fixed:
                    self.programme.row(supply, high=fitted.get(resource.name, 0) / 1e4)
                if resource.name not in fitted:
                    for column in used:
                        self.programme.row({column: 1.0, **owned}, high=0.0)
            for columns in taken:
                if columns:
                    new = self.programme.column()
                    self.programme.row({**columns, new: -1.0}, high=0.0)
                    self.new_cutters[new] = 2.0

    # --- what the tiers count --------------------------------------------------------------------

    def _add_totals(self) -> dict[str, tuple[Terms, float]]:
        jobs = self.problem.jobs
        late: Terms = {}
        nights: Terms = {}
        completion: Terms = {}
        for piece in self.pieces:
            job = jobs[piece.job]
            if piece.step < len(job.steps) - 1:
                continue
            if job.due_min is not None:
                late[piece.column] = float(job.priority * max(0, piece.earliest_end - job.due_min))
            if job.use_min is not None:
                stored = max(0, (job.use_min - piece.latest_end) // NIGHT_MIN)
                nights[piece.column] = float(job.perish * stored)
            completion[piece.column] = float(job.priority * piece.earliest_end)
        self._add_finish()
        return {
            "undone": ({self.undone[j]: float(job.priority) for j, job in enumerate(jobs)}, 0.0),
            "late": (late, 0.0),
            "stored_nights": (nights, 0.0),
            "changeovers": ({**self.change_terms, **self.new_cutters}, 0.0),
            "completion": (completion, 0.0),
            "moved": self._moved(),
            "finish": ({self.finish: 1.0}, 0.0),
        }

    def _add_finish(self) -> None:
        ends: dict[tuple[int, int], Terms] = defaultdict(dict)
        for piece in self.pieces:
            ends[piece.job, piece.step][piece.column] = -float(max(0, piece.earliest_end))
        for terms in ends.values():
            self.programme.row({self.finish: 1.0, **terms}, low=0.0)

    def _moved(self) -> tuple[Terms, float]:
        published = {(row.job, row.step): row for row in self.problem.published or ()}
        stays: Terms = {}
        for piece in self.pieces:
            old = published.get((self.problem.jobs[piece.job].name, piece.step))
            if old is None or old.resource != piece.option.resource:
                continue
            low, high = piece.earliest_start, piece.latest_end - piece.option.whole_min
            if low <= old.start_min + MOVED_MIN and high >= old.start_min - MOVED_MIN:
                stays[piece.column] = -1.0
        # A frozen row of a job that stays undone has not moved, though the columns say nothing of it.
        loose = sum((row.job, row.step) in self.fixed for row in self.problem.published or ())
        fixed = {
            piece.column
            for piece in self.pieces
            if (self.problem.jobs[piece.job].name, piece.step) in self.fixed
        }
        stays = {column: factor for column, factor in stays.items() if column not in fixed}
        return stays, float(len(published) - loose)


def _windows(resource: Resource) -> tuple[Span, ...]:
    return ((0, FAR),) if resource.open is None else resource.open


def _few(minutes: set[int]) -> list[int]:
    """Return at most eight of the minutes, spread evenly."""
    ordered = sorted(minutes)
    return ordered if len(ordered) <= 8 else [ordered[i * (len(ordered) - 1) // 7] for i in range(8)]


def _fixed_places(problem: PlanProblem) -> dict[tuple[str, int], tuple[str, int]]:
    """Return where pinned and frozen steps are, if they are anywhere."""
    fixed = {(pin.job, pin.step): (pin.resource, pin.start_min) for pin in problem.pins}
    stays: set[tuple[str, int]] = set()
    for row in sorted(problem.published or (), key=lambda row: row.step):
        if problem.frozen_until_min is None or row.start_min >= problem.frozen_until_min:
            continue
        follows = row.step == 0 or (row.job, row.step - 1) in stays
        if follows and _fits(problem, row.resource, row.start_min, row.end_min):
            stays.add((row.job, row.step))
            fixed[row.job, row.step] = (row.resource, row.start_min)
    return fixed


def _fits(problem: PlanProblem, name: str, start: int, end: int) -> bool:
    for resource in problem.resources:
        if resource.name == name:
            return any(first <= start and end <= last for first, last in _windows(resource))
    return False
