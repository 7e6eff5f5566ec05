"""What do the cut-through pictures look like? Their openings, one function a design, in mm, y up.

Bridges are drawn wider than they must be on the skin, because Mercator's millimetres shrink away from the
middle of a design: by 0.82 at latitude 35 deg. Tips are rounded so that the design's cutter reaches them.
"""

from __future__ import annotations

from itertools import product

import numpy as np
from shapely import LineString, Point, Polygon, affinity, union_all

from seed_demo.outlines import (
    Floats,
    arc_lengths,
    blob,
    centred,
    only_polygon,
    petal,
    piece_of,
    placed,
    ribbon,
    rounded,
    rounded_parts,
    smooth_curve,
)

R6 = 3.2  # [mm] rounding for a 6 mm cutter
R4 = 2.2  # for a 4 mm cutter
R3 = 1.7  # for a 3 mm cutter
_MEAN_RADIUS_MM = 126.0  # fits the usual squash, 284 mm across and 0.9 as tall: 0.78 at 95 mm

Shapes = tuple[Polygon, ...]


def gap_on_sheet(bridge_mm: float, y_mm: float) -> float:
    """Return how wide a bridge is drawn at height y so that it is `bridge_mm` on the skin [mm]."""
    return float(bridge_mm * np.cosh(y_mm / _MEAN_RADIUS_MM))


# --- Fern Spiral ---------------------------------------------------------------------------------------


def fern_spiral() -> Shapes:
    """Return an unrolling frond: a coiled stem in links, leaflets outside the coil and down the stalk."""
    stem = _fern_stem()
    return centred(_with_leaflets(stem, [rounded(link, R6) for link in _links(stem)]))


def _fern_stem() -> Floats:
    """Return the stem's middle line from the foot of the stalk to the heart of the coil."""
    sweep = np.linspace(0.0, 10.0, 300)
    radius = 46.0 - 3.45 * sweep
    angle = np.pi - sweep
    coil = np.stack([24 + radius * np.cos(angle), 18 + radius * np.sin(angle)], axis=1)
    stalk = smooth_curve([(-64, -92), (-44, -60), (-28, -24), coil[0], coil[12]], steps=40)[:120]
    return np.vstack([stalk, coil[1:]])


def _links(stem: Floats) -> list[Polygon]:
    """Cut the stem into links with bridges between, shorter towards the heart."""
    total = arc_lengths(stem)[-1]
    shapes, at, link = [], 0.0, 47.0
    while total - at > 20:
        end = at + link
        if total - end < 35:
            end = total
        width = 10.0 - 1.0 * at / total
        shapes.append(ribbon(piece_of(stem, at + width / 2, end - width / 2), width, smooth=False))
        at, link = end + 9.8, max(link * 0.9, 25.0)
    return shapes


def _with_leaflets(stem: Floats, links: list[Polygon]) -> list[Polygon]:
    """Return links and leaflets: outside the coil and on both sides of the stalk, as near as may be."""
    along = arc_lengths(stem)
    slope = np.gradient(stem, axis=0)
    heading = np.degrees(np.unwrap(np.arctan2(slope[:, 1], slope[:, 0])))
    shapes = list(links)

    def leaflet(at: float, side: int, length: float, out: float) -> Polygon:
        x, y = (float(np.interp(at, along, stem[:, i])) for i in (0, 1))
        turn = float(np.interp(at, along, heading)) + side * 64.0
        c, s = np.cos(np.radians(turn)), np.sin(np.radians(turn))
        leaf = petal(length, 11.5, bend=-side * length * 0.18, tip=0.45)
        return placed(leaf, x + out * c, y + out * s, turn)

    def clear(leaf: Polygon, spare_mm: float) -> bool:
        need = gap_on_sheet(9.0, abs(leaf.centroid.y) + 4) - spare_mm
        return all(leaf.distance(other) >= need for other in shapes)

    for side, start, end in ((+1, 0.0, 356.0), (-1, 12.0, 84.0)):
        for at, out in product(np.arange(start, end, 1.5), (14.5, 16.0, 17.5, 19.0)):
            sharp = leaflet(at, side, 32.0 - 0.035 * max(at - 130.0, 0.0), out)
            if clear(sharp, spare_mm=3.0) and clear(leaf := rounded(sharp, R6), spare_mm=0.0):
                shapes.append(leaf)
    return shapes


