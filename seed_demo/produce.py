"""What would a probe feel? Invented squashes, swedes and gourds with a true shape, and touches on it.

The truth is a radius over directions from the piece's own middle: a spheroid with ribs, dimples at stem and
base, an egg, a lean and low bumps. A touch is made as a probe makes it: the ball comes in along a ray until
it first meets the skin. Directions and points are in the seat's directions, +Z to the stem.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Lot:
    """A lot of produce: how large its pieces are and how they spread."""

    name: str
    sort: str
    kind: str  # squash, turnip, gourd, foam
    pieces: int
    diameter_mm: float
    diameter_spread_mm: float  # standard deviation
    height_share: float  # height / diameter [-]
    ribs: int
    rib_mm: float
    wall_mm: float
    wall_spread_mm: float
    arrives: str  # ISO date
    store_loss: float = 0.03
    rejected: bool = False
    note: str = ""


_LOTS = (
    Lot("L-201", "Amber Globe", "squash", 110, 284, 11, 0.90, 10, 4.0, 27, 4, "2026-10-16"),
    Lot("L-202", "Amber Globe", "squash", 70, 284, 11, 0.90, 10, 4.0, 27, 4, "2026-10-22"),
    Lot("L-203", "Marsh Cheese", "squash", 24, 320, 12, 0.68, 12, 8.0, 30, 4, "2026-10-16"),
    Lot("L-204", "Pale Lantern", "squash", 40, 275, 8, 0.92, 8, 3.0, 26, 3, "2026-10-16",
        note="relief stock"),
    Lot("L-205", "swede", "turnip", 90, 130, 14, 0.95, 0, 0.0, 40, 4, "2026-10-14", note="store at 0 C"),
    Lot("L-206", "bottle gourd, dry", "gourd", 30, 160, 20, 1.30, 0, 0.0, 6, 1.5, "2026-10-02"),
    Lot("L-207", "Amber Globe", "squash", 25, 284, 11, 0.90, 10, 4.0, 27, 4, "2026-10-27", rejected=True,
        note="sample of 25 had 4 bad: 16 %"),
    Lot("FOAM", "foam sphere", "foam", 20, 280, 0, 1.0, 0, 0.0, 25, 0, "2026-10-01", store_loss=0.0),
)  # fmt: skip


def lots() -> tuple[Lot, ...]:
    """Return the season's lots."""
    return _LOTS


def lot(name: str) -> Lot:
    """Return one lot by its name."""
    return next(found for found in _LOTS if found.name == name)


@dataclass(frozen=True, slots=True, eq=False)
class Produce:
    """One piece with its true shape; amplitudes in mm, all about its own middle."""

    kind: str
    lot: str
    equator_mm: float  # half the diameter
    pole_mm: float  # half the height, before dimples
    ribs: int
    rib_mm: float
    rib_phase_rad: float
    stem_dimple_mm: float
    base_dimple_mm: float
    egg_mm: float  # wider above (positive) or below
    lean_mm: tuple[float, float]
    bumps_mm: tuple[float, ...]  # of nine low-order terms
    neck_mm: float  # a gourd's neck towards the stem
    wall_mean_mm: float
    wall_swing_mm: tuple[float, float, float]  # of the wall along x, y and z
    seat_offset_mm: tuple[float, float, float]  # the piece's middle in the seat frame

    @property
    def diameter_mm(self) -> float:
        """Diameter at the waist over the ribs, without bumps [mm]."""
        return 2 * self.equator_mm

    @property
    def height_mm(self) -> float:
        """Height from base to stem [mm]."""
        up = np.array([[0.0, 0.0, 1.0], [0.0, 0.0, -1.0]])
        return float(self.radius(up).sum())

    def radius(self, directions: Floats) -> Floats:
        """Return the skin's distance from the piece's middle in unit directions (..., 3) [mm]."""
        x, y, z = directions[..., 0], directions[..., 1], directions[..., 2]
        flat2 = x * x + y * y
        found = 1.0 / np.sqrt(flat2 / self.equator_mm**2 + z * z / self.pole_mm**2)
        if self.ribs:
            valley = (0.5 + 0.5 * np.cos(self.ribs * (np.arctan2(y, x) - self.rib_phase_rad))) ** 1.5
            found = found - self.rib_mm * valley * flat2 ** (self.ribs / 8)  # fades towards stem and base
        found = (
            found
            - self.stem_dimple_mm * np.exp((z - 1) / 0.06)
            - self.base_dimple_mm * np.exp((-z - 1) / 0.05)
        )
        found = found + self.neck_mm * np.exp((z - 1) / 0.22)
        found = found + self.egg_mm * z * flat2 + z * (self.lean_mm[0] * x + self.lean_mm[1] * y)
        terms = (
            x * y,
            x * x - y * y,
            x * x * x,
            y * y * y,
            x * y * z,
            z * z * x,
            z * z * y,
            x * x * y * y,
            z * x * x,
        )
        for size, term in zip(self.bumps_mm, terms, strict=True):
            found = found + size * term
        return np.asarray(found, float)

    def wall(self, directions: Floats) -> Floats:
        """Return the wall's true thickness along the normal in unit directions (..., 3) [mm]."""
        return np.asarray(self.wall_mean_mm + directions @ np.asarray(self.wall_swing_mm), float)


