"""What is left of each cutter, when is which to be changed, and is one to be ordered?"""

from __future__ import annotations

import math
from collections.abc import Sequence
from contextlib import closing
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from planner.database import tables
from planner.database.queries.parts import published_id
from planner.database.states import CutterState
from planner.services.ledger_life import LifeModel, life_models, speed_of

SPREAD = 0.3
"""Spread of the logarithm of a life where nothing was fitted; common practice."""
LEAD_DAYS = 3.0
"""From ordering a cutter until it is there; common practice, a venue's own replaces it."""
SURE = 0.95
"""So sure the stock must last until the order is there."""
_LONGEST_STEP = timedelta(days=2)  # one step lies inside one open time


@dataclass(frozen=True, slots=True)
class Left:
    """What is left of a cutter in use: share of a life [-], minutes with nine in ten of the spread [min]."""

    cutter: str
    type_name: str
    machine: str
    share: float
    minutes: float
    low_min: float
    high_min: float


@dataclass(frozen=True, slots=True)
class ChangeDue:
    """When a fitted cutter will be worn by what is planned, and on which machine."""

    at: datetime
    machine: str
    cutter: str
    type_name: str
    job_id: int
    chance: float
    """Of being worn before that job is over."""


def life_left(db: Session, models: Sequence[LifeModel] | None = None) -> tuple[Left, ...]:
    """Return what is left of all cutters in stock, the least first.

    The minutes of a whole life are those of Taylor's law in the cutter's own entry; used parts are shares, so
    the spread of what is left is that of a life that has lasted so long already: its bounds are those of the
    part of the law beyond what is used.

    Parameters
    ----------
    db : Session
        An open session; it is only read [-].
    models : sequence of LifeModel, optional
        Where they are known already [-].
    """
    cutter = tables.Cutter
    known = life_models(db) if models is None else models
    spreads = {model.type_name: model.fit.spread for model in known if model.fit is not None}
    rows = db.execute(
        select(cutter, tables.Machine.name)
        .outerjoin(tables.Machine, tables.Machine.id == cutter.machine_id)
        .where(cutter.state.in_((CutterState.FITTED, CutterState.STORED)))
    )
    out = []
    for row, machine in rows:
        whole = _whole_life_min(row)
        used = 1.0 - row.life_left
        low, middle, high = _beyond(used, spreads.get(row.type_name, SPREAD))
        out.append(
            Left(
                row.name,
                row.type_name,
                machine or "",
                row.life_left,
                middle * whole,
                low * whole,
                high * whole,
            )
        )
    return tuple(sorted(out, key=lambda left: (left.share, left.cutter)))


def _beyond(used: float, spread: float) -> tuple[float, float, float]:
    """Return the 5 %, 50 % and 95 % points of what is left, in lives, given that so much has been lasted."""
    from scipy.special import log_ndtr, ndtri_exp

    if used <= 0:
        return tuple(math.exp(spread * z) for z in (-1.6448536, 0.0, 1.6448536))  # type: ignore[return-value]
    reached = float(log_ndtr(-math.log(used) / spread))  # ln of the chance of having lasted so long
    points = [-float(ndtri_exp(reached + math.log(1 - q))) for q in (0.05, 0.5, 0.95)]
    low, middle, high = (max(0.0, math.exp(spread * z) - used) for z in points)
    return low, middle, high


def _whole_life_min(cutter: tables.Cutter) -> float:
    """Return Taylor's life by the cutter's own entry [min]; half an hour where it says nothing."""
    law = cutter.description.get("life") or {}
    exponent, constant = law.get("exponent"), law.get("constant_m_per_min")
    if not exponent or not constant:
        return 30.0
    return float((float(constant) / speed_of(cutter)) ** (1.0 / float(exponent)))


def changes_due(db: Session, season_id: int, *, now: datetime) -> tuple[ChangeDue, ...]:
    """Return which fitted cutter will be worn in which planned job, by time.

    Parameters
    ----------
    db : Session
        An open session; it is only read [-].
    season_id : int
        Of the plan in force [-].
    now : datetime
        What is planned later counts [-].
    """
    used = _fitted(db)
    out = []
    with closing(db.execute(_planned_wear(db, season_id, now))) as planned:
        for start, machine_id, job_id, wear in planned:
            for kind, share in (wear or {}).items():
                held = used.get((machine_id, kind))
                if held is None:
                    continue
                cutter, machine, before = held
                then = before + share
                if then <= 1.0:
                    used[machine_id, kind] = (cutter, machine, then)
                    continue
                out.append(ChangeDue(start, machine, cutter, kind, job_id, _worn_by(before, then)))
                del used[machine_id, kind]
            if not used:  # the rest of the plan is not read
                break
    return tuple(out)


