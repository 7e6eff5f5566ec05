"""How did we do? Figures, hours, cutters, cost and lit stations of a stretch of days, from the records alone.

`gather` reads the facts in a handful of questions, `review_of` judges them without a database.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from planner.schedule import kpi
from planner.schedule.bias import HeldOut, held_out
from planner.schedule.kpi import Figure, Span, Tally
from planner.services.review_facts import (
    Bools,
    CutterFact,
    Facts,
    Ints,
    NightFact,
    RunFact,
    Runs,
    Time,
    instant_at,
    microseconds,
)
from planner.services.review_gather import gather, gather_season

DOWN, SETTING_UP, PAUSED, CUTTING, WAITING = "down", "setting up", "paused", "cutting", "nothing reported"
_MIN = 60_000_000
__all__ = [
    "CUTTING",
    "DOWN",
    "PAUSED",
    "SETTING_UP",
    "WAITING",
    "CurvePoint",
    "Facts",
    "Group",
    "Rates",
    "Review",
    "RunFact",
    "gather",
    "gather_season",
    "instant_at",
    "microseconds",
    "review_of",
]


@dataclass(frozen=True, slots=True)
class Rates:
    """What an hour of a person, a cutter's whole life and a piece cost, in one currency; None = not said."""

    person_hour: float | None = None
    cutter_life: float | None = None
    piece: float | None = None
    """Of produce; where nobody says it is left out of the cost."""
    cutters: dict[str, float] = field(default_factory=dict)
    """Of the whole life of a type of cutter that differs."""
    currency: str = ""

    def life_of(self, type_name: str) -> float | None:
        """Return what a whole life of a type of cutter costs; None where nobody says.

        Parameters
        ----------
        type_name : str
            Of cutter [-].
        """
        return self.cutters.get(type_name, self.cutter_life)


@dataclass(frozen=True, slots=True)
class CurvePoint:
    """How many lanterns were to be done by an instant, and how many were."""

    at: int
    planned: int
    done: int


@dataclass(frozen=True, slots=True)
class Group:
    """Figures of one machine, shift, design or lot."""

    name: str
    tally: Tally
    figures: tuple[Figure, ...]


@dataclass(frozen=True, slots=True)
class Cost:
    """What lanterns took, per good one and per lit night; None = not known."""

    cutter_min_per_lantern: float | None
    person_h_per_lantern: float | None
    per_lantern: float | None
    machine_h_per_lit_night: float | None
    per_lit_night: float | None
    cutters: tuple[tuple[CutterFact, float | None], ...] = ()
    """What was taken out of each type, and what that cost."""


@dataclass(frozen=True, slots=True)
class Review:
    """A stretch of days, judged."""

    whole: Group
    machines: tuple[Group, ...]
    shifts: tuple[Group, ...]
    designs: tuple[Group, ...]
    lots: tuple[Group, ...]
    hours: Mapping[str, Mapping[str, int]]
    """By machine, by what for; the parts of a machine add up to its shifts exactly [us]."""
    manned: Mapping[str, int]
    """The shifts, by machine [us]."""
    outside_min: float
    """So long was run outside of any shift."""
    untimed: int
    """Pieces made for which no run time was planned."""
    cutters: tuple[CutterFact, ...]
    cost: Cost
    nights: tuple[NightFact, ...]
    scrap: Mapping[str, int]
    """By reason."""
    late_starts: tuple[float, ...]
    """Real less planned start of each run that was planned [min]."""
    words: tuple[str, str, str]
    estimates: HeldOut | None
    """How good the estimates were, raw and learned; None where too little was run."""
    curve: tuple[CurvePoint, ...] = ()
    """Done against plan, from the first to the last that was to be done or was done."""


# --- judging, without a database -----------------------------------------------------------------------


