"""How will the lantern look when it is lit in the dark? A picture of the virtual cut from outside.

The viewer stands in front of the middle of what is cut, stem up, so far away that rays are parallel::

        up                    each pixel at angle a and distance rho from the middle of the picture
        |   . pixel           sees the skin in the direction
        |  / rho              cos(t) (cos a right + sin a up) + sin(t) out
        | / a                 where radius * cos(t) = rho; the largest t wins, as it lies in front
        +------- right

Light through flesh falls off as exp(-k t) with the lot's own k (Swinehart 1962, J. Chem. Educ. 39:333, for
the law); red goes through more easily than blue, so thick flesh glows deep orange. The factors for the
three colours, the spread and the glow are chosen for the eye.
"""

from __future__ import annotations

import io
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from engine.chart import to_sheet
from engine.errors import BadInput
from engine.frames import lonlat_of, near_longitude, normalised, unit_of
from engine.records import Chart, Floats, Rules, Surface, ToneField, VirtualCut, Wall, WantedCut
from engine.surface import normals_at
from engine.tone import encoded, tones_at
from engine.wall import wall_at

Image = NDArray[np.uint8]

_LAMP = np.array([1.0, 0.74, 0.33])  # linear light of a warm lamp seen through an opening
_COLOUR_FALL = np.array([0.85, 1.2, 1.9])  # times k: red, green, blue in flesh
_SKIN_PASSES = 0.35  # share of the light that uncut skin lets through, against flesh
_GREY = np.array([0.2126, 0.7152, 0.0722])  # weights of the three colours in a grey (ITU-R BT.709-6)
_SPREAD_MM = 1.2  # sideways spread of light in flesh
_NIGHT = np.array([0.0035, 0.0042, 0.0075])
_MOON = np.array([0.034, 0.042, 0.064])
_RIND = np.array([0.0150, 0.0076, 0.0034])


# a step of the table is at most a quarter of a step of the picture, where the curve is steepest
_SIGNAL: Image = (encoded(np.linspace(0.0, 1.0, 16384)) * 255 + 0.5).astype(np.uint8)


def lit_look(
    cut: VirtualCut,
    surface: Surface,
    wall: Wall,
    rules: Rules,
    *,
    size_px: tuple[int, int] = (420, 420),
    front: tuple[float, float] | None = None,
) -> Image:
    """Return the look of a cut piece, lit from inside in the dark.

    Parameters
    ----------
    cut : VirtualCut
        What the program leaves.
    surface : Surface
        The fitted skin.
    wall : Wall
        The wall before the cut.
    rules : Rules
        The fall of light in flesh and the depth at which the skin is off.
    size_px : tuple of int
        Width and height of the picture [-].
    front : tuple of float, optional
        Longitude and latitude that face the viewer; the middle of what is cut when not given [rad].

    Returns
    -------
    ndarray (height, width, 3)
        sRGB, 8 bit [-].
    """
    view = _view(surface, front or _front(cut), size_px)
    fields = _through(cut, surface, wall, rules, view.pixel_mm)
    seen = _look(cut, fields, view.unit)
    clear = seen[:, 3]
    seen[:, :3] += (clear * _inside(cut, fields, wall, view, clear > 0))[:, None] * _LAMP
    light = _shaded(view, clear)
    light[view.on] += seen[:, :3] * view.cover[view.on][:, None]
    light += _glow(light)
    return _SIGNAL[np.minimum(light * (len(_SIGNAL) - 1), len(_SIGNAL) - 1).astype(np.intp)]


@dataclass(frozen=True, slots=True)
class Likeness:
    """How alike a relief's lit look is to what was meant, by structure; 1 = the same."""

    ideal_wall: float  # to the look of the wall as wanted, in the same flesh: what cutter and motion change
    wanted_tones: float  # to the tones of the picture themselves: what the flesh cannot show counts, too