# --- Moon over Reeds -----------------------------------------------------------------------------------


def moon_over_reeds() -> Shapes:
    """Return a crescent over bulrushes, blades bent by the wind, ripples and one bird."""
    crescent = Point(50, 40).buffer(44, 64).difference(Point(68, 51).buffer(36, 64))
    rushes = [
        _rush([(-64, -50), (-66, -14), (-63, 12)], 34),
        _rush([(-34, -50), (-33, -6), (-28, 34)], 36),
        _rush([(-5, -50), (-6, -38), (-7, -22)], 28),
    ]
    blades = [
        _blade([(-86, -50), (-88, -18), (-96, 20)], 11),
        _blade([(20, -50), (25, -36), (40, -23), (64, -21)], 12),
        _blade([(48, -51), (58, -44), (74, -40), (98, -42)], 10.5),
    ]
    ripples = [
        ribbon([(-92, -77), (-70, -73), (-44, -77), (-20, -73), (4, -77)], [6.6, 9, 9, 9, 6.6]),
        ribbon([(24, -75), (44, -71), (66, -75), (88, -72)], [6.6, 9, 9, 6.6]),
    ]
    shapes = [crescent, *rushes, *blades, *ripples, _bird(-70, 74), Point(94, 62).buffer(7)]
    return centred(rounded(shape, R6) for shape in shapes)


def _rush(stem: list[tuple[float, float]], head: float) -> Polygon:
    x, y = stem[-1]
    dx, dy = np.subtract(stem[-1], stem[-2])
    size = np.hypot(dx, dy)
    top = (x + head * dx / size, y + head * dy / size)
    return only_polygon(union_all([ribbon(stem, 7.6), ribbon([(x, y), top], [17, 19, 17], smooth=False)]))


def _blade(line: list[tuple[float, float]], width: float) -> Polygon:
    """Return a reed's blade: narrow at the foot, widest below the middle, pointed at the tip [mm]."""
    return ribbon(line, [7.4, 0.9 * width, width, 0.85 * width, 6.5, 3.0])


def _bird(x: float, y: float) -> Polygon:
    left = ribbon([(-25, 2), (-14, 9), (-2, -2)], [4, 9, 8])
    right = ribbon([(-2, -2), (13, 12), (27, 8)], [8, 9, 4])
    return placed(only_polygon(union_all([left, right, Point(-1, -3).buffer(5)])), x, y, 6.0)


# --- Leaf Fall -----------------------------------------------------------------------------------------


# Tree, middle [mm] and turn [deg] of each leaf; strewn so that they fill the sheet and leave their bridges.
_LEAVES = (
    ("maple", 85.8, -4.1, 39), ("maple", 64.6, -40.2, 3), ("maple", 19.7, -16.6, 218),
    ("maple", -53.1, 64.9, 30), ("maple", 60.8, 39.5, 118), ("oak", -93.8, -31.9, 250),
    ("oak", 43.9, -67.4, 135), ("oak", -30.7, -68.5, 218), ("oak", -24.1, 20.1, 89),
    ("oak", 54.8, 73.8, 172), ("oak", -84.5, -73.9, 14), ("ginkgo", -90.3, 9.4, 182),
    ("ginkgo", -9.0, -33.3, 135), ("ginkgo", -92.1, 41.6, 350), ("ginkgo", -11.8, 77.4, 213),
    ("ginkgo", 3.3, 33.1, 312), ("ginkgo", -57.4, -13.6, 10), ("birch", 89.6, -76.0, 172),
    ("birch", -56.8, 23.5, 243), ("birch", 98.4, 71.0, 113), ("birch", 99.9, -42.8, 108),
    ("birch", -52.4, -44.2, 359), ("birch", 100.7, 33.5, 300), ("birch", 8.1, -75.5, 148),
    ("birch", -94.2, 72.2, 209), ("birch", 43.2, 5.0, 301), ("birch", 15.3, 60.5, 261),
)  # fmt: skip