def _fitted(db: Session) -> dict[tuple[int, str], tuple[str, str, float]]:
    """Return by machine and type which cutter is fitted, where, and how much of its life is used.

    Of equal ones on one machine it is that with the most life.
    """
    cutter = tables.Cutter
    rows = db.execute(
        select(cutter.machine_id, cutter.type_name, cutter.name, tables.Machine.name, 1.0 - cutter.life_left)
        .join(tables.Machine, tables.Machine.id == cutter.machine_id)
        .where(cutter.state == CutterState.FITTED)
        .order_by(cutter.life_left)
    )
    return {(at or 0, kind): (name, machine, used) for at, kind, name, machine, used in rows}


def _planned_wear(db: Session, season_id: int, now: datetime) -> Any:
    """Return the statement of what planned jobs take, by time; rows are read as far as they are asked for."""
    row, time = tables.PlanRow, tables.RunTime
    return (
        select(row.start_at, row.machine_id, row.job_id, time.wear)
        .join(time, (time.job_id == row.job_id) & (time.machine_id == row.machine_id))
        .where(
            row.plan_id == (published_id(db, season_id) or 0),
            row.start_at > now - _LONGEST_STEP,
            row.end_at > now,
        )
        .order_by(row.start_at)
        .execution_options(yield_per=200)
    )


def _worn_by(used: float, then: float) -> float:
    """Return the chance that a life that has lasted `used` ends before `then` [-]."""
    from scipy.special import ndtr

    def lasts(share: float) -> float:
        return 1.0 if share <= 0 else float(ndtr(-math.log(share) / SPREAD))

    return 1.0 - lasts(then) / max(lasts(used), 1e-300)


@dataclass(frozen=True, slots=True)
class Reorder:
    """Whether a type is to be ordered now: what is left in lives, what is used in a day, and the point."""

    type_name: str
    lives_left: float
    used_a_day: float
    point: float
    """At so many lives left the order must go out, to be sure that the stock lasts until it comes."""

    @property
    def due(self) -> bool:
        """Whether to order now [-]."""
        return self.used_a_day > 0 and self.lives_left <= self.point


def reorder_points(
    db: Session, *, now: datetime, days: float = 7.0, lead_days: float = LEAD_DAYS
) -> tuple[Reorder, ...]:
    """Return for each type whether the stock lasts until an order would be there.

    Use in the lead time is a mean with the variance of so many lives, each of its own spread; the point is
    the mean and a margin of the normal law for the wanted sureness.

    Parameters
    ----------
    db : Session
        An open session; it is only read [-].
    now : datetime
        The instant [-].
    days : float
        Use is taken from so many days before [d].
    lead_days : float
        From ordering until a cutter is there [d].
    """
    from scipy.special import ndtri

    use, cutter, run = tables.CutterUse, tables.Cutter, tables.Run
    used = {
        kind: float(wear)
        for kind, wear in db.execute(
            select(cutter.type_name, func.sum(use.wear))
            .join(cutter, cutter.id == use.cutter_id)
            .join(run, run.id == use.run_id)
            .where(run.ended_at > now - timedelta(days=days), run.ended_at <= now)
            .group_by(cutter.type_name)
        )
    }
    left = db.execute(
        select(cutter.type_name, func.sum(cutter.life_left))
        .where(cutter.state.in_((CutterState.FITTED, CutterState.STORED)))
        .group_by(cutter.type_name)
    )
    stock = {kind: float(share) for kind, share in left}
    out = []
    for kind in sorted({*stock, *used}):
        a_day = used.get(kind, 0.0) / days
        need = a_day * lead_days
        point = need + float(ndtri(SURE)) * math.sqrt(need) * SPREAD
        out.append(Reorder(kind, stock.get(kind, 0.0), a_day, point))
    return tuple(out)
