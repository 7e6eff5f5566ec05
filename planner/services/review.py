"""How did we do? Figures, hours, cutters, cost and lit stations of a stretch of days, from the records alone.

`gather` reads the facts in a handful of questions, `review_of` judges them without a database.
"""

from __future__ import annotations

from bisect import bisect_left
from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta
from itertools import accumulate

from sqlalchemy import and_, func, or_, select
from sqlalchemy.orm import Session

from planner.database import tables
from planner.database.states import JobState, RunOutcome
from planner.errors import Refused
from planner.schedule import kpi
from planner.schedule.bias import HeldOut, PastRun, held_out
from planner.schedule.kpi import Figure, Span, Tally
from planner.services.common import found, instant_of

SET_UP_REASONS = ("cutter change",)
"""Pauses that count as setting up; all others are delays."""
LEAST_RATING = 5  # of a spare; a station says its own; common practice
DOWN, SETTING_UP, PAUSED, CUTTING, WAITING = "down", "setting up", "paused", "cutting", "nothing reported"
_EPOCH = datetime(2000, 1, 1, tzinfo=UTC)
_US = timedelta(microseconds=1)
_MIN = 60_000_000
_READY = (JobState.CUT, JobState.PLACED)
_MOST_DAYS = 400


@dataclass(frozen=True, slots=True)
class Rates:
    """What an hour of a person and a cutter's whole life cost, in one currency; None where nobody says."""

    person_hour: float | None = None
    cutter_life: float | None = None


@dataclass(frozen=True, slots=True)
class RunFact:
    """One run as it was reported, with what was planned for it."""

    run_id: int
    machine: str
    design: str
    lot: str
    span: Span
    """So long the job was on the machine; until now where it still is [us]."""
    pauses: tuple[tuple[Span, str], ...] = ()
    outcome: str | None = None
    scrap_reason: str = ""
    planned_run_min: float | None = None
    rating: float | None = None
    least_rating: int = LEAST_RATING
    first: bool = True
    """Whether the piece was on a machine once only."""
    planned_span: Span | None = None


@dataclass(frozen=True, slots=True)
class CutterFact:
    """What runs took out of cutters of one type."""

    type_name: str
    minutes: float
    metres: float
    wear: float


@dataclass(frozen=True, slots=True)
class NightFact:
    """How many stations had a lantern cut by dusk, of how many promised."""

    night: date
    promised: int
    lit: int


@dataclass(frozen=True, slots=True)
class Facts:
    """What was recorded between two instants."""

    begin: int
    end: int
    shifts: Mapping[str, Sequence[Span]]
    """By machine [us]."""
    downs: Mapping[str, Sequence[tuple[Span, str]]] = field(default_factory=dict)
    runs: Sequence[RunFact] = ()
    cutters: Sequence[CutterFact] = ()
    nights: Sequence[NightFact] = ()
    attended: Mapping[str, float] = field(default_factory=dict)
    """Share of a run that needs a person, by machine [-]."""


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


def microseconds(instant: datetime) -> int:
    """Return an instant on the clock of all spans [us].

    Parameters
    ----------
    instant : datetime
        With a zone [-].
    """
    return (instant - _EPOCH) // _US


