"""Artwork to layers: sizes, places, fill rules, treatments, tones, and what is refused."""

import hashlib
import io
import math
import struct
import zlib

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image

from engine.artwork import luminance_of_srgb, read_artwork
from engine.errors import BadInput
from engine.records import Treatment
from engine.tone import decoded, encoded


def svg(body, size='width="100mm" height="100mm" viewBox="0 0 100 100"'):
    xlink = 'xmlns:xlink="http://www.w3.org/1999/xlink"'
    return f'<svg xmlns="http://www.w3.org/2000/svg" {xlink} {size}>{body}</svg>'.encode()


def picture(array, kind="PNG", **options):
    file = io.BytesIO()
    Image.fromarray(np.asarray(array)).save(file, kind, **options)
    return file.getvalue()


def only(layers):
    """Return the polygon of the one region there is."""
    assert len(layers.regions) == 1, [r.name for r in layers.regions]
    return layers.regions[0].polygon


def refusal(content, **options):
    """Return the text of the refusal; it must be one line."""
    with pytest.raises(BadInput) as caught:
        read_artwork(content, "art.svg", **options)
    assert len(str(caught.value).splitlines()) == 1
    return str(caught.value)


# --- place and size


def test_sheet_is_centred_with_y_up():
    """The box of all shapes has its middle at the origin; what is high in the drawing has a large y."""
    layers = read_artwork(
        svg('<rect x="10" y="20" width="40" height="10"/><rect x="60" y="50" width="20" height="20"/>'), "a"
    )
    assert (layers.width_mm, layers.height_mm) == pytest.approx((70.0, 50.0))
    assert layers.regions[0].polygon.bounds == pytest.approx((-35, 15, 5, 25))
    assert layers.regions[1].polygon.bounds == pytest.approx((15, -25, 35, -5))
    assert (
        layers.digest
        == hashlib.sha256(
            svg('<rect x="10" y="20" width="40" height="10"/><rect x="60" y="50" width="20" height="20"/>')
        ).hexdigest()[:12]
    )


@pytest.mark.parametrize(
    ("size", "width"),
    [
        ('width="50mm" height="50mm" viewBox="0 0 100 100"', 10.0),
        ('width="5cm" height="5cm" viewBox="0 0 100 100"', 10.0),
        ('width="2in" height="2in" viewBox="0 0 100 100"', 10.16),
        ('width="72pt" height="72pt" viewBox="0 0 100 100"', 5.08),
        ('width="960" height="960" viewBox="0 0 100 100"', 50.8),  # CSS: 96 px are an inch of 25.4 mm
        ('width="50mm" viewBox="0 0 100 100"', 10.0),
        ('height="50mm" viewBox="0 0 100 100"', 10.0),
        ('width="50mm" height="80mm" viewBox="0 0 100 100"', 10.0),  # the smaller scale: nothing is cut off
        ('width="50mm" height="80mm" viewBox="0 0 100 100" preserveAspectRatio="xMidYMid slice"', 16.0),
        ('width="200" height="200"', 20 * 25.4 / 96),
        ('viewBox="0 0 100 100"', 180.0),
        ('width="100%" height="100%" viewBox="0 0 100 100"', 180.0),
    ],
)
def test_width_comes_from_the_document(size, width):
    """A square of 20 units is as wide as the document's width, height and viewBox make it (SVG 2, 8.2)."""
    layers = read_artwork(svg('<rect x="3" y="3" width="20" height="20"/>', size), "a")
    assert layers.width_mm == pytest.approx(width) and layers.height_mm == pytest.approx(width)


def test_uneven_stretch_on_request():
    """preserveAspectRatio none scales x and y apart, as SVG 2 says."""
    size = 'width="50mm" height="80mm" viewBox="0 0 100 100" preserveAspectRatio="none"'
    layers = read_artwork(svg('<rect width="20" height="20"/>', size), "a")
    assert (layers.width_mm, layers.height_mm) == pytest.approx((10.0, 16.0))


def test_given_width_goes_before_the_document():
    """The whole design, not the page, gets the width that was asked for."""
    layers = read_artwork(svg('<circle cx="50" cy="50" r="10"/>'), "a", width_mm=150.0)
    assert layers.width_mm == pytest.approx(150.0, abs=1e-6)
    assert only(layers).area == pytest.approx(math.pi * 75**2, rel=1e-3)


# --- curves


