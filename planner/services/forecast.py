"""What does the season still need? Replacements by night, produce to order, hours, the first dark night.

Facts come out of the database, the forecast is made by `planner.schedule`, and nothing is stored: it is made
anew whenever somebody looks.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, datetime, timedelta

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import select
from sqlalchemy.orm import Session, selectinload

from planner.database import tables
from planner.database.states import JobState, LanternKind, LotState, PlanState, ProduceKind, SizeClass
from planner.errors import Refused
from planner.schedule.cover import Cover, Dark, Losses, Sort, Stock, play, to_order
from planner.schedule.life import LifeModel, life_used, multiplier
from planner.schedule.replacements import Place, Replacements, draw_replacements
from planner.services.common import found
from planner.services.lasting import model_of

_GONE = (JobState.CANCELLED,)
_BENCH_MIN = {"through": 29.0, "relief": 39.0}
"""Person-minutes: wash 5, hollow 10, thin 4 or 10, gauge 2 or 6, mount 3, dip 3, lit check 2."""
_ROOT_MORE_MIN = 5.0
"""A root takes so much longer to hollow."""


@dataclass(frozen=True, slots=True)
class ForecastSettings:
    """What a venue may set; common practice where nothing is said."""

    life: LifeModel = field(default_factory=LifeModel)
    losses: Losses = field(default_factory=Losses)
    running: float = 0.75
    """Share of their open hours in which machines run."""
    untimed_min: float = 40.0
    """All a machine spends on a lantern not timed yet, set-up and tries that are scrapped included."""
    rack_c: float | None = None
    """Where carved lanterns wait for the opening; None = as warm as the first night."""
    bench_people: int = 3
    seasons: int = 5000
    seed: int = 0
    chance: float = 0.1
    """A night is called dark when it is dark in more than this share of the seasons."""


@dataclass(frozen=True, slots=True)
class NightLine:
    """One night: replacements that are carved for it, and the hours of the day before dusk."""

    night: date
    temperature_c: float
    mean: float
    low: int
    middle: int
    high: int
    machine_h: float
    open_h: float
    bench_h: float
    bench_open_h: float
    dark_chance: float


@dataclass(frozen=True, slots=True)
class OrderLine:
    """What a sort of lantern needs from its lots; `by` is the first day on which the pieces run out."""

    sort: str
    lots: tuple[str, ...]
    stations: int
    replacements: float
    replacements_high: int
    order: int
    pieces: int
    by: date | None

    @property
    def short(self) -> int:
        """Pieces that are still to be ordered [-]."""
        return max(0, self.order - self.pieces)


@dataclass(frozen=True, slots=True)
class Forecast:
    """What the season still needs, in the order in which a shift lead asks."""

    stations: int
    mean: float
    low: int
    middle: int
    high: int
    nights: tuple[NightLine, ...]
    orders: tuple[OrderLine, ...]
    first_dark: Dark | None
    first_dark_night: date | None
    assumed: tuple[str, ...]


def season_forecast(
    db: Session,
    season_id: int,
    settings: ForecastSettings | None = None,
    *,
    down: Sequence[str] = (),
) -> Forecast:
    """Return the forecast of a season.

    Parameters
    ----------
    db : Session
        An open session; it is only read [-].
    season_id : int
        The season [-].
    settings : ForecastSettings, optional
        Life model, losses and hours; where none are given, lanterns last as a lead took over from the
        walks, else as usual [-].
    down : sequence of str
        Machines that are taken to be down all season [-].

    Raises
    ------
    Refused
        A night has no temperature, or there are no stations.
    """
    settings = settings or ForecastSettings(life=model_of(db, season_id))
    season = found(db, tables.Season, season_id)
    facts = _Facts(db, season, settings, down)
    rng = np.random.default_rng(settings.seed)
    drawn = draw_replacements(facts.places, facts.temperatures_c, settings.life, rng, settings.seasons)
    wanted = facts.wanted(drawn)
    sorts = facts.sorts()
    cover = play(
        wanted, sorts, facts.stocks(), facts.open_min(), facts.bench_open_min(), losses=settings.losses,
        running=settings.running,
    )  # fmt: skip
    dark = cover.first_dark(settings.chance)
    total = drawn.total
    low, middle, high = (int(q) for q in np.quantile(total, (0.1, 0.5, 0.9), method="inverted_cdf"))
    return Forecast(
        stations=len(facts.places),
        mean=float(total.mean()),
        low=low,
        middle=middle,
        high=high,
        nights=_night_lines(facts, drawn, cover),
        orders=_order_lines(facts, wanted, sorts, settings.losses),
        first_dark=dark,
        first_dark_night=None if dark is None else facts.nights[dark.night],
        assumed=tuple(facts.assumed),
    )


def _night_lines(facts: _Facts, drawn: Replacements, cover: Cover) -> tuple[NightLine, ...]:
    low, middle, high = drawn.quantiles()
    means = drawn.mean()
    return tuple(
        NightLine(
            night=night,
            temperature_c=facts.temperatures_c[n],
            mean=float(means[n]),
            low=int(low[n]),
            middle=int(middle[n]),
            high=int(high[n]),
            machine_h=float(cover.machine_min[n].mean()) / 60,
            open_h=float(cover.open_min[n]) / 60,
            bench_h=float(cover.bench_min[n].mean()) / 60,
            bench_open_h=float(cover.bench_open_min[n]) / 60,
            dark_chance=float(np.mean(cover.dark[n] > 0)),
        )
        for n, night in enumerate(facts.nights)
    )


def _order_lines(
    facts: _Facts, wanted: Mapping[str, NDArray[np.int64]], sorts: Sequence[Sort], losses: Losses
) -> tuple[OrderLine, ...]:
    pieces = {lot.name: lot.quantity for lot in facts.lots}
    lines = []
    for sort in sorts:
        stations = sum(place.sort == sort.name for place in facts.places)
        total = wanted[sort.name].sum(axis=0) - stations
        high = int(np.quantile(total, 0.9, method="inverted_cdf"))
        there = sum(pieces[lot] for lot in sort.lots)
        by_night = np.quantile(wanted[sort.name].cumsum(axis=0), 0.9, axis=1)
        out = next((n for n, need in enumerate(by_night) if to_order(float(need), losses) > there), None)
        lines.append(
            OrderLine(
                sort.name,
                sort.lots,
                stations,
                float(total.mean()),
                high,
                to_order(stations + high, losses),
                there,
                None if out is None else facts.nights[out],
            )
        )
    return tuple(lines)


def _kind_of(sort: str) -> ProduceKind:
    """Return the kind of produce that a sort's size class is of."""
    kinds = {SizeClass.ROOT: ProduceKind.TURNIP, SizeClass.GOURD: ProduceKind.GOURD}
    return kinds.get(SizeClass(sort.split()[0]), ProduceKind.SQUASH)


