"""How long did cutters last, and which law do their lives follow? By type and material, from the ledger.

Change-outs feed Taylor's law; cutters still alive, or broken, count as having lasted at least so long.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from planner.database import tables
from planner.database.states import CutterEntryKind
from planner.schedule.taylor import TaylorFit, fit_taylor
from planner.services.ledger import OUT

_ENDS = (CutterEntryKind.SHARPENED, *OUT)  # of a life; whether it was worn, the kind says


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
    ends: dict[int, list[str]] = defaultdict(list)
    for number, kind in db.execute(
        select(entry.cutter_id, entry.kind).where(entry.kind.in_(_ENDS)).order_by(entry.happened_at, entry.id)
    ):
        ends[number].append(kind)
    parts: dict[int, dict[int, list[_Part]]] = defaultdict(lambda: defaultdict(list))
    for number, life, *part in db.execute(_used()):
        parts[number][life].append(_Part(*part))
    out: list[Life] = []
    for row in db.scalars(select(cutter).where(cutter.id.in_(parts)).order_by(cutter.name)):
        for turn, part in sorted(parts[row.id].items()):
            kind = ends[row.id][turn] if turn < len(ends[row.id]) else ""
            out += _life_of(row, kind, part)
    return tuple(out)


@dataclass(frozen=True, slots=True)
class _Part:
    """What one life of a cutter cut of one material."""

    material: str
    minutes: float
    metres: float


def _used() -> Any:
    """Return the statement that adds up what cutters cut: a row for each life of each in each material.

    A life is called by how many ends its cutter had before the run ended.
    """
    use, run, entry = tables.CutterUse, tables.Run, tables.CutterEntry
    life = (
        select(func.count(entry.id))
        .where(entry.cutter_id == use.cutter_id, entry.kind.in_(_ENDS), entry.happened_at < run.ended_at)
        .correlate(use, run)
        .scalar_subquery()
    )
    each = (
        select(use.cutter_id, life.label("life"), tables.Lot.kind, use.minutes, use.metres)
        .join(run, run.id == use.run_id)
        .join(tables.Workpiece, tables.Workpiece.id == run.workpiece_id)
        .join(tables.Lot, tables.Lot.id == tables.Workpiece.lot_id)
        .where(run.ended_at.is_not(None))
        .subquery()
    )
    called = (each.c.cutter_id, each.c.life, each.c.kind)
    return select(*called, func.sum(each.c.minutes), func.sum(each.c.metres)).group_by(*called)


def _life_of(cutter: tables.Cutter, kind: str, parts: Sequence[_Part]) -> list[Life]:
    """Return a life, with the material that was cut most; nothing where no minute was cut."""
    minutes = sum(part.minutes for part in parts)
    if minutes <= 0:
        return []
    most = max(sorted(parts, key=lambda part: part.material), key=lambda part: part.minutes)
    metres = sum(part.metres for part in parts)
    worn = kind in (CutterEntryKind.DULL, CutterEntryKind.SHARPENED)
    return [Life(cutter.name, cutter.type_name, most.material, minutes, metres, speed_of(cutter), worn)]


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
