"""How is a region laid flat, so that plain plane geometry holds on it? By a spline map that keeps lengths.

At each point of the sheet a tensor M (parts E, F, G) says how long a small step is. A region of a round skin
is nearly developable: there is a plane map y(x) with

    Dy^T Dy = M     at every place of the region, but for its Gaussian curvature,

a few tenths of a per cent over a region as large as a hand, and nothing along a narrow arm. y is a uniform
cubic spline, found by Gauss and Newton's least squares over places in the region and on its rim.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from shapely import Polygon

from engine.records import Floats, Ints
from engine.skin_metric import SkinMetric, metric_at

_KNOTS_MM = 15.0  # spacing of the spline's knots; ribs are five times longer
_LONGEST_MM = 2.0  # spacing of vertices when a straight edge of the sheet is laid flat
_ROUNDS = 8
_STEADY = 3e-5  # change of the coefficients, as a share of the knots' spacing, at which the search ends
_SMOOTH = 0.01  # weight of second differences: only they hold the spline where the region is not
_NEWTON = 6


@dataclass(frozen=True, slots=True, eq=False)
class FlatRegion:
    """A region laid flat, with the map between sheet and plane."""

    polygon: Polygon  # in the plane, true to scale [mm]
    low: Floats  # (2,) corner of the spline's box on the sheet [mm]
    span_mm: Floats  # (2,) spacing of its knots [mm]
    coefficients: Floats  # (columns + 3, rows + 3, 2) [mm]
    start: Floats  # (3, 2) affine map from (plane x, plane y, 1) to the sheet: where the inverse begins
    strain: float  # root mean square of the relative error of lengths [-]

    def to_plane(self, sheet: Floats) -> Floats:
        """Return the plane points (n, 2) of sheet points (n, 2) [mm]."""
        return self._at(sheet)[0]

    def to_sheet(self, plane: Floats) -> Floats:
        """Return the sheet points (n, 2) of plane points (n, 2) [mm], by Newton's steps."""
        found: Floats = plane @ self.start[:2] + self.start[2]
        for _ in range(_NEWTON):
            here, along_x, along_y = self._at(found)
            off = plane - here
            det = along_x[:, 0] * along_y[:, 1] - along_x[:, 1] * along_y[:, 0]
            step = np.stack(
                [
                    (off[:, 0] * along_y[:, 1] - off[:, 1] * along_y[:, 0]) / det,
                    (off[:, 1] * along_x[:, 0] - off[:, 0] * along_x[:, 1]) / det,
                ],
                axis=1,
            )
            found = found + step
            if np.abs(step).max(initial=0.0) < 1e-6:
                break
        return found

    def _at(self, sheet: Floats) -> tuple[Floats, Floats, Floats]:
        """Return the plane points and their derivatives by sheet x and y, each (n, 2)."""
        column, row, wx, wy, dx, dy = _weights(sheet, self.low, self.span_mm, self.coefficients.shape[:2])
        near = self.coefficients[
            column[:, None, None] + np.arange(4)[:, None], row[:, None, None] + np.arange(4)
        ]

        def summed(one: Floats, other: Floats) -> Floats:
            found: Floats = np.einsum("nab,nabk->nk", one[:, :, None] * other[:, None, :], near)
            return found

        return summed(wx, wy), summed(dx, wy), summed(wx, dy)


def lay_flat(polygon: Polygon, metric: SkinMetric) -> FlatRegion:
    """Lay a region of the sheet flat.

    Parameters
    ----------
    polygon : Polygon
        The region with its holes, sheet [mm].
    metric : SkinMetric
        The tensor around it.
    """
    low, high = np.array(polygon.bounds[:2]), np.array(polygon.bounds[2:])
    cells = np.maximum(np.ceil((high - low) / _KNOTS_MM - 0.5), 1).astype(int)
    span = np.maximum((high - low) / cells, 1e-3)
    places = _places(polygon)
    wanted = metric_at(metric, places)
    columns, rows = cells + 3
    column, row, wx, wy, dx, dy = _weights(places, low, span, (columns, rows))
    along_x = _spread(column, row, dx, wy, columns, rows)
    along_y = _spread(column, row, wx, dy, columns, rows)
    knots = np.stack(
        np.meshgrid(
            low[0] + (np.arange(columns) - 1) * span[0],
            low[1] + (np.arange(rows) - 1) * span[1],
            indexing="ij",
        ),
        axis=-1,
    )
    found = (knots @ _root(wanted.mean(axis=0))).reshape(-1, 2)
    found = _fitted(found, along_x, along_y, wanted, _second_differences(columns, rows, span))
    plane = _spread(column, row, wx, wy, columns, rows) @ found
    start: Floats = np.linalg.lstsq(np.column_stack([plane, np.ones(len(plane))]), places, rcond=None)[0]  # type: ignore[assignment]
    strain = float(np.sqrt(np.mean(_misfit(found, along_x, along_y, wanted) ** 2)) / 2)
    flat = FlatRegion(Polygon(), low, span, found.reshape(columns, rows, 2), start, strain)
    laid = shapely.transform(polygon.segmentize(_LONGEST_MM), flat.to_plane)
    return FlatRegion(_valid(laid), low, span, flat.coefficients, start, strain)


def _valid(polygon: Polygon) -> Polygon:
    if polygon.is_valid:
        return polygon
    parts = [p for p in shapely.get_parts(shapely.make_valid(polygon)) if isinstance(p, Polygon)]
    return max(parts, key=lambda part: part.area)


