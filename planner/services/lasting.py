"""How long do lanterns last here? Offered from the walks, taken over by a lead, used by forecasts."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from datetime import datetime

from sqlalchemy import select
from sqlalchemy.orm import Session

from planner.database import tables
from planner.errors import Conflict
from planner.schedule.life import LifeModel
from planner.schedule.refit import Refit
from planner.services import quality
from planner.services.changes import note
from planner.services.common import found

_LOT = "lot "


@dataclass(frozen=True, slots=True)
class Offer:
    """The life model in force, that of the walks, and what the walks say in full, as factors on the usual."""

    before: LifeModel
    after: LifeModel
    refit: Refit


def in_force(db: Session, season_id: int) -> tables.LifeFit | None:
    """Return what a lead took over last and did not take back; None = the usual model is in force.

    Parameters
    ----------
    db : Session
        An open session; it is only read [-].
    season_id : int
        The season [-].
    """
    fit = tables.LifeFit
    return db.scalar(
        select(fit)
        .where(fit.season_id == season_id, fit.voided_at.is_(None))
        .order_by(fit.id.desc())
        .limit(1)
    )


def model_of(db: Session, season_id: int) -> LifeModel:
    """Return the life model that a season's forecasts reckon with.

    Parameters
    ----------
    db : Session
        An open session; it is only read [-].
    season_id : int
        The season [-].
    """
    fit = in_force(db, season_id)
    if fit is None:
        return LifeModel()
    return LifeModel(
        days_at_reference=fit.days_at_reference, halving_c=fit.halving_c, shape=fit.shape, relief=fit.relief
    )


def fitted(refit: Refit) -> LifeModel:
    """Return the usual model with what the walks say of it.

    With the halving degrees h and a factor w on a life for ten degrees more, the life falls as
    2^(-d / h) w^(d / 10) with d degrees more, that is as 2^(-d / h') with 1 / h' = 1 / h - log2(w) / 10.

    Parameters
    ----------
    refit : Refit
        From the walks [-].
    """
    usual = LifeModel()
    factors = {name: value[0] for name, value in refit.groups.items()}
    through, relief = factors.get("treatment through", 1.0), factors.get("treatment relief")
    slower = 1.0 / usual.halving_c - math.log2(refit.warmth[0]) / 10.0
    return replace(
        usual,
        days_at_reference=usual.days_at_reference * refit.overall[0] * through,
        halving_c=1.0 / max(slower, 1e-3),
        shape=refit.shape,
        relief=usual.relief if relief is None else usual.relief * relief / through,
    )


def offer(db: Session, season_id: int) -> Offer | None:
    """Return what the walks would change; None while too few lanterns have ended.

    Parameters
    ----------
    db : Session
        An open session; it is only read [-].
    season_id : int
        The season [-].
    """
    refit = quality.refit_life(db, season_id)
    return None if refit is None else Offer(model_of(db, season_id), fitted(refit), refit)


def accept(db: Session, season_id: int, *, by: str, at: datetime) -> tables.LifeFit:
    """Let forecasts reckon with what the walks say now, until somebody takes another or takes it back.

    Parameters
    ----------
    db : Session
        An open session; it is flushed, not committed [-].
    season_id : int
        The season [-].
    by : str
        Who says so [-].
    at : datetime
        When [-].
    """
    found(db, tables.Season, season_id)
    offered = offer(db, season_id)
    if offered is None:
        raise Conflict("too few lanterns have ended to say how long they last; walk on for some nights")
    after, refit = offered.after, offered.refit
    row = tables.LifeFit(
        season_id=season_id, days_at_reference=after.days_at_reference, halving_c=after.halving_c,
        shape=after.shape, relief=after.relief, lanterns=refit.lanterns, ended=refit.ended,
        lots={n.removeprefix(_LOT): f[0] for n, f in refit.groups.items() if n.startswith(_LOT)},
        recorded_by=by, recorded_at=at,
    )  # fmt: skip
    db.add(row)
    db.flush()
    before = offered.before
    words = (
        f"life on show by the walks of {refit.lanterns} lanterns: {before.days_at_reference:.2f} -> "
        f"{after.days_at_reference:.2f} days at {after.reference_c:g} °C"
    )
    note(db, "life", words, by=by, at=at, about=f"life fit {row.id}")
    return row


def take_back(db: Session, fit_id: int, *, by: str, at: datetime) -> tables.LifeFit:
    """Reckon with what was in force before; the entry stays, void.

    Parameters
    ----------
    db : Session
        An open session; it is flushed, not committed [-].
    fit_id : int
        The entry [-].
    by : str
        Who says so [-].
    at : datetime
        When [-].
    """
    row = found(db, tables.LifeFit, fit_id)
    if row.voided_at is not None:
        raise Conflict(f"this was taken back by {row.voided_by} already")
    row.void("taken back", by, at)
    db.flush()
    note(db, "life", "life on show taken back", by=by, at=at, about=f"life fit {row.id}")
    return row
