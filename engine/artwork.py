"""What is drawn, how large, and what is done to it? Artwork to regions and tones on the sheet.

The kind of a file is decided by its content. All sizes are millimetres on the sheet, x right, y up, the
origin in the middle of the design.
"""

from __future__ import annotations

import io
import math
import warnings
from collections.abc import Iterable, Sequence
from itertools import pairwise
from typing import TYPE_CHECKING, NamedTuple, TypeVar

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from engine.errors import BadInput
from engine.files import digest_of
from engine.records import Floats, Layers, Region, ToneField, Treatment
from engine.tone import decoded, encoded

if TYPE_CHECKING:
    from PIL import Image

    from engine.svg import Drawing

CURVE_TOLERANCE_MM = 0.02  # chords stay within this of a drawing's curves
PIXEL_MM = 0.3  # no tone pixel on the sheet is finer
DEFAULT_WIDTH_MM = 180.0  # where neither the file nor the caller says
_NARROWEST_MM, _WIDEST_MM = 5.0, 2000.0
_SPECK_MM2 = 0.5
_SIMPLIFY_MM = 0.05
_MOST_REGIONS = 2000
_MOST_CORNERS = 1_000_000
_MOST_PIXELS = 16_000_000
_MOST_TONES = 6_000_000  # pixels of a relief; a sheet of metres gets coarser ones
_STRIP = 200_000  # pixels that are worked on at a time, for the memory's sake
_LONGEST_SIDE = 20_000  # pixels
_MOST_CONTOURED = 4_000_000
_SCREEN_DPI = (72.0, 96.0)  # written by default, says nothing of the size that is meant
_BT709 = (0.2126, 0.7152, 0.0722)  # luminance of linear R, G, B: ITU-R BT.709-6, section 3


def read_artwork(
    content: bytes,
    name: str,
    *,
    width_mm: float | None = None,
    treatment: Treatment | None = None,
    threshold: float = 0.5,
) -> Layers:
    """Return the design that a file holds, sorted by treatment.

    An SVG's shapes are treated as their class or their group's id says, else as `treatment`, else they are
    openings; a shape covers what its fill rule and its stroke say. A picture is a relief unless `treatment`
    says otherwise; then what is **darker** than the threshold becomes a region (a dark shape on a white
    ground is cut), and what is transparent is left alone.

    Parameters
    ----------
    content : bytes
        SVG, PNG, JPEG or TIFF [-].
    name : str
        Shown in messages, kept as the design's name [-].
    width_mm : float, optional
        Width of the design on the sheet; else the file's own size, else 180 [mm].
    treatment : Treatment, optional
        For what the file itself does not treat [-].
    threshold : float
        Grey value of a picture, 0 black to 1 white as it is stored, below which it is dark [-].
    """
    shown = "".join(c if c.isprintable() else "?" for c in name[:80]) or "artwork"
    if width_mm is not None and not _NARROWEST_MM <= width_mm <= _WIDEST_MM:
        raise BadInput(
            f"{shown}: width {width_mm:g} mm, expected {_NARROWEST_MM:g} to {_WIDEST_MM:g} mm on the sheet"
        )
    if not 0.0 < threshold < 1.0:
        raise BadInput(f"{shown}: threshold {threshold:g}, expected between 0 (black) and 1 (white)")
    digest = digest_of(content)
    if _is_picture(content):
        if treatment in (None, Treatment.RELIEF):
            return _tone_layers(content, shown, width_mm, digest)
        parts, mm_per_unit = _dark_parts(content, shown, treatment, threshold, width_mm)
    elif _is_markup(content):
        from engine.svg import read_svg

        drawing = read_svg(content, shown)
        mm_per_unit = drawing.mm_per_unit if width_mm is None else None
        parts = _drawn_parts(drawing, shown, treatment or Treatment.OPENING, width_mm)
    else:
        what = "empty" if not content else "of an unknown kind"
        raise BadInput(f"{shown}: the file is {what}, expected SVG, PNG, JPEG or TIFF")
    return _arranged(parts, shown, width_mm, mm_per_unit, digest)


# --- light ---------------------------------------------------------------------------------------------


