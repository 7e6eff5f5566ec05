"""How far off is the cut at places of the skin, and how is that told?"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from engine.records import (
    Floats,
    Ints,
)

if TYPE_CHECKING:
    pass


@dataclass(frozen=True, slots=True, eq=False)
class Errors:
    """Errors of one kind at places on the skin, each with its region (-1 = none)."""

    size: Floats  # (n,) [mm]
    lon: Floats
    lat: Floats
    region: Ints

    def worst(self, region: int) -> tuple[float, float, float] | None:
        """Return the largest error of a region with its longitude and latitude [deg]."""
        mine = np.flatnonzero(self.region == region)
        if len(mine) == 0:
            return None
        at = mine[int(np.argmax(self.size[mine]))]
        return float(self.size[at]), math.degrees(self.lon[at]), math.degrees(self.lat[at])


NO_ERRORS = Errors(np.zeros(0), np.zeros(0), np.zeros(0), np.zeros(0, np.int64))


def joined_errors(*errors: Errors) -> Errors:
    """Return all errors in one."""
    return Errors(
        np.concatenate([e.size for e in errors]),
        np.concatenate([e.lon for e in errors]),
        np.concatenate([e.lat for e in errors]),
        np.concatenate([e.region for e in errors]),
    )
