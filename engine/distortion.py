"""How much does a chart stretch, shrink and skew a design on the real skin? Numbers and a picture.

A small step on the sheet becomes a step on the skin, dp = J dx. The singular values a >= b of J are the
principal scales, skin by sheet; a b is that of area, and angles are off by up to omega with sin(omega / 2) =
(a - b) / (a + b) (Tissot; Snyder, *Map Projections: A Working Manual*, 1987, section 4, eqs. 4-1 to 4-9,
which speak of map by globe: their scales are 1 / b and 1 / a). Everything is taken on the fitted skin, ribs
and all, so even a conformal chart of the mean profile shows what the ribs add.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from html import escape

import numpy as np

from engine.chart import to_sphere
from engine.errors import BadInput
from engine.frames import unit_of
from engine.records import Chart, Floats, Surface, _freeze
from engine.surface import points_at

_STEP_MM = (
    0.25  # of the central differences on the sheet; short against ribs, long against the spline's noise
)
_ELLIPSES = 9  # along the longer side of the picture
_PICTURE_PX = 620.0


@dataclass(frozen=True, slots=True, eq=False)
class Distortion:
    """Scales of a chart at places of the sheet."""

    along: Floats  # (n,) larger principal scale, skin mm by sheet mm
    across: Floats  # (n,) smaller principal scale
    axis_rad: Floats  # (n,) direction on the sheet in which it is stretched most, from x towards y
    horizontal: Floats  # (n,) scale along the sheet's x
    vertical: Floats  # (n,) scale along the sheet's y

    def __post_init__(self) -> None:
        names = ("along", "across", "axis_rad", "horizontal", "vertical")
        _freeze(self, **{name: (getattr(self, name), np.float64, (None,)) for name in names})

    @property
    def area(self) -> Floats:
        """Skin area by sheet area [-]."""
        return np.asarray(self.along * self.across, np.float64)

    @property
    def angle_rad(self) -> Floats:
        """Return the largest error of an angle [rad]."""
        return np.asarray(2 * np.arcsin((self.along - self.across) / (self.along + self.across)), np.float64)


def distortion_at(surface: Surface, chart: Chart, sheet: Floats) -> Distortion:
    """Return the scales of a chart on the fitted skin.

    Parameters
    ----------
    surface : Surface
        The fitted skin.
    chart : Chart
        The chart.
    sheet : ndarray (n, 2)
        Places of the design [mm].
    """
    return scales_of(lambda at: points_at(surface, unit_of(*to_sphere(chart, at))), sheet, _STEP_MM)


def scales_of(skin_of: Callable[[Floats], Floats], sheet: Floats, step: float) -> Distortion:
    """Return the scales of any map from a sheet to a surface.

    Parameters
    ----------
    skin_of : callable
        Gives points (..., 3) of places (..., 2) of the sheet [any unit].
    sheet : ndarray (n, 2)
        Places [the sheet's unit].
    step : float
        Half the step of the differences [the sheet's unit].
    """
    x, y = np.array([step, 0.0]), np.array([0.0, step])
    right, left, upper, lower = skin_of(np.stack([sheet + x, sheet - x, sheet + y, sheet - y]))
    by_x, by_y = (right - left) / (2 * step), (upper - lower) / (2 * step)
    e, f, g = (np.sum(p * q, axis=-1) for p, q in ((by_x, by_x), (by_x, by_y), (by_y, by_y)))
    # eigenvalues of [[e, f], [f, g]], the square of J
    middle, apart = (e + g) / 2, np.hypot((e - g) / 2, f)
    return Distortion(
        along=np.sqrt(middle + apart),
        across=np.sqrt(np.maximum(middle - apart, 0.0)),
        axis_rad=np.arctan2(2 * f, e - g) / 2,
        horizontal=np.sqrt(e),
        vertical=np.sqrt(g),
    )


@dataclass(frozen=True, slots=True)
class SizeOnSkin:
    """How large a design comes out, measured along the skin, and what it suffers."""

    across_mm: float  # along the design's horizontal middle line
    up_mm: float  # along its vertical middle line
    area_share: float  # skin area by drawn area
    smallest_scale: float  # to which any part is shrunk
    largest_scale: float  # to which any part is stretched
    angle_deg: float  # largest error of an angle


def size_on_skin(surface: Surface, chart: Chart, width_mm: float, height_mm: float) -> SizeOnSkin:
    """Return the size on the skin of a design's box, and its worst distortion.

    Parameters
    ----------
    surface : Surface
        The fitted skin.
    chart : Chart
        The chart.
    width_mm, height_mm : float
        Of the design on the sheet [mm].
    """
    x, y = (np.linspace(-side / 2, side / 2, 41) for side in (width_mm, height_mm))
    seen = distortion_at(surface, chart, np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2))
    weights = np.full(41, 1.0)
    weights[[0, -1]] = 0.5  # the trapezoidal rule
    share = np.sum(seen.area.reshape(41, 41) * np.outer(weights, weights)) / weights.sum() ** 2
    return SizeOnSkin(
        across_mm=_line_mm(surface, chart, np.stack([np.linspace(x[0], x[-1], 721), np.zeros(721)], axis=1)),
        up_mm=_line_mm(surface, chart, np.stack([np.zeros(721), np.linspace(y[0], y[-1], 721)], axis=1)),
        area_share=float(share),
        smallest_scale=float(seen.across.min()),
        largest_scale=float(seen.along.max()),
        angle_deg=float(np.degrees(seen.angle_rad.max())),
    )


def _line_mm(surface: Surface, chart: Chart, line: Floats) -> float:
    skin = points_at(surface, unit_of(*to_sphere(chart, line)))
    return float(np.linalg.norm(np.diff(skin, axis=0), axis=1).sum())


def as_big_as_drawn(
    surface: Surface, chart: Chart, width_mm: float, height_mm: float, by: str = "area"
) -> float:
    """Return the factor by which a design is drawn larger, so that on the skin it is as big as it was drawn.

    Parameters
    ----------
    surface : Surface
        The fitted skin.
    chart : Chart
        The chart; its placement does not depend on the design's size.
    width_mm, height_mm : float
        Of the design as drawn [mm].
    by : str
        What comes out true: "width" or "height" of the middle lines, or "area" (both, on the whole) [-].

    Raises
    ------
    BadInput
        When no factor between a half and three does it: the design is too large for this place.
    """
    from scipy.optimize import brentq

    def miss(log_factor: float) -> float:
        factor = float(np.exp(log_factor))
        found = size_on_skin(surface, chart, factor * width_mm, factor * height_mm)
        share = {
            "width": found.across_mm / width_mm,
            "height": found.up_mm / height_mm,
            "area": factor * found.area_share**0.5,
        }
        return float(np.log(share[by]))

    if by not in ("width", "height", "area"):
        raise BadInput(f"by {by!r}: width, height or area was expected")
    low, high = np.log(0.5), np.log(3.0)
    if not miss(low) < 0.0 < miss(high):
        raise BadInput(
            f"a design of {width_mm:g} x {height_mm:g} mm cannot come out as big as drawn at this place: "
            "draw it smaller, or place it nearer the middle"
        )
    return float(np.exp(brentq(miss, low, high, xtol=1e-5)))


def distortion_svg(surface: Surface, chart: Chart, width_mm: float, height_mm: float, title: str = "") -> str:
    """Return a picture of what becomes of small circles of a design, as the text of an SVG file.

    Each ellipse is a circle of the sheet as it lies on the skin, drawn where it was drawn, with its principal
    axes true to scale; what is shrunk is dark, what is stretched light.

    Parameters
    ----------
    surface : Surface
        The fitted skin.
    chart : Chart
        The chart.
    width_mm, height_mm : float
        Of the design on the sheet [mm].
    title : str
        Shown above it [-].
    """
    step = max(width_mm, height_mm) / _ELLIPSES
    columns, rows = (max(1, round(side / step)) for side in (width_mm, height_mm))
    x = (np.arange(columns) + 0.5) * width_mm / columns - width_mm / 2
    y = (np.arange(rows) + 0.5) * height_mm / rows - height_mm / 2
    places = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)
    seen = distortion_at(surface, chart, places)
    scale = _PICTURE_PX / max(width_mm, height_mm)
    radius = 0.36 * step
    said = size_on_skin(surface, chart, width_mm, height_mm)
    body = [
        _ellipse(scale * (px + width_mm / 2), scale * (height_mm / 2 - py), scale * radius, a, b, axis)
        for (px, py), a, b, axis in zip(
            places.tolist(), seen.along.tolist(), seen.across.tolist(), seen.axis_rad.tolist(), strict=True
        )
    ]
    width, height = scale * width_mm, scale * height_mm
    words = (
        f"{said.across_mm:.0f} x {said.up_mm:.0f} mm along the skin of "
        f"{width_mm:.0f} x {height_mm:.0f} drawn; "
        f"parts at {said.smallest_scale:.2f} to {said.largest_scale:.2f} of their size, "
        f"angles off by up to {said.angle_deg:.1f} deg"
    )
    return "\n".join(
        [
            '<svg xmlns="http://www.w3.org/2000/svg" '
            f'viewBox="-10 -34 {width + 20:.0f} {height + 70:.0f}" font-family="sans-serif" font-size="12">',
            f'<text x="0" y="-14" font-size="14">{escape(title)}</text>',
            f'<rect width="{width:.1f}" height="{height:.1f}" fill="#fff" stroke="#333"/>',
            *body,
            f'<text x="0" y="{height + 20:.0f}">{escape(words)}</text>',
            "</svg>\n",
        ]
    )


def _ellipse(x: float, y: float, radius: float, along: float, across: float, axis_rad: float) -> str:
    grey = int(np.clip(255 * (along * across) ** 0.5 * 0.72, 40, 235))
    return (
        f'<ellipse cx="{x:.1f}" cy="{y:.1f}" rx="{radius * along:.2f}" ry="{radius * across:.2f}" '
        f'fill="rgb({grey},{int(grey * 0.8)},{int(grey * 0.45)})" stroke="#222" stroke-width="0.7" '
        f'transform="rotate({-np.degrees(axis_rad):.2f} {x:.1f} {y:.1f})"/>'
    )
