"""What do the relief pictures look like? Grey tones computed on a grid, as PNG bytes; bright = thin wall.

A tone picture is thinned where it is bright, so the light things (moon, mist, pale fur) are drawn bright and
the skin is left where a picture is transparent. Tones are posterised to the steps a wall gauge can keep.
"""

from __future__ import annotations

from io import BytesIO

import numpy as np
from numpy.typing import ArrayLike, NDArray
from PIL import Image, ImageFilter

Floats = NDArray[np.float64]

PIXEL_MM = 0.5
_SOFT_MM = 0.45  # by which edges between tones are blurred


def _grid(width_mm: float, height_mm: float) -> tuple[Floats, Floats]:
    """Return x right and y up of every pixel, origin in the middle, row 0 at the top [mm]."""
    x = (np.arange(round(width_mm / PIXEL_MM)) + 0.5) * PIXEL_MM - width_mm / 2
    y = height_mm / 2 - (np.arange(round(height_mm / PIXEL_MM)) + 0.5) * PIXEL_MM
    gx, gy = np.meshgrid(x, y)
    return gx, gy


def _step(signed_mm: Floats, soft_mm: float = 0.8) -> Floats:
    """Return 1 inside (negative distance), 0 outside, with a soft edge."""
    found: Floats = np.clip(0.5 - signed_mm / (2 * soft_mm), 0.0, 1.0)
    return found


def _ellipse(x: Floats, y: Floats, cx: float, cy: float, a: float, b: float, turn_deg: float = 0.0) -> Floats:
    """Return about the signed distance to an ellipse turned counter-clockwise [mm]."""
    c, s = np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))
    u, v = (x - cx) * c + (y - cy) * s, -(x - cx) * s + (y - cy) * c
    rho = np.hypot(u / a, v / b)
    slope = np.hypot(u / a**2, v / b**2) / np.maximum(rho, 1e-9)
    found: Floats = (rho - 1.0) / np.maximum(slope, 1e-3)
    return found


def _within(x: Floats, y: Floats, outline: ArrayLike) -> Floats:
    """Return the signed distance to a smooth closed outline through points (n, 2) [mm]."""
    import shapely

    from seed_demo.outlines import blob

    shape = blob(outline)
    points = shapely.points(x, y)
    away = shapely.distance(shape.exterior, points)
    found: Floats = np.where(shapely.contains_xy(shape, x, y), -away, away)
    return found


def _over(picture: Floats, tone: ArrayLike, cover: Floats) -> Floats:
    """Lay a tone over the picture where `cover` is 1."""
    found: Floats = picture * (1 - cover) + np.asarray(tone) * cover
    return found


def _png(tone: Floats, cover: Floats, steps: int) -> bytes:
    """Return an 8-bit grey PNG with transparency, in `steps` tones, soft as a 3 mm ball can cut."""
    level = np.clip(tone, 0.0, 1.0) * (steps - 1)
    base, part = np.floor(level), level - np.floor(level)
    posterised = (base + np.clip((part - 0.5) * 6 + 0.5, 0, 1)) / (steps - 1)
    hard = Image.fromarray(np.round(28 + 227 * posterised).astype(np.uint8))
    grey = np.asarray(hard.filter(ImageFilter.GaussianBlur(_SOFT_MM / PIXEL_MM)))
    alpha = np.where(cover > 0.5, 255, 0).astype(np.uint8)
    written = BytesIO()
    dots = round(25.4 / PIXEL_MM)
    Image.fromarray(np.dstack([grey, alpha]), mode=None).save(written, "PNG", optimize=True, dpi=(dots, dots))
    return written.getvalue()


def _frame(x: Floats, y: Floats, width_mm: float, height_mm: float, corner_mm: float = 22.0) -> Floats:
    """Return the cover of a picture with round corners."""
    u = np.maximum(np.abs(x) - width_mm / 2 + corner_mm, 0)
    v = np.maximum(np.abs(y) - height_mm / 2 + corner_mm, 0)
    return _step(np.hypot(u, v) - corner_mm, 0.3)


# --- Owl in Mist ---------------------------------------------------------------------------------------