def leaf_fall() -> Shapes:
    """Return leaves of four trees, strewn as they fall."""
    kinds = {"maple": _maple(), "oak": _oak(), "birch": _birch(), "ginkgo": _ginkgo()}
    return centred(placed(kinds[tree], 1.014 * x, 1.014 * y, turn) for tree, x, y, turn in _LEAVES)


def _maple() -> Polygon:
    lobes = [(0, 25, 13), (54, 22, 12), (-54, 22, 12), (114, 15, 10), (-114, 15, 10)]
    parts = [
        placed(
            Polygon([(0, -w / 2), (0.5 * r, -w / 2), (r + 3, 0), (0.5 * r, w / 2), (0, w / 2)]),
            0,
            0,
            90 + turn,
        )
        for turn, r, w in lobes
    ]
    return rounded(union_all([*parts, ribbon([(0, -3), (1, -12), (4, -19)], 6.6)]), R6, fillet=0.5)


def _oak() -> Polygon:
    middle = ribbon([(-21, 0), (20, 0)], [6.6, 9, 11, 9], smooth=False)
    lobes = [
        Point(x, side * y).buffer(r)
        for side in (-1, 1)
        for x, y, r in ((-9.5, 5.6, 4.0), (1.5, 7.6, 4.4), (12.5, 6.4, 4.2))
    ]
    return rounded(union_all([middle, *lobes, Point(20, 0).buffer(5)]), R6, fillet=0.5)


def _birch() -> Polygon:
    blade = blob([(-10, 0), (-6, 8), (3, 8), (12, 3.5), (19, 0), (12, -3.5), (3, -8), (-6, -8)])
    return rounded(union_all([blade, ribbon([(-16, -2), (-8, 0)], 6.6)]), R6, fillet=0.5)


def _ginkgo() -> Polygon:
    angle = np.radians(np.linspace(-60, 60, 60))
    edge = 20.5 + 1.0 * np.cos(9 * angle)
    fan = Polygon([(-1.0, 0.0), *np.stack([edge * np.cos(angle), edge * np.sin(angle)], axis=1).tolist()])
    notch = Polygon([(25, -2.6), (25, 2.6), (12, 0.4), (12, -0.4)])
    return rounded(
        union_all([fan.difference(notch), ribbon([(-13, 3), (-6, 0.5), (4, 0)], 6.6)]), R6, fillet=0.3
    )


# --- Honeycomb Drift -----------------------------------------------------------------------------------


def honeycomb_drift() -> Shapes:
    """Return a honeycomb whose cells come loose and drift away to the right, and the bee that flies off."""
    shapes = [_cell(x, y, drift) for x, y, drift in _comb()]
    return centred(shapes + [rounded(part, R6, fillet=0.3) for part in _bee(186, 113)])


def _comb(pitch: float = 24.6) -> list[tuple[float, float, float]]:
    """Return middle and drift (0 in the comb .. 1 at the far right) of every cell."""
    cells = []
    ends = (9, 9, 9, 8, 7, 6, 5)  # cells in each row, from the bottom
    for row, count in enumerate(ends):
        for column in range(count):
            x, y = column * pitch + (row % 2) * pitch / 2, row * pitch * np.sqrt(3) / 2
            drift = max(0.0, (x - 85.0) / 110.0)
            cells.append((x + 9 * drift**1.6, y - 7 * drift, drift))
    return cells