def review_of(facts: Facts, rates: Rates | None = None) -> Review:
    """Return a stretch of days, judged.

    Parameters
    ----------
    facts : Facts
        From `gather` [-].
    rates : Rates, optional
        What an hour and a cutter cost; without them there are no costs [-].
    """
    rates = rates or Rates()
    machines = [_Machine(facts, name) for name in facts.machines]
    tallies = {one.name: one.tally() for one in machines}
    hours = {one.name: one.hours() for one in machines}
    whole = sum(tallies.values(), Tally())
    runs, made = facts.table, _made(facts)
    cut_us = sum(parts[CUTTING] for parts in hours.values())
    scrap = Counter(runs.names[n] for n in runs.reason[made & runs.scrapped])
    planned = runs.planned_start >= 0
    return Review(
        whole=_group("all machines", whole),
        machines=tuple(_group(name, tally) for name, tally in tallies.items()),
        shifts=_by_shift(machines),
        designs=_by(facts, made, runs.design),
        lots=_by(facts, made, runs.lot),
        hours=hours,
        manned={one.name: one.manned.length for one in machines},
        outside_min=max(0.0, whole.production_min - cut_us / _MIN),
        untimed=int(np.count_nonzero(np.isnan(runs.planned_min[made]))),
        cutters=tuple(sorted(facts.cutters, key=lambda use: -use.minutes)),
        cost=_cost(facts, whole, rates),
        nights=tuple(facts.nights),
        scrap=dict(scrap.most_common()),
        late_starts=tuple(((runs.start - runs.planned_start)[planned] / _MIN).tolist()),
        words=_words(facts, whole, hours, scrap),
        estimates=_estimates(runs, made),
        curve=_curve(facts, made),
    )


def _made(facts: Facts) -> Bools:
    """Return which runs gave a piece, good or lost, in this stretch."""
    runs = facts.table
    return np.asarray((runs.finished | runs.scrapped) & (runs.end >= facts.begin) & (runs.end < facts.end))


def _counts(runs: Runs, which: Bools, into: Ints, groups: int) -> list[Tally]:
    """Return for each group what its runs made; no times but the planned ones."""
    some = np.flatnonzero(which)
    place = into[some]
    lost, fine = runs.scrapped[some], runs.good[some]
    seen = lost | ~np.isnan(runs.rating[some])
    columns = (
        np.nan_to_num(runs.planned_min[some]),
        np.ones(len(some)),
        fine,
        lost,
        seen,
        seen & fine & runs.first[some],
    )
    sums = [np.bincount(place, weights=column.astype(float), minlength=groups).tolist() for column in columns]
    return [
        Tally(planned_run_min=row[0], made=int(row[1]), good=int(row[2]), scrapped=int(row[3]),
              inspected=int(row[4]), good_at_first=int(row[5]))
        for row in zip(*sums, strict=True)
    ]  # fmt: skip


