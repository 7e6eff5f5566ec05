"""Where should the probe touch? A plan from ribs and design, and where the next touches help most.

A plan has at least three touches to a rib for openings and six for a relief (common practice: fewer make the
depth wrong by up to half a rib); away from the design a dozen meridians are enough. It ends with the first
three places again, which tells whether anything moved.

The next touches are chosen one by one, each where it takes most off the posterior variance of the skin under
the design, summed over its area (Cohn, Ghahramani and Jordan 1996, *J. Artif. Intell. Res.* 4:129-145, from
memory): for a process that needs no reading, only the place.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from engine.errors import BadInput
from engine.frames import unit_of
from engine.records import Bools, Floats, Ints, ProbeScan, _freeze
from engine.regression import covariance_in, deviation_in, radius_in
from engine.surface import normals_of, skin_of

LOWEST_DEG, HIGHEST_DEG = -55.0, 60.0  # base and stem are left out
_PER_RIB, _PER_RIB_RELIEF, _FEWEST_MERIDIANS = 3, 6, 12
_ROW_DEG = 14.0
_FAR_ROW_DEG = 28.0
_AGAIN = 3
_SECONDS_A_TOUCH = 4.0  # common practice
_MARGIN_DEG = 8.0
_TARGETS = 1400
_MOST_SUGGESTED = 60


@dataclass(frozen=True, slots=True)
class Area:
    """A stretch of skin between two longitudes and two latitudes; the longitudes run eastwards."""

    west_deg: float
    east_deg: float
    south_deg: float
    north_deg: float

    def holds(self, longitude_deg: Floats, latitude_deg: Floats, margin_deg: float = 0.0) -> Bools:
        """Return which places lie in it, widened by a margin [deg]."""
        wide = self.east_deg - self.west_deg + 2 * margin_deg
        east = np.remainder(longitude_deg - self.west_deg + margin_deg, 360.0)
        inside = (latitude_deg >= self.south_deg - margin_deg) & (latitude_deg <= self.north_deg + margin_deg)
        return np.asarray(inside & ((east <= wide) | (wide >= 360.0)), bool)


@dataclass(frozen=True, slots=True, eq=False)
class ProbePlan:
    """Directions to touch in, in their order; equal numbers are one place."""

    longitude_deg: Floats  # (n,)
    latitude_deg: Floats  # (n,)
    touch_numbers: Ints  # (n,) from 1
    seconds: float

    def __post_init__(self) -> None:
        _freeze(
            self,
            longitude_deg=(self.longitude_deg, np.float64, (None,)),
            latitude_deg=(self.latitude_deg, np.float64, (None,)),
            touch_numbers=(self.touch_numbers, np.int64, (None,)),
        )


def probe_plan(ribs: int, *, relief: bool = False, area: Area | None = None) -> ProbePlan:
    """Return where to touch a piece that nobody has touched yet.

    Rows run to and fro, every other one half a step on, so that no wave of the ribs hides between meridians.

    Parameters
    ----------
    ribs : int
        How many ribs the piece has, 0 = smooth [-].
    relief : bool
        Whether a relief is cut, which asks for twice as many touches to a rib [-].
    area : Area, optional
        Where the design will lie; only there all ribs are followed. Everywhere when not given [deg].
    """
    if not 0 <= ribs <= 40:
        raise BadInput(f"{ribs} ribs: 0 to 40 were expected")
    fine = max(_FEWEST_MERIDIANS, ribs * (_PER_RIB_RELIEF if relief else _PER_RIB))
    longitude, latitude = _rows(fine, _ROW_DEG)
    if area is not None:
        here = area.holds(longitude, latitude, _MARGIN_DEG)
        far_longitude, far_latitude = _rows(_FEWEST_MERIDIANS, _FAR_ROW_DEG)
        far = ~area.holds(far_longitude, far_latitude, _MARGIN_DEG)
        longitude = np.concatenate([longitude[here], far_longitude[far]])
        latitude = np.concatenate([latitude[here], far_latitude[far]])
    numbers = np.arange(1, len(longitude) + 1)
    again = slice(0, _AGAIN)
    return ProbePlan(
        longitude_deg=np.concatenate([longitude, longitude[again]]),
        latitude_deg=np.concatenate([latitude, latitude[again]]),
        touch_numbers=np.concatenate([numbers, numbers[again]]),
        seconds=_SECONDS_A_TOUCH * (len(numbers) + _AGAIN),
    )


def _rows(meridians: int, row_deg: float) -> tuple[Floats, Floats]:
    rows = math.ceil((HIGHEST_DEG - LOWEST_DEG) / row_deg) + 1
    longitude, latitude = [], []
    for row, height in enumerate(np.linspace(LOWEST_DEG, HIGHEST_DEG, rows)):
        round_ = (np.arange(meridians) + 0.5 * (row % 2)) * 360.0 / meridians
        longitude.append(round_ if row % 2 == 0 else round_[::-1])
        latitude.append(np.full(meridians, height))
    return np.concatenate(longitude), np.concatenate(latitude)


@dataclass(frozen=True, slots=True, eq=False)
class Suggestion:
    """The next touches, the most useful first, and what they are worth."""

    longitude_deg: Floats  # (n,)
    latitude_deg: Floats  # (n,)
    centres_seat_mm: Floats  # (n, 3) where the tip's centre is expected at the touch
    ways: Floats  # (n, 3) unit direction in which the probe should come in: against the skin's normal
    deviation_mm: Floats  # (n,) of the radius there, before
    rms_before_mm: float  # posterior deviation over the area, root of the mean square
    rms_after_mm: Floats  # (n,) the same once this touch and those before it are made

    def __post_init__(self) -> None:
        _freeze(
            self,
            longitude_deg=(self.longitude_deg, np.float64, (None,)),
            latitude_deg=(self.latitude_deg, np.float64, (None,)),
            centres_seat_mm=(self.centres_seat_mm, np.float64, (None, 3)),
            ways=(self.ways, np.float64, (None, 3)),
            deviation_mm=(self.deviation_mm, np.float64, (None,)),
            rms_after_mm=(self.rms_after_mm, np.float64, (None,)),
        )


def suggest_touches(scan: ProbeScan, count: int, *, area: Area | None = None) -> Suggestion:
    """Return where the next touches help most.

    Parameters
    ----------
    scan : ProbeScan
        The touches so far.
    count : int
        How many more there is time for [-].
    area : Area, optional
        Where the design lies; all but base and stem when not given [deg].
    """
    if not 1 <= count <= _MOST_SUGGESTED:
        raise BadInput(f"{count} touches: 1 to {_MOST_SUGGESTED} were expected")
    fit, origin, _, _ = skin_of(scan)
    unit = _targets(area)
    covariance = covariance_in(fit, unit, unit)
    before = np.sqrt(np.clip(np.diag(covariance), 0.0, None))
    chosen, after = [], []
    for _ in range(count):
        own = np.clip(np.diag(covariance), 0.0, None) + fit.noise**2 + 1e-12
        best = int(np.argmax(np.einsum("ij,ij->j", covariance, covariance) / own))
        covariance = covariance - np.outer(covariance[:, best], covariance[best]) / own[best]
        chosen.append(best)
        after.append(float(np.sqrt(np.clip(np.diag(covariance), 0.0, None).mean())))
    places = unit[chosen]
    normal = normals_of(fit, places)
    skin = radius_in(fit, places)[:, None] * places
    longitude = np.degrees(np.arctan2(places[:, 1], places[:, 0]))
    return Suggestion(
        longitude_deg=longitude,
        latitude_deg=np.degrees(np.arcsin(places[:, 2])),
        centres_seat_mm=skin + scan.tip_radius_mm * normal + origin,
        ways=-normal,
        deviation_mm=before[chosen],
        rms_before_mm=float(np.sqrt(np.mean(before**2))),
        rms_after_mm=np.array(after),
    )


def even_directions(count: int, low: float = -1.0, high: float = 1.0) -> Floats:
    """Return directions spread evenly between two heights on the unit sphere, by the golden angle.

    The lattice of Gonzalez 2010, *Math. Geosci.* 42:49-64: z_i = 1 - (2 i + 1) / N, each turned on by 2 pi by
    the golden ratio.

    Parameters
    ----------
    count : int
        How many [-].
    low, high : float
        Heights z between which they lie [-].
    """
    i = np.arange(count) + 0.5
    return unit_of(i * np.pi * (3 - np.sqrt(5)), np.arcsin(high - (high - low) * i / count))


def repeatability(readings_mm: Floats) -> tuple[float, float]:
    """Return how well a probe repeats: standard deviation of re-touches, and the limit for two of them.

    Two touches of one place differ by more than 2.8 standard deviations once in twenty (ISO 5725-6, from
    memory).

    Parameters
    ----------
    readings_mm : array_like (n,)
        Re-touches of one place, three at least [mm].

    Returns
    -------
    tuple of float
        Standard deviation and limit [mm].
    """
    readings = np.asarray(readings_mm, float)
    if readings.ndim != 1 or len(readings) < 3 or not np.isfinite(readings).all():
        raise BadInput(f"{readings.size} readings of one place, expected three or more")
    deviation = float(readings.std(ddof=1))
    return deviation, 2.8 * deviation


def coverage(scan: ProbeScan, *, area: Area | None = None) -> tuple[float, float]:
    """Return how well the skin is known over an area: deviation as root mean square, and its largest [mm].

    Parameters
    ----------
    scan : ProbeScan
        The touches.
    area : Area, optional
        Where; all but base and stem when not given [deg].
    """
    fit, _, _, _ = skin_of(scan)
    deviation = deviation_in(fit, _targets(area))
    return float(np.sqrt(np.mean(deviation**2))), float(deviation.max())


def _targets(area: Area | None) -> Floats:
    """Return directions spread evenly over an area, some 1400 of them."""
    area = area or Area(0.0, 360.0, LOWEST_DEG, HIGHEST_DEG)
    if not (-85 <= area.south_deg < area.north_deg <= 85 and area.west_deg < area.east_deg):
        raise BadInput(
            f"area from {area.west_deg:g} to {area.east_deg:g}, {area.south_deg:g} to {area.north_deg:g} deg:"
            " west before east and south below north, at most 85, were expected"
        )
    low, high = np.sin(np.radians([area.south_deg, area.north_deg]))
    share = min(1.0, (area.east_deg - area.west_deg) / 360.0)
    unit = even_directions(math.ceil(_TARGETS / share), float(low), float(high))
    inside = area.holds(np.degrees(np.arctan2(unit[:, 1], unit[:, 0])), np.degrees(np.arcsin(unit[:, 2])))
    return unit[inside]
