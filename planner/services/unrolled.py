"""Where on a piece's unrolled skin lie its touches, its wall readings and the picture?

The skin is laid flat as on a map: longitude from the front mark to the right, latitude above the waist
upwards, both in degrees; the back stands at the left and the right edge.
"""

from __future__ import annotations

import io
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from sqlalchemy import select
from sqlalchemy.orm import Session

from planner.database import tables
from planner.errors import NotFound
from planner.services import skins
from planner.services.common import found, refusing_bad_input
from planner.services.preparing import JobInputs, inputs_of
from planner.services.trying import layers_of, placement_of

if TYPE_CHECKING:
    from engine.records import Chart, Floats, Layers, Surface

LOWEST_DEG, HIGHEST_DEG = -80.0, 85.0
_STEP_DEG = 2.0
_KNOWN_MM = 1.0  # deviation of the skin from which on it is told as not known; the limit of a new scan is 1.2
_RELIEF_MM = 8.0  # a rib so high is drawn in the darkest and the lightest shade
_FINEST_MM = 4.0  # an edge is broken into parts of this length before it is bent


@dataclass(frozen=True, slots=True)
class PieceTexts:
    """What is known of a piece, as texts and numbers; nothing of the database in it."""

    number: str
    touches: str
    tip_radius_mm: float
    walls: tuple[tuple[float, float, float], ...]  # longitude, latitude [deg], wall [mm]
    job: JobInputs | None


@dataclass(frozen=True, slots=True)
class Unrolled:
    """A piece's skin laid flat; points are longitude and latitude [deg]."""

    number: str
    skin_png: bytes  # shades of the skin's height over its mean profile, and a veil where it is not known
    touches: tuple[tuple[float, float], ...]
    largest_residual_mm: float
    rms_error_mm: float
    unknown_share: float  # of the shown skin
    walls: tuple[tuple[float, float, float], ...]
    regions: tuple[tuple[str, tuple[tuple[tuple[float, float], ...], ...]], ...]  # treatment, rings


def texts_of(db: Session, workpiece_id: int, job_id: int | None = None) -> PieceTexts:
    """Gather what is known of a piece, with the picture of a job where one is named.

    Parameters
    ----------
    db : Session
        An open session; it is only read [-].
    workpiece_id : int
        The piece [-].
    job_id : int, optional
        The job whose picture is shown [-].
    """
    piece = found(db, tables.Workpiece, workpiece_id)
    scan = db.scalar(select(tables.Scan).where(tables.Scan.workpiece_id == piece.id, tables.Scan.active))
    if scan is None:
        raise NotFound(f"piece {piece.number} has no scan that counts, so there is no skin to unroll")
    reading = tables.WallReading
    walls = db.execute(
        select(reading.longitude_deg, reading.latitude_deg, reading.wall_mm).where(
            reading.workpiece_id == piece.id, reading.active
        )
    )
    return PieceTexts(
        piece.number,
        scan.original,
        scan.tip_radius_mm,
        tuple(((lon + 180.0) % 360.0 - 180.0, lat, wall) for lon, lat, wall in walls),
        inputs_of(db, job_id) if job_id is not None and _has_picture(db, job_id, piece) else None,
    )


def _has_picture(db: Session, job_id: int, piece: tables.Workpiece) -> bool:
    job = found(db, tables.Job, job_id)
    return job.workpiece_id == piece.id and job.design_version_id is not None


def unrolled(texts: PieceTexts) -> Unrolled:
    """Return a piece's skin laid flat.

    Parameters
    ----------
    texts : PieceTexts
        From `texts_of` [-].
    """
    with refusing_bad_input():
        surface, _ = skins.fitted(texts.touches, texts.tip_radius_mm)
        regions = _regions(surface, texts.job) if texts.job is not None else ()
    lon, lat = _degrees(surface.points_seat_mm - surface.origin_seat_mm)
    picture, unknown_share = _shades(surface)
    return Unrolled(
        number=texts.number,
        skin_png=picture,
        touches=tuple(zip(lon.round(2).tolist(), lat.round(2).tolist(), strict=True)),
        largest_residual_mm=float(np.abs(surface.residuals_mm).max(initial=0.0)),
        rms_error_mm=surface.rms_error_mm,
        unknown_share=unknown_share,
        walls=texts.walls,
        regions=regions,
    )


