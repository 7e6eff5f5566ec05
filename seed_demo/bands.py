"""What do the designs that go all round a piece look like? Openings as a function of the way round, in mm.

A band's millimetres are true at the middle of the band, so its repeats are drawn to the circumference there;
the first opening is as far from the last, round the back, as any two neighbours.
"""

from __future__ import annotations

import numpy as np
from shapely import LineString, Point, Polygon, affinity, union_all

from seed_demo.outlines import (
    Floats,
    centred,
    only_polygon,
    petal,
    piece_of,
    placed,
    ribbon,
    rounded,
    rounded_parts,
)
from seed_demo.pictures import R3, R4, R6, Shapes

# --- Nine Waves ----------------------------------------------------------------------------------------


def nine_waves(circumference_mm: float) -> Shapes:
    """Return nine breaking waves round the piece: a curling crest and the swell beneath, each."""
    return _repeated(_wave(circumference_mm / 9), 9, circumference_mm)


def _wave(period: float) -> list[Polygon]:
    """Return one wave, drawn 99 mm long and stretched to the period [mm]."""
    crest = ribbon(
        [(-43, -19), (-27, -11), (-14, 8), (0, 31), (19, 40), (35, 33), (37, 17), (26, 10)],
        [3, 13, 24, 30, 29, 22, 17, 12, 9],
    )
    swell = ribbon(
        [(-38, -57), (-16, -51), (5, -34), (22, -28), (38, -37), (46, -52)], [3, 15, 22, 20, 14, 4]
    )
    k = period / 99.0
    return [rounded(affinity.scale(part, k, 1.0, origin=(0, 0)), R6) for part in (crest, swell)]


def _repeated(motif: list[Polygon], times: int, circumference_mm: float) -> Shapes:
    """Return a motif repeated round the piece, even at the seam."""
    period = circumference_mm / times
    return centred(
        affinity.translate(part, (i - (times - 1) / 2) * period, 0) for i in range(times) for part in motif
    )


# --- Star Chart North ----------------------------------------------------------------------------------

# Five figures of the northern sky as a watcher sees them, drawn to the lantern and not to scale [mm]:
# stars (x, y, size 1..3) and the pairs between which a dash is cut. Shapes from memory.
Figure = tuple[float, float, tuple[tuple[float, float, int], ...], tuple[tuple[int, int], ...]]
_FIGURES: tuple[Figure, ...] = (
    (-330, 12,  # the Plough
     ((-108, -12, 3), (-66, 18, 2), (-26, 16, 2), (17, 10, 1), (28, -38, 2), (86, -36, 2), (96, 20, 3)),
     ((0, 1), (1, 2), (2, 3), (3, 4), (4, 5), (5, 6), (6, 3))),
    (-141, -14,  # the Queen's Chair
     ((-72, 26, 2), (-38, -22, 3), (2, 10, 2), (36, -30, 2), (72, 26, 2)),
     ((0, 1), (1, 2), (2, 3), (3, 4))),
    (-3, 0,  # the Swan
     ((4, 66, 3), (0, 20, 2), (50, 2, 2), (-48, 26, 2), (-5, -24, 1), (-12, -66, 2)),
     ((0, 1), (1, 2), (1, 3), (1, 4), (4, 5))),
    (116, -6,  # the Charioteer
     ((-10, 54, 3), (44, 38, 2), (48, -16, 2), (4, -56, 2), (-46, -28, 1)),
     ((0, 1), (1, 2), (2, 3), (3, 4), (4, 0))),
    (298, -8,  # the Little Bear, the Pole Star at its tail
     ((98, 56, 3), (56, 64, 1), (18, 46, 1), (-22, 24, 1), (-28, -22, 1), (-78, -28, 2), (-76, 24, 2)),
     ((0, 1), (1, 2), (2, 3), (3, 4), (4, 5), (5, 6), (6, 3))),
)  # fmt: skip
_DRAWN_FOR_MM = 892.0
_HOLE_MM = {1: 6.0, 2: 9.0}
_STARS_AND_DASHES = 72


def star_chart_north(circumference_mm: float) -> Shapes:
    """Return five star figures round the piece, dashes between their stars, small stars strewn about."""
    k = circumference_mm / _DRAWN_FOR_MM
    shapes: list[Polygon] = []
    for x, y, stars, pairs in _FIGURES:
        at = [np.array([k * (x + dx), y + dy]) for dx, dy, _ in stars]
        shapes += [placed(_star(size), *p) for p, (_, _, size) in zip(at, stars, strict=True)]
        shapes += [_dash(at[i], at[j], stars[i][2], stars[j][2]) for i, j in pairs]
    rng = np.random.default_rng(11)
    while len(shapes) < _STARS_AND_DASHES:
        x, y = rng.uniform(-0.48, 0.48) * circumference_mm, rng.uniform(-66, 68)
        small = Point(x, y).buffer(2.5, quad_segs=16)
        if all(round_gap(small, other, circumference_mm) >= 14.5 for other in shapes):
            shapes.append(small)
    return centred(shapes)