class _Machine:
    """A machine's time, claimed: one that is down does nothing else, a pause goes before the run it is in."""

    def __init__(self, facts: Facts, name: str) -> None:
        self.facts, self.name, self.runs = facts, name, facts.table
        number = self.runs.names.index(name) if name in self.runs.names else -1
        self.own = self.runs.machine == number
        of_pause = self.own[self.runs.pause_run]
        set_up = of_pause & self.runs.pause_set_up
        stood = of_pause & ~self.runs.pause_set_up
        self.down_starts = np.array([span[0] for span, _ in facts.downs.get(name, ())], dtype=np.int64)
        self.manned = self._clipped(Time.of(facts.shifts.get(name, ())))
        self.down = self._clipped(Time.of(span for span, _ in facts.downs.get(name, ())))
        claims = {
            DOWN: self.down,
            SETTING_UP: Time(self.runs.pause_start[set_up], self.runs.pause_end[set_up]),
            PAUSED: Time(self.runs.pause_start[stood], self.runs.pause_end[stood]),
            CUTTING: Time(self.runs.start[self.own], self.runs.end[self.own]),
        }
        self.taken: dict[str, Time] = {}
        """By claim: its time and that of all before it."""
        so_far = Time.of(())
        for what, time in claims.items():
            so_far = so_far.joined(self._clipped(time))
            self.taken[what] = so_far

    def _clipped(self, time: Time) -> Time:
        return Time(np.maximum(time.start, self.facts.begin), np.minimum(time.end, self.facts.end))

    def parts(self, start: Ints, end: Ints) -> dict[str, Ints]:
        """Return for spans that stand apart what each was for; the parts of a span add up to it [us]."""
        out, before = {}, np.zeros(len(start), dtype=np.int64)
        for what, time in self.taken.items():
            now = time.within(start, end)
            out[what], before = now - before, now
        out[WAITING] = end - start - before
        return out

    def hours(self) -> dict[str, int]:
        """Return where the shifts went [us]."""
        return {what: int(us.sum()) for what, us in self.parts(self.manned.start, self.manned.end).items()}

    def tally(self) -> Tally:
        """Return what was made and how long it took, in and outside of shifts."""
        edges = np.array([self.facts.begin]), np.array([self.facts.end])
        (tally,) = self.tallies(*edges, manned=self.manned)
        return tally

    def tallies(self, start: Ints, end: Ints, manned: Time | None = None) -> list[Tally]:
        """Return what was made and how long it took in each of some spans that stand apart, in order.

        What is manned of them is all, where nothing else is said.
        """
        runs, count = self.runs, len(start)
        parts = self.parts(start, end)
        if manned is None:
            busy, down = end - start, self.down.within(start, end)
        else:
            both = Time(
                np.concatenate([manned.start, self.down.start]), np.concatenate([manned.end, self.down.end])
            )
            busy = manned.within(start, end)
            down = busy + self.down.within(start, end) - both.within(start, end)
        place = np.searchsorted(start, runs.end, side="right") - 1
        ended = self.own & (runs.finished | runs.scrapped) & (place >= 0)
        ended &= runs.end < end[np.maximum(place, 0)]
        counts = _counts(runs, ended, place, count)
        at = np.searchsorted(start, self.down_starts, side="right") - 1
        at = at[(at >= 0) & (self.down_starts < end[np.maximum(at, 0)])]
        failures = np.bincount(at, minlength=count)
        return [
            counts[n]
            + Tally(
                planned_busy_min=busy[n] / _MIN,
                production_min=parts[CUTTING][n] / _MIN,
                set_up_min=parts[SETTING_UP][n] / _MIN,
                delay_min=parts[PAUSED][n] / _MIN,
                down_min=down[n] / _MIN,
                failures=int(failures[n]),
            )
            for n in range(count)
        ]


def _by_shift(machines: Sequence[_Machine]) -> tuple[Group, ...]:
    """Return the figures of each shift over its machines, the newest first."""
    shifts: defaultdict[Span, Tally] = defaultdict(Tally)
    for one in machines:
        begin, end = one.facts.begin, one.facts.end
        spans = sorted({(max(a, begin), min(b, end)) for a, b in one.facts.shifts.get(one.name, ())})
        edges = np.array([span for span in spans if span[1] > span[0]], dtype=np.int64).reshape(-1, 2)
        for (start, stop), tally in zip(edges.tolist(), one.tallies(edges[:, 0], edges[:, 1]), strict=True):
            shifts[start, stop] += tally
    return tuple(
        _group(f"{instant_at(span[0]).isoformat()}/{instant_at(span[1]).isoformat()}", tally)
        for span, tally in sorted(shifts.items(), reverse=True)
    )


def _by(facts: Facts, made: Bools, of: Ints) -> tuple[Group, ...]:
    runs = facts.table
    groups = len(runs.names)
    counts = _counts(runs, made, of, groups)
    minutes = np.bincount(of[made], weights=runs.net_min[made], minlength=groups)
    out = [
        _group(runs.names[n] or "not known", counts[n] + Tally(production_min=float(minutes[n])))
        for n in np.unique(of[made])
    ]
    return tuple(sorted(out, key=lambda group: group.name))


def _estimates(runs: Runs, made: Bools) -> HeldOut | None:
    some = made & runs.finished & runs.first
    estimated = np.nan_to_num(runs.planned_min[some])
    return held_out(runs.machine[some], runs.design[some], estimated, runs.net_min[some])


def _curve(facts: Facts, made: Bools) -> tuple[CurvePoint, ...]:
    """Return done against plan at up to forty instants of the stretch."""
    runs = facts.table
    planned = np.sort(np.asarray(facts.planned, dtype=np.int64))
    planned = planned[(planned >= facts.begin) & (planned < facts.end)]
    done = np.sort(runs.end[made & runs.finished])
    every = np.concatenate([planned, done])
    if not len(every):
        return ()
    at = np.linspace(every.min(), every.max(), 40).astype(np.int64)
    at[-1] = every.max()
    rows = zip(at.tolist(), np.searchsorted(planned, at, side="right").tolist(),
               np.searchsorted(done, at, side="right").tolist(), strict=True)  # fmt: skip
    return tuple(CurvePoint(*row) for row in rows)