def lit_likeness(
    cut: VirtualCut,
    wanted: WantedCut,
    surface: Surface,
    wall: Wall,
    rules: Rules,
    *,
    size_px: tuple[int, int] = (420, 420),
) -> float:
    """Return how alike a relief as cut looks to the wall as wanted, by structure; 1 = the same.

    Both are lit and seen the same way, in the same flesh; only what the cutter's form and the machine's
    motion change is told. Pixels within the relief count, compared as the signal a screen gets, exposed so
    that the thinnest wall allowed is white.

    Parameters
    ----------
    cut : VirtualCut
        What the program leaves.
    wanted : WantedCut
        With the wanted floor of a relief.
    surface : Surface
        The fitted skin.
    wall : Wall
        The wall before the cut.
    rules : Rules
        The fall of light in flesh and the depth at which the skin is off.
    size_px : tuple of int
        Width and height of the pictures [-].
    """
    return _likeness(cut, wanted, None, surface, wall, rules, size_px)[0]


def relief_likeness(
    cut: VirtualCut,
    wanted: WantedCut,
    design: tuple[ToneField, Chart],
    surface: Surface,
    wall: Wall,
    rules: Rules,
    *,
    size_px: tuple[int, int] = (420, 420),
) -> Likeness:
    """Return how alike a relief as cut looks to the wall as wanted and to the wanted tones themselves.

    Parameters
    ----------
    cut, wanted, surface, wall, rules
        As for `lit_likeness`.
    size_px : tuple of int
        Width and height of the pictures [-].
    design : tuple of ToneField and Chart
        The tones, and where they lie on the piece.
    """
    return Likeness(*_likeness(cut, wanted, design, surface, wall, rules, size_px))


def _likeness(
    cut: VirtualCut,
    wanted: WantedCut,
    design: tuple[ToneField, Chart] | None,
    surface: Surface,
    wall: Wall,
    rules: Rules,
    size_px: tuple[int, int],
) -> tuple[float, float]:
    from engine.similarity import similarity

    depth = _wanted_depth(cut, wanted)
    view = _view(surface, _front(cut), size_px)
    body = _coarsely(cut, surface, wall)
    ideal = replace(cut, depth_mm=np.where(np.isfinite(depth), depth, cut.depth_mm))
    lights = [_light_through(one, body, surface, rules, view.pixel_mm) for one in (cut, ideal)]
    seen = _look(cut, np.stack([*lights, np.isfinite(depth)], axis=-1), view.unit)
    inside = np.zeros(view.on.shape, bool)
    inside[view.on] = seen[:, 2] > 0.99
    if not inside.any():
        raise BadInput("no relief is seen from the front, so its look cannot be compared")
    as_cut, as_ideal = _pictured(view, seen[:, 0]), _pictured(view, seen[:, 1])
    alike = similarity(as_cut, as_ideal, where=inside)
    if design is None:
        return alike, float("nan")
    tones, toned = tones_at(design[0], to_sheet(design[1], *lonlat_of(view.unit)))
    inside[view.on] &= toned
    if not inside.any():
        raise BadInput("no tone is seen from the front, so the look cannot be compared with the tones")
    return alike, similarity(as_cut, _pictured(view, np.where(toned, tones, seen[:, 0])), where=inside)


def _light_through(
    cut: VirtualCut, body: tuple[Floats, Floats], surface: Surface, rules: Rules, pixel_mm: float
) -> Floats:
    """Return the luminance through flesh on the cut's grid, 1 = through the thinnest wall allowed."""
    from scipy.ndimage import gaussian_filter

    mixed, open_ = _flesh(cut, body, surface, rules)
    weights = _GREY * _LAMP
    white = float(weights @ np.exp(-rules.light_per_mm * rules.relief_min_wall_mm * _COLOUR_FALL))
    grey = sum(w * np.exp(mixed * fall) for w, fall in zip(weights, _COLOUR_FALL, strict=True))
    grey = (1.0 - open_) * grey / white
    blur = _pixel_blur(cut, surface, pixel_mm)
    smooth: Floats = gaussian_filter(grey, blur, mode="nearest", truncate=2.0)
    return smooth