def instant_at(us: int) -> datetime:
    """Return the instant of a time on the clock of all spans.

    Parameters
    ----------
    us : int
        From `microseconds` [us].
    """
    return _EPOCH + timedelta(microseconds=us)


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
    names = sorted({*facts.shifts, *(run.machine for run in facts.runs)})
    tallies = {name: _machine_tally(facts, name) for name in names}
    hours = {name: _hours(facts, name) for name in names}
    whole = sum(tallies.values(), Tally())
    manned = {name: kpi.length(kpi.merged(_clipped(facts, facts.shifts.get(name, ())))) for name in names}
    made = [run for run in facts.runs if _made_in(facts, run)]
    cut_us = sum(hours[name][CUTTING] for name in names)
    cost = _cost(facts, whole, rates)
    scrap = Counter(run.scrap_reason or "no reason" for run in made if run.outcome == RunOutcome.SCRAPPED)
    return Review(
        whole=_group("all machines", whole),
        machines=tuple(_group(name, tally) for name, tally in tallies.items()),
        shifts=_by_shift(facts),
        designs=_by(facts, made, lambda run: run.design),
        lots=_by(facts, made, lambda run: run.lot),
        hours=hours,
        manned=manned,
        outside_min=max(0.0, whole.production_min - cut_us / _MIN),
        untimed=sum(run.planned_run_min is None for run in made),
        cutters=tuple(sorted(facts.cutters, key=lambda use: -use.minutes)),
        cost=cost,
        nights=tuple(facts.nights),
        scrap=dict(scrap.most_common()),
        late_starts=tuple(
            (run.span[0] - run.planned_span[0]) / _MIN for run in facts.runs if run.planned_span is not None
        ),
        words=_words(facts, whole, hours, scrap),
        estimates=held_out(
            [
                PastRun(run.machine, run.design, run.planned_run_min or 0.0, _net_min(run))
                for run in made
                if run.outcome == RunOutcome.FINISHED and run.first
            ]
        ),
    )


def _clipped(facts: Facts, spans: Iterable[Span]) -> list[Span]:
    return [(max(facts.begin, start), min(facts.end, end)) for start, end in spans]


def _made_in(facts: Facts, run: RunFact) -> bool:
    """Return whether a run gave a piece, good or lost, in this stretch."""
    ended = run.outcome in (RunOutcome.FINISHED, RunOutcome.SCRAPPED)
    return ended and facts.begin <= run.span[1] < facts.end


def _counts(facts: Facts, runs: Iterable[RunFact]) -> Tally:
    """Return what was made; no times but the planned ones."""
    planned_min = 0.0
    made = fine = lost = seen = first = 0
    for run in runs:
        if not _made_in(facts, run):
            continue
        scrapped = run.outcome == RunOutcome.SCRAPPED
        good = not scrapped and (run.rating is None or run.rating >= run.least_rating)
        inspected = scrapped or run.rating is not None
        planned_min += run.planned_run_min or 0.0
        made, fine, lost = made + 1, fine + good, lost + scrapped
        seen, first = seen + inspected, first + (inspected and good and run.first)
    return Tally(
        planned_run_min=planned_min, made=made, good=fine, scrapped=lost, inspected=seen, good_at_first=first
    )


def _claims(facts: Facts, name: str, runs: Sequence[RunFact]) -> dict[str, list[Span]]:
    """Return what was reported of a machine's time; a machine that is down does nothing else."""
    pauses = [(span, reason) for run in runs for span, reason in run.pauses]
    return {
        DOWN: kpi.merged(_clipped(facts, (span for span, _ in facts.downs.get(name, ())))),
        SETTING_UP: kpi.merged(_clipped(facts, (s for s, reason in pauses if reason in SET_UP_REASONS))),
        PAUSED: kpi.merged(_clipped(facts, (s for s, reason in pauses if reason not in SET_UP_REASONS))),
        CUTTING: kpi.merged(_clipped(facts, (run.span for run in runs))),
    }


def _hours(facts: Facts, name: str) -> dict[str, int]:
    runs = [run for run in facts.runs if run.machine == name]
    shifts = _clipped(facts, facts.shifts.get(name, ()))
    return kpi.hours_went(shifts, _claims(facts, name, runs), WAITING)


def _machine_tally(facts: Facts, name: str) -> Tally:
    runs = [run for run in facts.runs if run.machine == name]
    manned = kpi.merged(_clipped(facts, facts.shifts.get(name, ())))
    claims = _claims(facts, name, runs)
    # in and outside of shifts: what was reported, and nothing else, is the whole
    parts = kpi.hours_went([span for spans in claims.values() for span in spans], claims, WAITING)
    failures = sum(facts.begin <= span[0] < facts.end for span, _ in facts.downs.get(name, ()))
    return _counts(facts, runs) + Tally(
        planned_busy_min=kpi.length(manned) / _MIN,
        production_min=parts[CUTTING] / _MIN,
        set_up_min=parts[SETTING_UP] / _MIN,
        delay_min=parts[PAUSED] / _MIN,
        down_min=kpi.length(kpi.common(manned, claims[DOWN])) / _MIN,
        failures=failures,
    )


