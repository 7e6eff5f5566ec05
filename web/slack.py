"""What would slack cost? The curve of stored nights against the chance that all are ready, as a drawing."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from planner.database import queries

KIND, SEARCH_ON = "slack", "search on"
SECONDS = (20, 60, 300)
"""How much longer a search may go on [s]."""
_LEFT, _RIGHT, _TOP, _BOTTOM = 60.0, 580.0, 20.0, 220.0  # of the drawing, in its own units


@dataclass(frozen=True, slots=True)
class SlackPoint:
    """One plan that the lead may choose, in figures and where it lies on the drawing."""

    share: float
    free: float
    stored_nights: int
    undone: int
    late: int
    chance: float
    earlier_h: float
    x: float
    y: float


@dataclass(frozen=True, slots=True)
class SlackCurve:
    """The points, the line through them, what stands at the axes, and of which plan they are."""

    plan_id: int
    points: tuple[SlackPoint, ...]
    line: str
    nights_marks: tuple[tuple[float, int], ...]
    chance_marks: tuple[tuple[float, int], ...]

    @property
    def safest(self) -> SlackPoint:
        """The point at which all are most likely ready; of several the one with the fewest stored nights."""
        return max(self.points, key=lambda one: (one.chance, -one.undone, -one.stored_nights))


def curve_of(made: queries.WorkResult | None) -> SlackCurve | None:
    """Return the curve that a work has found, ready to be drawn; None where there is none.

    Parameters
    ----------
    made : WorkResult or None
        The newest work of its kind [-].
    """
    rows: list[dict[str, Any]] = made.result.get("points", []) if made else []
    if made is None or not rows:
        return None
    nights = [int(row["stored_nights"]) for row in rows]
    low, high = min(nights), max(max(nights), min(nights) + 1)

    def x(count: float) -> float:
        return round(_LEFT + (_RIGHT - _LEFT) * float((count - low) / (high - low)), 1)

    def y(chance: float) -> float:
        return round(_BOTTOM - (_BOTTOM - _TOP) * chance, 1)

    points = tuple(
        SlackPoint(free=1 - row["share"], x=x(row["stored_nights"]), y=y(row["chance"]), **row)
        for row in rows
    )
    return SlackCurve(
        plan_id=made.result["plan_id"],
        points=points,
        line=" ".join(f"{one.x},{one.y}" for one in points),
        nights_marks=tuple((x(count), count) for count in (low, high)),
        chance_marks=tuple((y(percent / 100), percent) for percent in (0, 50, 100)),
    )