def owl_in_mist() -> bytes:
    """Return an owl on a bough before the moon, banks of mist below: five tones, 150 x 170 mm."""
    x, y = _grid(150, 170)
    sky = 0.30 + 0.10 * np.exp(-((y - 30) ** 2 + x**2) / 3500)
    moon = _ellipse(x, y, 18, 30, 46, 46)
    picture = _over(np.full_like(x, 0.0) + sky, 0.86, _step(moon))
    for height, depth, phase, tone in ((-30, 5, 0.4, 0.5), (-46, 6, 2.0, 0.62), (-62, 5, 4.1, 0.78)):
        top = height + depth * np.sin(x / 19 + phase) + 3 * np.sin(x / 8 + 2 * phase)
        picture = _over(picture, tone + 0.006 * (y - top), _step(y - top, 4.0))
    bough = _within(
        x,
        y,
        [
            (-78, -36),
            (-40, -33),
            (0, -36),
            (40, -30),
            (78, -20),
            (78, -30),
            (42, -41),
            (0, -47),
            (-40, -44),
            (-78, -48),
        ],
    )
    twig = _within(x, y, [(40, -34), (52, -18), (68, -6), (70, -9), (56, -22), (48, -38)])
    picture = _over(picture, 0.02, np.maximum(_step(bough), _step(twig)))
    picture = _owl(picture, x, y)
    return _png(picture, _frame(x, y, 150, 170), 5)


def _owl(picture: Floats, x: Floats, y: Floats) -> Floats:
    """Lay the owl over the picture: body, breast in scales, face, eyes, beak, wings, claws."""
    body = _within(
        x, y,
        [(-26, 52), (-23, 43), (0, 47), (23, 43), (26, 52), (31, 34), (30, 16), (33, -8), (26, -30),
         (10, -40), (-10, -40), (-26, -30), (-33, -8), (-30, 16), (-31, 34)],
    )  # fmt: skip
    tail = _within(x, y, [(-10, -36), (10, -36), (9, -62), (0, -67), (-9, -62)])
    picture = _over(picture, 0.10, np.maximum(_step(body), _step(tail)))
    breast = _ellipse(x, y, 0, -12, 19, 25)
    rows = np.floor((y + 40) / 8.0)
    across = np.remainder(x + 4.5 * np.remainder(rows, 2), 9.0) - 4.5
    scale = np.hypot(across, np.remainder(y + 40, 8.0) - 8.0)
    picture = _over(picture, np.where(scale < 4.6, 0.26, 0.52), _step(breast, 1.5))
    for side in (-1, 1):
        wing = _within(side * x, y, [(29, 14), (33, -8), (27, -30), (17, -42), (17, -22), (20, -4), (23, 10)])
        feathers = 0.16 + 0.10 * (np.sin((y + 0.6 * side * x) / 2.2) > 0.3)
        picture = _over(picture, feathers, _step(wing, 0.6))
        disc = _ellipse(x, y, side * 12.5, 27, 14.5, 15.5, side * 12)
        ray = 0.64 + 0.10 * np.cos(14 * np.arctan2(y - 27, x - side * 12.5))
        picture = _over(picture, ray, _step(disc))
        picture = _over(picture, 1.0, _step(_ellipse(x, y, side * 12, 28, 8.6, 8.6)))
        picture = _over(picture, 0.0, _step(_ellipse(x, y, side * 11.5, 28, 4.6, 4.6)))
        picture = _over(picture, 1.0, _step(_ellipse(x, y, side * 11.5 + 1.6, 29.8, 1.7, 1.7), 0.5))
        for toe in (-4, 0, 4):
            claw = _ellipse(x, y, side * 10 + toe, -39, 1.7, 5.5)
            picture = _over(picture, 0.55, _step(claw, 0.5))
    beak = _within(x, y, [(-4, 24), (4, 24), (2.4, 15), (0, 10), (-2.4, 15)])
    return _over(picture, 0.25, _step(beak, 0.6))


# --- Fox Asleep ----------------------------------------------------------------------------------------