def _star(size: int) -> Polygon:
    """Return a round hole, or a rounded five-pointed star for the brightest."""
    if size < 3:
        return Point(0, 0).buffer(_HOLE_MM[size] / 2, quad_segs=16)
    angle = np.radians(90 + 36 * np.arange(10))
    radius = np.where(np.arange(10) % 2 == 0, 14.0, 5.6)
    return rounded(
        Polygon(np.stack([radius * np.cos(angle), radius * np.sin(angle)], axis=1)), R4, fillet=0.1
    )


def _dash(first: Floats, second: Floats, size: int, other: int) -> Polygon:
    """Return the slot between two stars, clear of both."""
    length = float(np.linalg.norm(second - first))
    start, end = (14.6 + (_HOLE_MM[s] / 2 if s < 3 else 13.5) for s in (size, other))
    middle = (start + length - end) / 2
    half = max((length - start - end) / 2, 0.5)
    line = np.stack([first, second])
    return rounded(ribbon(piece_of(line, middle - half, middle + half), 4.8, smooth=False), R4)


def round_gap(shape: Polygon, other: Polygon, circumference_mm: float) -> float:
    """Return the distance between two shapes on a band that closes round the piece [mm]."""
    return min(affinity.translate(shape, turn * circumference_mm, 0).distance(other) for turn in (-1, 0, 1))


# --- Knot Border ---------------------------------------------------------------------------------------


def knot_border(circumference_mm: float) -> Shapes:
    """Return a two-strand plait of six turns: a strand stops short where it dips, eyes and beads between.

    Both strands are sines half a wave apart. A link runs over at its middle and under at its ends, and seen
    from its middle every link is the same curve, so one link repeated each half wave makes the whole plait.
    The plait is open at the back by a bridge's width, so that no link crosses the seam.
    """
    height, width, bridge = 37.0, 10.0, 9.8
    wave = (circumference_mm - 10.0) / 6.2  # eleven half waves and the overhang of the two end links
    for _ in range(8):  # the overhang depends on the wave: settle it
        cut = _link(wave, height, width, bridge)
        over = max(-cut.bounds[0], cut.bounds[2])
        wave = (circumference_mm - 10.0 - 2 * over) / 5.5
    cut = _link(wave, height, width, bridge)
    beads = [Point(0, side * 35.0).buffer(4.3) for side in (-1, 1)]
    loop = _sine(0.0, 0.25, wave, height, lead=0.25)
    inside = Polygon(np.vstack([loop, loop[::-1] * [1, -1]])).buffer(0)
    eye = rounded(inside.buffer(-(width / 2 + bridge), quad_segs=16), R6)
    shapes = []
    for i in range(12):
        mid = (i - 5.5) * wave / 2
        shapes += [affinity.translate(part, mid, 0) for part in (cut, *beads)]
        if i < 11:
            shapes.append(affinity.translate(eye, mid + wave / 4, 0))
    return centred(shapes)


def _link(wave: float, height: float, width: float, bridge: float) -> Polygon:
    """Return one link of the plait about its middle, cut short where it dips under its neighbours."""
    link = LineString(_sine(0.0, 0.5, wave, height)).buffer(width / 2, cap_style="flat")
    over = union_all(
        [LineString(_sine(side * wave / 2, 0.3, wave, height)).buffer(width / 2 + bridge) for side in (-1, 1)]
    )
    return min(rounded_parts(link.difference(over), R6, 60), key=lambda part: part.distance(Point(0, 0)))


def _sine(middle: float, half: float, wave: float, height: float, lead: float = 0.0) -> Floats:
    """Return a sine about `middle` [mm], `half` waves each way, `lead` waves ahead."""
    x = np.linspace(-half * wave, half * wave, 300)
    return np.stack([middle + x, height * np.sin(2 * np.pi * (x / wave + lead))], axis=1)


# --- Gourd Lace ----------------------------------------------------------------------------------------


def gourd_lace(circumference_mm: float) -> Shapes:
    """Return a lace collar of sixteen repeats: petals in two rows, beads, and a scalloped hem."""
    return _repeated(_lace(circumference_mm / 16), 16, circumference_mm)


def _lace(period: float) -> list[Polygon]:
    """Return one repeat, drawn 31.4 mm wide and stretched to the period [mm]."""
    half = 15.7
    parts = (
        placed(petal(54, 12.5, tip=0.62), 0, -20, 90),
        placed(petal(38, 11.5, tip=0.42), half, -36, 90),
        placed(petal(38, 11.5, tip=0.62), half, 16, 90),
        Point(0, 47).buffer(5.2),
        ribbon([(-5.2, -45), (-3.6, -55), (0, -59), (3.6, -55), (5.2, -45)], [4.0, 5.5, 8, 5.5, 4.0]),
        Point(0, -34.5).buffer(4.8),
    )
    k = period / 31.4
    return [rounded(only_polygon(affinity.scale(part, k, 1.0, origin=(0, 0))), R3) for part in parts]
