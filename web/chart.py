"""Where does each job stand on the season chart? Numbers for one strip of lanes a day; the template draws.

::

    x = name_px + (instant - first instant of the strip) * px per hour
    y = head_px + lane number * lane_px
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

from planner.database.lines import ChartRow, Lane, SeasonChart, Span
from planner.database.queries import BenchStepLine

WIDTH = 1200.0
NAME = 104.0
HEAD = 30.0
LANE = 70.0
BENCH = 34.0  # a place at a bench: words only
FOOT = 22.0  # one row of words of the lines
_GAP = 4.0  # between a bar and the lane's edge
_LEAST_PICTURE = 22.0  # a lit look that is smaller tells nothing
_HOUR = timedelta(hours=1)


@dataclass(frozen=True, slots=True)
class Stretch:
    """A stretch of time on a lane: from x, so wide, and what it is."""

    x: float
    width: float
    words: str = ""


@dataclass(frozen=True, slots=True)
class Bar:
    """A job on a lane."""

    row: ChartRow
    x: float
    y: float
    width: float
    height: float
    short: str
    picture_px: float  # 0 = too narrow for one

    @property
    def label(self) -> str:
        """As much of the name as has room."""
        if self.width > 8.6 * len(self.row.label):
            return self.row.label
        return self.short if self.width > 8.8 * len(self.short) else ""


@dataclass(frozen=True, slots=True)
class BenchBar:
    """A step at a bench."""

    row: BenchStepLine
    x: float
    width: float
    label: str


@dataclass(frozen=True, slots=True)
class BenchLane:
    """One place of a bench on one day."""

    name: str
    y: float
    bars: tuple[BenchBar, ...]


@dataclass(frozen=True, slots=True)
class DayLane:
    """A machine on one day."""

    machine_id: int
    name: str
    y: float
    changes: tuple[Stretch, ...]  # where a cutter is changed before a job
    shifts: tuple[Stretch, ...]
    breakdowns: tuple[Stretch, ...]
    bars: tuple[Bar, ...]


@dataclass(frozen=True, slots=True)
class Line:
    """A line down the strip: an hour, dusk, due or now."""

    x: float
    kind: str
    words: str


@dataclass(frozen=True, slots=True)
class Day:
    """One day's strip."""

    day: date
    lanes: tuple[DayLane, ...]
    benches: tuple[BenchLane, ...]
    hours: tuple[Line, ...]
    lines: tuple[Line, ...]
    frozen: Stretch | None
    jobs: int
    today: bool
    width: float
    height: float
    foot: float
    first_at: datetime
    last_at: datetime


@dataclass(frozen=True, slots=True)
class _Scale:
    """Which instants a strip shows."""

    first_at: datetime
    last_at: datetime

    def x(self, instant: datetime) -> float:
        share = (instant - self.first_at) / (self.last_at - self.first_at)
        return NAME + min(max(share, 0.0), 1.0) * (WIDTH - NAME)

    def holds(self, instant: datetime) -> bool:
        return self.first_at <= instant <= self.last_at

    def stretch(self, start_at: datetime, end_at: datetime | None, words: str = "") -> Stretch | None:
        ends = self.last_at if end_at is None else end_at
        if ends <= self.first_at or start_at >= self.last_at:
            return None
        x = self.x(start_at)
        return Stretch(x, self.x(ends) - x, words)


def days_of(
    chart: SeasonChart,
    zone: ZoneInfo,
    now: datetime,
    frozen_until_at: datetime | None,
    benches: tuple[BenchStepLine, ...] = (),
) -> tuple[Day, ...]:
    """Return the strips of all days on which a job is planned.

    Parameters
    ----------
    chart : SeasonChart
        The plan over time [-].
    zone : ZoneInfo
        The site's [-].
    now : datetime
        The present instant [-].
    frozen_until_at : datetime or None
        What starts before is not moved any more [-].
    benches : tuple of BenchStepLine
        What is done at the benches [-].
    """
    rows = [row for lane in chart.lanes for row in lane.rows]
    dates = sorted({d for row in rows for d in _dates_of(row, zone)})
    if not dates:
        return ()
    first_h, last_h = _hours_shown(chart, dates, zone)
    return tuple(_day(chart, d, first_h, last_h, zone, now, frozen_until_at, benches) for d in dates)


def _dates_of(row: ChartRow, zone: ZoneInfo) -> Iterable[date]:
    first, last = row.start_at.astimezone(zone).date(), row.end_at.astimezone(zone).date()
    return (first + timedelta(days=n) for n in range((last - first).days + 1))


def _hours_shown(chart: SeasonChart, dates: list[date], zone: ZoneInfo) -> tuple[int, int]:
    """Return the first and last hour of the day that all strips show, so that they can be compared."""
    starts, ends = [], []
    shown = set(dates)
    for lane in chart.lanes:
        occupied: tuple[ChartRow | Span, ...] = (*lane.rows, *lane.shifts)
        for one in occupied:
            start, end = one.start_at.astimezone(zone), (one.end_at or one.start_at).astimezone(zone)
            if start.date() not in shown:
                continue
            starts.append(start.hour)
            overnight = end.date() > start.date()
            starts.append(0 if overnight else start.hour)
            ends.append(24 if overnight else end.hour + (1 if end.minute or end.second else 0))
    for dusk in chart.dusks:
        local = dusk.astimezone(zone)
        if local.date() in shown:
            ends.append(min(24, local.hour + 1))
    return min(starts), max(max(ends), min(starts) + 1)