@pytest.mark.parametrize("width_mm", [10.0, 150.0, 1000.0])
def test_curves_keep_within_the_tolerance_at_final_size(width_mm):
    """Every chord's middle and end lie within 0.02 mm of the true circle."""
    ring = only(read_artwork(svg('<circle cx="50" cy="50" r="1"/>'), "a", width_mm=width_mm)).exterior
    points = shapely.get_coordinates(ring)
    middles = (points[1:] + points[:-1]) / 2
    off = np.abs(np.hypot(*np.concatenate([points, middles]).T) - width_mm / 2)
    assert off.max() <= 0.02


def test_turned_arc_under_uneven_scale():
    """A circle under scale(2,1), then turned: the ellipse x = 20 cos, y = 10 sin turned by 30 degrees."""
    body = '<circle r="10" transform="rotate(-30) scale(2,1)"/>'
    points = shapely.get_coordinates(only(read_artwork(svg(body), "a")).exterior)
    c, s = math.cos(math.radians(30)), math.sin(math.radians(30))
    along, across = points @ [c, s], points @ [-s, c]
    radii = np.hypot(along / 20, across / 10)
    assert np.abs(radii - 1).max() < 1e-4  # a relative 1e-4 of 20 mm is 0.002 mm


def test_an_elliptic_arc_of_a_path_under_uneven_scale():
    """The same for path arcs with their own rotation, where the two turns do not commute."""
    body = '<path transform="scale(2,1)" d="M0 0 A10 5 20 1 1 6 6 Z"/>'
    plain = '<path d="M0 0 A10 5 20 1 1 6 6 Z"/>'
    stretched = only(read_artwork(svg(body), "a"))
    reference = only(read_artwork(svg(plain), "a"))
    widened = shapely.transform(reference, lambda p: p * [2, 1])
    assert stretched.hausdorff_distance(widened) < 0.1
    assert stretched.area == pytest.approx(2 * reference.area, rel=1e-3)


def test_cubic_area():
    """The cubic (0,0) (0,10) (30,10) (30,0) encloses 180; chords of 0.02 mm lose under 0.02 mm of its length.

    x' = 180 t (1 - t) and y = 30 t (1 - t), so the integral of y dx is 5400 B(3, 3) = 5400 / 30.
    """
    polygon = only(read_artwork(svg('<path d="M0 0 C0 10 30 10 30 0 Z"/>'), "a"))
    assert 180.0 - 0.02 * polygon.length <= polygon.area <= 180.0


# --- fill rules

TWO_SQUARES_SAME_WAY = "M0 0 H40 V40 H0 Z M10 10 H30 V30 H10 Z"
TWO_SQUARES_OTHER_WAY = "M0 0 H40 V40 H0 Z M10 10 V30 H30 V10 Z"
# a pentagram with its points on a circle of radius 20
STAR = "M" + " L".join(
    f"{20 * math.sin(0.8 * math.pi * k):.9f} {-20 * math.cos(0.8 * math.pi * k):.9f}" for k in range(5)
)


@pytest.mark.parametrize(
    ("path", "rule", "area"),
    [
        (TWO_SQUARES_SAME_WAY, "nonzero", 1600.0),
        (TWO_SQUARES_SAME_WAY, "evenodd", 1200.0),
        (TWO_SQUARES_OTHER_WAY, "nonzero", 1200.0),
        (TWO_SQUARES_OTHER_WAY, "evenodd", 1200.0),
        ("M0 0 L20 20 L20 0 L0 20 Z", "nonzero", 200.0),  # a bow tie: two triangles of 20 x 10 / 2
    ],
)
def test_fill_rules(path, rule, area):
    """SVG 2, 13.3.2: nonzero counts windings, evenodd counts crossings."""
    layers = read_artwork(svg(f'<path d="{path}" fill-rule="{rule}"/>'), "a")
    assert sum(r.polygon.area for r in layers.regions) == pytest.approx(area)


def test_star_under_both_rules():
    """Evenodd leaves the pentagram's inner pentagon out; its corners lie at 20 / phi^2 from the middle."""
    inner = 20 / ((1 + math.sqrt(5)) / 2) ** 2
    pentagon = 5 / 2 * inner**2 * math.sin(math.radians(72))
    nonzero = read_artwork(svg(f'<path d="{STAR}Z"/>'), "a")
    evenodd = read_artwork(svg(f'<path style="fill-rule:evenodd" d="{STAR}Z"/>'), "a")
    area = [sum(r.polygon.area for r in layers.regions) for layers in (nonzero, evenodd)]
    assert area[0] - area[1] == pytest.approx(pentagon, rel=1e-6)
    # ten triangles with sides 20 and inner from the middle and 36 degrees between them
    assert area[0] == pytest.approx(5 * 20 * inner * math.sin(math.radians(36)), rel=1e-6)