def _pictured(view: _View, light: Floats) -> Floats:
    """Return a grey picture (h, w) of the light that each pixel on the piece gets, as a screen's signal."""
    picture = np.zeros(view.on.shape)
    picture[view.on] = encoded(np.clip(light, 0.0, 1.0))
    return picture


def _wanted_depth(cut: VirtualCut, wanted: WantedCut) -> Floats:
    """Return the wanted depth of a relief on the cut's grid, nan where none is wanted."""
    from scipy.ndimage import map_coordinates

    lon, lat, depth = wanted.relief_longitude_rad, wanted.relief_latitude_rad, wanted.relief_depth_mm
    if lon is None or lat is None or depth is None:
        raise BadInput("the job has no relief, so there is no look to compare")
    row = (cut.latitude_rad - lat[0]) / (lat[-1] - lat[0]) * (len(lat) - 1)
    near = near_longitude(cut.longitude_rad, float(lon[0] + lon[-1]) / 2)
    column = (near - lon[0]) / (lon[-1] - lon[0]) * (len(lon) - 1)
    at = np.meshgrid(row, column, indexing="ij")
    found: Floats = map_coordinates(depth, at, order=1, mode="constant", cval=np.nan)
    return found


def thumbnail(image: Image, size_px: tuple[int, int] = (96, 96)) -> Image:
    """Return a picture made smaller, averaged, not just thinned out.

    Parameters
    ----------
    image : ndarray (h, w, 3)
        A picture [-].
    size_px : tuple of int
        Width and height wanted [-].
    """
    from PIL import Image as Pictures

    small = Pictures.fromarray(image).resize(size_px, Pictures.Resampling.BOX, reducing_gap=None)
    return np.asarray(small, np.uint8)


def png_bytes(image: Image) -> bytes:
    """Return a picture (h, w, 3) as the bytes of a PNG file [-]."""
    from PIL import Image as Pictures

    file = io.BytesIO()
    Pictures.fromarray(image).save(file, "PNG")
    return file.getvalue()


# --- where each pixel looks ----------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False)
class _View:
    """What each pixel sees."""

    on: NDArray[np.bool_]  # (h, w) on the piece
    unit: Floats  # (n, 3) direction of the skin point, for pixels on the piece
    radius: Floats  # (n,) of the skin there
    out: Floats  # (3,) to the viewer
    height: Floats  # (h, w) of the skin towards the viewer, 0 beside the piece [mm]
    cover: Floats  # (h, w) share of the pixel on the piece
    pixel_mm: float


def _view(surface: Surface, front: tuple[float, float], size_px: tuple[int, int]) -> _View:
    lon, lat = front
    out = unit_of(lon, lat)
    right = np.array([-np.sin(lon), np.cos(lon), 0.0])
    up = np.cross(out, right)
    angles = np.linspace(-np.pi, np.pi, 241)
    tilt = np.linspace(np.pi / 2, -np.pi / 4, 109)
    plane = np.cos(angles)[:, None] * right + np.sin(angles)[:, None] * up
    unit = np.cos(tilt)[None, :, None] * plane[:, None, :] + np.sin(tilt)[None, :, None] * out
    radius = _radius(surface, unit)
    across = radius * np.cos(tilt)
    rim = across.max(axis=1)
    table = _tilts(np.maximum.accumulate(across, axis=1), tilt, rim)
    return _pixels((right, up, out), (angles, rim, table), size_px)


def _tilts(across: Floats, tilt: Floats, rim: Floats, steps: int = 128) -> Floats:
    """Return tilt by angle round the picture and asin(rho / rim), which is even right up to the rim."""
    share = np.sin(np.linspace(0.0, np.pi / 2, steps + 1))
    # a rising trifle keeps flat (hidden) stretches in order
    rising = across + np.arange(len(tilt)) * 1e-9
    return np.stack([np.interp(share * size, row, tilt) for row, size in zip(rising, rim, strict=True)])