def _day(
    chart: SeasonChart,
    day: date,
    first_h: int,
    last_h: int,
    zone: ZoneInfo,
    now: datetime,
    frozen_until_at: datetime | None,
    benches: tuple[BenchStepLine, ...],
) -> Day:
    scale = _Scale(_local(day, first_h, zone), _local(day, last_h, zone))
    lanes = tuple(_lane(lane, HEAD + LANE * n, scale) for n, lane in enumerate(chart.lanes))
    frozen = None
    if frozen_until_at is not None and chart.plan_start_at is not None:
        frozen = scale.stretch(chart.plan_start_at, frozen_until_at)
    lines = tuple(_lines(chart, scale, now, zone))
    places = _bench_lanes(benches, HEAD + LANE * len(lanes), scale)
    # due comes shortly before dusk: its words need a row of their own
    foot = FOOT * (2 if any(line.kind == "due" for line in lines) else 1)
    return Day(
        day=day,
        lanes=lanes,
        benches=places,
        hours=tuple(_hours(scale, zone)),
        lines=lines,
        frozen=frozen,
        jobs=len({bar.row.job_id for lane in lanes for bar in lane.bars}),
        today=now.astimezone(zone).date() == day,
        width=WIDTH,
        height=HEAD + LANE * len(lanes) + BENCH * len(places) + foot,
        foot=foot,
        first_at=scale.first_at,
        last_at=scale.last_at,
    )


def _local(day: date, hour: int, zone: ZoneInfo) -> datetime:
    """Return a full hour of a day as an instant; hour 24 is the next midnight."""
    midnight = datetime.combine(day + timedelta(days=hour // 24), datetime.min.time(), zone)
    return midnight.replace(hour=hour % 24).astimezone(UTC)


def _hours(scale: _Scale, zone: ZoneInfo) -> Iterable[Line]:
    instant = scale.first_at
    while instant < scale.last_at:
        yield Line(scale.x(instant), "hour", f"{instant.astimezone(zone):%H}")
        instant += _HOUR


def _lines(chart: SeasonChart, scale: _Scale, now: datetime, zone: ZoneInfo) -> Iterable[Line]:
    due = sorted({row.due_at for lane in chart.lanes for row in lane.rows})
    for kind, instants in (("due", due), ("dusk", chart.dusks), ("now", (now,))):
        for instant in instants:
            if scale.holds(instant):
                yield Line(scale.x(instant), kind, f"{kind} {instant.astimezone(zone):%H:%M}")


def _lane(lane: Lane, y: float, scale: _Scale) -> DayLane:
    return DayLane(
        machine_id=lane.machine_id,
        name=lane.name,
        y=y,
        changes=tuple(_changes(lane.rows, scale)),
        shifts=_stretches(lane.shifts, scale),
        breakdowns=_stretches(lane.breakdowns, scale),
        bars=tuple(bar for row in lane.rows if (bar := _bar(row, y, scale)) is not None),
    )


def _changes(rows: Iterable[ChartRow], scale: _Scale) -> Iterable[Stretch]:
    """Return a tick where a job needs a cutter that the job before it on this machine did not use."""
    before: set[str] = set()
    for row in rows:
        fresh = [cutter for cutter in row.cutters if cutter not in before]
        if fresh and before and scale.holds(row.start_at):
            yield Stretch(scale.x(row.start_at), 0.0, " and ".join(fresh))
        before = set(row.cutters) or before


def _bench_lanes(steps: Iterable[BenchStepLine], y: float, scale: _Scale) -> tuple[BenchLane, ...]:
    """Return a lane for each place of each bench at which something is done on this day."""
    places: dict[tuple[int, int], list[BenchStepLine]] = {}
    for step in steps:
        places.setdefault((step.bench_id, step.place), []).append(step)
    lanes: list[BenchLane] = []
    for mine in places.values():
        bars = tuple(bar for step in mine if (bar := _bench_bar(step, scale)) is not None)
        if bars:
            first = mine[0]
            name = first.bench if first.places == 1 else f"{first.bench} {first.place + 1}"
            lanes.append(BenchLane(name, y + BENCH * len(lanes), bars))
    return tuple(lanes)


def _bench_bar(step: BenchStepLine, scale: _Scale) -> BenchBar | None:
    stretch = scale.stretch(step.start_at, step.end_at)
    if stretch is None:
        return None
    width = max(stretch.width - 1.5, 2.0)
    short = short_label(step.label)
    return BenchBar(step, stretch.x, width, short if width > 8.8 * len(short) else "")


def _stretches(spans: Iterable[Span], scale: _Scale) -> tuple[Stretch, ...]:
    found = (scale.stretch(span.start_at, span.end_at, span.reason) for span in spans)
    return tuple(stretch for stretch in found if stretch is not None)


def _bar(row: ChartRow, y: float, scale: _Scale) -> Bar | None:
    stretch = scale.stretch(row.start_at, row.end_at)
    if stretch is None:
        return None
    width = max(stretch.width - 1.5, 2.0)  # two neighbours stay apart
    picture = min(width - 4, LANE - 2 * _GAP - 20)
    return Bar(
        row=row,
        x=stretch.x,
        y=y + _GAP,
        width=width,
        height=LANE - 2 * _GAP,
        short=short_label(row.label),
        picture_px=picture if picture >= _LEAST_PICTURE else 0.0,
    )


def short_label(label: str) -> str:
    """Return initials and number of a station: Lime Walk 7 becomes LW 7.

    Parameters
    ----------
    label : str
        The station's name, or a spare by its number [-].
    """
    parts = label.split()
    number = parts[-1] if len(parts) > 1 and parts[-1][:1].isdigit() else ""
    names = parts[:-1] if number else parts
    return f"{''.join(name[0] for name in names)}{number}"