class _Facts:
    """What the database says of a season, in the forecast's terms."""

    def __init__(
        self, db: Session, season: tables.Season, settings: ForecastSettings, down: Sequence[str]
    ) -> None:
        self.season, self.settings, self.down = season, settings, set(down)
        self.assumed: list[str] = []
        self.nights = [row.night for row in season.nights]
        missing = [row.night for row in season.nights if row.temperature_c is None]
        if missing:
            raise Refused(
                f"the night of {missing[0]} has no temperature yet; the forecast needs one for each"
            )
        self.temperatures_c = [float(row.temperature_c or 0.0) for row in season.nights]
        self.stations = list(season.stations)
        if not self.stations:
            raise Refused(f"season {season.name!r} has no stations yet")
        self.jobs = self._opening_jobs(db)
        self.lots = list(
            db.scalars(
                select(tables.Lot)
                .where(tables.Lot.state == LotState.ACCEPTED)
                .order_by(tables.Lot.received_on)
            )
        )
        self.machines = list(db.scalars(select(tables.Machine).where(tables.Machine.active)))
        self.shifts = list(db.scalars(select(tables.MachineShift).order_by(tables.MachineShift.start_at)))
        unknown = sorted(self.down - {machine.name for machine in self.machines})
        if unknown:
            names = ", ".join(machine.name for machine in self.machines)
            raise Refused(f"machine {unknown[0]!r}: one of {names} was expected")
        self.places = self._places(db)

    def _opening_jobs(self, db: Session) -> dict[int, tables.Job]:
        rows = db.scalars(
            select(tables.Job)
            .where(
                tables.Job.season_id == self.season.id,
                tables.Job.night == self.season.opening_night,
                tables.Job.station_id.is_not(None),
                tables.Job.state.not_in(_GONE),
            )
            .options(
                selectinload(tables.Job.run_times),
                selectinload(tables.Job.workpiece).selectinload(tables.Workpiece.lot),
            )
            .order_by(tables.Job.id)
        )
        return {job.station_id: job for job in rows if job.station_id is not None}

    # --- lanterns --------------------------------------------------------------------------------

    def sort_of(self, station: tables.Station) -> str:
        """Return what is made alike with a station's lantern: size and kind."""
        return f"{station.size_class} {station.kind}"

    def _places(self, db: Session) -> list[Place]:
        """Return the stations; the opening set is carved when the published plan says, else evenly."""
        model = self.settings.life
        rack = self.settings.rack_c if self.settings.rack_c is not None else self.temperatures_c[0]
        dusk = self.season.dusk_at(self.nights[0])
        ends = self._planned_ends(db)
        first, last = self._carving(dusk)
        count = len(self.stations)
        if len(ends) < count:
            self.assumed.append(
                f"{count - len(ends)} of {count} opening lanterns have no planned end: carved evenly from "
                f"{first.astimezone(self.season.zone):%a %d %b %H:%M} on"
            )
        places = []
        for n, station in enumerate(self.stations):
            evenly = first + (last - first) * ((n * 0.6180339887 + 0.5) % 1.0)  # spread over sorts too
            end = ends.get(station.id, evenly)
            days = max(0.0, (dusk - end) / timedelta(days=1))
            factor = multiplier(model, relief=station.kind == LanternKind.RELIEF)
            places.append(
                Place(station.name, self.sort_of(station), factor, float(life_used(model, rack, days)))
            )
        return places

    def _planned_ends(self, db: Session) -> dict[int, datetime]:
        rows = db.execute(
            select(tables.Job.station_id, tables.PlanRow.end_at)
            .join(tables.PlanRow, tables.PlanRow.job_id == tables.Job.id)
            .join(tables.Plan, tables.Plan.id == tables.PlanRow.plan_id)
            .where(
                tables.Plan.season_id == self.season.id,
                tables.Plan.state == PlanState.PUBLISHED,
                tables.Job.night == self.season.opening_night,
            )
            .order_by(tables.PlanRow.end_at)
        )
        return {station: end for station, end in rows if station is not None}

    def _carving(self, dusk: datetime) -> tuple[datetime, datetime]:
        before = [shift for shift in self.shifts if shift.start_at < dusk]
        if not before:
            return dusk - timedelta(days=3.5), dusk
        return min(s.start_at for s in before), min(dusk, max(s.end_at for s in before))

    def wanted(self, drawn: Replacements) -> dict[str, NDArray[np.int64]]:
        """Return lanterns to carve by sort, (nights, seasons): each sort's mean share of the total drawn."""
        names = sorted({place.sort for place in self.places})
        shares = np.array(
            [
                [drawn.by_station[n, [p.sort == name for p in self.places]].sum() for name in names]
                for n in range(len(self.nights))
            ]
        )
        whole = shares.sum(axis=1, keepdims=True)
        shares = np.cumsum(np.divide(shares, whole, out=np.zeros_like(shares), where=whole > 0), axis=1)
        # whole lanterns: each sort gets what the rounded running sum gives it, so the total stays as drawn
        edges = np.rint(shares[:, :, None] * drawn.by_night[:, None, :])
        counts = np.diff(edges, axis=1, prepend=0.0).astype(np.int64)
        out = {name: counts[:, k, :] for k, name in enumerate(names)}
        for name in names:
            out[name][0] += sum(place.sort == name for place in self.places)
        return out

    # --- produce and hours -----------------------------------------------------------------------

    def sorts(self) -> tuple[Sort, ...]:
        """Return the sorts with machine minutes as timed; the sort of the highest priority comes first."""
        by_sort: dict[str, list[tables.Job]] = defaultdict(list)
        for station in self.stations:
            if station.id in self.jobs:
                by_sort[self.sort_of(station)].append(self.jobs[station.id])
        loads = {m.id: (m.name, m.load_min + m.unload_min) for m in self.machines}
        out = []
        for name in sorted({self.sort_of(station) for station in self.stations}):
            jobs = by_sort[name]
            minutes: dict[str, list[float]] = defaultdict(list)
            for job in jobs:
                for timed in job.run_times:
                    if timed.eligible and timed.run_min is not None and timed.machine_id in loads:
                        machine, load = loads[timed.machine_id]
                        minutes[machine].append(timed.run_min + load)
            if not minutes:
                minutes = self._untimed(name)
            enough = {m: float(np.mean(v)) for m, v in minutes.items() if m not in self.down}
            bench = _BENCH_MIN["relief" if name.endswith(LanternKind.RELIEF) else "through"]
            lots = self._lots_of(jobs) or self._lots_by_size(name)
            out.append(Sort(name, enough, bench + _ROOT_MORE_MIN * ("root" in name), lots))
        rank = {s.name: max((j.priority for j in by_sort[s.name]), default=0) for s in out}
        return tuple(sorted(out, key=lambda s: (-rank[s.name], s.name)))

    def _lots_of(self, jobs: Sequence[tables.Job]) -> tuple[str, ...]:
        """Return the lots the jobs' pieces came from, and others of the same variety, oldest first."""
        varieties = {
            job.workpiece.lot.variety
            for job in jobs
            if job.workpiece is not None and job.workpiece.lot.kind != ProduceKind.FOAM
        }
        return tuple(lot.name for lot in self.lots if lot.variety in varieties)

    def _untimed(self, sort: str) -> dict[str, list[float]]:
        """Return what is taken for a sort that was not timed yet, on every machine that holds its kind."""
        kind, assumed = _kind_of(sort), self.settings.untimed_min
        able = [machine.name for machine in self.machines if not machine.kinds or kind in machine.kinds]
        self.assumed.append(
            f"{sort}: no run time yet, {assumed:g} min a lantern on any machine that holds {kind}"
        )
        each_try = assumed * (1 - self.settings.losses.scrap)
        return {name: [each_try] for name in able}

    def _lots_by_size(self, sort: str) -> tuple[str, ...]:
        """Return the lots of the kind that a size class is of, where no piece has been chosen yet."""
        kind = _kind_of(sort)
        self.assumed.append(f"{sort}: no piece chosen yet, any {kind} taken for it")
        return tuple(lot.name for lot in self.lots if lot.kind == kind)

    def stocks(self) -> tuple[Stock, ...]:
        """Return the accepted lots, whole, with the first night for which they can be carved."""
        opening = self.nights[0]
        last = len(self.nights) - 1
        return tuple(
            Stock(lot.name, lot.quantity, min(last, max(0, (lot.received_on - opening).days)))
            for lot in self.lots
        )

    def _span_of(self, night: int) -> tuple[datetime, datetime]:
        """Return the time in which the lanterns of a night are carved: from the dusk before to its own."""
        end = self.season.due_at(self.nights[night])
        start = self.season.due_at(self.nights[night - 1]) if night else end - timedelta(days=60)
        return start, end

    def open_min(self) -> dict[str, list[float]]:
        """Return each machine's minutes for each night; a day without any shift is like the longest one."""
        out: dict[str, list[float]] = {m.name: [] for m in self.machines}
        usual = {m.name: self._usual_min(m.id) for m in self.machines}
        for night in range(len(self.nights)):
            start, end = self._span_of(night)
            found_min = {m.name: self._shift_min(m.id, start, end) for m in self.machines}
            if not any(found_min.values()):
                found_min = usual
                note = "days without a shift in the database: as long as the longest day there is"
                if note not in self.assumed:
                    self.assumed.append(note)
            for name, minutes in found_min.items():
                out[name].append(0.0 if name in self.down else minutes)
        return out

    def _shift_min(self, machine_id: int, start: datetime, end: datetime) -> float:
        spans = (
            (max(shift.start_at, start), min(shift.end_at, end))
            for shift in self.shifts
            if shift.machine_id == machine_id
        )
        return sum(max(0.0, (last - first).total_seconds() / 60) for first, last in spans)

    def _usual_min(self, machine_id: int) -> float:
        """Return the longest day [min], as far as it lies before the lanterns must stand."""
        days: dict[date, float] = defaultdict(float)
        for shift in self.shifts:
            if shift.machine_id == machine_id:
                local = shift.start_at.astimezone(self.season.zone).date()
                due = self.season.due_at(local)
                days[local] += max(0.0, (min(shift.end_at, due) - shift.start_at).total_seconds() / 60)
        return max(days.values(), default=0.0)

    def bench_open_min(self) -> list[float]:
        """Return person-minutes at the benches: so many people for as long as the longest machine."""
        by_machine = self.open_min() or {"": [0.0] * len(self.nights)}
        longest = np.max([minutes for minutes in by_machine.values()], axis=0)
        return [self.settings.bench_people * float(minutes) for minutes in longest]