# --- growing -------------------------------------------------------------------------------------------


def grow(rng: np.random.Generator, source: Lot) -> Produce:
    """Return a piece of a lot, its size within two and a half deviations of the lot's.

    Parameters
    ----------
    rng : Generator
        Source of chance.
    source : Lot
        The lot.
    """
    if source.kind == "foam":
        return foam_sphere(source.diameter_mm)
    spread = float(np.clip(rng.normal(), -2.5, 2.5))
    equator = (source.diameter_mm + spread * source.diameter_spread_mm) / 2
    share = source.height_share * float(np.clip(rng.normal(1.0, 0.03), 0.93, 1.07))
    size = equator / 142.0
    gourd = source.kind == "gourd"
    return Produce(
        kind=source.kind,
        lot=source.name,
        equator_mm=equator,
        pole_mm=equator * share * (0.82 if gourd else 1.0),
        ribs=source.ribs,
        rib_mm=source.rib_mm * float(rng.uniform(0.8, 1.2)),
        rib_phase_rad=float(rng.uniform(0, 2 * np.pi)),
        stem_dimple_mm=float(rng.uniform(6, 12)) * size if source.kind == "squash" else 1.0,
        base_dimple_mm=float(rng.uniform(3, 7)) * size if source.kind == "squash" else 0.5,
        egg_mm=float(rng.normal(0.0, 5.0)) * size - (6.0 if source.kind == "turnip" else 0.0) * size,
        lean_mm=(float(rng.normal(0, 2.5)) * size, float(rng.normal(0, 2.5)) * size),
        bumps_mm=tuple(float(b) for b in rng.normal(0, 1.2, 9) * size),
        neck_mm=float(rng.uniform(22, 34)) * size * 1.8 if gourd else 0.0,
        wall_mean_mm=max(source.wall_mm + float(np.clip(rng.normal(), -2, 2)) * source.wall_spread_mm, 4.0),
        wall_swing_mm=tuple(float(s) for s in rng.normal(0, 0.03, 3) * source.wall_mm),  # type: ignore[arg-type]
        seat_offset_mm=tuple(float(o) for o in rng.uniform(-5, 5, 3)),  # type: ignore[arg-type]
    )


def a_squash(rng: np.random.Generator, source: str = "L-201") -> Produce:
    """Return a squash of a lot."""
    return grow(rng, lot(source))


def a_swede(rng: np.random.Generator) -> Produce:
    """Return a swede, small and rootward heavy."""
    return grow(rng, lot("L-205"))


