"""How likely is it that every lantern is ready in time? The plan's days, lived through many times by chance.

Rows keep their resource and their order; what takes longer pushes what follows, over a shift's end into the
next open time. A loop over the rows, a vector over the replications. People are taken to be where the plan
has them.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from planner.optimizer.problem import Job, Option, Plan, PlanProblem, Row, Span

Minutes = NDArray[np.float32]
FAR = 10**8


@dataclass(frozen=True, slots=True)
class Spread:
    """What chance does to a run; common practice, replaced by what each machine really did."""

    own: float = 0.12
    """Spread of a run's time about its estimate, as the deviation of its logarithm."""
    common: float = 0.04
    """The same for all runs of one machine together: a day on which everything takes longer."""
    scrap: float = 0.04
    """Chance that a piece is lost and carved again at once."""
    breakdown: float = 0.03
    """Chance that a run is interrupted."""
    repair_min: float = 45.0
    ratio: Mapping[str, float] = field(default_factory=dict)
    """By machine: real over estimated run time, as learned."""


@dataclass(frozen=True, slots=True, eq=False)
class Ready:
    """Chances over the replications; `each` is by job, of those that the plan does [-]."""

    chance: float
    expected: float
    jobs: int
    each: Mapping[str, float]
    replications: int

    @property
    def error(self) -> float:
        """Standard error of the chance [-]."""
        return float(np.sqrt(max(self.chance * (1 - self.chance), 1e-12) / self.replications))


def chance_ready(
    problem: PlanProblem,
    plan: Plan,
    spread: Spread,
    rng: np.random.Generator,
    replications: int = 2000,
    *,
    early: bool = True,
) -> Ready:
    """Return the chance that all jobs of a plan end by their due times, or deadlines where there are none.

    Parameters
    ----------
    problem : PlanProblem
        Open times, due times and the times of changes [-].
    plan : Plan
        Its rows; jobs it leaves undone do not count [-].
    spread : Spread
        What chance does [-].
    rng : numpy.random.Generator
        Source of chance [-].
    replications : int
        How often the days are lived through [-].
    early : bool
        Whether a run may start before its time, in its own open time, when its machine is free [-].
    """
    jobs = {job.name: job for job in problem.jobs}
    options = {
        (job.name, s, option.resource): option
        for job in problem.jobs
        for s, step in enumerate(job.steps)
        for option in step.options
    }
    floor = _Floor(problem, spread, rng, replications, early)
    ends: dict[tuple[str, int], Minutes] = {}
    rows = sorted(plan.rows, key=lambda row: (row.start_min, row.end_min))
    change = _changes(problem, rows, options)
    for row in rows:
        job = jobs[row.job]
        before = ends.get((row.job, row.step - 1))
        ends[row.job, row.step] = floor.run(
            row, job, options[row.job, row.step, row.resource], before, change[row.job, row.step]
        )
    return _judge(problem, plan, ends, replications)


def _judge(
    problem: PlanProblem, plan: Plan, ends: dict[tuple[str, int], Minutes], replications: int
) -> Ready:
    all_ready = np.ones(replications, dtype=bool)
    each: dict[str, float] = {}
    for job in problem.jobs:
        end = ends.get((job.name, len(job.steps) - 1))
        limits = [minute for minute in (job.due_min, job.deadline_min) if minute is not None]
        if end is None or job.name in plan.undone:
            continue
        in_time = end <= min(limits) if limits else np.ones(replications, dtype=bool)
        all_ready &= in_time
        each[job.name] = float(in_time.mean())
    return Ready(float(all_ready.mean()), sum(each.values()), len(each), each, replications)


class _Floor:
    """The resources while the days go on: when each unit is free again."""

    def __init__(
        self, problem: PlanProblem, spread: Spread, rng: np.random.Generator, count: int, early: bool
    ) -> None:
        self.spread, self.rng, self.count, self.early = spread, rng, count, early
        self.open: dict[str, tuple[Span, ...]] = {
            r.name: ((-FAR, FAR),) if r.open is None else r.open for r in problem.resources
        }
        self.free = {r.name: np.full((r.capacity, count), -FAR, dtype=np.float32) for r in problem.resources}
        self.is_machine = {r.name: r.kind == "machine" for r in problem.resources}
        self.common = {
            r.name: rng.standard_normal(count, dtype=np.float32) * np.float32(spread.common)
            for r in problem.resources
        }

    def run(self, row: Row, job: Job, option: Option, before: Minutes | None, change_min: int) -> Minutes:
        """Return when a row ends in each replication."""
        units = self.free[row.resource]
        taken = units.argmin(axis=0) if len(units) > 1 else None
        free = units[0] if taken is None else units.min(axis=0)
        windows = self.open[row.resource]
        planned = next((w for w, (a, b) in enumerate(windows) if a <= row.start_min < b), 0)
        lowest = max(windows[planned][0], job.release_min) if self.early else row.start_min
        start: Minutes = np.maximum(free + np.float32(change_min), np.float32(lowest))
        if before is not None:
            start = np.maximum(start, before)
        lasts = self._lasting(row.resource, option)
        end = start + lasts
        for w in range(planned, len(windows)):
            late = end > windows[w][1]
            if not late.any():
                break
            if w + 1 < len(windows):
                later = np.maximum(start, np.float32(windows[w + 1][0] + change_min)) + lasts
            else:
                later = np.full_like(end, FAR)
            end = np.where(late, later, end)
        if taken is None:
            units[0] = end
        else:
            units[taken, np.arange(self.count)] = end
        return end

    def _lasting(self, resource: str, option: Option) -> Minutes:
        if not self.is_machine[resource]:
            return np.full(self.count, option.whole_min, dtype=np.float32)
        spread = self.spread
        factor = self.rng.standard_normal(self.count, dtype=np.float32)
        factor *= np.float32(spread.own)
        factor += self.common[resource]
        np.exp(factor, out=factor)
        factor *= np.float32(option.run_min * spread.ratio.get(resource, 1.0))
        factor += np.float32(option.load_min + option.unload_min)
        # one draw for both: a run that is scrapped and one that is interrupted are different runs
        drawn = self.rng.random(self.count, dtype=np.float32)
        scrapped = drawn < spread.scrap
        factor[scrapped] *= 2
        factor[drawn > 1 - spread.breakdown] += np.float32(spread.repair_min)
        return factor


def _changes(
    problem: PlanProblem, rows: list[Row], options: Mapping[tuple[str, int, str], Option]
) -> dict[tuple[str, int], int]:
    """Return the change before each row [min], in the order of the plan."""
    minutes = {cutter.type: cutter.change_min for cutter in problem.cutters}
    fixture = {resource.name: resource.fixture for resource in problem.resources}
    fitted: dict[str, str | None] = {resource.name: resource.cutter for resource in problem.resources}
    seen: dict[str, bool] = defaultdict(bool)
    change: dict[tuple[str, int], int] = {}
    for row in rows:
        option = options[row.job, row.step, row.resource]
        total = 0
        if option.fixture is not None and option.fixture != fixture[row.resource]:
            fixture[row.resource] = option.fixture
            total += problem.fixture_change_min
        for (kind, _), name in zip(option.wear, row.cutters, strict=False):
            held = fitted[row.resource]
            # at the start only the type of what is fitted is known by the resource
            same = held == name or (not seen[row.resource] and held == kind)
            seen[row.resource] = True
            fitted[row.resource] = name
            total += 0 if same else minutes.get(kind, 0)
        change[row.job, row.step] = total
    return change