def _degrees(vectors: Floats) -> tuple[Floats, Floats]:
    lon = np.degrees(np.arctan2(vectors[:, 1], vectors[:, 0]))
    lat = np.degrees(np.arctan2(vectors[:, 2], np.hypot(vectors[:, 0], vectors[:, 1])))
    return lon, lat


def _shades(surface: Surface) -> tuple[bytes, float]:
    """Return the skin in shades, as PNG, row 0 at the top, and the share of it that is not known."""
    from PIL import Image

    from engine.surface import deviation_at, radius_at

    lat = np.radians(np.arange(HIGHEST_DEG, LOWEST_DEG - 0.1, -_STEP_DEG))
    lon = np.radians(np.arange(-180.0, 180.1, _STEP_DEG))
    at_lon, at_lat = np.meshgrid(lon, lat)
    directions = np.stack(
        [np.cos(at_lat) * np.cos(at_lon), np.cos(at_lat) * np.sin(at_lon), np.sin(at_lat)], axis=-1
    ).reshape(-1, 3)
    radius = radius_at(surface, directions).reshape(at_lat.shape)
    deviation = deviation_at(surface, directions).reshape(at_lat.shape)
    above = radius - radius.mean(axis=1, keepdims=True)
    shade = np.clip(0.5 + above / (2 * _RELIEF_MM), 0, 1)[..., None]
    low, high = np.array([214.0, 170.0, 112.0]), np.array([255.0, 240.0, 214.0])
    colour = low + shade * (high - low)
    unknown = deviation > _KNOWN_MM
    colour[unknown] = 0.45 * colour[unknown] + 0.55 * np.array([120.0, 116.0, 140.0])
    written = io.BytesIO()
    Image.fromarray(colour.astype(np.uint8)).save(written, "PNG")
    weight = np.cos(at_lat)  # so that the poles do not count for more than their area
    return written.getvalue(), float((weight * unknown).sum() / weight.sum())


def _regions(surface: Surface, job: JobInputs) -> tuple[tuple[str, Any], ...]:
    """Return the picture's regions on the skin: treatment and rings."""
    from engine.chart import own_mercator

    layers: Layers = layers_of(job)
    chart = own_mercator(surface, placement_of(job))
    out = []
    for region in layers.regions:
        polygon = region.polygon
        rings = [_ring(chart, ring) for ring in (polygon.exterior, *polygon.interiors)]
        lon = [place[0] for place in rings[0]]
        # what reaches over the back is seen at both edges
        for turn in (0.0, *((360.0,) if min(lon) < -180 else ()), *((-360.0,) if max(lon) > 180 else ())):
            moved = tuple(tuple((x + turn, y) for x, y in ring) for ring in rings)
            out.append((str(region.treatment), moved))
    return tuple(out)


def _ring(chart: Chart, ring: Any) -> tuple[tuple[float, float], ...]:
    """Return one edge of a region on the skin; it goes on beyond the back instead of jumping."""
    import shapely

    from engine.chart import to_sphere

    sheet = np.asarray(shapely.segmentize(ring, _FINEST_MM).coords)[:, :2]
    lon, lat = to_sphere(chart, sheet)
    lon = np.unwrap(lon)
    middle = math.floor((float(lon.mean()) + math.pi) / (2 * math.pi))
    shown = np.degrees(lon) - 360.0 * middle
    return tuple(zip(shown.round(2).tolist(), np.degrees(lat).round(2).tolist(), strict=True))