def _group(name: str, tally: Tally) -> Group:
    return Group(name, tally, kpi.figures(tally))


def _cost(facts: Facts, whole: Tally, rates: Rates) -> Cost:
    runs = facts.table
    inside = np.minimum(runs.end, facts.end) - np.maximum(runs.start, facts.begin)
    shares = np.array([facts.attended.get(name, 1.0) for name in runs.names] or [1.0])
    person_h = float((shares[runs.machine] * inside).sum() / _MIN / 60) if len(inside) else 0.0
    cutters = [(use, rates.life_of(use.type_name)) for use in facts.cutters]
    worn = tuple((use, None if price is None else use.wear * price) for use, price in cutters)
    parts = [None if rates.person_hour is None else person_h * rates.person_hour, *(cost for _, cost in worn)]
    parts.append(whole.made * (rates.piece or 0.0))
    known = [part for part in parts if part is not None]
    money = sum(known) if len(known) == len(parts) else None
    lit = sum(night.lit for night in facts.nights)
    return Cost(
        cutter_min_per_lantern=kpi.share(sum(use.minutes for use in facts.cutters), whole.good),
        person_h_per_lantern=kpi.share(person_h, whole.good),
        per_lantern=None if money is None else kpi.share(money, whole.good),
        machine_h_per_lit_night=kpi.share(whole.executing_min / 60, lit),
        per_lit_night=None if money is None else kpi.share(money, lit),
        cutters=tuple(sorted(worn, key=lambda one: -one[0].minutes)),
    )


# --- in words ------------------------------------------------------------------------------------------


def _words(
    facts: Facts, whole: Tally, hours: Mapping[str, Mapping[str, int]], scrap: Counter[str]
) -> tuple[str, str, str]:
    """Return what went well, what cost most and what to do, a sentence each."""
    lost = [
        (us, what, name)
        for name, parts in hours.items()
        for what, us in parts.items()
        if what != CUTTING and us > 0
    ]
    most = max(lost, default=None)
    return _went_well(facts, whole), _cost_most(most), _to_do(facts, whole, most, scrap)


def _went_well(facts: Facts, whole: Tally) -> str:
    promised, lit = sum(n.promised for n in facts.nights), sum(n.lit for n in facts.nights)
    if promised and lit == promised:
        return f"Went well: all {promised} promised station-nights had a lantern cut by dusk."
    if whole.made and not whole.scrapped:
        return f"Went well: {whole.made} lanterns were cut and none was scrapped."
    if whole.made:
        return f"Went well: {whole.good} of {whole.made} lanterns came out good."
    return "Nothing was reported cut in these days, so nothing can be said of what went well."


def _cost_most(most: tuple[int, str, str] | None) -> str:
    if most is None:
        return "Cost most: no hour of a shift was lost, or no shift is recorded."
    us, what, name = most
    said = f"{what} took {us / _MIN / 60:.1f} h of the shifts of {name}"
    return f"Cost most: {said}."


def _to_do(facts: Facts, whole: Tally, most: tuple[int, str, str] | None, scrap: Counter[str]) -> str:
    if scrap and whole.scrapped / whole.made > 0.08:  # planned scrap; common practice
        reason, count = scrap.most_common(1)[0]
        return (
            f"To do: {whole.scrapped} of {whole.made} were scrapped, {count} by '{reason}'; look there first."
        )
    if most is not None and most[1] == DOWN:
        reasons = [reason for _, reason in facts.downs.get(most[2], ())]
        return f"To do: mend {most[2]} for good ({reasons[-1]})."
    if most is not None and most[1] == WAITING:
        return f"To do: have pieces ready before {most[2]} waits, or man it for less."
    if most is not None and most[1] == PAUSED:
        return f"To do: ask at {most[2]} what its runs are paused for."
    if most is not None:
        return f"To do: put jobs with the same cutters one after the other on {most[2]}."
    return "To do: report starts, ends and shifts, so that the next review can say more."
