"""Where can one more step be placed? Gaps, and what a step there changes on its machine.

A board holds the rows placed so far. A machine with fixtures or cutters is a *line*: its rows in time order,
each with the change before it and the state it leaves. Benches and plain machines are a count of free units
for each minute. People are a count of free hundredths for each minute.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from planner.optimizer.floor import Fixed, Floor, Key, Minutes, Work
from planner.optimizer.problem import Row

FOREVER = 10**12


@dataclass(frozen=True, slots=True)
class State:
    """What a machine holds: the fixture and the fitted cutter."""

    fixture: str | None
    fitted: int | None


@dataclass(frozen=True, slots=True, eq=False)
class Entry:
    """A placed step: its change [min], the cutters it uses, what the change costs, the state it leaves."""

    work: Work
    start_min: int
    end_min: int
    change_min: int
    cutters: tuple[int, ...]
    change_cost: int
    after: State
    stuck: bool = False
    held: bool = False
    wish: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class Spot:
    """A place for a step: where it starts [min], and which entries of the line take the place of which."""

    work: Work
    start_min: int
    at: int
    old: int
    new: tuple[Entry, ...]
    change_cost: int
    packed: bool = False
    """Whether rows that stand there move in time too."""


def _start_of(entry: Entry) -> int:
    return entry.start_min


class Board:
    """The rows placed so far.

    Parameters
    ----------
    floor : Floor
        The problem in numbers [-].
    """

    def __init__(self, floor: Floor) -> None:
        self.floor = floor
        self.free = [pool.free.copy() for pool in floor.pools]
        self.room: list[Minutes | None] = []
        self.lines: list[list[Entry]] = [[] for _ in floor.stateful]
        self.begin: list[State] = []
        self.owner: list[int | None] = [single.home for single in floor.singles]
        self.used = [0] * len(floor.singles)
        self.entries: dict[Key, Entry] = {}
        self.touched: set[int] = set()
        """Jobs that were placed, taken away or moved since the board was made or copied."""
        for r, stateful in enumerate(floor.stateful):
            capacity = floor.problem.resources[r].capacity
            length = floor.last_min - floor.first_min + 1
            self.room.append(None if stateful else np.full(length, capacity, dtype=np.int64))
            self.begin.append(State(floor.problem.resources[r].fixture, self._fitted(r)))

    def _fitted(self, r: int) -> int | None:
        name = self.floor.problem.resources[r].cutter
        if name is None:
            return None
        of_kind = self.floor.of_kind[self.floor.kinds.index(name)]
        if self.floor.singles[of_kind[0]].life is None:
            return of_kind[0]
        return next(c for c in of_kind if self.floor.singles[c].home == r)

    def copy(self) -> Board:
        """Return a board with the same rows; entries are shared, they never change."""
        twin = Board.__new__(Board)
        twin.floor = self.floor
        twin.free = [free.copy() for free in self.free]
        twin.room = [None if room is None else room.copy() for room in self.room]
        twin.lines = [list(line) for line in self.lines]
        twin.begin = self.begin
        twin.owner = list(self.owner)
        twin.used = list(self.used)
        twin.entries = dict(self.entries)
        twin.touched = set()
        return twin

    # --- changes on a line -----------------------------------------------------------------------

    def change(self, before: State, work: Work, cutters: tuple[int, ...]) -> tuple[int, int, State]:
        """Return change [min], its cost, and the state after the work, for the cutters it uses."""
        minutes = cost = 0
        fixture, fitted = before.fixture, before.fitted
        if work.fixture is not None and work.fixture != fixture:
            fixture = work.fixture
            minutes += self.floor.problem.fixture_change_min
            cost += 3
        for cutter in cutters:
            if cutter != fitted:
                fitted = cutter
                minutes += self.floor.singles[cutter].change_min
                cost += 1
        return minutes, cost, State(fixture, fitted)

    def _pick(
        self, work: Work, fitted: int | None, after: int | None, used: list[int], wish: tuple[str, ...] = ()
    ) -> tuple[int, ...] | None:
        """Return the cutters for a work: the fitted, the machine's, the store's; None if worn out."""
        singles = self.floor.singles
        r = work.resource
        cutters = []
        for place, (kind, share) in enumerate(work.wear):
            of_kind = self.floor.of_kind[kind]
            if singles[of_kind[0]].life is None:
                cutters.append(of_kind[0])
                continue
            chosen = self._able(
                r, kind, share, fitted, after, used, wish[place] if place < len(wish) else None
            )
            if chosen is None:
                return None
            cutters.append(chosen)
        return tuple(cutters)

    def _able(
        self,
        r: int,
        kind: int,
        share: int,
        fitted: int | None,
        after: int | None,
        used: list[int],
        wish: str | None,
    ) -> int | None:
        """Return one cutter: as wished, as fitted, as needed next, of the machine, out of the store."""
        singles, owner = self.floor.singles, self.owner
        for c in (fitted, after):
            if wish is None and c is not None and singles[c].kind == kind and owner[c] in (None, r):
                life = singles[c].life
                if life is None or life - used[c] >= share:
                    return c
        own: tuple[int, int] | None = None
        store: tuple[int, int] | None = None
        for c in self.floor.of_kind[kind]:
            if owner[c] is not None and owner[c] != r:
                continue
            left = (singles[c].life or 0) - used[c]
            if left < share:
                continue
            if singles[c].name == wish:
                return c
            if used[c] > 0 or singles[c].home == r:
                own = min(own or (left, c), (left, c))
            else:
                store = min(store or (-left, c), (-left, c))
        best = own or store
        return None if best is None else best[1]

    def pick(self, work: Work, fitted: int | None) -> tuple[int, ...] | None:
        """Return the cutters for a work that follows on a fitted one; None where none has life left."""
        return self._pick(work, fitted, None, self.used)

    def _is_spare(self, r: int, cutter: int) -> bool:
        """Return whether a cutter would come out of the store though the machine has one of its type."""
        single = self.floor.singles[cutter]
        if self.used[cutter] > 0 or single.home is not None or single.life is None:
            return False
        return any(
            self.floor.singles[c].home == r or (self.owner[c] == r and self.used[c] > 0)
            for c in self.floor.of_kind[single.kind]
        )

    def _any_cutters(self, work: Work) -> tuple[int, ...]:
        """Return cutters for a row that already runs, worn or not."""
        r = work.resource
        kinds = (self.floor.of_kind[kind] for kind, _ in work.wear)
        return tuple(
            next((c for c in of_kind if self.owner[c] in (None, r)), of_kind[0]) for of_kind in kinds
        )

    def state_before(self, r: int, at: int) -> State:
        """Return what a machine holds before a place in its line."""
        return self.lines[r][at - 1].after if at else self.begin[r]

    def _has_time(self, entry: Entry, last_end: int | None, minutes: int) -> bool:
        """Return whether a change fits before an entry, inside its open time."""
        if entry.held:
            return last_end is None or last_end <= entry.start_min
        window = self.floor.window_of(entry.work, entry.start_min)
        if window is None:
            return False
        since = self.floor.windows[entry.work.resource][window][0]
        if last_end is not None and last_end > since:
            since = last_end
        return entry.start_min - minutes >= since

    def follow(self, r: int, state: State, last_end: int | None, at: int) -> list[Entry] | None:
        """Return the entries from `at` on whose changes differ after another state; None without the time."""
        line = self.lines[r]
        walked: list[Entry] = []
        for place in range(at, len(line)):
            entry = line[place]
            minutes, cost, after = self.change(state, entry.work, entry.cutters)
            if not self._has_time(entry, last_end, minutes):
                return None
            if minutes == entry.change_min and cost == entry.change_cost and after == entry.after:
                return walked
            walked.append(replace(entry, change_min=minutes, change_cost=cost, after=after))
            state, last_end = after, entry.end_min
        return walked

    def _repick(self, r: int, entries: list[Entry]) -> list[Entry] | None:
        """Return a whole line with its cutters chosen anew in the order of use; None where it cannot be."""
        used = list(self.used)
        for entry in self.lines[r]:
            for cutter, (_, share) in zip(entry.cutters, entry.work.wear, strict=True):
                used[cutter] -= share
        state, last_end = self.begin[r], None
        walked = []
        for entry in entries:
            cutters = self._pick(entry.work, state.fitted, None, used, entry.wish)
            if cutters is None:
                if not entry.held:
                    return None
                cutters = self._any_cutters(entry.work)
            minutes, cost, state = self.change(state, entry.work, cutters)
            if not self._has_time(entry, last_end, minutes):
                return None
            for cutter, (_, share) in zip(cutters, entry.work.wear, strict=True):
                used[cutter] += share
            last_end = entry.end_min
            walked.append(
                Entry(
                    entry.work,
                    entry.start_min,
                    entry.end_min,
                    minutes,
                    cutters,
                    cost,
                    state,
                    entry.stuck,
                    entry.held,
                    entry.wish,
                )
            )
        return walked

    def _new_cutters(self, cutters: set[int]) -> int:
        singles = self.floor.singles
        return sum(singles[c].life is not None and singles[c].home is None for c in cutters)

    # --- looking for a place ---------------------------------------------------------------------

    def _misfit(self, work: Work, start_min: int) -> tuple[int, int] | None:
        """Return how far [min] a start must move up or down until people and room allow it, or None."""
        at = start_min - self.floor.first_min
        room = self.room[work.resource]
        up = down = 0
        if room is not None:
            short = np.flatnonzero(room[at : at + work.whole_min] < 1)
            if short.size:
                up, down = int(short[-1]) + 1, work.whole_min - int(short[0])
        for pool in work.pools if self.free else ():
            free = self.free[pool]
            for offset, length, need in work.parts:
                part = free[at + offset : at + offset + length]
                if part.min() < need:
                    short = np.flatnonzero(part < need)
                    up = max(up, int(short[-1]) + 1)
                    down = max(down, length - int(short[0]))
        return (up, down) if up else None

    def _even_fit(self, work: Work, low: int, high: int, last: bool) -> int | None:
        """Return the first or last fit of a work that needs the same from its first minute to its last."""
        begin, end = low - self.floor.first_min, high + work.whole_min - self.floor.first_min
        room = self.room[work.resource]
        short = np.zeros(end - begin + 2, dtype=bool)
        short[0] = short[-1] = True
        if room is not None:
            short[1:-1] = room[begin:end] < 1
        for pool in work.pools if self.free else ():
            short[1:-1] |= self.free[pool][begin:end] < work.parts[0][2]
        places = short.nonzero()[0]
        wide = (places[1:] - places[:-1] > work.whole_min).nonzero()[0]
        if not wide.size:
            return None
        return low + int(places[wide[-1] + 1]) - 1 - work.whole_min if last else low + int(places[wide[0]])

    def first_fit(self, work: Work, low: int, high: int) -> int | None:
        """Return the first start [min] from low to high that people and room allow, None for none."""
        if work.is_even and low < high:
            return self._even_fit(work, low, high, last=False)
        while low <= high:
            misfit = self._misfit(work, low)
            if misfit is None:
                return low
            low += misfit[0]
        return None

    def _last_fit(self, work: Work, low: int, high: int) -> int | None:
        if work.is_even and low < high:
            return self._even_fit(work, low, high, last=True)
        while low <= high:
            misfit = self._misfit(work, high)
            if misfit is None:
                return high
            high -= misfit[1]
        return None

    def spots(self, work: Work, low: int, high_end: int, *, late: bool, both: bool = False) -> Iterator[Spot]:
        """Yield places for a step that start at `low` or after and end by `high_end` [min].

        Early places come first, or the latest first when `late`; `both` yields the two ends of each gap.
        """
        if self.room[work.resource] is not None:
            yield from self._room_spots(work, low, high_end, late, both)
        else:
            yield from self._line_spots(work, low, high_end, late, both)

    def _room_spots(self, work: Work, low: int, high_end: int, late: bool, both: bool) -> Iterator[Spot]:
        windows = self.floor.windows[work.resource]
        for first, last in reversed(windows) if late else windows:
            lowest, highest = max(first, low), min(last, high_end) - work.whole_min
            if lowest > highest:
                continue
            for backwards in (late, not late) if both else (late,):
                fit = self._last_fit if backwards else self.first_fit
                start = fit(work, lowest, highest)
                if start is not None:
                    yield Spot(work, start, 0, 0, (), 0)

    def _line_spots(self, work: Work, low: int, high_end: int, late: bool, both: bool) -> Iterator[Spot]:
        line = self.lines[work.resource]
        first_gap = max(0, bisect_left(line, low, key=_start_of) - 1)
        gaps = range(first_gap, len(line) + 1)
        for at in reversed(gaps) if late else gaps:
            before_end = line[at - 1].end_min if at else -FOREVER
            after_start = line[at].start_min if at < len(line) else FOREVER
            if max(before_end, low) + work.whole_min > min(after_start, high_end):
                if before_end > high_end and not late:
                    return
                continue
            yield from self._gap_spots(work, at, before_end, after_start, low, high_end, late, both)

    def _gap_spots(
        self,
        work: Work,
        at: int,
        before_end: int,
        after_start: int,
        low: int,
        high_end: int,
        late: bool,
        both: bool,
    ) -> Iterator[Spot]:
        r = work.resource
        line = self.lines[r]
        before = self.state_before(r, at)
        next_cutters = line[at].cutters if at < len(line) else ()
        cutters = self._pick(work, before.fitted, next_cutters[0] if next_cutters else None, self.used)
        whole = cutters is None or any(self._is_spare(r, c) for c in cutters)
        if cutters is None:
            cutters = ()
        minutes, cost, state = self.change(before, work, cutters)
        next_change = 0
        if at < len(line) and not line[at].held and not whole:
            next_change = self.change(state, line[at].work, next_cutters)[0]
        for first, last in reversed(self.floor.windows[r]) if late else self.floor.windows[r]:
            if last <= before_end or first >= after_start:
                continue
            lowest = max(low, max(first, before_end) + minutes)
            highest = min(high_end, last, after_start - next_change if after_start <= last else last)
            highest -= work.whole_min
            if lowest > highest:
                continue
            seen: set[int] = set()
            for backwards in (late, not late) if both else (late,):
                fit = self._last_fit if backwards else self.first_fit
                start = fit(work, lowest, highest)
                if start is None or start in seen:
                    continue
                seen.add(start)
                new = Entry(work, start, start + work.whole_min, minutes, cutters, cost, state)
                spot = None if whole and work.wear and not cutters else self._spot(r, at, new)
                if whole:
                    # Out of life, or a new cutter: another sharing out of the line's cutters may do better.
                    other = self._whole_spot(r, at, new)
                    if spot is None or (other is not None and other.change_cost < spot.change_cost):
                        spot = other
                if spot is not None:
                    yield spot

    def _spot(self, r: int, at: int, new: Entry) -> Spot | None:
        tail = self.follow(r, new.after, new.end_min, at)
        if tail is None:
            return None
        old = self.lines[r][at : at + len(tail)]
        delta = new.change_cost + sum(e.change_cost for e in tail) - sum(e.change_cost for e in old)
        delta += 2 * self._new_cutters({c for c in new.cutters if self.used[c] == 0})
        return Spot(new.work, new.start_min, at, len(tail), (new, *tail), delta)

    def _whole_spot(self, r: int, at: int, new: Entry) -> Spot | None:
        line = self.lines[r]
        walked = self._repick(r, [*line[:at], new, *line[at:]])
        if walked is None:
            return None
        delta = sum(e.change_cost for e in walked) - sum(e.change_cost for e in line)
        delta += 2 * self._new_cutters({c for e in walked for c in e.cutters})
        delta -= 2 * self._new_cutters({c for e in line for c in e.cutters})
        return Spot(new.work, new.start_min, 0, len(line), tuple(walked), delta)

    # --- placing and taking away -----------------------------------------------------------------

    def book(self, work: Work, start_min: int, sign: int) -> None:
        """Take (sign 1) or give back (-1) the room and the people of a work."""
        at = start_min - self.floor.first_min
        room = self.room[work.resource]
        if room is not None:
            room[at : at + work.whole_min] -= sign
        for pool in work.pools if self.free else ():
            for offset, length, need in work.parts:
                self.free[pool][at + offset : at + offset + length] -= sign * need

    def _settle(self, r: int, at: int, old: int, new: tuple[Entry, ...] | list[Entry]) -> None:
        for entry in self.lines[r][at : at + old]:
            for cutter, (_, share) in zip(entry.cutters, entry.work.wear, strict=True):
                self.used[cutter] -= share
        self.lines[r][at : at + old] = new
        for entry in new:
            self.entries[entry.work.key] = entry
            self.touched.add(entry.work.key[0])
            for cutter, (_, share) in zip(entry.cutters, entry.work.wear, strict=True):
                self.used[cutter] += share
                if self.floor.singles[cutter].life is not None:
                    self.owner[cutter] = r

    def put(self, spot: Spot) -> None:
        """Place a step where a spot says; the board has not changed since the spot was found."""
        if spot.packed:
            for entry in self.lines[spot.work.resource][spot.at : spot.at + spot.old]:
                self.book(entry.work, entry.start_min, -1)
            self._settle(spot.work.resource, spot.at, spot.old, spot.new)
            for entry in spot.new:
                self.book(entry.work, entry.start_min, 1)
            return
        self.book(spot.work, spot.start_min, 1)
        if spot.new:
            self._settle(spot.work.resource, spot.at, spot.old, spot.new)
        else:
            self.entries[spot.work.key] = self._plain(spot.work, spot.start_min)
            self.touched.add(spot.work.key[0])

    def _plain(self, work: Work, start_min: int, stuck: bool = False, held: bool = False) -> Entry:
        end = start_min + work.whole_min
        return Entry(work, start_min, end, 0, (), 0, self.begin[work.resource], stuck, held)

    def _at(self, key: Key) -> int:
        line = self.lines[self.entries[key].work.resource]
        return next(place for place, other in enumerate(line) if other.work.key == key)

    def take(self, key: Key) -> None:
        """Take a step away; what comes after it on its machine keeps its times.

        Raises
        ------
        LookupError
            Without the step the change before the next one would be too long; nothing has changed.
        """
        entry = self.entries[key]
        r = entry.work.resource
        if self.room[r] is None:
            at = self._at(key)
            before_end = self.lines[r][at - 1].end_min if at else None
            tail = self.follow(r, self.state_before(r, at), before_end, at + 1)
            if tail is None:
                raise LookupError(key)
            self._settle(r, at, 1 + len(tail), tail)
        del self.entries[key]
        self.touched.add(key[0])
        self.book(entry.work, entry.start_min, -1)

    def change_cost(self) -> int:
        """Return what all changes and new cutters cost [-]."""
        changes = sum(entry.change_cost for line in self.lines for entry in line)
        return changes + 2 * self._new_cutters({c for line in self.lines for e in line for c in e.cutters})

    def free_cutters(self) -> None:
        """Give cutters that no row uses back to the store."""
        in_use = {c: e.work.resource for line in self.lines for e in line for c in e.cutters}
        self.owner = [
            single.home if single.home is not None else in_use.get(c)
            for c, single in enumerate(self.floor.singles)
        ]

    def fix(self, fixed: Fixed, *, stuck: bool = True) -> bool:
        """Place a row where it is; return whether it could be placed. One that is stuck never moves."""
        work, start = fixed.work, fixed.start_min
        if self.floor.window_of(work, start) is None:
            return False
        misfit = self._misfit(work, start)
        room = self.room[work.resource]
        at_min = start - self.floor.first_min
        if misfit is not None and not (
            fixed.held and (room is None or room[at_min : at_min + work.whole_min].all())
        ):
            return False
        if room is not None:
            self.book(work, start, 1)
            self.entries[work.key] = self._plain(work, start, stuck, fixed.held)
            return True
        r = work.resource
        line = self.lines[r]
        at = bisect_left(line, start, key=_start_of)
        entry = replace(self._plain(work, start, stuck, fixed.held), wish=fixed.cutters)
        walked = self._repick(r, [*line[:at], entry, *line[at:]])
        if walked is None:
            return False
        self.book(work, start, 1)
        self._settle(r, 0, len(line), walked)
        return True

    def keep(self, entry: Entry) -> None:
        """Mark a placed row as one that never moves."""
        stuck = replace(entry, stuck=True)
        self.entries[entry.work.key] = stuck
        if self.room[entry.work.resource] is None:
            self.lines[entry.work.resource][self._at(entry.work.key)] = stuck

    def shift(self, key: Key, start_min: int) -> bool:
        """Move a step in time without a change of order; return whether that is allowed."""
        entry = self.entries[key]
        work = entry.work
        self.book(work, entry.start_min, -1)
        fits = self._misfit(work, start_min) is None
        self.book(work, start_min if fits else entry.start_min, 1)
        if fits:
            moved = replace(entry, start_min=start_min, end_min=start_min + work.whole_min)
            if self.room[work.resource] is None:
                self.lines[work.resource][self._at(key)] = moved
            self.entries[key] = moved
        return fits

    def latest_shift(self, key: Key, low: int, high_end: int) -> int | None:
        """Return the latest start [min] of a placed step that keeps the order on its resource."""
        entry = self.entries[key]
        work, r = entry.work, entry.work.resource
        before_end, limit, inside = -FOREVER, FOREVER, 0
        if self.room[r] is None:
            line = self.lines[r]
            at = self._at(key)
            before_end = line[at - 1].end_min if at else -FOREVER
            if at + 1 < len(line):
                limit, inside = line[at + 1].start_min, 0 if line[at + 1].held else line[at + 1].change_min
        self.book(work, entry.start_min, -1)
        found = None
        for first, last in reversed(self.floor.windows[r]):
            highest = min(high_end, last, limit - inside if limit <= last else last) - work.whole_min
            lowest = max(low, max(first, before_end) + entry.change_min)
            if first < limit and lowest <= highest:
                found = self._last_fit(work, lowest, highest)
                if found is not None:
                    break
        self.book(work, entry.start_min, 1)
        return found

    def load(self, placed: list[tuple[Work, int, tuple[int, ...]]], stuck: dict[Key, Entry]) -> None:
        """Place rows of a plan that is known to be valid: work, start [min] and cutters of each.

        Parameters
        ----------
        placed : list of tuple
            Work, start [min], cutters by index [-].
        stuck : dict
            Entries whose marks (frozen, pinned) are kept [-].
        """
        for work, start, cutters in sorted(placed, key=lambda row: row[1]):
            r = work.resource
            mark = stuck.get(work.key)
            entry = self._plain(work, start, mark is not None, mark is not None and mark.held)
            if mark is not None:
                entry = replace(entry, wish=mark.wish)
            self.book(work, start, 1)
            if self.room[r] is not None:
                self.entries[work.key] = entry
                continue
            at = len(self.lines[r])
            minutes, cost, after = self.change(self.state_before(r, at), work, cutters)
            entry = replace(entry, change_min=minutes, cutters=cutters, change_cost=cost, after=after)
            self._settle(r, at, 0, [entry])

    # --- the answer ------------------------------------------------------------------------------

    def rows(self) -> tuple[Row, ...]:
        """Return the rows of all that is placed, in time order."""
        floor = self.floor
        rows = [
            Row(
                floor.jobs[entry.work.key[0]].name,
                entry.work.key[1],
                floor.problem.resources[entry.work.resource].name,
                entry.start_min,
                entry.end_min,
                tuple(floor.singles[cutter].name for cutter in entry.cutters),
            )
            for entry in self.entries.values()
        ]
        return tuple(sorted(rows, key=lambda row: (row.start_min, row.resource, row.job, row.step)))