def fox_asleep() -> bytes:
    """Return a fox curled up with its brush about its nose, on leaves: six tones, 190 x 130 mm."""
    x, y = _grid(190, 130)
    picture = np.full_like(x, 0.12)
    rng = np.random.default_rng(5)
    for _ in range(46):  # fallen leaves it lies on
        cx, cy = rng.uniform(-92, 92), rng.uniform(-62, -34)
        leaf = _ellipse(x, y, cx, cy, rng.uniform(7, 12), rng.uniform(3, 4.5), rng.uniform(-50, 50))
        picture = _over(picture, rng.choice([0.18, 0.3, 0.42]), _step(leaf, 0.6))
    picture = _fox_back(picture, x, y)
    picture = _fox_brush(picture, x, y)
    picture = _fox_face(picture, x, y)
    return _png(picture, _frame(x, y, 190, 130), 6)


def _fur(x: Floats, y: Floats, cx: float, cy: float) -> Floats:
    """Return soft strokes of fur that run round a middle."""
    angle, radius = np.arctan2(y - cy, x - cx), np.hypot(x - cx, y - cy)
    found: Floats = 0.05 * np.sin(26 * angle + 0.35 * radius) * np.sin(0.55 * radius + 3 * np.sin(5 * angle))
    return found


def _fox_back(picture: Floats, x: Floats, y: Floats) -> Floats:
    body = _within(
        x, y,
        [(-74, -20), (-66, 10), (-42, 34), (-8, 45), (30, 42), (60, 24), (76, -4), (74, -30), (50, -46),
         (0, -50), (-46, -46)],
    )  # fmt: skip
    shade = 0.62 - 0.26 * np.clip((np.hypot((x - 6) / 1.25, y + 14) - 22) / 42, 0, 1)
    picture = _over(picture, shade + _fur(x, y, 0, -10), _step(body))
    haunch = _ellipse(x, y, 42, -6, 30, 29, -20)
    rim = np.exp(-((haunch + 1.5) ** 2) / 5.0)
    picture = _over(picture, 0.70 + _fur(x, y, 42, -10), _step(haunch, 6.0) * 0.6)
    fade = np.clip((y + 30) / 12, 0, 1) * np.clip((66 - x) / 14, 0, 1)
    return _over(picture, 0.22, rim * fade)


def _fox_brush(picture: Floats, x: Floats, y: Floats) -> Floats:
    brush = _within(
        x, y,
        [(78, -8), (84, -26), (74, -46), (44, -56), (4, -58), (-30, -52), (-52, -40), (-58, -30), (-44, -28),
         (-16, -32), (18, -34), (48, -28), (66, -16)],
    )  # fmt: skip
    picture = _over(picture, 0.06, _step(brush - 1.8))
    picture = _over(picture, 0.56 + 0.9 * _fur(x, y, 10, 20), _step(brush))
    tip = _step(x + 22 + 4 * np.sin(y / 2.2), 1.5) * _step(brush)
    return _over(picture, 0.98, tip)


def _fox_face(picture: Floats, x: Floats, y: Floats) -> Floats:
    ears = (
        [(-66, 4), (-76, 30), (-71, 33), (-52, 16)],
        [(-40, 12), (-34, 40), (-29, 39), (-20, 8)],
    )
    for ear in ears:
        outer = _within(x, y, ear)
        picture = _over(picture, 0.04, _step(outer - 2.2))
        picture = _over(picture, 0.52, _step(outer))
        picture = _over(picture, 0.14, _step(outer + 4.0))
    head = _within(
        x, y,
        [(-70, 2), (-58, 15), (-40, 17), (-22, 9), (-13, -8), (-21, -19), (-38, -26), (-58, -36), (-66, -38),
         (-69, -33), (-66, -20), (-75, -10)],
    )  # fmt: skip
    picture = _over(picture, 0.06, _step(head - 1.8))
    picture = _over(picture, 0.68 + _fur(x, y, -45, 20), _step(head))
    cheek = _within(x, y, [(-14, -8), (-22, -18), (-38, -25), (-56, -34), (-50, -24), (-36, -14), (-26, -7)])
    picture = _over(picture, 0.98, _step(cheek, 1.2))
    blaze = _within(x, y, [(-74, -9), (-66, -10), (-62, -20), (-62, -32), (-67, -30), (-67, -20)])
    picture = _over(picture, 0.98, _step(blaze, 1.2))
    for cx, cy, a, turn in ((-41, -6, 8.5, -24), (-66, -3, 4.5, 28)):  # closed eyes: lids as arcs
        u = (x - cx) * np.cos(np.radians(turn)) + (y - cy) * np.sin(np.radians(turn))
        v = -(x - cx) * np.sin(np.radians(turn)) + (y - cy) * np.cos(np.radians(turn))
        lid = np.abs(v + 0.32 * a * (1 - (u / a) ** 2)) - 1.5
        picture = _over(picture, 0.0, _step(np.maximum(lid, np.abs(u) - a), 0.5))
    return _over(picture, 0.0, _step(_ellipse(x, y, -65, -35, 4.6, 3.6, 20), 0.6))