def a_gourd(rng: np.random.Generator) -> Produce:
    """Return a dry bottle gourd with a short neck."""
    return grow(rng, lot("L-206"))


def foam_sphere(diameter_mm: float = 280.0) -> Produce:
    """Return a practice sphere of foam, exactly round, in the middle of the seat."""
    r = diameter_mm / 2
    zero = (0.0, 0.0, 0.0)
    return Produce(
        "foam", "FOAM", r, r, 0, 0.0, 0.0, 0.0, 0.0, 0.0, (0.0, 0.0), (0.0,) * 9, 0.0, 25.0, zero, zero
    )


def thinned(piece: Produce, to_mm: float, rng: np.random.Generator, spread_mm: float = 0.8) -> Produce:
    """Return the piece after its wall was thinned by hand, never thicker than it grew [mm]."""
    mean = min(piece.wall_mean_mm, to_mm + float(np.clip(rng.normal(0, 0.6), -1.2, 1.2)))
    swing = tuple(float(s) for s in np.clip(rng.normal(0, spread_mm, 3), -2 * spread_mm, 2 * spread_mm))
    return replace(piece, wall_mean_mm=mean, wall_swing_mm=swing)  # type: ignore[arg-type]


# --- probing -------------------------------------------------------------------------------------------


def probe_places(kind: str, ribs: int, relief: bool = False) -> Floats:
    """Return the directions (n, 3) of a probe plan, from the piece's middle.

    The ribs set the number of meridians: three a rib for a through cut, six for a relief, twelve at least.
    Rows run from latitude -55 to 60 deg, every other row half a step on; 150 to 300 touches in all.

    Parameters
    ----------
    kind : str
        Kind of produce; small ones get fewer rows [-].
    ribs : int
        Ribs of the piece, 0 = smooth [-].
    relief : bool
        Whether a relief is cut [-].
    """
    meridians = max((6 if relief else 3) * ribs, 24 if kind in ("squash", "foam") else 20)
    rows = int(np.clip(300 // meridians, 5, 9))
    latitude = np.radians(np.linspace(-55, 60, rows))[:, None]
    step = 2 * np.pi / meridians
    longitude = (np.arange(meridians) + 0.5 * (np.arange(rows)[:, None] % 2)) * step
    found = np.stack(
        [
            np.cos(latitude) * np.cos(longitude),
            np.cos(latitude) * np.sin(longitude),
            np.sin(latitude) + 0 * longitude,
        ],
        axis=-1,
    )
    return found.reshape(-1, 3)


def tip_centres(piece: Produce, directions: Floats, tip_radius_mm: float) -> Floats:
    """Return where the ball's centre is when it first meets the skin, coming in along each direction.

    A ball on the ray t d meets the skin point s at t = s.d + sqrt(r^2 - |s - (s.d) d|^2); the first one it
    meets has the largest t. That maximum is searched on ever finer patches of skin about the ray.

    Parameters
    ----------
    piece : Produce
        The piece; its middle is where the rays run to.
    directions : ndarray (n, 3)
        Unit directions [-].
    tip_radius_mm : float
        Radius of the ball [mm].

    Returns
    -------
    ndarray (n, 3)
        Centres about the piece's middle [mm].
    """
    east, north = _tangents(directions)
    middle = np.zeros((len(directions), 2))
    half = np.arctan(1.05 * tip_radius_mm / (0.9 * piece.radius(directions) - tip_radius_mm))
    grid = np.linspace(-1, 1, 9)
    offset = np.stack(np.meshgrid(grid, grid), axis=-1).reshape(1, -1, 2)
    reached = np.zeros(len(directions))
    for _ in range(6):
        at = middle[:, None] + half[:, None, None] * offset
        ray = directions[:, None] + at[..., :1] * east[:, None] + at[..., 1:] * north[:, None]
        ray /= np.linalg.norm(ray, axis=-1, keepdims=True)
        skin = piece.radius(ray)[..., None] * ray
        along = np.einsum("nks,ns->nk", skin, directions)
        spare = tip_radius_mm**2 - (np.einsum("nks,nks->nk", skin, skin) - along**2)
        meets = np.where(spare >= 0, along + np.sqrt(np.maximum(spare, 0)), -np.inf)
        best = meets.argmax(axis=1)
        rows = np.arange(len(directions))
        reached, middle, half = meets[rows, best], at[rows, best], half / 2.5
    return reached[:, None] * directions


def _tangents(directions: Floats) -> tuple[Floats, Floats]:
    away = np.where(np.abs(directions[:, 2:]) < 0.9, [[0.0, 0.0, 1.0]], [[1.0, 0.0, 0.0]])
    east = np.cross(away, directions)
    east /= np.linalg.norm(east, axis=1, keepdims=True)
    return east, np.cross(directions, east)


def virtual_probe(
    piece: Produce,
    rng: np.random.Generator,
    places: Floats,
    tip_radius_mm: float = 3.0,
    noise_mm: float = 0.08,
    retouch: int = 3,
) -> str:
    """Return a probe file: the tip's centre at each place in the seat frame, the first places touched again.

    Parameters
    ----------
    piece : Produce
        The piece as it sits.
    rng : Generator
        Source of the noise.
    places : ndarray (n, 3)
        Unit directions from the piece's middle [-].
    tip_radius_mm : float
        Radius of the ball [mm].
    noise_mm : float
        Standard deviation of a touch along the approach [mm].
    retouch : int
        How many of the first places are touched again at the end [-].
    """
    order = np.concatenate([np.arange(len(places)), np.arange(retouch)])
    toward = -places[order]
    centres = tip_centres(piece, places, tip_radius_mm)[order] + np.asarray(piece.seat_offset_mm)
    centres = centres + rng.normal(0.0, noise_mm, (len(order), 1)) * toward
    rows = [f"# tip_radius_mm={tip_radius_mm}", "x_mm,y_mm,z_mm,i,j,k,touch"]
    for place, centre, way in zip(order, centres, toward, strict=True):
        rows.append(",".join([*(f"{v:.4f}" for v in centre), *(f"{v:.6f}" for v in way), str(place + 1)]))
    return "\n".join(rows) + "\n"


# --- gauging -------------------------------------------------------------------------------------------


def gauge_places(relief: bool, rng: np.random.Generator) -> tuple[Floats, Floats]:
    """Return longitudes and latitudes [deg] of wall readings: five bands of eight, or ten about the piece."""
    if relief:
        lon, lat = np.meshgrid(np.arange(8) * 45.0, np.linspace(-40, 50, 5))
        return lon.ravel(), lat.ravel()
    count = int(rng.integers(8, 13))
    return np.arange(count) * 360.0 / count, np.resize([0.0, 30.0, -30.0], count)


def wall_readings(
    piece: Produce, rng: np.random.Generator, relief: bool = False, sigma_mm: float = 0.7
) -> str:
    """Return a wall file: readings of the gauge, each off by its uncertainty.

    Parameters
    ----------
    piece : Produce
        The piece.
    rng : Generator
        Source of chance.
    relief : bool
        Whether a relief is cut: forty readings instead of eight to twelve [-].
    sigma_mm : float
        Standard deviation of a reading [mm].
    """
    lon, lat = gauge_places(relief, rng)
    lam, phi = np.radians(lon), np.radians(lat)
    at = np.stack([np.cos(phi) * np.cos(lam), np.cos(phi) * np.sin(lam), np.sin(phi)], axis=-1)
    read = np.maximum(piece.wall(at) + rng.normal(0, sigma_mm, len(lon)), 1.0)
    rows = [f"{a:.1f},{b:.1f},{w:.1f}" for a, b, w in zip(lon, lat, read, strict=True)]
    return "\n".join(["longitude_deg,latitude_deg,wall_mm", *rows]) + "\n"
