"""What is the answer to the question that brought somebody here? Counts and names for the first sentence."""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from planner.database.lines import JobPage, PreparationLine, SeasonOverview
from planner.database.queries import FloorRow, NightFacts, PlanFacts

SURVEY = "survey"  # stands for the inputs of a preparation that only timed the job on all machines


@dataclass(frozen=True, slots=True)
class SeasonAnswer:
    """How the night that comes next stands in the plan."""

    night: date
    dusk_at: datetime | None
    wanted: int
    lit: int  # cut, or planned to be in time
    late: tuple[FloorRow, ...]
    missing: tuple[tuple[str, tuple[str, ...]], ...]  # why, and which
    unplanned: int
    next_row: FloorRow | None


@dataclass(frozen=True, slots=True)
class JobAnswer:
    """Whether a job may be cut, and where."""

    refused_by: int
    warned_by: int
    written: tuple[str, ...]  # machines for which a program stands on disk
    could: tuple[str, ...]  # machines that may take it; no program is written for them
    barred: tuple[tuple[str, tuple[str, ...]], ...]  # why not, and which machines
    prepared: bool

    @property
    def no_machine(self) -> bool:
        """Whether every machine was tried and none takes it."""
        return bool(self.barred) and not self.written and not self.could


def coming_night(overview: SeasonOverview, now: datetime) -> date:
    """Return the next night for which lanterns are wanted; the first one when all are over.

    Parameters
    ----------
    overview : SeasonOverview
        The season with its nights [-].
    now : datetime
        The present instant [-].
    """
    wanted = [line for line in overview.nights if line.jobs]
    first = wanted[0].night if wanted else overview.opening_night
    return next((line.night for line in wanted if line.dusk_at >= now), first)


def season_answer(
    overview: SeasonOverview,
    night: date,
    facts: NightFacts,
    plan: PlanFacts | None,
    late: tuple[FloorRow, ...],
    next_row: FloorRow | None,
) -> SeasonAnswer:
    """Return how many lanterns of the coming night will be lit by the plan, which will not, and why.

    Parameters
    ----------
    overview : SeasonOverview
        The season with its nights [-].
    night : date
        From `coming_night` [-].
    facts : NightFacts
        How its lanterns stand [-].
    plan : PlanFacts or None
        With what it leaves undone [-].
    late : tuple of FloorRow
        Steps of that night that end after they are due [-].
    next_row : FloorRow or None
        The first step that starts after now [-].
    """
    missing = reasons_of(plan.undone) if plan else ()
    left_out = sum(len(names) for _, names in missing)
    lit = facts.ready + facts.in_time
    return SeasonAnswer(
        night=night,
        dusk_at=next((line.dusk_at for line in overview.nights if line.night == night), None),
        wanted=facts.wanted,
        lit=lit,
        late=late,
        missing=missing,
        unplanned=max(0, facts.wanted - lit - facts.late - left_out),
        next_row=next_row,
    )


def reasons_of(undone: Iterable[dict[str, Any]]) -> tuple[tuple[str, tuple[str, ...]], ...]:
    """Return what a plan leaves undone, by reason: the reason and the names.

    Parameters
    ----------
    undone : iterable of dict
        Entries with `job` and `why` [-].
    """
    names: defaultdict[str, list[str]] = defaultdict(list)
    for entry in undone:
        name = str(entry.get("label") or entry.get("job") or "?")
        # a plan knows a job as "Gate 3 #12"; people read "Gate 3 (job 12)"
        names[str(entry.get("why") or "no reason recorded")].append(re.sub(r" #(\d+)$", r" (job \1)", name))
    return tuple((why, tuple(found)) for why, found in names.items())


def briefly(why: str) -> str:
    """Return the first reason of several, for a place where the whole would bury the answer."""
    first = why.split(";")[0].strip()
    return first if len(first) <= 110 else first[:107].rstrip() + "…"


def job_answer(page: JobPage, shown: PreparationLine | None) -> JobAnswer:
    """Return whether a job may be cut as prepared.

    Parameters
    ----------
    page : JobPage
        The job [-].
    shown : PreparationLine or None
        The preparation the page shows [-].
    """
    severities = [str(finding.get("severity")) for finding in shown.findings] if shown else []
    # the survey times a job on all machines and writes no program
    written = {
        line.machine
        for line in page.preparations
        if line.current and line.state == "done" and line.inputs_digest != SURVEY and line.folder
    }
    barred: defaultdict[str, list[str]] = defaultdict(list)
    for line in page.run_times:
        if not line.eligible:
            barred[line.reason].append(line.machine)
    return JobAnswer(
        refused_by=severities.count("refuse"),
        warned_by=severities.count("warn"),
        written=tuple(sorted(written)),
        could=tuple(line.machine for line in page.run_times if line.eligible and line.machine not in written),
        barred=tuple((reason, tuple(names)) for reason, names in barred.items()),
        prepared=shown is not None,
    )


def shown_preparation(page: JobPage, preparation_id: int | None = None) -> PreparationLine | None:
    """Return which preparation a job's page shows: the one asked for, the planned machine's, the newest.

    Parameters
    ----------
    page : JobPage
        The job [-].
    preparation_id : int, optional
        The one asked for [-].
    """
    if preparation_id is not None:
        return next((line for line in page.preparations if line.preparation_id == preparation_id), None)
    planned = {line.machine_id for line in page.planned}
    taken = any(line.eligible for line in page.run_times)
    return min(
        # why no machine takes it counts only while none does
        (line for line in page.preparations if line.inputs_digest != SURVEY or not taken),
        key=lambda line: (
            line.inputs_digest == SURVEY,
            line.machine_id not in planned,
            not line.current,
            not line.folder,
        ),
        default=None,
    )