# --- treatments


def test_treatment_by_class_own_id_and_group():
    """Class goes before id, own before the group's, the nearest group before one further up."""
    layers = read_artwork(
        svg(
            '<g id="shave"><rect id="a" width="9" height="9"/>'
            '<rect id="b" class="big keep" x="10" width="9" height="9"/>'
            '<g id="opening-2"><rect x="20" width="9" height="9"/></g></g>'
            '<rect x="30" width="9" height="9"/><rect id="opening_page" x="40" width="9" height="9"/>'
            '<rect id="keeper" x="50" width="9" height="9"/>'
        ),
        "a",
    )
    assert [(r.name, round(r.polygon.centroid.x)) for r in layers.regions] == [
        ("opening 1", -5),
        ("opening 2", 5),
        ("opening 3", 15),
        ("opening 4", 25),
        ("shave 1", -25),
        ("keep 1", -15),
    ]


def test_treatment_that_is_given_holds_for_what_says_nothing():
    """An SVG without any word of treatment takes the one that was given, else opening."""
    body = svg('<rect width="20" height="20"/>')
    assert read_artwork(body, "a").regions[0].treatment == Treatment.OPENING
    assert read_artwork(body, "a", treatment=Treatment.SHAVE).regions[0].name == "shave 1"


def test_overlapping_openings_are_one_and_keep_is_taken_out():
    """Two squares that overlap by 10 x 20 are one region; a keep through it leaves two."""
    body = '<rect width="20" height="20"/><rect x="10" width="20" height="20"/>'
    assert only(read_artwork(svg(body), "a")).area == pytest.approx(600.0)
    layers = read_artwork(svg(body + '<rect class="keep" x="13" y="-5" width="4" height="30"/>'), "a")
    openings = layers.of(Treatment.OPENING)
    assert [round(r.polygon.area, 6) for r in openings] == [260.0, 260.0]
    assert layers.height_mm == pytest.approx(30.0)  # the keep counts for the box


def test_reading_order_and_specks():
    """Regions are numbered from the top down and from the left; what is under 0.5 mm2 is left out."""
    body = "".join(
        f'<rect x="{x}" y="{y}" width="8" height="8"/>' for x, y in [(20, 20), (0, 20), (20, 0), (0, 0)]
    )
    layers = read_artwork(svg(body + '<rect x="60" y="60" width=".7" height=".7"/>'), "a")
    places = [tuple(np.round(shapely.get_coordinates(r.polygon.centroid)[0])) for r in layers.regions]
    assert places == [(-10, 10), (10, 10), (-10, -10), (10, -10)]
    assert layers.width_mm == pytest.approx(28.0)


def test_used_parts_are_drawn_where_they_are_used():
    """`use` draws its part again, moved; what only stands in defs is not drawn."""
    body = (
        '<defs><rect id="r" width="9" height="9"/><rect width="99" height="99"/></defs>'
        '<g class="shave"><use xlink:href="#r" x="20"/></g><use href="#r" transform="translate(40,5)"/>'
    )
    layers = read_artwork(svg(body), "a")
    assert [r.name for r in layers.regions] == ["opening 1", "shave 1"]
    assert (layers.width_mm, layers.height_mm) == pytest.approx((29.0, 14.0))


def test_unseen_shapes_are_no_regions():
    """Nothing that a reader of the drawing cannot see is cut."""
    hidden = (
        '<rect x="50" width="9" height="9" display="none"/><rect x="50" width="9" height="9" fill="none"/>'
        '<rect x="50" width="9" height="9" visibility="hidden"/>'
        '<rect x="50" width="9" height="9" opacity="0"/>'
        '<rect x="50" width="9" height="9" style="fill-opacity:0"/>'
        '<clipPath id="c"><rect x="50" width="9" height="9"/></clipPath>'
        '<marker id="m"><rect x="50" width="9" height="9"/></marker>'
    )
    assert read_artwork(svg('<rect width="9" height="9"/>' + hidden), "a").width_mm == pytest.approx(9.0)


# --- tones of drawn reliefs