def _cell(x: float, y: float, drift: float, across: float = 15.2) -> Polygon:
    size = across / np.sqrt(3) * (1.0 - 0.3 * min(drift, 1.0))
    corners = np.radians(30 + 60 * np.arange(6))
    cell = Polygon(np.stack([size * np.cos(corners), size * np.sin(corners)], axis=1))
    return rounded(placed(cell, x, y, 55 * drift), R6, fillet=0.1)


def _bee(x: float, y: float) -> list[Polygon]:
    """Return a bee in five openings: head, two stripes of the body, two wings."""
    parts = [
        Point(30.5, 2).buffer(5.4),
        ribbon([(10, -5), (11, 0), (10, 5)], [8, 9.5, 8]),
        affinity.scale(Point(-15, -1).buffer(8.6), 1.4, 0.85),
        placed(petal(26, 11.5, tip=0.6), 11, 16.5, 55),
        placed(petal(27, 11.5, tip=0.6), -4, 16, 120),
    ]
    return [placed(part, x, y, 18) for part in parts]


# --- Running Fox ---------------------------------------------------------------------------------------


def running_fox() -> Shapes:
    """Return a fox in full stretch, to the right: tail tip, brush, haunch, chest, head, and the ground."""
    brush = ribbon([(-100, 17), (-85, 30), (-64, 30), (-46, 16), (-34, 8)], [6, 24, 31, 25, 13])
    haunch = union_all(
        [
            ribbon([(-34, 6), (-20, 7), (0, 6)], [20, 33, 27]),
            ribbon([(-25, 0), (-45, -17), (-61, -29), (-82, -31)], [25, 14, 8.5, 7]),
            ribbon([(-20, -4), (-31, -26), (-46, -40), (-63, -47)], [25, 14, 8.5, 7]),
        ]
    )
    chest = union_all(
        [
            ribbon([(0, 6), (18, 6), (34, 9)], [27, 31, 33]),
            ribbon([(32, 4), (54, -10), (70, -15), (88, -11)], [26, 14, 9, 7.4]),
            ribbon([(27, -2), (45, -22), (61, -34), (80, -34)], [24, 12.5, 8.5, 7]),
            ribbon([(30, 12), (46, 22), (58, 28)], [31, 26, 24]),
        ]
    )
    head = Polygon(
        [(52, 33), (53, 46), (52, 64), (65, 50), (69, 49), (76, 63), (80, 45), (89, 36), (106, 26), (105, 20),
         (92, 17), (78, 11), (66, 5), (62, 18)]
    )  # fmt: skip
    gap = 11.8
    cuts = [
        LineString(smooth_curve([(-82, 56), (-78, 34), (-80, 20), (-72, 0)])),
        LineString(smooth_curve([(-48, 40), (-40, 18), (-44, 4), (-58, -8)])),
        LineString(smooth_curve([(12, 46), (3, 22), (-1, 4), (2, -14), (8, -40)])),
        LineString(smooth_curve([(38, 64), (44, 40), (54, 20), (72, 2)])),
    ]
    keep = [cut.buffer(gap / 2, quad_segs=16) for cut in cuts]
    tip, tail = rounded_parts(brush.difference(keep[0]).difference(keep[1]), R6, 60)[:2]
    shapes = [
        tip,
        tail,
        rounded(haunch.difference(keep[1]).difference(keep[2]), R6),
        rounded(chest.difference(keep[2]).difference(keep[3]), R6),
        rounded(head.difference(keep[3]), R6, fillet=0.4),
        rounded(ribbon([(-44, -64), (-12, -60), (18, -64)], [6.6, 9, 6.6]), R6),
        rounded(ribbon([(44, -59), (66, -56), (92, -60)], [6.6, 9, 6.6]), R6),
    ]
    return centred(shapes)


# --- Moth Pair -----------------------------------------------------------------------------------------