def _places(polygon: Polygon) -> Floats:
    """Return sheet points on the rim of a region and inside it (n, 2), where lengths are to be true."""
    rim = shapely.get_coordinates(polygon.segmentize(max(2.0, polygon.length / 110)))
    left, bottom, right, top = polygon.bounds
    step = max(1.5, float(np.sqrt(polygon.area / 40)))
    x, y = np.meshgrid(np.arange(left + step / 2, right, step), np.arange(bottom + step / 2, top, step))
    inside = shapely.contains_xy(polygon, x, y)
    return np.concatenate([rim, np.stack([x[inside], y[inside]], axis=1)])


def _root(parts: Floats) -> Floats:
    """Return the symmetric root (2, 2) of a tensor (E, F, G): a plane that is true at one place."""
    e, f, g = parts
    det = float(np.sqrt(max(e * g - f * f, 1e-12)))
    found: Floats = np.array([[e + det, f], [f, g + det]]) / np.sqrt(e + g + 2 * det)
    return found


def _weights(
    sheet: Floats, low: Floats, span: Floats, shape: tuple[int, ...]
) -> tuple[Ints, Ints, Floats, Floats, Floats, Floats]:
    """Return first column and row (n,) of the coefficients at sheet points, weights and their derivatives."""
    share = (sheet - low) / span
    first = np.clip(np.floor(share).astype(np.int64), 0, np.array(shape) - 4)
    t = share - first
    values, slopes = [], []
    for k in (0, 1):
        u = t[:, k]
        v = 1 - u
        values.append(np.stack([v**3, 3 * u**3 - 6 * u**2 + 4, 3 * v**3 - 6 * v**2 + 4, u**3], axis=1) / 6)
        slopes.append(
            np.stack([-(v**2), 3 * u**2 - 4 * u, -(3 * v**2 - 4 * v), u**2], axis=1) / (2 * span[k])
        )
    return first[:, 0], first[:, 1], values[0], values[1], slopes[0], slopes[1]


def _spread(column: Ints, row: Ints, wx: Floats, wy: Floats, columns: int, rows: int) -> Floats:
    """Return the weights (n, columns * rows) of all coefficients at places that touch 4 by 4 of them."""
    n = len(column)
    found = np.zeros((n, columns, rows))
    at = np.arange(n)[:, None, None]
    found[at, column[:, None, None] + np.arange(4)[:, None], row[:, None, None] + np.arange(4)] = (
        wx[:, :, None] * wy[:, None, :]
    )
    return found.reshape(n, -1)


def _second_differences(columns: int, rows: int, span: Floats) -> Floats:
    """Return the matrix (k, columns * rows) of second differences of the coefficients along both ways."""
    number = np.arange(columns * rows).reshape(columns, rows)
    triples = [
        (number[:-2].ravel(), number[1:-1].ravel(), number[2:].ravel(), span[0]),
        (number[:, :-2].ravel(), number[:, 1:-1].ravel(), number[:, 2:].ravel(), span[1]),
    ]
    out = []
    for before, here, after, step in triples:
        one = np.zeros((len(here), columns * rows))
        at = np.arange(len(here))
        one[at, before], one[at, here], one[at, after] = 1, -2, 1
        out.append(one / step)
    return np.concatenate(out)


def _misfit(found: Floats, along_x: Floats, along_y: Floats, wanted: Floats) -> Floats:
    """Return the relative errors of E, F and G at every place (3 n,)."""
    a, b = along_x @ found, along_y @ found
    got = np.stack([np.sum(a * a, axis=1), np.sum(a * b, axis=1), np.sum(b * b, axis=1)], axis=1)
    return ((got - wanted) / _scale(wanted)).T.ravel()


def _scale(wanted: Floats) -> Floats:
    e, _, g = wanted.T
    return np.stack([e, np.sqrt(e * g), g], axis=1)


def _fitted(found: Floats, along_x: Floats, along_y: Floats, wanted: Floats, smooth: Floats) -> Floats:
    """Return the coefficients (m, 2) that fit best, by Gauss and Newton's steps from a plane."""
    m = len(found)
    scale = _scale(wanted)
    hold = _SMOOTH * np.sqrt(len(wanted)) * smooth
    hold2 = hold.T @ hold
    for _ in range(_ROUNDS):
        a, b = along_x @ found, along_y @ found
        rows = np.concatenate(
            [
                np.concatenate([2 * a[:, k, None] * along_x for k in (0, 1)], axis=1) / scale[:, :1],
                np.concatenate([b[:, k, None] * along_x + a[:, k, None] * along_y for k in (0, 1)], axis=1)
                / scale[:, 1:2],
                np.concatenate([2 * b[:, k, None] * along_y for k in (0, 1)], axis=1) / scale[:, 2:],
            ]
        )
        off = _misfit(found, along_x, along_y, wanted)
        normal = rows.T @ rows
        right = rows.T @ off
        for k in (0, 1):
            normal[k * m : (k + 1) * m, k * m : (k + 1) * m] += hold2
            right[k * m : (k + 1) * m] += hold2 @ found[:, k]
        normal[np.diag_indices(2 * m)] += 1e-9 * np.trace(normal) / m  # shifts and turns change nothing
        step = np.linalg.solve(normal, right).reshape(2, m).T
        found = found - step
        if np.abs(step).max() < _STEADY * _KNOTS_MM:
            break
    return found