def luminance_of_srgb(colour: Sequence[float]) -> float:
    """Return the relative luminance of one sRGB colour (ITU-R BT.709-6, section 3).

    Parameters
    ----------
    colour : sequence of float
        Red, green, blue, 0 to 255 [-].
    """
    return float(np.dot(_BT709, decoded(np.array(colour[:3]) / 255.0)))


# --- from shapes to layers -----------------------------------------------------------------------------


_Area = TypeVar("_Area", bound=BaseGeometry)


class _Part(NamedTuple):
    """An area before its size is known: what is done to it, where it is, and its tone if it has one."""

    treatment: Treatment
    area: BaseGeometry
    tone: float = 1.0
    letters: bool = False


def _drawn_parts(drawing: Drawing, name: str, default: Treatment, width_mm: float | None) -> list[_Part]:
    """Turn a drawing's shapes to areas whose curves are fine enough for the size they will have."""
    from engine.shapes import outline_of, refuse_too_many_strokes

    if not drawing.shapes:
        raise BadInput(f"{name}: no closed shape, expected at least one filled shape")
    refuse_too_many_strokes(drawing.shapes, name)
    mm_per_unit = drawing.mm_per_unit
    if mm_per_unit is None or width_mm is not None:
        # the width follows from the outlines and their chords from the width: a rough look comes first
        corners = np.concatenate([line[:, 0] for shape in drawing.shapes for line in shape.lines])
        extent = float(np.ptp(corners, axis=0).max()) or 1.0
        rough = shapely.GeometryCollection([outline_of(shape, extent / 500) for shape in drawing.shapes])
        left, _, right, _ = rough.bounds
        if not right > left:  # also catches nan, the bounds of nothing
            raise BadInput(f"{name}: no closed shape, expected at least one shape with an area")
        mm_per_unit = (width_mm or DEFAULT_WIDTH_MM) / (right - left)
        mm_per_unit *= 1.1  # specks are dropped later, which can widen the rest
    parts, corners_left = [], _MOST_CORNERS
    for shape in drawing.shapes:
        area = outline_of(shape, 0.9 * CURVE_TOLERANCE_MM / mm_per_unit)
        tone = 1.0 if shape.colour is None else luminance_of_srgb(shape.colour)
        parts.append(_Part(shape.treatment or default, area, tone, shape.letters))
        corners_left -= int(shapely.get_num_coordinates(area))
        if corners_left < 0:
            raise BadInput(f"{name}: over {_MOST_CORNERS} corners, expected a simpler or smaller drawing")
    return parts


def _arranged(
    parts: list[_Part], name: str, width_mm: float | None, mm_per_unit: float | None, digest: str
) -> Layers:
    """Unite the areas by treatment, take `keep` out of the others, and give all their size and place."""
    if width_mm is None and mm_per_unit is None:
        width_mm = DEFAULT_WIDTH_MM
    kept = shapely.union_all([part.area for part in parts if part.treatment == Treatment.KEEP])
    parts = [_without(part, kept) for part in parts]
    rough = _scale_of(shapely.total_bounds([part.area for part in parts]), width_mm, mm_per_unit, name)
    pieces = [
        (treatment, piece)
        for treatment in Treatment
        for piece in _pieces([part.area for part in parts if part.treatment == treatment], rough)
    ]
    if all(treatment == Treatment.KEEP for treatment, _ in pieces):
        raise BadInput(f"{name}: nothing to cut, expected a shape of {_SPECK_MM2:g} mm2 or more outside keep")
    if len(pieces) > _MOST_REGIONS:
        raise BadInput(f"{name}: {len(pieces)} shapes, expected {_MOST_REGIONS} at most")
    bounds = shapely.total_bounds([piece for _, piece in pieces])
    scale = _scale_of(bounds, width_mm, mm_per_unit, name)
    middle = (bounds[:2] + bounds[2:]) / 2
    width, height = ((bounds[2:] - bounds[:2]) * scale).tolist()
    relief = [_placed(part, scale, middle) for part in parts if part.treatment == Treatment.RELIEF]
    words = shapely.union_all([_moved(part.area, scale, middle) for part in parts if part.letters])
    return Layers(
        name=name,
        regions=_named([(treatment, _moved(piece, scale, middle)) for treatment, piece in pieces], words),
        tones=_painted(relief, width, height) if relief else None,
        width_mm=width,
        height_mm=height,
        digest=digest,
    )


