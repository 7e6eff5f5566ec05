"""How do instants and probe points get into a column and back unharmed? Two types for both stores."""

from __future__ import annotations

import io
from datetime import UTC, datetime
from typing import Any

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import DateTime, Dialect, LargeBinary, TypeDecorator


class UtcDateTime(TypeDecorator[datetime]):
    """An instant: refuses a time without a zone, gives back UTC on every store."""

    impl = DateTime(timezone=True)
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        """Return the instant in UTC; SQLite keeps no zone, so it must be UTC before it is written."""
        if value is None:
            return None
        if value.tzinfo is None or value.utcoffset() is None:
            raise ValueError(f"{value.isoformat()} has no time zone; an instant needs one")
        return value.astimezone(UTC)

    def process_result_value(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        """Return the instant as UTC."""
        if value is None:
            return None
        return value.replace(tzinfo=UTC) if value.tzinfo is None else value.astimezone(UTC)


class Points(TypeDecorator[NDArray[np.float64]]):
    """Points (n, 3) [mm] as one blob; what comes back is read-only, so it cannot be edited unnoticed."""

    impl = LargeBinary
    cache_ok = True

    def process_bind_param(self, value: NDArray[np.float64] | None, dialect: Dialect) -> bytes | None:
        """Return the array in numpy's own file form, without pickles."""
        if value is None:
            return None
        points = np.ascontiguousarray(value, dtype=np.float64)
        if points.ndim != 2 or points.shape[1] != 3:
            raise ValueError(f"points of shape {points.shape}, expected (n, 3)")
        written = io.BytesIO()
        np.save(written, points, allow_pickle=False)
        return written.getvalue()

    def process_result_value(self, value: bytes | None, dialect: Dialect) -> NDArray[np.float64] | None:
        """Return the points, read-only."""
        if value is None:
            return None
        points: NDArray[np.float64] = np.load(io.BytesIO(value), allow_pickle=False)
        points.setflags(write=False)
        return points

    def compare_values(self, x: Any, y: Any) -> bool:
        """Return whether two values are the same points; `==` of arrays has no single answer."""
        if x is None or y is None:
            return x is y
        return bool(np.array_equal(x, y))