def _by_shift(facts: Facts) -> tuple[Group, ...]:
    """Return the figures of each shift over its machines, the newest first."""
    shifts: defaultdict[Span, list[str]] = defaultdict(list)
    runs: defaultdict[str, list[RunFact]] = defaultdict(list)
    for name, spans in facts.shifts.items():
        for span in _clipped(facts, spans):
            if span[1] > span[0]:
                shifts[span].append(name)
    for run in sorted(facts.runs, key=lambda run: run.span):
        runs[run.machine].append(run)
    starts = {name: [run.span[0] for run in own] for name, own in runs.items()}
    ends = {name: list(accumulate((run.span[1] for run in own), max)) for name, own in runs.items()}
    out = []
    for span, names in sorted(shifts.items(), reverse=True):
        tally = Tally()
        for name in names:
            first, last = bisect_left(ends.get(name, []), span[0]), bisect_left(starts.get(name, []), span[1])
            own = runs[name][first:last]
            part = Facts(*span, {name: [span]}, {name: facts.downs.get(name, ())}, own)
            tally += _machine_tally(part, name)
        out.append(_group(f"{instant_at(span[0]).isoformat()}/{instant_at(span[1]).isoformat()}", tally))
    return tuple(out)


def _by(facts: Facts, made: Sequence[RunFact], key: Callable[[RunFact], str]) -> tuple[Group, ...]:
    groups: defaultdict[str, list[RunFact]] = defaultdict(list)
    for run in made:
        groups[key(run) or "not known"].append(run)
    return tuple(
        _group(name, _counts(facts, runs) + Tally(production_min=sum(map(_net_min, runs))))
        for name, runs in sorted(groups.items())
    )


def _net_min(run: RunFact) -> float:
    return (kpi.length([run.span]) - kpi.length(kpi.merged(s for s, _ in run.pauses))) / _MIN


def _group(name: str, tally: Tally) -> Group:
    return Group(name, tally, kpi.figures(tally))