def test_drawn_relief_is_painted_in_its_fill_colour():
    """Later shapes lie over earlier ones; without a fill the tone is 1; keep is left out."""
    body = (
        '<g class="relief"><rect width="30" height="30"/>'
        '<rect x="10" y="10" width="10" height="10" fill="#808080"/></g>'
        '<rect class="keep" width="6" height="6"/>'
    )
    tones = read_artwork(svg(body), "a").tones

    def at(x, y):
        return int((15 - y) / tones.pixel_mm), int((x + 15) / tones.pixel_mm)

    assert tones.pixel_mm >= 0.3
    assert tones.luminance[at(0, 0)] == pytest.approx(0.215860500, abs=1e-8)  # sRGB 128, IEC 61966-2-1
    assert tones.luminance[at(-8, -8)] == 1.0 and tones.mask[at(-8, -8)]
    assert not tones.mask[at(-12, 12)]
    assert tones.mask.sum() * tones.pixel_mm**2 == pytest.approx(900 - 36, rel=0.01)


# --- what is refused

BOMB = '<g id="a0"><rect width="9" height="9"/></g>' + "".join(
    f'<g id="a{k}">' + f'<use href="#a{k - 1}"/>' * 10 + "</g>" for k in range(1, 9)
)
REFUSED = {
    "nothing": (b"", "empty"),
    "unknown": (b"hello", "unknown kind"),
    "cut off": (b"<svg", "cannot be read"),
    "no svg": (b"<html/>", "expected svg"),
    "doctype": (b'<!DOCTYPE svg [<!ENTITY a "b">]><svg/>', "DOCTYPE"),
    "external": (b'<!DOCTYPE svg SYSTEM "file:///etc/passwd"><svg/>', "DOCTYPE"),
    "large": (svg("<g>" + " " * 8_000_000 + "</g>"), "MB"),
    "deep": (svg("<g>" * 100 + "</g>" * 100), "deep"),
    "many": (svg("<g/>" * 10_001), "elements"),
    "bomb": (svg(BOMB), "elements once use is followed"),
    "circle of use": (svg('<g id="a"><use href="#b"/></g><g id="b"><use href="#a"/></g>'), "leads back"),
    "use of itself": (svg('<g id="a"><use href="#a"/></g>'), "leads back"),
    "use of elsewhere": (svg('<use href="other.svg#a"/>'), "other.svg"),
    "attributes": (svg("<g " + " ".join(f'a{k}=""' for k in range(101)) + "/>"), "attributes"),
    "transforms": (svg(f'<g transform="{"rotate(1)" * 900}">' + "<g/>" * 900 + "</g>"), "transforms"),
    "long style": (svg(f"<style>{'a' * 5000}</style>"), "style of 5000"),
    "text": (svg('<text id="t">hi</text>'), "turned to paths"),
    "image": (svg('<image href="a.png" width="9" height="9"/>'), "picture inside"),
    "symbol's box": (svg('<symbol id="s" viewBox="0 0 0 1"/><use href="#s"/>'), "viewBox of symbol"),
    "symbol's width": (svg('<symbol id="s"/><use href="#s" width="2em"/>'), "user units"),
    "symbol in itself": (svg('<symbol id="s"><use href="#s"/></symbol><use href="#s"/>'), "leads back"),
    "symbol alone": (svg('<symbol id="s"><rect width="9" height="9"/></symbol>'), "no closed shape"),
    "clip": (svg('<rect width="9" height="9" clip-path="url(#c)"/>'), "clip-path"),
    "clip in style": (svg('<rect style="clip-path: url(#c)" width="9" height="9"/>'), "clip-path"),
    "mask in css": (svg("<style>.a{mask:url(#m)}</style>"), "mask"),
    "dashes": (svg('<path d="M0 0H9" stroke="#000" stroke-dasharray="2 x"/>'), "has dashes"),
    "dashes below 0": (svg('<path d="M0 0H9" stroke="#000" stroke-dasharray="2 -1"/>'), "none below 0"),
    "too many dashes": (
        svg('<path d="M0 0H9" stroke="#000" stroke-dasharray="1e-5 1e-5"/>'),
        "outlines as filled shapes",
    ),
    "pen": (svg('<path d="M0 0H9" stroke="#000" stroke-linejoin="arcs"/>'), '"arcs"'),
    "hair": (svg('<path d="M0 0H9" stroke="#000" vector-effect="non-scaling-stroke"/>'), "does not scale"),
    "clip by box": (
        svg('<clipPath id="c" clipPathUnits="objectBoundingBox"><rect/></clipPath>'
            '<rect width="9" height="9" clip-path="url(#c)"/>'), "by boxes"),
    "clipped clip": (
        svg('<clipPath id="c" clip-path="url(#c)"><rect width="5" height="5"/></clipPath>'
            '<rect width="9" height="9" clip-path="url(#c)"/>'), "clipped itself"),
    "text in clip": (svg('<clipPath id="c"><text>a</text></clipPath>'), "turned to paths"),
    "clip far away": (svg('<rect width="9" height="9" clip-path="url(a.svg#c)"/>'), "clip-path"),
    "clipped use": (
        svg('<clipPath id="c"><rect width="5" height="5"/></clipPath><rect id="a" width="9" height="9"/>'
            '<use href="#a" x="3" clip-path="url(#c)"/>'), "expected a transform"),
    "no shape": (svg("<g/>"), "no closed shape"),
    "no area": (svg('<path d="M0 0 L9 9"/>'), "no closed shape"),
    "keep only": (svg('<rect class="keep" width="9" height="9"/>'), "nothing to cut"),
    "endless": (svg('<path d="M0 0 H1e400 V9 Z"/>'), "endless"),
    "gradient relief": (svg('<rect class="relief" fill="url(#g)" width="9" height="9"/>'), "plain colour"),
    "view box": (svg("", 'viewBox="0 0 0 5"'), "viewBox"),
    "no width": (svg("", 'width="0" viewBox="0 0 5 5"'), "width"),
    "too small": (svg('<rect width="2" height="2"/>'), "2 x 2 mm"),
    "too large": (svg('<rect width="9e3" height="20"/>'), "9000 x 20 mm"),
    "bad picture": (b"\x89PNG\r\n\x1a\n" + b"0" * 50, "cannot be read"),
}  # fmt: skip