def moth_pair() -> Shapes:
    """Return two moths, the larger below, turned towards each other."""
    near = [placed(part, -38, -16, 15.0) for part in _moth(0.92, split_hind=True)]
    far = [placed(part, 54, 24, -20.0) for part in _moth(0.74, split_hind=False)]
    return centred(rounded(part, R4, fillet=0.4) for part in near + far)


def _moth(scale: float, split_hind: bool) -> list[Polygon]:
    """Return body with horns, and the panels of the wings; bridges keep their width at every scale."""
    gap = 6.6

    def sized(points: list[tuple[float, float]]) -> Floats:
        return np.asarray(points) * scale

    fore = blob(sized([(4, 13), (20, 26), (42, 33), (60, 34), (55, 22), (50, 9), (36, 1), (20, -2), (6, 0)]))
    hind = blob(sized([(5, -4), (22, -6), (42, -5), (45, -16), (38, -30), (24, -35), (12, -27), (5, -16)]))
    trunk = ribbon(sized([(0, 12), (0, -6), (0, -32)]), np.array([12, 14, 12, 10, 6]) * max(scale, 0.85))
    horns = union_all(
        [
            ribbon(sized([(s * 1.5, 14), (s * 6, 22), (s * 15, 27), (s * 22, 36)]), [4.6, 5.2, 6.2, 4.4])
            for s in (-1, 1)
        ]
    )
    clear = trunk.union(horns).buffer(gap)
    band = LineString(smooth_curve(sized([(30, 46), (37, 24), (32, 8), (36, -14)])))
    panels = rounded_parts(fore.difference(clear).difference(band.buffer(gap / 2)), R4, 60)
    low = hind.difference(clear).difference(fore.buffer(gap))
    if split_hind:
        arc = LineString(smooth_curve(sized([(26, 2), (29, -14), (25, -28), (14, -42)])))
        panels += rounded_parts(low.difference(arc.buffer(gap / 2)), R4, 40)
    else:
        panels.append(only_polygon(low))
    mirrored = [affinity.scale(part, -1, 1, origin=(0, 0)) for part in panels]
    return [only_polygon(trunk.union(horns)), *panels, *mirrored]


# --- Root Rune -----------------------------------------------------------------------------------------


def root_rune() -> Shapes:
    """Return six signs in the manner of old letters, in two rows; no tongue between strokes under 6 mm."""
    signs: list[list[list[tuple[float, float]]]] = [
        [[(0, 0), (0, 24)], [(0, 5), (12, 11)], [(0, 17.5), (11, 23)]],
        [[(0, 0), (0, 24), (12, 17), (12, 0)]],
        [[(0, 0), (0, 24), (12, 18)], [(0, 11.5), (12, 5.5)]],
        [[(12, 24), (1, 12), (12, 0)]],
        [[(6, 0), (6, 24)], [(-1, 15.5), (13, 8.5)]],
        [[(0, 0), (0, 24), (12, 14)]],
    ]
    shapes = []
    for i, sign in enumerate(signs):
        strokes = union_all([ribbon(stroke, 4.4, smooth=False) for stroke in sign])
        left, low, right, high = strokes.bounds
        x, y = (i % 3 - 1) * 26.0 - (left + right) / 2, (0.5 - i // 3) * 36.0 - (low + high) / 2
        shapes.append(rounded(affinity.translate(strokes, x, y), R3, fillet=0.5))
    return centred(shapes)


# --- Bad Badge -----------------------------------------------------------------------------------------


def bad_badge() -> Shapes:
    """Return a drawing with two faults on purpose: a ring that drops its middle, and a bridge of 3 mm."""
    ring = Point(0, 0).buffer(40, 48).difference(Point(0, 0).buffer(30, 48))
    shield = blob([(0, 17), (-13, 13), (-12, -6), (0, -18), (12, -6), (13, 13)])
    bar = Polygon([(-40, -43), (40, -43), (40, -55), (-40, -55)])
    return centred([only_polygon(ring), shield, rounded(bar, R6)])