def _cost(facts: Facts, whole: Tally, rates: Rates) -> Cost:
    person_h = sum(
        facts.attended.get(run.machine, 1.0) * kpi.length(_clipped(facts, [run.span])) / _MIN / 60
        for run in facts.runs
    )
    wear = sum(use.wear for use in facts.cutters)
    money = (
        None
        if rates.person_hour is None or rates.cutter_life is None
        else person_h * rates.person_hour + wear * rates.cutter_life
    )
    lit = sum(night.lit for night in facts.nights)
    return Cost(
        cutter_min_per_lantern=kpi.share(sum(use.minutes for use in facts.cutters), whole.good),
        person_h_per_lantern=kpi.share(person_h, whole.good),
        per_lantern=None if money is None else kpi.share(money, whole.good),
        machine_h_per_lit_night=kpi.share(whole.executing_min / 60, lit),
        per_lit_night=None if money is None else kpi.share(money, lit),
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


# --- gathering -----------------------------------------------------------------------------------------


def gather(db: Session, season_id: int, begin: datetime, end: datetime, *, now: datetime) -> Facts:
    """Return what was recorded of a season between two instants.

    Parameters
    ----------
    db : Session
        An open session; it is only read [-].
    season_id : int
        The season [-].
    begin, end : datetime
        With zones, at most 400 days apart [-].
    now : datetime
        What is still going on is counted until now [-].
    """
    if not timedelta(0) < instant_of(end, "end") - instant_of(begin, "begin") <= timedelta(days=_MOST_DAYS):
        raise Refused(f"from {begin} to {end}: expected an end after the begin, {_MOST_DAYS} days at most")
    season = found(db, tables.Season, season_id)
    machines = {row.id: row for row in db.scalars(select(tables.Machine))}
    until = max(begin, min(end, now))  # what lies ahead is not judged
    return Facts(
        begin=microseconds(begin),
        end=microseconds(until),
        shifts=_shifts(db, machines, begin, until),
        downs=_downs(db, machines, begin, until),
        runs=_runs(db, season_id, begin, until),
        cutters=_cutters(db, season_id, begin, until),
        nights=_nights(db, season, begin, until),
        attended={row.name: row.attended for row in machines.values()},
    )


def _shifts(
    db: Session, machines: Mapping[int, tables.Machine], begin: datetime, end: datetime
) -> dict[str, list[Span]]:
    shift = tables.MachineShift
    out: defaultdict[str, list[Span]] = defaultdict(list)
    for machine, start_at, end_at in db.execute(
        select(shift.machine_id, shift.start_at, shift.end_at)
        .where(shift.start_at < end, shift.end_at > begin)
        .order_by(shift.start_at)
    ):
        out[machines[machine].name].append((microseconds(start_at), microseconds(end_at)))
    return dict(out)


def _downs(
    db: Session, machines: Mapping[int, tables.Machine], begin: datetime, end: datetime
) -> dict[str, list[tuple[Span, str]]]:
    down = tables.Breakdown
    out: defaultdict[str, list[tuple[Span, str]]] = defaultdict(list)
    for machine, start_at, end_at, reason in db.execute(
        select(down.machine_id, down.start_at, down.end_at, down.reason)
        .where(down.start_at < end, or_(down.end_at.is_(None), down.end_at > begin))
        .order_by(down.start_at)
    ):
        span = microseconds(start_at), microseconds(end_at or end)
        out[machines[machine].name].append((span, reason))
    return dict(out)


def _runs(db: Session, season_id: int, begin: datetime, end: datetime) -> list[RunFact]:
    run, job, other = tables.Run, tables.Job, tables.RunTime
    within = and_(run.started_at < end, or_(run.ended_at.is_(None), run.ended_at >= begin))
    pauses = _pauses(db, within, end)
    ratings = _ratings(db, season_id)
    planned = _planned(db, season_id)
    tries = Counter(
        (job_id, piece_id)
        for job_id, piece_id in db.execute(
            select(run.job_id, run.workpiece_id)
            .join(job, job.id == run.job_id)
            .where(job.season_id == season_id)
        )
    )
    rows = db.execute(
        select(
            run.id,
            run.job_id,
            run.workpiece_id,
            run.started_at,
            run.ended_at,
            run.outcome,
            run.scrap_reason,
            run.machine_id,
            tables.Machine.name,
            tables.Design.name,
            tables.Lot.name,
            tables.Preparation.run_s,
            other.run_min,
            tables.Station.least_rating,
        )
        .join(job, job.id == run.job_id)
        .join(tables.Machine, tables.Machine.id == run.machine_id)
        .join(tables.Workpiece, tables.Workpiece.id == run.workpiece_id)
        .join(tables.Lot, tables.Lot.id == tables.Workpiece.lot_id)
        .outerjoin(tables.DesignVersion, tables.DesignVersion.id == job.design_version_id)
        .outerjoin(tables.Design, tables.Design.id == tables.DesignVersion.design_id)
        .outerjoin(tables.Preparation, tables.Preparation.id == run.preparation_id)
        .outerjoin(other, and_(other.job_id == run.job_id, other.machine_id == run.machine_id))
        .outerjoin(tables.Station, tables.Station.id == job.station_id)
        .where(job.season_id == season_id, within)
        .order_by(run.started_at, run.id)
    )
    out = []
    for (
        number,
        job_id,
        piece_id,
        start,
        stop,
        outcome,
        reason,
        at,
        machine,
        design,
        lot,
        s,
        minutes,
        least,
    ) in rows:
        out.append(
            RunFact(
                run_id=number,
                machine=machine,
                design=design or "",
                lot=lot,
                span=(microseconds(start), microseconds(stop or end)),
                pauses=tuple(pauses.get(number, ())),
                outcome=outcome,
                scrap_reason=reason or "",
                planned_run_min=s / 60 if s is not None else minutes,
                rating=ratings.get(job_id) if outcome == RunOutcome.FINISHED else None,
                least_rating=least or LEAST_RATING,
                first=tries[job_id, piece_id] == 1,
                planned_span=planned.get((job_id, at)),
            )
        )
    return out


def _pauses(db: Session, within: object, end: datetime) -> dict[int, list[tuple[Span, str]]]:
    row = tables.Pause
    out: defaultdict[int, list[tuple[Span, str]]] = defaultdict(list)
    for run_id, start, stop, reason in db.execute(
        select(row.run_id, row.start_at, row.end_at, row.reason)
        .join(tables.Run, tables.Run.id == row.run_id)
        .where(within)  # type: ignore[arg-type]
    ):
        out[run_id].append(((microseconds(start), microseconds(stop or end)), reason))
    return dict(out)


def _ratings(db: Session, season_id: int) -> dict[int, float]:
    check = tables.LitCheck
    rows = db.execute(
        select(check.job_id, func.avg(check.rating))
        .join(tables.Job, tables.Job.id == check.job_id)
        .where(tables.Job.season_id == season_id)
        .group_by(check.job_id)
    )
    return {job_id: float(rating) for job_id, rating in rows}


def _planned(db: Session, season_id: int) -> dict[tuple[int, int], Span]:
    """Return when the plan in force has jobs on machines."""
    row, plan = tables.PlanRow, tables.Plan
    rows = db.execute(
        select(row.job_id, row.machine_id, row.start_at, row.end_at)
        .join(plan, plan.id == row.plan_id)
        .where(plan.season_id == season_id, plan.state == "published")
    )
    return {(job, at): (microseconds(start), microseconds(end)) for job, at, start, end in rows}


def _cutters(db: Session, season_id: int, begin: datetime, end: datetime) -> list[CutterFact]:
    use, run, job = tables.CutterUse, tables.Run, tables.Job
    rows = db.execute(
        select(tables.Cutter.type_name, func.sum(use.minutes), func.sum(use.metres), func.sum(use.wear))
        .join(tables.Cutter, tables.Cutter.id == use.cutter_id)
        .join(run, run.id == use.run_id)
        .join(job, job.id == run.job_id)
        .where(job.season_id == season_id, run.ended_at >= begin, run.ended_at < end)
        .group_by(tables.Cutter.type_name)
    )
    return [CutterFact(name, minutes, metres, wear) for name, minutes, metres, wear in rows]


def _nights(db: Session, season: tables.Season, begin: datetime, end: datetime) -> list[NightFact]:
    """Return for each night whose dusk lies in the stretch how many stations had their lantern cut by dusk.

    A station's lantern is the newest that is wanted by that night, as on all pages.
    """
    stations = (
        db.scalar(select(func.count(tables.Station.id)).where(tables.Station.season_id == season.id)) or 0
    )
    job, run = tables.Job, tables.Run
    ended = (
        select(run.job_id, func.min(run.ended_at).label("ended_at"))
        .where(run.outcome == RunOutcome.FINISHED)
        .group_by(run.job_id)
        .subquery()
    )
    rows = db.execute(
        select(job.station_id, job.night, job.id, job.state, ended.c.ended_at)
        .outerjoin(ended, ended.c.job_id == job.id)
        .where(job.season_id == season.id, job.station_id.is_not(None), job.state != JobState.CANCELLED)
        .order_by(job.id)
    ).all()
    out = []
    for night in (row.night for row in season.nights):
        dusk = season.dusk_at(night)
        if not begin <= dusk < end:
            continue
        newest = {row.station_id: row for row in rows if row.night <= night}
        lit = sum(
            row.state in _READY and (row.ended_at is None or row.ended_at <= dusk) for row in newest.values()
        )
        out.append(NightFact(night, stations, lit))
    return out