# --- Full Moon -----------------------------------------------------------------------------------------

# Dark plains and bright craters of the near side, as seen from the north of the earth: x, y and half axes as
# shares of the disc's radius, turn [deg], strength. Placed from memory.
_PLAINS = (
    (-0.28, 0.52, 0.31, 0.27, 0, 1.0),  # Imbrium
    (0.26, 0.46, 0.19, 0.18, 0, 1.0),  # Serenitatis
    (0.45, 0.15, 0.24, 0.19, -20, 1.1),  # Tranquillitatis
    (0.82, 0.29, 0.09, 0.12, -10, 1.1),  # Crisium
    (0.73, -0.06, 0.13, 0.20, 15, 0.9),  # Fecunditatis
    (0.52, -0.24, 0.10, 0.11, 0, 0.9),  # Nectaris
    (-0.72, 0.25, 0.20, 0.46, 12, 1.0),  # Procellarum
    (-0.56, -0.05, 0.26, 0.20, -15, 0.9),  # Procellarum, south
    (-0.58, -0.40, 0.12, 0.11, 0, 1.1),  # Humorum
    (-0.26, -0.33, 0.22, 0.16, 10, 0.95),  # Nubium
    (0.05, 0.83, 0.44, 0.045, 0, 0.7),  # Frigoris
    (0.06, 0.22, 0.10, 0.08, 0, 0.7),  # Vaporum
)
_CRATERS = (
    (-0.15, -0.68, 0.055, 11),  # Tycho, with its rays
    (-0.33, 0.17, 0.06, 9),  # Copernicus
    (-0.61, 0.14, 0.035, 7),  # Kepler
    (-0.67, 0.40, 0.04, 0),  # Aristarchus
    (0.62, -0.36, 0.04, 0),
    (0.30, -0.62, 0.05, 0),
    (0.12, -0.45, 0.045, 0),
)


def full_moon() -> bytes:
    """Return the full moon with plains, craters and rays: seven tones, 140 mm across."""
    x, y = _grid(140, 140)
    u, v = x / 70, y / 70
    rho = np.hypot(u, v)
    wobble = 0.05 * (np.sin(9 * u + 4 * np.sin(5 * v)) + np.sin(11 * v + 3 * np.sin(6 * u)))
    dark = np.zeros_like(u)
    for cx, cy, a, b, turn, depth in _PLAINS:
        away = _ellipse(u, v, cx, cy, a, b, turn)
        dark = np.maximum(dark, depth * np.clip(0.5 - (away + wobble) / 0.10, 0, 1))
    tone = 0.82 - 0.06 * rho**4 + 0.6 * wobble - 0.65 * np.clip(dark, 0, 1.1)
    for cx, cy, size, rays in _CRATERS:
        tone = _crater(tone, u, v, (cx, cy), size, rays)
    return _png(np.clip(tone, 0.0, 1.0), _step(70 * (rho - 0.995), 0.3), 7)


def _crater(tone: Floats, u: Floats, v: Floats, at: tuple[float, float], size: float, rays: int) -> Floats:
    """Lay a crater over the tones: bright rim, darker floor, and bright rays that fade outwards."""
    du, dv = u - at[0], v - at[1]
    away, angle = np.hypot(du, dv), np.arctan2(dv, du)
    if rays:
        beam = np.clip(np.cos(rays * angle + 1.7 * np.sin(2 * angle)) - 0.55, 0, 1) / 0.45
        tone = tone + 0.13 * beam * np.exp(-away / (7 * size)) * (away > size)
    rim = np.exp(-(((away - size) / (0.30 * size)) ** 2))
    floor = np.clip(1.2 - away / (0.75 * size), 0, 1)
    found: Floats = tone + 0.30 * rim - 0.25 * floor
    return found
