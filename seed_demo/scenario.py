"""When and where is the invented season? Its calendar, places, people and what each station shows.

The Long Dusk at Larkmere Walled Garden: 120 stations, ten nights. Times are local (Europe/London); the clocks
go back in the night to 25 October, inside the season, so minutes are counted between instants, not faces.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

VENUE = "Larkmere Walled Garden"
SEASON = "The Long Dusk"
TIME_ZONE = "Europe/London"
OPENING_NIGHT = date(2026, 10, 24)
LAST_NIGHT = date(2026, 11, 2)
DUSK = time(17, 25)
DARK_SET = time(16, 40)  # all lanterns stand and the lit check begins
CARVE_FROM = datetime(2026, 10, 21, 6, 0, tzinfo=ZoneInfo(TIME_ZONE))
CARVE_TO = datetime(2026, 10, 24, 12, 0, tzinfo=ZoneInfo(TIME_ZONE))
SHIFT_FROM, SHIFT_TO = time(6, 0), time(17, 0)
NIGHT_TEMPERATURES_C = (11.0, 12.0, 10.0, 9.0, 13.0, 17.0, 15.0, 11.0, 8.0, 7.0)
EXPECTED_REPLACEMENTS = (5, 7, 10, 12, 21, 30, 25, 16, 12, 11)  # by night, the trade's own reckoning
CARRIER_PLATES = 24
COLD_ROOM_C = 4.0


@dataclass(frozen=True, slots=True)
class Area:
    """A part of the garden: its stations, what they hold and who sees them."""

    name: str
    stations: int
    lots: tuple[str, ...]  # in the order in which they are used
    kind: str
    size: str  # medium, large, XL, root, gourd
    lamp_w: float
    lamp_lm: float
    viewing_m: float
    viewing_height_m: float
    least_rating: int
    hanging: bool
    shows: tuple[tuple[str, int], ...]  # design and for how many stations


@dataclass(frozen=True, slots=True)
class Station:
    """A place that is lit every night, and what it shows."""

    name: str
    area: str
    number: int
    design: str
    least_rating: int
    priority: int


@dataclass(frozen=True, slots=True)
class Person:
    """Somebody of the season: what they can do and when they are there."""

    name: str
    role: str
    skills: tuple[str, ...]
    from_time: time
    to_time: time


@dataclass(frozen=True, slots=True)
class Bench:
    """A bench and how many people can work at it at once."""

    name: str
    places: int
    minutes: dict[str, float]  # per piece, by kind of work or produce


AREAS = (
    Area("Lime Walk", 44, ("L-201", "L-202"), "squash", "large", 2.4, 220, 5.0, 0.4, 6, False,
         (("Fern Spiral", 6), ("Moon over Reeds", 7), ("Leaf Fall", 7), ("Honeycomb Drift", 5),
          ("Running Fox", 7), ("Moth Pair", 4), ("Nine Waves", 3), ("Star Chart North", 3),
          ("Knot Border", 2))),
    Area("Orangery", 16, ("L-204",), "squash", "large", 4.0, 380, 3.0, 1.1, 8, False,
         (("Owl in Mist", 6), ("Fox Asleep", 5), ("Full Moon", 5))),
    Area("Root Row", 36, ("L-205",), "turnip", "root", 1.2, 90, 2.0, 0.6, 6, False, (("Root Rune", 36),)),
    Area("Pergola", 14, ("L-206",), "gourd", "gourd", 1.2, 90, 3.0, 2.3, 6, True, (("Gourd Lace", 14),)),
    Area("Gate", 10, ("L-203",), "squash", "XL", 2.4, 220, 6.0, 0.8, 7, False,
         (("Nine Waves", 4), ("Knot Border", 2), ("Running Fox", 4))),
)  # fmt: skip

PEOPLE = (
    Person("Ines Calloway", "shift lead", ("plan", "lit check", "machine"), SHIFT_FROM, SHIFT_TO),
    Person("Tom Arkless", "setter", ("machine", "probe", "mount"), SHIFT_FROM, SHIFT_TO),
    Person("Priya Nandra", "setter", ("machine", "probe", "mount"), SHIFT_FROM, SHIFT_TO),
    Person("Wil Docherty", "bench", ("hollow", "thin", "wash"), SHIFT_FROM, SHIFT_TO),
    Person("Maud Ferris", "bench", ("hollow", "thin", "gauge"), SHIFT_FROM, SHIFT_TO),
    Person("Joss Okafor", "finish", ("finish", "dip", "lit check"), SHIFT_FROM, SHIFT_TO),
    Person("Bea Lindqvist", "walker", ("walk", "place"), time(16, 0), time(22, 30)),
    Person("Ravi Penhale", "walker", ("walk", "place"), time(16, 0), time(22, 30)),
)

BENCHES = (
    Bench("hollowing", 2, {"squash": 10, "turnip": 15, "gourd": 6}),
    Bench("thinning and gauging", 1, {"opening": 6, "relief": 16}),
    Bench("finish", 1, {"unload and finish": 5, "dip": 3, "lit check": 2}),
)


def stations() -> tuple[Station, ...]:
    """Return the 120 stations; designs are dealt out so that neighbours differ."""
    found = []
    for area in AREAS:
        for number, shown in enumerate(_dealt(area.shows), start=1):
            rank = (
                3 if area.least_rating >= 8 or area.name == "Gate" else 2 if area.name == "Lime Walk" else 1
            )
            found.append(Station(f"{area.name} {number}", area.name, number, shown, area.least_rating, rank))
    return tuple(found)


def _dealt(shows: tuple[tuple[str, int], ...]) -> list[str]:
    """Return the designs of an area in the order of its stations, each spread as evenly as may be."""
    places = [((i + 0.5) / count, name) for name, count in shows for i in range(count)]
    return [name for _, name in sorted(places)]


def nights() -> tuple[tuple[date, float], ...]:
    """Return every night of the season with its temperature [deg C]."""
    first = OPENING_NIGHT
    return tuple((first + timedelta(days=i), t) for i, t in enumerate(NIGHT_TEMPERATURES_C))


def instant(day: date, at: time) -> datetime:
    """Return a local time of the venue as an instant in UTC."""
    return datetime.combine(day, at, tzinfo=ZoneInfo(TIME_ZONE)).astimezone(UTC)


def minutes_from_start(day: date, at: time) -> int:
    """Return whole minutes from the start of the carve window to a local time [min].

    Instants are taken apart in UTC: the night to 25 October has an hour more.
    """
    return round((instant(day, at) - CARVE_FROM.astimezone(UTC)).total_seconds() / 60)


def open_minutes(
    first: date, last: date, from_time: time = SHIFT_FROM, to_time: time = SHIFT_TO
) -> list[tuple[int, int]]:
    """Return one open interval a day, in whole minutes from the start of the carve window [min].

    Parameters
    ----------
    first, last : date
        Days, both included.
    from_time, to_time : time
        Local times at which the day's work begins and ends.
    """
    days = [first + timedelta(days=i) for i in range((last - first).days + 1)]
    return [(minutes_from_start(day, from_time), minutes_from_start(day, to_time)) for day in days]


def carve_window() -> list[tuple[int, int]]:
    """Return the open intervals in which the opening set is carved: three days and a morning [min]."""
    full = open_minutes(CARVE_FROM.date(), CARVE_TO.date() - timedelta(days=1))
    return full + open_minutes(CARVE_TO.date(), CARVE_TO.date(), to_time=CARVE_TO.time())


@dataclass(frozen=True, slots=True)
class Happening:
    """Something that goes wrong or is learned during the season, to be replayed."""

    at: datetime
    subject: str
    what: str
    minutes: int | None = None  # how long it lasts


def _local(day: int, hour: int, minute: int) -> datetime:
    return datetime(2026, 10, day, hour, minute, tzinfo=ZoneInfo(TIME_ZONE))


HAPPENINGS = (
    Happening(
        _local(21, 8, 10),
        "Badger",
        "rewired: its proof mark comes out mirrored; blocked until proved again",
        50,
    ),
    Happening(_local(22, 6, 30), "piece 0147", "hollowed, then held until 13:00: its scan is void", 390),
    Happening(_local(22, 14, 20), "Heron", "drive belt torn; down", 26 * 60),
    Happening(
        _local(23, 10, 40),
        "piece 0163",
        "clamped again: 0.9 mm RMS off its scan, refitted by a turn of 1.8 deg",
    ),
    Happening(_local(23, 11, 5), "3F-02", "dull after 30 m: a Gourd Lace split"),
    Happening(
        _local(23, 16, 5), "all machines", "power cut: two jobs go on after a check of three points", 20
    ),
    Happening(_local(27, 9, 0), "L-207", "4 of 25 bad: the lot is refused, spare cover falls to 1.3 nights"),
    Happening(_local(29, 6, 0), "all areas", "27 lanterns to replace after the warm night"),
    Happening(_local(30, 6, 0), "Lime Walk", "squirrels ate two lanterns"),
)