def with_life(settings: ForecastSettings, **life: float) -> ForecastSettings:
    """Return settings with some of the life model's changed.

    Parameters
    ----------
    settings : ForecastSettings
        As they were [-].
    **life : float
        Names and values of `LifeModel` [-].
    """
    return replace(settings, life=replace(settings.life, **life))


def forecast_lines(forecast: Forecast) -> list[str]:
    """Return the forecast as lines of text.

    Parameters
    ----------
    forecast : Forecast
        As `season_forecast` made it [-].
    """
    lines = [
        f"{forecast.stations} stations; replacements in all {forecast.mean:.0f} "
        f"(10 % {forecast.low}, 50 % {forecast.middle}, 90 % {forecast.high})",
        "night        °C   mean  10 % 50 % 90 %   machine h of   bench h of   dark",
    ]
    for n in forecast.nights:
        lines.append(
            f"{n.night:%a %d %b} {n.temperature_c:5.1f}  {n.mean:5.1f}  {n.low:4d} {n.middle:4d} {n.high:4d}"
            f"   {n.machine_h:5.1f} {n.open_h:6.1f}   {n.bench_h:5.1f} {n.bench_open_h:5.1f}"
            f"  {n.dark_chance:5.0%}"
        )
    lines.append("sort of lantern, stations and replacements (90 %), pieces to order in all, accepted, short")
    for o in forecast.orders:
        until = f"; used up before {o.by:%a %d %b}" if o.by else ""
        lines.append(
            f"  {o.sort}: {o.stations} + {o.replacements_high}, order {o.order}, have {o.pieces} "
            f"({', '.join(o.lots) or 'no lot'}), short {o.short}{until}"
        )
    dark = forecast.first_dark
    if dark is None:
        lines.append("no night is forecast to be dark")
    else:
        lines.append(
            f"first dark night: {forecast.first_dark_night:%a %d %b}, in {dark.chance:.0%} of the seasons, "
            f"{dark.stations:.0f} stations; {dark.cause}"
        )
    return lines + [f"assumed: {note}" for note in forecast.assumed]


__all__ = [
    "Forecast",
    "ForecastSettings",
    "NightLine",
    "OrderLine",
    "forecast_lines",
    "season_forecast",
    "with_life",
]