@pytest.mark.parametrize("case", REFUSED)
def test_refusals(case):
    """One clear line that names the file, what is wrong, and what was expected."""
    content, part = REFUSED[case]
    found = refusal(content)
    assert found.startswith("art.svg") and part in found and "expected" in found, found


def test_tangles_are_refused_before_they_fill_the_memory():
    """A few thousand random corners would cross millions of times."""
    corners = np.random.default_rng(1).uniform(0, 100, (4000, 2))
    path = "M" + " L".join(f"{x:.3f} {y:.3f}" for x, y in corners)
    assert "crosses itself" in refusal(svg(f'<path d="{path}Z"/>'))


@pytest.mark.parametrize("options", [{"width_mm": 2.0}, {"width_mm": math.nan}, {"threshold": 0.0}])
def test_senseless_settings_are_refused(options):
    """Widths and thresholds that nobody can mean."""
    assert "expected" in refusal(svg('<rect width="9" height="9"/>'), **options)


@settings(max_examples=60, deadline=None)
@given(content=st.binary(max_size=200) | st.text(max_size=200).map(lambda text: b"<svg>" + text.encode()))
def test_any_bytes_are_read_or_refused_in_one_line(content):
    """No content ends in anything but layers or one line."""
    try:
        read_artwork(content, "a")
    except BadInput as error:
        assert len(str(error).splitlines()) == 1


@settings(max_examples=100, deadline=None)
@given(
    path=st.text(alphabet="MmLlHhVvCcSsQqTtAaZz0123456789.-+e ,", max_size=60),
    transform=st.text(alphabet="scaletrnmixowkXY()0123456789.-, ", max_size=20),
)
def test_any_path_is_read_or_refused_in_one_line(path, transform):
    """No path and no transform ends in anything but layers or one line."""
    try:
        read_artwork(svg(f'<path d="{path}" transform="{transform}"/>'), "a")
    except BadInput as error:
        assert len(str(error).splitlines()) == 1


@pytest.mark.parametrize("kind", ["PNG", "JPEG", "TIFF"])
def test_damaged_pictures_are_refused_or_read(kind):
    """A picture with any one byte changed or its end cut off gives layers or one line."""
    whole = picture(np.full((20, 20), 100, np.uint8), kind)
    for at in range(0, len(whole), 7):
        for content in (whole[:at], whole[:at] + bytes([whole[at] ^ 0xFF]) + whole[at + 1 :]):
            try:
                read_artwork(content, "a")
            except BadInput as error:
                assert len(str(error).splitlines()) == 1


