"""How well is the skin known, and where? A picture of the unrolled piece for whoever stands at the probe.

Longitude runs to the right, latitude up, the front mark in the middle. Each cell has the colour of the
posterior deviation of the radius; touches are dots, the larger the farther off the skin; overhangs are
hatched; suggested touches carry their number.
"""

from __future__ import annotations

from collections.abc import Sequence
from html import escape

import numpy as np
from shapely import Polygon

from engine.frames import lonlat_of
from engine.records import Floats, Surface
from engine.touches import HIGHEST_DEG, LOWEST_DEG

_PER_DEG = 2.0
_LEFT, _TOP = 44.0, 40.0
# upper end [mm] and colour of each class, from well known to unknown; dark enough apart in grey as well
_CLASSES = (
    (0.1, "#f4f1e6"),
    (0.2, "#e4d9a8"),
    (0.5, "#d8b25a"),
    (1.0, "#c07a2c"),
    (2.5, "#8c3b1f"),
    (np.inf, "#3d1410"),
)


def coverage_svg(
    surface: Surface,
    *,
    title: str = "",
    outlines: Sequence[Polygon] = (),
    suggested_deg: Floats | None = None,
) -> str:
    """Return the picture as the text of an SVG file.

    Parameters
    ----------
    surface : Surface
        The fitted skin.
    title : str
        Shown above it [-].
    outlines : sequence of Polygon
        A design on the skin, longitude and latitude [rad].
    suggested_deg : ndarray (n, 2), optional
        Longitudes and latitudes of the next touches, in their order [deg].
    """
    width, height = 360 * _PER_DEG, 180 * _PER_DEG
    parts = [
        '<svg xmlns="http://www.w3.org/2000/svg" '
        f'viewBox="0 0 {_LEFT + width + 16:g} {_TOP + height + 78:g}" '
        'font-family="sans-serif" font-size="11">',
        '<defs><pattern id="hatch" width="6" height="6" patternUnits="userSpaceOnUse">'
        '<path d="M0 6L6 0" stroke="#000" stroke-width="1.2"/></pattern></defs>',
        f'<text x="{_LEFT:g}" y="18" font-size="13">{escape(title)}</text>',
        *_cells(surface),
        *_zones(),
        *_touches(surface),
        *(_outline(polygon) for polygon in outlines),
    ]
    if suggested_deg is not None:
        parts += [_numbered(k, *place) for k, place in enumerate(suggested_deg.tolist(), 1)]
    return "\n".join([*parts, *_axes(), *_legend(surface), "</svg>"]) + "\n"


def _x(longitude_deg: float) -> float:
    return _LEFT + (longitude_deg + 180.0) % 360.0 * _PER_DEG


def _y(latitude_deg: float) -> float:
    return _TOP + (90.0 - latitude_deg) * _PER_DEG


def _cells(surface: Surface) -> list[str]:
    rows, columns = surface.deviation_mm.shape
    tall, wide = 180.0 / (rows - 1), 360.0 / columns
    ends = np.array([end for end, _ in _CLASSES])
    kind = np.searchsorted(ends, surface.deviation_mm)
    masked = surface.masked if surface.masked.size else np.zeros((rows, columns), bool)
    found, hatched = [], []
    for row in range(rows):
        south, north = (float(np.clip(-90 + (row + k) * tall, -90, 90)) for k in (-0.5, 0.5))
        for column in range(columns):
            x = _LEFT + np.remainder((column - 0.5) * wide + 180.0, 360.0) * _PER_DEG
            box = (
                f'x="{x:.1f}" y="{_y(north):.1f}" '
                f'width="{wide * _PER_DEG + 0.3:.1f}" height="{(north - south) * _PER_DEG + 0.3:.1f}"'
            )
            found.append(f'<rect {box} fill="{_CLASSES[int(kind[row, column])][1]}"/>')
            if masked[row, column]:
                hatched.append(f'<rect {box} fill="url(#hatch)"/>')
    return found + hatched


