"""How long did cutters last, and which law do their lives follow? By type and material, from the ledger.

Change-outs feed Taylor's law; cutters still alive, or broken, count as having lasted at least so long.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import lru_cache
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from planner.database import tables
from planner.database.states import CutterEntryKind
from planner.schedule.taylor import TaylorFit, fit_taylor
from planner.services.ledger import OUT, SHARP


@dataclass(frozen=True, slots=True)
class Life:
    """One life of a cutter, from sharp to its change or to now: minutes at a speed in one material."""

    cutter: str
    type_name: str
    material: str
    minutes: float
    metres: float
    speed_m_per_min: float
    worn: bool
    """True = changed because it was dull; False = still alive, or broken."""


def lives(db: Session) -> tuple[Life, ...]:
    """Return the lives of all cutters; one that cut several materials counts with the one it cut most.

    Parameters
    ----------
    db : Session
        An open session; it is only read [-].
    """
    cutter, entry = tables.Cutter, tables.CutterEntry
    ends: dict[int, list[tuple[datetime, str]]] = defaultdict(list)
    kinds = (*SHARP, *OUT)
    for number, at, kind in db.execute(
        select(entry.cutter_id, entry.happened_at, entry.kind)
        .where(entry.kind.in_(kinds))
        .order_by(entry.happened_at, entry.id)
    ):
        ends[number].append((at, kind))
    uses: dict[int, list[tuple[datetime, str, float, float]]] = defaultdict(list)
    for number, at, kind, minutes, metres in db.execute(_uses()):
        uses[number].append((at, kind, minutes, metres))
    out: list[Life] = []
    for row in db.scalars(select(cutter).where(cutter.id.in_(uses)).order_by(cutter.name)):
        out += _lives_of(row, ends[row.id], uses[row.id])
    return tuple(out)


def _uses() -> Any:
    use, run = tables.CutterUse, tables.Run
    return (
        select(use.cutter_id, run.ended_at, tables.Lot.kind, use.minutes, use.metres)
        .join(run, run.id == use.run_id)
        .join(tables.Workpiece, tables.Workpiece.id == run.workpiece_id)
        .join(tables.Lot, tables.Lot.id == tables.Workpiece.lot_id)
        .where(run.ended_at.is_not(None))
        .order_by(run.ended_at)
    )


def _lives_of(
    cutter: tables.Cutter,
    ends: Sequence[tuple[datetime, str]],
    uses: Sequence[tuple[datetime, str, float, float]],
) -> list[Life]:
    out = []
    at = 0
    closing = [end for end in ends if end[1] not in SHARP or end[1] == CutterEntryKind.SHARPENED]
    for until, kind in (*closing, (None, "")):
        part = []
        while at < len(uses) and (until is None or uses[at][0] <= until):
            part.append(uses[at])
            at += 1
        minutes = sum(use[2] for use in part)
        if minutes > 0:
            by_material: dict[str, float] = defaultdict(float)
            for _, material, spent, _ in part:
                by_material[material] += spent
            material = max(sorted(by_material), key=by_material.__getitem__)
            worn = kind in (CutterEntryKind.DULL, CutterEntryKind.SHARPENED)
            metres = sum(use[3] for use in part)
            out.append(Life(cutter.name, cutter.type_name, material, minutes, metres, speed_of(cutter), worn))
    return out


def speed_of(cutter: tables.Cutter) -> float:
    """Return the surface speed at a cutter's rim [m/min]."""
    said = cutter.description
    return math.pi * float(said.get("diameter_mm", 6.0)) / 1000 * float(said.get("rpm", 12_000))


@dataclass(frozen=True, slots=True)
class LifeModel:
    """What lives of one type and material say: the law where it can be fitted, else why not."""

    type_name: str
    material: str
    points: tuple[Life, ...]
    fit: TaylorFit | None
    why_not: str
    """In words, where there is no fit."""

    def curve(self, points: int = 24) -> tuple[tuple[float, float, float, float], ...]:
        """Return speed [m/min], and the life that 90 %, 50 % and 10 % of cutters reach [min].

        Parameters
        ----------
        points : int
            How many speeds, over the range that was run and a fifth beyond [-].
        """
        if self.fit is None:
            return ()
        speeds = [life.speed_m_per_min for life in self.points]
        low, high = min(speeds) / 1.2, max(speeds) * 1.2
        at = [low * (high / low) ** (n / (points - 1)) for n in range(points)]
        return tuple((v, *(self.fit.life_min(v, share) for share in (0.1, 0.5, 0.9))) for v in at)


@lru_cache(64)  # between two change-outs the same lives are asked for by every page
def _fitted(
    minutes: tuple[float, ...], speeds_m_per_min: tuple[float, ...], worn: tuple[bool, ...]
) -> tuple[TaylorFit | None, str]:
    """Return the law, or why there is none."""
    try:
        return fit_taylor(minutes, speeds_m_per_min, worn), ""
    except ValueError as error:
        return None, str(error)


def life_models(db: Session) -> tuple[LifeModel, ...]:
    """Return a model per type and material, refitted from all change-outs.

    Parameters
    ----------
    db : Session
        An open session; it is only read [-].
    """
    groups: dict[tuple[str, str], list[Life]] = defaultdict(list)
    for life in lives(db):
        groups[life.type_name, life.material].append(life)
    out = []
    for (kind, material), points in sorted(groups.items()):
        fit, why_not = _fitted(
            tuple(p.minutes for p in points),
            tuple(p.speed_m_per_min for p in points),
            tuple(p.worn for p in points),
        )
        out.append(LifeModel(kind, material, tuple(points), fit, why_not))
    return tuple(out)