# --- light


def test_srgb_curve():
    """Published values of IEC 61966-2-1 (as computed by the package colour 0.4.7), and there and back."""
    stored = np.array([0, 1, 10, 11, 64, 127, 128, 188, 192, 254, 255]) / 255
    light = [0, 0.000303527, 0.003035270, 0.003346536, 0.051269458, 0.212230757, 0.215860500, 0.502886458,
             0.527115126, 0.991102097, 1]  # fmt: skip
    assert decoded(stored) == pytest.approx(light, abs=1e-9)
    assert encoded(np.array([0.0031308, 0.01, 0.18, 0.5, 0.9])) == pytest.approx(
        [0.040449936, 0.099852823, 0.461356130, 0.735356983, 0.954687172], abs=1e-9
    )
    assert luminance_of_srgb((200, 120, 40)) == pytest.approx(0.258655030, abs=1e-8)


def test_picture_is_a_relief_of_linear_luminance():
    """Colours become BT.709 luminance of linear light; the picture's middle is the origin."""
    colours = np.zeros((2, 4, 3), np.uint8)
    colours[0], colours[1] = (200, 120, 40), (128, 128, 128)
    layers = read_artwork(picture(colours), "a", width_mm=40.0)
    assert layers.regions == () and layers.tones.pixel_mm == pytest.approx(10.0)
    assert layers.tones.luminance[0] == pytest.approx(0.258655030, abs=1e-6)
    assert layers.tones.luminance[1] == pytest.approx(0.215860500, abs=1e-6)
    assert (layers.width_mm, layers.height_mm) == pytest.approx((40.0, 20.0))


def test_fine_pixels_are_averaged_in_linear_light():
    """A fine black and white chequer is half the light, 0.5, not the 0.21 of the mean grey value."""
    chequer = (np.indices((400, 400)).sum(axis=0) % 2 * 255).astype(np.uint8)
    tones = read_artwork(picture(chequer), "a", width_mm=60.0).tones
    assert tones.pixel_mm == pytest.approx(0.3) and tones.luminance.shape == (200, 200)
    assert tones.luminance == pytest.approx(np.full((200, 200), 0.5), abs=1e-6)


def test_sixteen_bit_grey_is_read_as_such():
    """Two greys that 8 bits cannot tell apart stay apart: 30000 / 65535 and 30050 / 65535, decoded."""
    for kind in ("PNG", "TIFF"):
        content = picture(np.array([[30000, 30050]], np.uint16), kind)
        found = read_artwork(content, "a", width_mm=20.0).tones.luminance[0]
        expected = [((g / 65535 + 0.055) / 1.055) ** 2.4 for g in (30000, 30050)]
        assert found == pytest.approx(expected, abs=1e-6)


def test_transparent_parts_are_kept():
    """Transparent pixels are not cut, whatever colour lies beneath."""
    colours = np.zeros((2, 2, 4), np.uint8)
    colours[..., 3] = [[255, 0], [255, 255]]
    assert read_artwork(picture(colours), "a", width_mm=10).tones.mask.tolist() == [
        [True, False],
        [True, True],
    ]
    colours[..., 3] = 0
    assert "transparent" in refusal(picture(colours))


def test_palette_pictures():
    """A palette's colours count, not its numbers."""
    indexed = Image.new("P", (2, 1))
    indexed.putpalette([255, 255, 255, 128, 128, 128])
    indexed.putdata([0, 1])
    file = io.BytesIO()
    indexed.save(file, "PNG")
    found = read_artwork(file.getvalue(), "a", width_mm=10).tones.luminance[0]
    assert found == pytest.approx([1.0, 0.2158605], abs=1e-6)


def test_exif_turn_is_applied():
    """Orientation 6 (EXIF 2.3, tag 0x0112): the stored left column is the top row, read from the right."""
    exif = Image.Exif()
    exif[0x0112] = 6
    stored = np.array([[0, 255], [0, 255], [0, 255]], np.uint8)  # dark column at the left
    layers = read_artwork(picture(stored, exif=exif), "a", width_mm=30)
    assert layers.tones.luminance.tolist() == [[0.0] * 3, [1.0] * 3]