def _zones() -> list[str]:
    """Draw where stem and base are left out of the plan."""
    lines = []
    for latitude, name in ((HIGHEST_DEG, "stem"), (LOWEST_DEG, "base")):
        y = _y(latitude)
        lines.append(
            f'<path d="M{_LEFT:g} {y:g}h{360 * _PER_DEG:g}" '
            'stroke="#555" stroke-dasharray="5 4" fill="none"/>'
        )
        beyond = y - 5 if latitude > 0 else y + 13
        lines.append(f'<text x="{_LEFT + 4:g}" y="{beyond:g}" fill="#555">{name}</text>')
    return lines


def _touches(surface: Surface) -> list[str]:
    if not len(surface.points_seat_mm):
        return []
    lon, lat = lonlat_of(surface.points_seat_mm - surface.origin_seat_mm)
    size = 1.6 + np.clip(np.abs(surface.residuals_mm) / 0.2, 0.0, 3.0)
    return [
        f'<circle cx="{_x(a):.1f}" cy="{_y(b):.1f}" r="{r:.1f}" fill="#1d3b53"/>'
        for a, b, r in zip(np.degrees(lon).tolist(), np.degrees(lat).tolist(), size.tolist(), strict=True)
    ]


def _outline(polygon: Polygon) -> str:
    parts = []
    for ring in (polygon.exterior, *polygon.interiors):
        points = np.degrees(np.asarray(ring.coords))
        x = np.array([_x(a) for a in points[:, 0]])
        breaks = np.flatnonzero(np.abs(np.diff(x)) > 180 * _PER_DEG) + 1  # over the back
        for piece in np.split(np.stack([x, [_y(b) for b in points[:, 1]]], axis=1), breaks):
            parts.append("M" + "L".join(f"{a:.1f} {b:.1f}" for a, b in piece))
    return f'<path d="{"".join(parts)}" fill="none" stroke="#0a5c8f" stroke-width="1.2"/>'


def _numbered(number: int, longitude_deg: float, latitude_deg: float) -> str:
    x, y = _x(longitude_deg), _y(latitude_deg)
    return (
        f'<path d="M{x - 4:.1f} {y:.1f}h8M{x:.1f} {y - 4:.1f}v8" stroke="#000" stroke-width="1.6"/>'
        f'<text x="{x + 5:.1f}" y="{y - 3:.1f}" font-weight="bold">{number}</text>'
    )


def _axes() -> list[str]:
    width, height = 360 * _PER_DEG, 180 * _PER_DEG
    lines = [
        f'<rect x="{_LEFT:g}" y="{_TOP:g}" width="{width:g}" height="{height:g}" fill="none" stroke="#333"/>'
    ]
    for longitude in range(-180, 181, 60):
        x = _LEFT + (longitude + 180) * _PER_DEG
        word = "front" if longitude == 0 else f"{longitude}"
        lines.append(f'<text x="{x:g}" y="{_TOP + height + 14:g}" text-anchor="middle">{word}</text>')
    for latitude in range(-90, 91, 30):
        lines.append(f'<text x="{_LEFT - 6:g}" y="{_y(latitude) + 4:g}" text-anchor="end">{latitude}</text>')
    return lines


def _legend(surface: Surface) -> list[str]:
    y = _TOP + 180 * _PER_DEG + 30
    lines, x, low = [], _LEFT, 0.0
    for end, colour in _CLASSES:
        word = f"over {low:g} mm" if np.isinf(end) else f"to {end:g} mm"
        lines.append(
            f'<rect x="{x:g}" y="{y:g}" width="14" height="14" fill="{colour}" stroke="#333"/>'
            f'<text x="{x + 19:g}" y="{y + 11:g}">{word}</text>'
        )
        x, low = x + 92, end
    lines.append(f'<rect x="{x:g}" y="{y:g}" width="14" height="14" fill="url(#hatch)" stroke="#333"/>')
    lines.append(f'<text x="{x + 19:g}" y="{y + 11:g}">overhang</text>')
    said = (
        f"deviation of the skin by colour; {len(surface.points_seat_mm)} touches, "
        f"one is good to {surface.noise_mm:.2f} mm"
    )
    lines.append(f'<text x="{_LEFT:g}" y="{y + 34:g}">{said}</text>')
    return lines