def _pixels(
    axes: tuple[Floats, Floats, Floats],
    tables: tuple[Floats, Floats, Floats],
    size_px: tuple[int, int],
) -> _View:
    from scipy.ndimage import map_coordinates

    right, up, out = axes
    angles, rim, table = tables
    width, height = size_px
    outline = np.stack([rim * np.cos(angles), rim * np.sin(angles)])
    low, high = outline.min(axis=1), outline.max(axis=1)
    pixel = float(max((high[0] - low[0]) / width, (high[1] - low[1]) / height)) / 0.86
    middle = (low + high) / 2
    x = middle[0] + (np.arange(width) - (width - 1) / 2)[None, :] * pixel
    y = middle[1] - (np.arange(height) - (height - 1) / 2)[:, None] * pixel
    angle, rho = np.arctan2(y, x), np.maximum(np.hypot(x, y), 1e-3 * pixel)
    edge = np.interp(angle, angles, rim)
    cover = np.clip((edge - rho) / pixel + 0.5, 0.0, 1.0)
    on = cover > 0
    x, y = np.broadcast_to(x, on.shape)[on], np.broadcast_to(y, on.shape)[on]
    angle, rho, edge = angle[on], rho[on], edge[on]
    row = (angle + np.pi) / (2 * np.pi) * (len(angles) - 1)
    column = np.arcsin(np.minimum(rho / edge, 1.0)) / (np.pi / 2) * (table.shape[1] - 1)
    tilt = map_coordinates(table, [row, column], order=1, mode="nearest")
    flat = np.cos(tilt) / rho
    unit = np.stack([x * flat, y * flat, np.sin(tilt)], axis=1) @ np.stack([right, up, out])
    towards = np.zeros(on.shape)
    towards[on] = rho * np.tan(tilt)
    return _View(on, unit, rho / np.cos(tilt), out, towards, cover, pixel)


