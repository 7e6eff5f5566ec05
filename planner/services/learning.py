"""How often are pieces lost and do runs fail, and how sure is that?"""

from __future__ import annotations

from dataclasses import dataclass

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from planner.database import tables
from planner.database.states import RunMarkKind, RunOutcome


@dataclass(frozen=True, slots=True)
class Rate:
    """How often something happened: of so many, with the 90 % bounds of its chance."""

    name: str
    count: int
    of: int
    low: float
    high: float

    @property
    def share(self) -> float | None:
        """The share itself [-]; None of nothing."""
        return self.count / self.of if self.of else None


def rate(name: str, count: int, of: int) -> Rate:
    """Return a rate with exact bounds (Clopper and Pearson 1934, Biometrika 26:404-413, from memory).

    Parameters
    ----------
    name : str
        Of what [-].
    count, of : int
        How often, of how many [-].
    """
    from scipy.special import betaincinv

    low = float(betaincinv(count, of - count + 1, 0.05)) if count else 0.0
    high = float(betaincinv(count + 1, of - count, 0.95)) if count < of else 1.0
    return Rate(name, count, of, low, high)


def rates(db: Session, season_id: int) -> tuple[Rate, ...]:
    """Return scrap and fault rates of each machine: of pieces made, and of runs with a fault.

    Parameters
    ----------
    db : Session
        An open session; it is only read [-].
    season_id : int
        The season [-].
    """
    run, job, mark = tables.Run, tables.Job, tables.RunMark
    made = (RunOutcome.FINISHED, RunOutcome.SCRAPPED)
    ended = db.execute(
        select(tables.Machine.name, run.outcome, func.count(run.id))
        .join(tables.Machine, tables.Machine.id == run.machine_id)
        .join(job, job.id == run.job_id)
        .where(job.season_id == season_id, run.ended_at.is_not(None))
        .group_by(tables.Machine.name, run.outcome)
    ).all()
    faulty = {
        name: count
        for name, count in db.execute(
            select(tables.Machine.name, func.count(run.id.distinct()))
            .join(mark, mark.run_id == run.id)
            .join(tables.Machine, tables.Machine.id == run.machine_id)
            .join(job, job.id == run.job_id)
            .where(job.season_id == season_id, mark.kind == RunMarkKind.FAULT, run.ended_at.is_not(None))
            .group_by(tables.Machine.name)
        )
    }
    out = []
    for name in sorted({row[0] for row in ended}):
        by_outcome = {outcome: count for machine, outcome, count in ended if machine == name}
        pieces = sum(by_outcome.get(word, 0) for word in made)
        out.append(rate(f"scrapped on {name}", by_outcome.get(RunOutcome.SCRAPPED, 0), pieces))
        out.append(rate(f"runs with a fault on {name}", faulty.get(name, 0), sum(by_outcome.values())))
    return tuple(out)