def _without(part: _Part, kept: BaseGeometry) -> _Part:
    return part if part.treatment == Treatment.KEEP else part._replace(area=part.area.difference(kept))


def _scale_of(bounds: Floats, width_mm: float | None, mm_per_unit: float | None, name: str) -> float:
    """Return millimetres per unit, and refuse a design that is too small or too large for any piece."""
    width, height = (bounds[2:] - bounds[:2]).tolist()
    if not (width > 0 and height > 0):  # also catches nan, the bounds of nothing
        raise BadInput(f"{name}: no closed shape, expected at least one shape with an area")
    scale = width_mm / width if width_mm is not None else float(mm_per_unit or 0.0)
    if not _NARROWEST_MM <= max(width, height) * scale <= _WIDEST_MM:
        raise BadInput(
            f"{name}: the design is {width * scale:.4g} x {height * scale:.4g} mm, expected its longer side "
            f"from {_NARROWEST_MM:g} to {_WIDEST_MM:g} mm (a width can be given)"
        )
    return scale


def _pieces(areas: list[BaseGeometry], mm_per_unit: float) -> list[shapely.Polygon]:
    """Unite areas and return their separate parts; specks and pin-holes are left out."""
    speck = _SPECK_MM2 / mm_per_unit**2
    united = shapely.make_valid(shapely.union_all(areas))
    parts = shapely.get_parts(shapely.get_parts(united))  # a collection may hold collections
    pieces = []
    for part in parts:
        if not isinstance(part, shapely.Polygon) or part.area < speck:
            continue
        holes = [ring for ring in part.interiors if shapely.Polygon(ring).area >= speck]
        pieces.append(shapely.Polygon(part.exterior, holes))
    return pieces


def _moved(area: _Area, scale: float, middle: Floats) -> _Area:
    return shapely.transform(area, lambda points: (points - middle) * scale)


def _placed(part: _Part, scale: float, middle: Floats) -> _Part:
    return part._replace(area=_moved(part.area, scale, middle))


def _named(pieces: Iterable[tuple[Treatment, shapely.Polygon]], words: BaseGeometry) -> tuple[Region, ...]:
    """Name the regions of each treatment by number, from the top down and from the left.

    One that lies mostly in `words` is a letter, or a part of one.
    """

    def reading_order(piece: tuple[Treatment, shapely.Polygon]) -> tuple[int, int, float]:
        left, _, _, top = piece[1].bounds
        return list(Treatment).index(piece[0]), -round(top), left

    counted = dict.fromkeys(Treatment, 0)
    regions = []
    for treatment, polygon in sorted(pieces, key=reading_order):
        counted[treatment] += 1
        letters = not words.is_empty and polygon.intersection(words).area > polygon.area / 2
        regions.append(Region(f"{treatment} {counted[treatment]}", treatment, polygon, letters))
    return tuple(regions)


def _painted(parts: list[_Part], width_mm: float, height_mm: float) -> ToneField:
    """Paint relief areas one over the other on a grid of pixels about the sheet's origin."""
    finest = max(PIXEL_MM, math.sqrt(width_mm * height_mm / _MOST_TONES))
    across = max(1, math.floor(width_mm / finest))
    pixel = width_mm / across
    down = max(1, math.ceil(height_mm / pixel - 1e-9))
    x = (np.arange(across) + 0.5 - across / 2) * pixel
    y = (down / 2 - np.arange(down) - 0.5) * pixel
    luminance, mask = np.ones((down, across)), np.zeros((down, across), bool)
    for part in parts:
        if part.area.is_empty:
            continue
        left, bottom, right, top = part.area.bounds
        columns, rows = np.flatnonzero((x >= left) & (x <= right)), np.flatnonzero((y >= bottom) & (y <= top))
        shapely.prepare(part.area)
        inside = shapely.contains_xy(part.area, *np.meshgrid(x[columns], y[rows]))
        at = np.ix_(rows, columns)
        luminance[at] = np.where(inside, part.tone, luminance[at])
        mask[at] |= inside
    return ToneField(luminance=luminance, mask=mask, pixel_mm=pixel)


# --- pictures ------------------------------------------------------------------------------------------