def _front(cut: VirtualCut) -> tuple[float, float]:
    """Return longitude and latitude of the middle of what is cut; on all sides alike: of the fullest side."""
    lon, lat = cut.longitude_rad, cut.latitude_rad
    done = cut.depth_mm > 0
    if not done.any():
        return float(lon[len(lon) // 2]), 0.0
    rows, columns = np.flatnonzero(done.any(axis=1)), np.flatnonzero(done.any(axis=0))
    middle = float(lat[rows[0]] + lat[rows[-1]]) / 2
    east = float(lon[columns[0]] + lon[columns[-1]]) / 2
    if lon[columns[-1]] - lon[columns[0]] > np.pi:  # the half circle with the most cut, seen squarely
        seen = np.maximum(np.cos(lon[:, None] - lon[None, columns]), 0.0)
        east = float(lon[int(np.argmax(seen @ (done[:, columns] * np.cos(lat)[:, None]).sum(axis=0)))])
    return east, float(np.clip(middle, -0.5, 0.5))


def _radius(surface: Surface, unit: Floats) -> Floats:
    """Return the skin's radius, read off its grid in straight lines: near enough for a picture."""
    from scipy.ndimage import map_coordinates

    rows, columns = surface.radius_mm.shape
    row = (np.arcsin(np.clip(unit[..., 2], -1.0, 1.0)) + np.pi / 2) * (rows - 1) / np.pi
    column = np.remainder(np.arctan2(unit[..., 1], unit[..., 0]), 2 * np.pi) * columns / (2 * np.pi)
    wide = np.concatenate([surface.radius_mm, surface.radius_mm[:, :1]], axis=1)
    found: Floats = map_coordinates(wide, [row, column], order=1, mode="nearest")
    return found


def _look(cut: VirtualCut, fields: Floats, unit: Floats) -> Floats:
    """Return fields (h, w, c) of the cut's grid in directions (n, 3), bilinear; beyond the grid its edge."""
    lon, lat = cut.longitude_rad, cut.latitude_rad
    step = float(lon[1] - lon[0])
    east = np.arctan2(unit[:, 1], unit[:, 0])
    if len(lon) * step > 2 * np.pi - 0.5 * step:
        column = np.remainder(east - lon[0], 2 * np.pi) / step
        fields = np.concatenate([fields, fields[:, :1]], axis=1)
    else:
        column = (near_longitude(east, float(lon[0] + lon[-1]) / 2) - lon[0]) / step
    row = (np.arcsin(np.clip(unit[:, 2], -1.0, 1.0)) - lat[0]) / float(lat[1] - lat[0])
    h, w, channels = fields.shape
    row, column = np.clip(row, 0.0, h - 1.000001), np.clip(column, 0.0, w - 1.000001)
    i, j = row.astype(np.intp), column.astype(np.intp)
    down, over = (row - i)[:, None], (column - j)[:, None]
    flat, at = fields.reshape(-1, channels), i * w + j
    top = flat[at] * (1 - over) + flat[at + 1] * over
    found: Floats = top * (1 - down) + (flat[at + w] * (1 - over) + flat[at + w + 1] * over) * down
    return found


# --- light ---------------------------------------------------------------------------------------------


def _through(cut: VirtualCut, surface: Surface, wall: Wall, rules: Rules, pixel_mm: float) -> Floats:
    """Return on the cut's grid (h, w, 4): red, green, blue through flesh, and how open it is."""
    from scipy.ndimage import gaussian_filter

    mixed, open_ = _flesh(cut, _coarsely(cut, surface, wall), surface, rules)
    colours = [
        np.exp(mixed * fall) * lamp * (1.0 - open_) for fall, lamp in zip(_COLOUR_FALL, _LAMP, strict=True)
    ]
    blur = _pixel_blur(cut, surface, pixel_mm)
    smooth = [gaussian_filter(values, blur, mode="nearest", truncate=2.0) for values in (*colours, open_)]
    return np.stack(smooth, axis=-1)


def _flesh(
    cut: VirtualCut, body: tuple[Floats, Floats], surface: Surface, rules: Rules
) -> tuple[Floats, Floats]:
    """Return on the cut's grid the logarithm of the light through flesh, and 1 where it is open, else 0."""
    from scipy.ndimage import gaussian_filter

    thick, upright = body
    left = np.maximum(thick - cut.depth_mm * upright, 0.0)
    open_ = (left <= 0.0).astype(float)
    skin_off = np.clip(cut.depth_mm / max(rules.relief_skin_mm, 1e-6), 0.0, 1.0)
    passes = (_SKIN_PASSES + (1.0 - _SKIN_PASSES) * skin_off) * (1.0 - open_)
    light = np.exp(-rules.light_per_mm * left)
    # light wanders sideways in flesh: the flesh beside an opening or a thin place glows, too
    spread = gaussian_filter(light * skin_off, _SPREAD_MM / _step_mm(cut, surface), mode="nearest")
    mixed = np.maximum(light * passes, (0.65 * light + 0.35 * spread) * passes)
    mixed += 0.05 * spread * (1.0 - open_) * (1.0 - skin_off)
    return np.log(np.maximum(mixed, 1e-9)), open_


def _step_mm(cut: VirtualCut, surface: Surface) -> float:
    return float(cut.latitude_rad[1] - cut.latitude_rad[0]) * float(surface.radius_mm.mean())


def _pixel_blur(cut: VirtualCut, surface: Surface, pixel_mm: float) -> float:
    """Return the blur, in steps of the grid, that averages over about a pixel: outlines get smooth."""
    return 0.45 * max(pixel_mm / _step_mm(cut, surface), 1.0)


def _coarsely(cut: VirtualCut, surface: Surface, wall: Wall, every: int = 8) -> tuple[Floats, Floats]:
    """Return wall [mm] and the cosine between ray and normal on the cut's grid; both are smooth."""
    from scipy.ndimage import map_coordinates

    lon, lat = cut.longitude_rad, cut.latitude_rad
    few = [np.linspace(values[0], values[-1], len(values) // every + 2) for values in (lat, lon)]
    unit = unit_of(few[1][None, :], few[0][:, None])
    upright = np.sum(unit * normals_at(surface, unit), axis=-1)
    rows = np.linspace(0, len(few[0]) - 1, len(lat))[:, None]
    columns = np.linspace(0, len(few[1]) - 1, len(lon))[None, :]
    places = np.broadcast_arrays(rows, columns)
    thick: Floats = map_coordinates(wall_at(wall, unit), places, order=1, mode="nearest")
    return thick, map_coordinates(upright, places, order=1, mode="nearest")


def _inside(cut: VirtualCut, fields: Floats, wall: Wall, view: _View, clear: NDArray[np.bool_]) -> Floats:
    """Return how bright an opening is (n,): the lamp straight through, less on the cut sides of the wall."""
    skin = view.unit[clear] * view.radius[clear, None]
    thick = float(wall.thickness_mm.mean())
    open_ = np.ascontiguousarray(fields[..., 3:])
    at = [_look(cut, open_, normalised(skin - share * thick * view.out)) for share in (0.25, 0.5, 0.75, 1.0)]
    found = np.zeros(len(clear))
    found[clear] = 0.55 + 0.45 * np.mean(at, axis=0)[:, 0]
    return found


def _shaded(view: _View, clear: Floats) -> Floats:
    """Return the night behind and the dark skin: a trace of moon at the rim, so that its shape is seen."""
    by_y, by_x = np.gradient(view.height, view.pixel_mm)
    facing = 1.0 / np.sqrt(1.0 + by_x**2 + by_y**2)
    above = np.clip((by_y * 0.8 + by_x * 0.3 + 0.9) * facing, 0.0, 1.5)
    rim = np.clip(1.0 - facing, 0.0, 1.0) ** 2.5
    skin = _RIND * (above * facing)[..., None] + _MOON * (rim * (0.35 + above))[..., None]
    closed = np.ones(view.on.shape)
    closed[view.on] -= clear
    rows = np.linspace(1.25, 0.75, len(closed))[:, None, None]
    cover = view.cover[..., None]
    found: Floats = _NIGHT * rows * (1.0 - cover) + skin * cover * closed[..., None]
    return found


def _glow(light: Floats) -> Floats:
    """Return the haze of bright light in the eye, near and wide, worked out on a quarter of the picture."""
    from scipy.ndimage import gaussian_filter

    h, w = light.shape[:2]
    padded = np.pad(light, ((0, -h % 4), (0, -w % 4), (0, 0)), mode="edge")
    tall, wide = padded.shape[0] // 4, padded.shape[1] // 4
    small = padded.reshape(tall, 4, wide, 4, 3).mean(axis=(1, 3))
    scale = min(h, w) / 420
    near = gaussian_filter(small, (1.6 * scale, 1.6 * scale, 0))
    far = gaussian_filter(small, (9 * scale, 9 * scale, 0))
    haze = (0.05 * near + 0.07 * far) * np.array([1.0, 0.72, 0.5])
    across = np.tensordot(haze, _finer(wide)[:w], axes=([1], [1]))  # (tall, 3, w)
    found: Floats = np.tensordot(_finer(tall)[:h], across, axes=([1], [0])).transpose(0, 2, 1)
    return found


def _finer(count: int) -> Floats:
    """Return the matrix (4 count, count) that interpolates in straight lines between middles of fours."""
    place = np.clip((np.arange(4 * count) + 0.5) / 4 - 0.5, 0, count - 1)
    found: Floats = np.maximum(1.0 - np.abs(place[:, None] - np.arange(count)), 0.0)
    return found
