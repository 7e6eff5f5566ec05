"""Do some jobs fit into one open time of one machine, whoever is there to serve it? Every order is tried.

What a change takes hangs on the sort of job before and after it alone, and an earlier end is never worse, so
for each set of jobs and each sort done last the earliest end is enough (Held and Karp 1962, J. Soc. Indust.
Appl. Math. 10:196-210; from memory).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

Sort = tuple[str | None, int | None, int | None]
"""Fixture, first and last cutter [-]: what the change before and after a job depends on."""
Change = Callable[[Sort, Sort], int]


@dataclass(frozen=True, slots=True)
class Duty:
    """A job in an open time: minutes with the changes inside it, from when and until when."""

    sort: Sort
    whole_min: int
    inner_min: int
    low: int
    high: int


def fits_alone(duties: Sequence[Duty], fitted: Sort, first: int, change: Change) -> bool:
    """Return whether some order of the jobs ends each in its time.

    Parameters
    ----------
    duties : sequence of Duty
        The jobs [-].
    fitted : tuple
        What stands on the machine when the open time begins [-].
    first : int
        When the open time begins [min].
    change : Callable
        Minutes of change between two sorts [min].
    """
    ends: dict[tuple[int, Sort], int] = {(0, fitted): first}
    for _ in duties:
        longer: dict[tuple[int, Sort], int] = {}
        for (done, sort), end in ends.items():
            tried: set[Duty] = set()
            for n, duty in enumerate(duties):
                if done >> n & 1 or duty in tried:
                    continue
                tried.add(duty)  # of jobs that are alike the first one left is enough
                start = max(end + change(sort, duty.sort) + duty.inner_min, duty.low)
                key = done | 1 << n, duty.sort
                if start + duty.whole_min <= min(duty.high, longer.get(key, duty.high)):
                    longer[key] = start + duty.whole_min
        ends = longer
    return bool(ends)


def clashing(duties: Sequence[Duty], fitted: Sort, first: int, change: Change) -> list[int]:
    """Return by place a least set of jobs that do not fit together; none where all fit.

    Parameters
    ----------
    duties : sequence of Duty
        The jobs [-].
    fitted : tuple
        What stands on the machine when the open time begins [-].
    first : int
        When the open time begins [min].
    change : Callable
        Minutes of change between two sorts [min].
    """
    if fits_alone(duties, fitted, first, change):
        return []
    kept = list(range(len(duties)))
    for n in range(len(duties)):
        fewer = [k for k in kept if k != n]
        if not fits_alone([duties[k] for k in fewer], fitted, first, change):
            kept = fewer
    return kept