def _is_picture(content: bytes) -> bool:
    return content.startswith((b"\x89PNG", b"\xff\xd8\xff", b"II*\0", b"MM\0*"))


def _is_markup(content: bytes) -> bool:
    start = content[:1000].removeprefix(b"\xef\xbb\xbf").lstrip()
    return start.startswith((b"<", b"\xff\xfe<", b"\xfe\xff\0<"))


def _tone_layers(content: bytes, name: str, width_mm: float | None, digest: str) -> Layers:
    """Return a picture as tones: linear luminance, no pixel finer than 0.3 mm, transparent parts left out."""
    picture, own_mm = _opened(content, name)
    grey, alpha = _grey_and_alpha(picture, name)
    rows, columns = grey.shape
    width = width_mm or own_mm or DEFAULT_WIDTH_MM
    if not (max(width, width * rows / columns) <= _WIDEST_MM and width >= _NARROWEST_MM):
        raise BadInput(
            f"{name}: the picture would be {width:.4g} x {width * rows / columns:.4g} mm, expected a width "
            f"from {_NARROWEST_MM:g} mm and no side over {_WIDEST_MM:g} mm (a width can be given)"
        )
    most = math.floor(math.sqrt(_MOST_TONES * columns / rows))
    across = max(1, min(columns, math.floor(width / PIXEL_MM), most))
    down = max(1, round(rows * across / columns))
    cover = _averaged(alpha, across, down)
    light = _averaged(grey * alpha, across, down) / np.maximum(cover, 1e-6)
    mask = cover >= 0.5
    if not mask.any():
        raise BadInput(f"{name}: the picture is transparent all over, expected something to see")
    tones = ToneField(
        luminance=np.clip(np.where(mask, light, 1.0), 0.0, 1.0), mask=mask, pixel_mm=width / across
    )
    return Layers(
        name=name,
        regions=(),
        tones=tones,
        width_mm=float(width),
        height_mm=float(width / across * down),
        digest=digest,
    )


def _dark_parts(
    content: bytes, name: str, treatment: Treatment, threshold: float, width_mm: float | None
) -> tuple[list[_Part], float | None]:
    """Return the parts of a picture that are darker than the threshold, and mm per pixel if it is known.

    The edge runs where the stored grey passes the threshold between two pixels, so that a smoothed edge is
    found to a small part of a pixel.
    """
    import contourpy

    picture, own_mm = _opened(content, name)
    light, alpha = _grey_and_alpha(picture, name)
    grey = np.empty_like(light)
    for rows in _strips(*grey.shape):  # on white: what is transparent is not cut
        grey[rows] = 1.0 - alpha[rows] * (1.0 - encoded(np.asarray(light[rows], float)))
    del light, alpha
    shrink = min(1.0, math.sqrt(_MOST_CONTOURED / grey.size))
    across, down = (max(1, round(side * shrink)) for side in grey.shape[::-1])
    own = np.pad(_averaged(grey, across, down), 1, constant_values=1.0)
    step = np.array([grey.shape[1] / across, -grey.shape[0] / down])
    found = contourpy.contour_generator(z=own, fill_type="OuterOffset").filled(-1.0, threshold)
    areas = []
    for points, offsets in zip(*found, strict=True):
        rings = [points[a:b] * step for a, b in pairwise(offsets) if b - a > 3]
        if rings:
            areas.append(shapely.Polygon(rings[0], rings[1:]))
        if len(areas) > 10 * _MOST_REGIONS:
            raise BadInput(f"{name}: over {len(areas)} dark spots, expected clear shapes (or a relief)")
    if not areas:
        raise BadInput(f"{name}: nothing darker than {threshold:g}, expected dark shapes on a light ground")
    left, _, right, _ = shapely.total_bounds(areas)
    mm_per_pixel = own_mm / grey.shape[1] if own_mm is not None and width_mm is None else None
    plain = shapely.simplify(
        areas, _SIMPLIFY_MM / (mm_per_pixel or (width_mm or DEFAULT_WIDTH_MM) / (right - left))
    )
    return [_Part(treatment, area) for area in shapely.make_valid(plain)], mm_per_pixel