@pytest.mark.parametrize(
    ("dpi", "width"), [(None, 180.0), ((72, 72), 180.0), ((96, 96), 180.0), ((127, 127), 20.0)]
)
def test_width_of_a_picture(dpi, width):
    """A print resolution gives the width, 100 px at 127 dpi = 20 mm; a screen's or none means 180 mm."""
    options = {} if dpi is None else {"dpi": dpi}
    layers = read_artwork(picture(np.full((50, 100), 9, np.uint8), **options), "a")
    assert layers.width_mm == pytest.approx(width, rel=1e-3)


def test_huge_pictures_are_refused_from_their_header():
    """A file of a few bytes that says it has 10^9 pixels is not unpacked."""
    small = picture(np.zeros((2, 2), np.uint8))
    header = struct.pack(">II", 30000, 30000) + small[24:29]
    forged = small[:16] + header + struct.pack(">I", zlib.crc32(b"IHDR" + header)) + small[33:]
    assert "expected" in refusal(forged)


# --- pictures as shapes


def disc(size=200, radius=60.0, soft=True):
    """Return a dark disc on white with edges smoothed as area cover, grey 0..255."""
    fine = 8 if soft else 1
    y, x = (np.indices((size * fine, size * fine)) + 0.5) / fine - size / 2
    dark = (np.hypot(x, y) < radius).reshape(size, fine, size, fine).mean(axis=(1, 3))
    return np.round(255 * (1 - dark)).astype(np.uint8)


def test_dark_shapes_become_openings_with_sub_pixel_edges():
    """A disc of 60 pixels' radius that becomes 60 mm: the edge is within 0.1 mm = 0.2 pixel of the circle."""
    layers = read_artwork(picture(disc()), "a", treatment=Treatment.OPENING, width_mm=60.0)
    polygon = only(layers)
    radii = np.hypot(*shapely.get_coordinates(polygon).T)
    assert layers.width_mm == pytest.approx(60.0)
    assert np.abs(radii - 30.0).max() < 0.1
    assert polygon.area == pytest.approx(math.pi * 30**2, rel=5e-3)


def test_ring_has_a_hole_and_what_touches_the_border_is_closed():
    """A dark ring is one region with a hole; dark pixels at the border end at the picture's edge."""
    ring = np.maximum(disc(), 255 - disc(radius=30.0))
    polygon = only(read_artwork(picture(ring), "a", treatment=Treatment.SHAVE, width_mm=120.0))
    assert len(polygon.interiors) == 1
    assert shapely.Polygon(polygon.interiors[0]).area == pytest.approx(math.pi * 30**2, rel=0.01)
    dark = read_artwork(picture(np.zeros((50, 100), np.uint8)), "a", treatment=Treatment.OPENING)
    assert (dark.width_mm, dark.height_mm) == pytest.approx((180.0, 90.0), rel=5e-3)


def test_y_is_up_in_pictures_too():
    """A dark square at the top left and a small one at the bottom right keep their places."""
    grey = np.full((100, 100), 255, np.uint8)
    grey[0:40, 0:40] = 0
    grey[90:100, 90:100] = 0
    first, second = read_artwork(picture(grey), "a", treatment=Treatment.OPENING, width_mm=100.0).regions
    assert first.polygon.centroid.x < 0 < first.polygon.centroid.y
    assert second.polygon.centroid.y < 0 < second.polygon.centroid.x


def test_threshold_moves_the_border_between_dark_and_bright():
    """Grey 100 is dark for a threshold of 0.5 and bright for one of 0.3; transparent is never dark."""
    grey = np.full((50, 50), 255, np.uint8)
    grey[10:40, 10:40] = 100
    options = {"treatment": Treatment.OPENING, "width_mm": 60.0}
    assert only(read_artwork(picture(grey), "a", **options)).area == pytest.approx(3600, rel=0.01)
    assert "nothing darker" in refusal(picture(grey), threshold=0.3, **options)
    clear = np.dstack([np.zeros((50, 50, 3), np.uint8), np.where(grey == 100, 255, 0).astype(np.uint8)])
    assert only(read_artwork(picture(clear), "a", **options)).area == pytest.approx(3600, rel=0.01)


def test_letters_are_known_by_class_or_group():
    """Class or id `letters`, on a shape or its group: each region that lies mostly in them is a letter."""
    body = (
        '<g id="letters-2"><rect width="9" height="30"/></g><rect class="opening letters" x="20" width="9" '
        'height="30"/><rect x="40" width="9" height="30"/>'
    )
    layers = read_artwork(svg(body), "a.svg")
    assert [region.letters for region in layers.regions] == [True, True, False]
