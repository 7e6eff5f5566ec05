"""What is a plan problem, and what is a plan? Both as records.

Everything is counted in whole minutes from `start`. Where the public format leaves a choice, it is made here:

- Cutters are named after their type and their place in `life_left`: `6F-1`, `6F-2`. A resource that has a
  `cutter` fitted at the start holds the first one of that type that no resource listed before it holds.
- A cutter serves one machine for the whole plan. A type without `life_left` is never used up.
- `new cutters` are those with a life that the plan takes out of the store, so were not fitted at the start.
- A resource whose steps need fixtures or cutters has capacity 1; an option names a resource only once.
- A job may name others in `after`: it starts when they have ended, and is undone where one of them is.
- `people` that are absent or empty do not limit. People of the skill `any` can do all work, others only that
  of their skills; an option without a skill may be done by anybody.
- A job holds a carrier, counted like any resource but without open times, from the start of one step to the
  end of another, over closed hours too.
- A job waits for a machine with `most_waiting` from the end of its step `waits_from` (the step before, where
  none is given) until it starts there. No more than so many wait at once.
- `within_min` limits the time from the end of one step to the start of a later one, whatever lies between.
- Nothing new starts inside the frozen time; published rows that start inside it stay as they are,
  if their resource is still open for them and all earlier steps of the job stay too.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime

TIER_NAMES = ("undone", "late", "stored_nights", "changeovers", "completion", "moved", "finish")
USUAL_TIERS = ("undone", "late", "stored_nights", "changeovers", "finish")
LIFE_UNITS = 1_000_000
"""Life and wear are whole millionths inside, so that sums are exact."""
PERSON = 100
"""People are whole hundredths inside, so that 0.33 of a person adds up exactly."""
NIGHT_MIN = 1440
MOVED_MIN = 30

Span = tuple[int, int]


class ProblemError(ValueError):
    """A plan problem that makes no sense: where it stands, the value, what was expected."""


@dataclass(frozen=True, slots=True)
class Resource:
    """A machine or a bench with its calendar [min] and what is fitted to it at the start."""

    name: str
    kind: str = "machine"
    capacity: int = 1
    open: tuple[Span, ...] | None = None
    attended: int = 0
    """Hundredths of a person during a run."""
    fixture: str | None = None
    cutter: str | None = None
    most_waiting: int | None = None
    """So many pieces may wait for it at most."""


@dataclass(frozen=True, slots=True)
class People:
    """So many people present in the same hours [min], who can do the same work."""

    skills: tuple[str, ...] = ("any",)
    open: tuple[Span, ...] | None = None
    count: int = 1


@dataclass(frozen=True, slots=True)
class CutterType:
    """One type of cutter: life left of each one in millionths, minutes to change to it."""

    type: str
    life_left: tuple[int, ...] | None = None
    change_min: int = 0


@dataclass(frozen=True, slots=True)
class Option:
    """One resource that a step may use, with times [min] and wear in millionths of a cutter's life."""

    resource: str
    run_min: int
    load_min: int = 0
    unload_min: int = 0
    fixture: str | None = None
    wear: tuple[tuple[str, int], ...] = ()
    people: int | None = None
    skill: str | None = None
    """What those who load, attend and unload must be able to do; None = anybody."""

    @property
    def whole_min(self) -> int:
        """Minutes from load to unload."""
        return self.load_min + self.run_min + self.unload_min


@dataclass(frozen=True, slots=True)
class Step:
    """One piece of work; exactly one of the options is chosen."""

    options: tuple[Option, ...]
    name: str = ""


@dataclass(frozen=True, slots=True)
class Hold:
    """A carrier that a job holds from the start of one step to the end of another."""

    resource: str
    from_step: int
    to_step: int


@dataclass(frozen=True, slots=True)
class Within:
    """The longest time [min] from the end of one step to the start of a later one."""

    from_step: int
    to_step: int
    most_min: int


@dataclass(frozen=True, slots=True)
class Job:
    """One lantern's steps in their order, with its times [min] and weights [-]."""

    name: str
    steps: tuple[Step, ...]
    priority: int = 1
    release_min: int = 0
    due_min: int | None = None
    deadline_min: int | None = None
    use_min: int | None = None
    perish: int = 1
    max_wait_min: tuple[int | None, ...] = ()
    after: tuple[str, ...] = ()
    """Jobs that must have ended before this one starts."""
    holds: tuple[Hold, ...] = ()
    within_min: tuple[Within, ...] = ()
    waits_from: int | None = None
    """The step with whose end it begins to wait for a machine."""

    def wait_after(self, step: int) -> int | None:
        """Return the longest wait after a step [min], None where it does not matter."""
        return self.max_wait_min[step] if step < len(self.max_wait_min) else None


@dataclass(frozen=True, slots=True)
class Pin:
    """A step that a person has put on a resource at a minute."""

    job: str
    step: int
    resource: str
    start_min: int


@dataclass(frozen=True, slots=True)
class Row:
    """A step in the plan: start of loading to end of unloading [min], the cutters by name."""

    job: str
    step: int
    resource: str
    start_min: int
    end_min: int
    cutters: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Tier:
    """One line of what the plan costs: its value, what it cannot be less than, and what is proven."""

    value: int
    bound: int
    status: str


@dataclass(frozen=True, slots=True)
class Plan:
    """Who does what, where and when, and how good that is."""

    rows: tuple[Row, ...]
    undone: tuple[str, ...]
    tiers: Mapping[str, Tier] = field(default_factory=dict)
    seed: int = 0
    seconds: float = 0.0
    versions: Mapping[str, str] = field(default_factory=dict)
    why: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class PlanProblem:
    """Everything a plan depends on."""

    jobs: tuple[Job, ...]
    resources: tuple[Resource, ...]
    start: str | None = None
    tiers: tuple[str, ...] = USUAL_TIERS
    people: tuple[People, ...] | None = None
    cutters: tuple[CutterType, ...] = ()
    fixture_change_min: int = 0
    pins: tuple[Pin, ...] = ()
    frozen_until_min: int | None = None
    published: tuple[Row, ...] | None = None


def called(job: Job, step: int) -> str:
    """Return a step as people call it: by its name, else by its number.

    Parameters
    ----------
    job : Job
        The job [-].
    step : int
        The step [-].
    """
    return job.steps[step].name or f"step {step}"


def clock(problem: PlanProblem, minute: int) -> str:
    """Return a minute as people read it: local day and time where the start is known.

    Parameters
    ----------
    problem : PlanProblem
        Gives the start [-].
    minute : int
        Minutes from the start [min].
    """
    if problem.start is None:
        return f"minute {minute}"
    from datetime import timedelta

    return (datetime.fromisoformat(problem.start) + timedelta(minutes=minute)).strftime("%a %d %b %H:%M")