def _opened(content: bytes, name: str) -> tuple[Image.Image, float | None]:
    """Open a picture, turned as its EXIF says, with its own width in mm if it has a real resolution."""
    from PIL import Image, ImageOps

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error", Image.DecompressionBombWarning)
            warnings.simplefilter("ignore", UserWarning)  # damaged side notes of the camera
            picture = Image.open(io.BytesIO(content), formats=["PNG", "JPEG", "TIFF"])
            if picture.width * picture.height > _MOST_PIXELS:
                raise BadInput(
                    f"{name}: {picture.width} x {picture.height} pixels, "
                    f"expected {_MOST_PIXELS // 1_000_000} million at most"
                )
            if max(picture.size) > _LONGEST_SIDE:
                raise BadInput(
                    f"{name}: {picture.width} x {picture.height} pixels, "
                    f"expected sides of {_LONGEST_SIDE} at most"
                )
            picture.load()
            dpi = picture.info.get("dpi")
            upright = ImageOps.exif_transpose(picture)
    except BadInput:
        raise
    except Exception as error:  # decoders raise many kinds on damaged files
        raise BadInput(
            f"{name}: the picture cannot be read ({type(error).__name__}), expected a sound PNG, JPEG or TIFF"
        ) from None
    return upright, _own_width_mm(upright.width, dpi)


def _own_width_mm(pixels: int, dpi: object) -> float | None:
    """Return a picture's width if its resolution means one; screens' 72 and 96 dpi do not."""
    if not isinstance(dpi, tuple) or len(dpi) != 2:
        return None
    across, down = float(dpi[0]), float(dpi[1])
    real = across > 0 and math.isclose(across, down, rel_tol=1e-3) and math.isfinite(across)
    if not real or any(math.isclose(across, screen, abs_tol=0.1) for screen in _SCREEN_DPI):
        return None
    return pixels / across * 25.4


def _grey_and_alpha(picture: Image.Image, name: str) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Return linear luminance and cover of every pixel, both 0 to 1."""
    if picture.mode.startswith("I") or picture.mode == "F":
        stored = np.asarray(picture, dtype=np.float64)
        if picture.mode == "F" or stored.min() < 0 or stored.max() > 65535:
            raise BadInput(f"{name}: grey values of kind {picture.mode}, expected 8 or 16 bits a pixel")
        table = decoded(np.arange(65536) / 65535.0).astype(np.float32)
        light = table[stored.astype(np.uint16)]
        # in 16-bit grey one value may stand for transparent
        clear = picture.info.get("transparency")
        cover = stored != clear if isinstance(clear, int) else np.ones(stored.shape, bool)
        return light, cover.astype(np.float32)
    see_through = "A" in picture.getbands() or "transparency" in picture.info or picture.mode in ("PA", "La")
    eight = decoded(np.arange(256) / 255.0).astype(np.float32)
    light = np.zeros((picture.height, picture.width), np.float32)
    cover = np.broadcast_to(np.float32(1.0), light.shape)
    if see_through:
        cover = np.empty_like(light)
    for rows in _strips(*light.shape):
        colour = _in_colours(picture.crop((0, rows.start, picture.width, rows.stop)), see_through, name)
        for band, weight in enumerate(_BT709):
            light[rows] += np.float32(weight) * eight[np.asarray(colour.getchannel(band))]
        if see_through:
            cover[rows] = np.asarray(colour.getchannel("A")).astype(np.float32) / np.float32(255.0)
    return light, cover


def _strips(height: int, width: int) -> Iterable[slice]:
    """Return ranges of rows that hold few pixels each."""
    step = max(1, _STRIP // width)
    return [slice(top, min(height, top + step)) for top in range(0, height, step)]


def _in_colours(picture: Image.Image, see_through: bool, name: str) -> Image.Image:
    try:
        return picture.convert("RGBA" if see_through else "RGB")
    except ValueError:
        raise BadInput(f"{name}: colours of kind {picture.mode}, expected grey or RGB") from None


def _averaged(values: NDArray[np.float32] | Floats, across: int, down: int) -> Floats:
    """Return values on a coarser grid, each the mean over the area of its pixel."""
    if values.shape == (down, across):
        return np.asarray(values, float)
    from PIL import Image

    grid = Image.fromarray(np.asarray(values, np.float32))
    return np.asarray(grid.resize((across, down), Image.Resampling.BOX), float)
