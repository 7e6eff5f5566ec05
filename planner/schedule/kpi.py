"""How well did machines do? The key figures of ISO 22400-2, and where the hours of the shifts went.

Names of times and counts are those of the standard (OPC 40001-1, annex C.2, lists them):

    PBT   planned busy time: the manned shifts
    APT   actual production time: runs without their pauses
    AUST  actual set-up time: pauses in which a cutter was changed
    ADET  actual delay: all other pauses
    AOET  actual order execution time, APT + AUST + ADET; one order after the other, so AUBT is the same
    PRI   planned run time of a piece; here the sum over the pieces made, because pieces differ

A figure whose denominator is nought is None, which a page shows as "n/a", never as 100 %.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, fields

Span = tuple[int, int]
"""From and until, in whole microseconds of a common clock: sums come out exactly."""


@dataclass(frozen=True, slots=True)
class Tally:
    """Times [min] and counts [-] from which all figures follow; two tallies add up."""

    planned_busy_min: float = 0.0
    production_min: float = 0.0
    set_up_min: float = 0.0
    delay_min: float = 0.0
    down_min: float = 0.0
    """Of the shifts, so long was a machine reported down."""
    planned_run_min: float = 0.0
    """Sum of the planned run times of the pieces made."""
    made: int = 0
    good: int = 0
    scrapped: int = 0
    inspected: int = 0
    good_at_first: int = 0
    failures: int = 0

    def __add__(self, other: Tally) -> Tally:
        return Tally(*(getattr(self, f.name) + getattr(other, f.name) for f in fields(Tally)))

    @property
    def executing_min(self) -> float:
        """Actual order execution time [min]."""
        return self.production_min + self.set_up_min + self.delay_min


def share(part: float, whole: float) -> float | None:
    """Return a part of a whole [-], None where there is no whole.

    Parameters
    ----------
    part, whole : float
        In the same unit [-].
    """
    return part / whole if whole > 0 else None


def availability(tally: Tally) -> float | None:
    """Return APT / PBT [-]; above 1 where more was run outside the shifts than was lost within.

    Parameters
    ----------
    tally : Tally
        Times and counts [-].
    """
    return share(tally.production_min, tally.planned_busy_min)


def effectiveness(tally: Tally) -> float | None:
    """Return PRI PQ / APT [-]; PRI PQ is the sum over the pieces made.

    Parameters
    ----------
    tally : Tally
        Times and counts [-].
    """
    return share(tally.planned_run_min, tally.production_min)


def quality_ratio(tally: Tally) -> float | None:
    """Return GQ / PQ [-].

    Parameters
    ----------
    tally : Tally
        Times and counts [-].
    """
    return share(tally.good, tally.made)


def oee_index(tally: Tally) -> float | None:
    """Return availability x effectiveness x quality ratio [-].

    Parameters
    ----------
    tally : Tally
        Times and counts [-].
    """
    parts = availability(tally), effectiveness(tally), quality_ratio(tally)
    if parts[0] is None or parts[1] is None or parts[2] is None:
        return None
    return parts[0] * parts[1] * parts[2]


def mean_time_between_failures_min(tally: Tally) -> float | None:
    """Return the sum of times between failures over FE + 1 [min], None without a shift.

    Parameters
    ----------
    tally : Tally
        Times and counts [-].
    """
    up_min = tally.planned_busy_min - tally.down_min
    return up_min / (tally.failures + 1) if tally.planned_busy_min > 0 else None


def mean_time_to_restoration_min(tally: Tally) -> float | None:
    """Return the sum of times to restoration over FE + 1 [min], None where nothing failed.

    Parameters
    ----------
    tally : Tally
        Times and counts; only what fell into shifts counts as down [-].
    """
    return tally.down_min / (tally.failures + 1) if tally.failures else None


@dataclass(frozen=True, slots=True)
class Figure:
    """One figure: its name, its formula and unit as words, its value, None where there is none."""

    name: str
    formula: str
    unit: str  # "" = a share
    value: float | None


def figures(tally: Tally) -> tuple[Figure, ...]:
    """Return all figures of a tally with their formulas.

    Parameters
    ----------
    tally : Tally
        Times and counts [-].
    """
    hours = tally.executing_min / 60
    return (
        Figure("availability", "APT / PBT", "", availability(tally)),
        Figure("effectiveness", "PRI × PQ / APT", "", effectiveness(tally)),
        Figure("quality ratio", "GQ / PQ", "", quality_ratio(tally)),
        Figure("OEE index", "availability × effectiveness × quality ratio", "", oee_index(tally)),
        Figure("utilisation efficiency", "APT / AUBT", "", share(tally.production_min, tally.executing_min)),
        Figure(
            "set-up ratio",
            "AUST / AUPT",
            "",
            share(tally.set_up_min, tally.production_min + tally.set_up_min),
        ),
        Figure("throughput rate", "PQ / AOET", "1/h", share(tally.made, hours)),
        Figure("scrap ratio", "SQ / PQ", "", share(tally.scrapped, tally.made)),
        Figure("first pass yield", "GP / IP", "", share(tally.good_at_first, tally.inspected)),
        Figure("MTBF", "ΣTBF / (FE + 1)", "min", mean_time_between_failures_min(tally)),
        Figure("MTTR", "ΣTTR / (FE + 1)", "min", mean_time_to_restoration_min(tally)),
    )


# --- spans of time -------------------------------------------------------------------------------------


def length(spans: Iterable[Span]) -> int:
    """Return how long spans are together [us].

    Parameters
    ----------
    spans : iterable of Span
        Apart from each other [us].
    """
    return sum(end - start for start, end in spans)


def merged(spans: Iterable[Span]) -> list[Span]:
    """Return the same time as spans that stand apart, in order; empty ones are left out.

    Parameters
    ----------
    spans : iterable of Span
        In any order, they may overlap [us].
    """
    out: list[Span] = []
    for start, end in sorted(s for s in spans if s[1] > s[0]):
        if out and start <= out[-1][1]:
            out[-1] = (out[-1][0], max(out[-1][1], end))
        else:
            out.append((start, end))
    return out


def common(one: Sequence[Span], other: Sequence[Span]) -> list[Span]:
    """Return the time that is in both.

    Parameters
    ----------
    one, other : sequence of Span
        As `merged` returns them [us].
    """
    out: list[Span] = []
    i = j = 0
    while i < len(one) and j < len(other):
        start, end = max(one[i][0], other[j][0]), min(one[i][1], other[j][1])
        if end > start:
            out.append((start, end))
        if one[i][1] <= other[j][1]:
            i += 1
        else:
            j += 1
    return out


def hours_went(shifts: Sequence[Span], claims: Mapping[str, Sequence[Span]], rest: str) -> dict[str, int]:
    """Return where the time of shifts went, by name; the parts add up to the shifts exactly [us].

    Parameters
    ----------
    shifts : sequence of Span
        Manned time [us].
    claims : mapping of str to sequence of Span
        What was reported, the first name first: where two speak of the same time the earlier one has it [us].
    rest : str
        Name of what nobody claims [-].
    """
    manned = merged(shifts)
    taken: list[Span] = []
    out: dict[str, int] = {}
    before = 0
    for name, spans in claims.items():
        taken = merged([*taken, *spans])
        now = length(common(manned, taken))
        out[name] = now - before
        before = now
    out[rest] = length(manned) - before
    return out


# --- a law that holds whatever the machines do ----------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Little:
    """How many are in the shop on the average [-], how many come [1/min], how long each stays [min]."""

    number: float
    rate_per_min: float
    stay_min: float


def little(stays: Sequence[tuple[float, float]]) -> Little:
    """Return Little's three figures of a stretch in which all came and went: number = rate x stay.

    Little 1961, Operations Research 9:383-387 (from memory).

    Parameters
    ----------
    stays : sequence of (float, float)
        When each was asked for and when it was done [min].
    """
    if not stays:
        return Little(0.0, 0.0, 0.0)
    span = max(done for _, done in stays) - min(asked for asked, _ in stays)
    total = sum(done - asked for asked, done in stays)
    return Little(total / span, len(stays) / span, total / len(stays))
