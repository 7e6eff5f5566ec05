"""What shapes cover, by closed forms: strokes with their joins and ends, clips, transforms, arcs, fill rules.

How strokes, joins, caps and clips are meant: W3C, *Scalable Vector Graphics (SVG) 1.1*, chapters 11.4 and
14.3 (from memory); the areas are plain geometry. Chords within 1e-4 take off at most 1e-4 of a length.
"""

import math

import numpy as np
import pytest
import shapely

from engine.records import Treatment
from engine.shapes import outline_of
from engine.svg import read_svg

FINE = 1e-4


def svg(body):
    size = 'width="100mm" height="100mm" viewBox="0 0 100 100"'
    return f'<svg xmlns="http://www.w3.org/2000/svg" {size}>{body}</svg>'.encode()


def areas(body):
    """Return what each shape of a drawing covers, in painting order."""
    return [outline_of(shape, FINE) for shape in read_svg(svg(body), "a.svg").shapes]


def area(body):
    return shapely.union_all(areas(body)).area


def pen(d, more="", width=2):
    return f'<path d="{d}" fill="none" stroke="#000" stroke-width="{width}" {more}/>'


CORNER = "M10 10H20V20"


@pytest.mark.parametrize(
    ("body", "wanted"),
    [
        (pen("M10 10H30"), 40),
        (pen("M10 10H30", 'stroke-linecap="square"'), 44),
        (pen("M10 10H30", 'stroke-linecap="round"'), 40 + math.pi),
        (pen(CORNER), 40),  # two strips of 20 overlap in 1 x 1; the mitre adds 1 x 1
        (pen(CORNER, 'stroke-linejoin="bevel"'), 39.5),
        (pen(CORNER, 'stroke-linejoin="round"'), 39 + math.pi / 4),
        (pen(CORNER, 'stroke-miterlimit="1.4"'), 39.5),  # a mitre of sqrt(2) is over its limit: bevelled
        (pen(CORNER, 'stroke-miterlimit="1.42"'), 40),
        (pen("M10 10H20V20H10Z"), 12**2 - 8**2),
        (pen("M10 10H20V20H10Z", 'stroke-linejoin="round"'), 12**2 - 8**2 - (4 - math.pi)),
        (pen("M10 10H20V20H10Z", 'stroke-linejoin="bevel"'), 12**2 - 8**2 - 2),
        (pen("M10 10h0", 'stroke-linecap="round"'), math.pi),
        (pen("M10 10h0", 'stroke-linecap="square"'), 4),
        ('<circle cx="30" cy="30" r="10" fill="none" stroke="#000" stroke-width="2"/>', math.pi * (121 - 81)),
        (pen("M10 10H30", 'stroke-dasharray="3 2"'), 2 * 4 * 3),
        (pen("M10 10H30", 'stroke-dasharray="3 2" stroke-dashoffset="4"'), 2 * 4 * 3),
        (pen("M10 10H30", 'stroke-dasharray="3"'), 2 * (3 + 3 + 3 + 2)),  # an odd number counts twice over
        (pen("M10 10H30", 'stroke-dasharray="3 7" stroke-linecap="square"'), 2 * 2 * 5),
        (pen("M10 10H30", 'stroke-dasharray="0 10" stroke-linecap="round"'), 3 * math.pi),
        (
            pen("M10 10H20V20H10Z", 'stroke-dasharray="5 5" stroke-dashoffset="2.5"'),
            39,
        ),  # three corners mitred, the first one not joined
        (pen("M10 10H20V20H10Z", 'stroke-dasharray="0 0"'), 12**2 - 8**2),
        ('<line x1="5" y1="5" x2="8" y2="9" stroke="red" stroke-width="1"/>', 5),
        ('<polyline points="10,10 20,10 20,20" fill="none" stroke="red" stroke-width="2"/>', 40),
    ],
)
def test_strokes(body, wanted):
    """Strips, joins and ends of every kind, open and closed."""
    assert area(body) == pytest.approx(wanted, abs=2e-3)


@pytest.mark.parametrize(("radius", "wanted"), [(2, 1492.566371), (5, 1978.539816)])
def test_a_shape_with_a_round_stroke_is_its_dilation(radius, wanted):
    """40 x 30 mm with a round stroke of 2 r: A + P r + pi r2 (Steiner; Schneider, *Convex Bodies*, 4.1)."""
    body = f'<rect x="10" y="10" width="40" height="30" stroke="#000" stroke-width="{2 * radius}" %s/>'
    assert area(body % 'stroke-linejoin="round"') == pytest.approx(wanted, abs=0.01)


def test_a_quarter_arc_s_stroke():
    """A quarter ring with flat ends: pi / 4 (R + h)^2 - (R - h)^2."""
    assert area(pen("M40 10A30 30 0 0 0 10 40")) == pytest.approx(math.pi / 4 * (31**2 - 29**2), abs=2e-3)


def test_an_uneven_scale_makes_an_uneven_stroke():
    """Under scale(3, 1) a level stroke keeps its height and an upright one is three times as wide."""
    level, upright = areas(f'<g transform="scale(3,1)">{pen("M5 5H15")}{pen("M20 5V15")}</g>')
    assert level.bounds == pytest.approx((15, -6, 45, -4))
    assert upright.bounds == pytest.approx((57, -15, 63, -5))


def test_fill_and_stroke_are_both_seen():
    """A filled square of 10 with a stroke of 2 covers 12 x 12; in painting order fill, then stroke."""
    fill, stroke = areas(
        '<rect x="10" y="10" width="10" height="10" fill="#888" stroke="#000" stroke-width="2"/>'
    )
    assert fill.area == pytest.approx(100)
    assert stroke.area == pytest.approx(80)
    assert shapely.union(fill, stroke).area == pytest.approx(144)


def test_a_stroke_takes_its_treatment_and_colour():
    """As a fill does: by class, with its own colour for a relief's tone."""
    drawing = read_svg(
        svg(
            '<g class="relief"><rect width="9" height="9" fill="#fff" stroke="#336699" stroke-width="1"/></g>'
        ),
        "a.svg",
    )
    fill, stroke = drawing.shapes
    assert [s.treatment for s in (fill, stroke)] == [Treatment.RELIEF] * 2
    assert fill.colour == (255, 255, 255)
    assert stroke.colour == (0x33, 0x66, 0x99)


@pytest.mark.parametrize(
    "more", ['stroke="none"', 'stroke="#000" stroke-width="0"', 'stroke="#000" stroke-opacity="0"']
)
def test_strokes_that_are_not_seen(more):
    """Leave the fill alone."""
    (fill,) = areas(f'<rect width="10" height="10" {more}/>')
    assert fill.area == pytest.approx(100)


def test_curves_of_a_stroke_keep_to_the_tolerance():
    """The outer edge of a stroked circle strays by no more than asked from its true circle."""
    (shape,) = read_svg(
        svg('<circle cx="50" cy="50" r="30" fill="none" stroke="#000" stroke-width="8"/>'), "a"
    ).shapes
    for tolerance in (0.5, 0.02):
        ring = np.asarray(outline_of(shape, tolerance).exterior.coords) - [50, -50]
        middles = (ring[1:] + ring[:-1]) / 2
        assert np.abs(np.hypot(*middles.T) - 34).max() < 2 * tolerance


# --- clips ---------------------------------------------------------------------------------------------

CIRCLE = '<clipPath id="c"><circle cx="20" cy="20" r="5"/></clipPath>'


def test_a_clip_path_cuts_a_shape():
    """A square seen through a circle is the circle; the clip path itself is not drawn."""
    (seen,) = areas(CIRCLE + '<rect width="40" height="40" clip-path="url(#c)"/>')
    assert seen.area == pytest.approx(25 * math.pi, abs=10 * math.pi * FINE)
    assert areas(CIRCLE) == []


def test_clips_of_groups_and_shapes_work_together():
    """A group clipped to a circle with a part clipped to a half-plane of it: half a circle."""
    half = '<clipPath id="h"><rect x="20" y="0" width="40" height="40"/></clipPath>'
    (seen,) = areas(
        CIRCLE + half + '<g clip-path="url(#c)"><rect width="40" height="40" style="clip-path:url(#h)"/></g>'
    )
    assert seen.area == pytest.approx(12.5 * math.pi, abs=2e-3)


def test_a_clip_lies_in_the_space_of_what_it_clips():
    """Under the clipped element's own transform: moved and doubled with it, whatever the group does."""
    (seen,) = areas(
        CIRCLE + '<g transform="translate(7,0)"><rect width="40" height="40" transform="scale(2)" '
        'clip-path="url(#c)"/></g>'
    )
    assert seen.area == pytest.approx(100 * math.pi, abs=5e-3)
    assert seen.centroid.x == pytest.approx(47, abs=1e-3)
    assert seen.centroid.y == pytest.approx(-40, abs=1e-3)


def test_a_clip_path_s_own_transform_and_rule():
    """Its own transform comes inside; its clip rule decides about holes, not its fill rule or colour."""
    ring = "M0 0H20V20H0Z M5 5H15V15H5Z"
    body = (
        f'<clipPath id="r" transform="translate(10,0)"><path d="{ring}" clip-rule="evenodd" fill="none"/>'
        '</clipPath><rect width="40" height="40" clip-path="url(#r)"/>'
    )
    (seen,) = areas(body)
    assert seen.area == pytest.approx(300)
    assert seen.bounds == pytest.approx((10, -20, 30, 0))
    (solid,) = areas(body.replace(' clip-rule="evenodd"', ' fill-rule="evenodd"'))
    assert solid.area == pytest.approx(400)


def test_a_clip_may_use_a_part_of_the_drawing():
    """`use` inside a clip path shows the part's outline there."""
    body = (
        '<defs><rect id="s" width="6" height="6"/></defs><clipPath id="u"><use href="#s" x="4" y="4"/>'
        '<circle cx="30" cy="30" r="2"/></clipPath><rect width="40" height="40" clip-path="url(#u)"/>'
    )
    (seen,) = areas(body)
    assert seen.area == pytest.approx(36 + 4 * math.pi, abs=2e-3)


def test_strokes_are_clipped_too():
    """A level stroke seen through a circle of 5 mm is as long as the circle is wide there."""
    (seen,) = areas(CIRCLE + pen("M0 20H40", 'clip-path="url(#c)"', 0.01))
    assert seen.area == pytest.approx(0.1, rel=1e-3)


# --- transforms, arcs, fill rules ------------------------------------------------------------------------


def test_nested_transforms_are_applied_from_the_inside_out():
    """Against plain matrices: every kind of transform, four deep."""
    (seen,) = areas(
        '<g transform="translate(30,40) rotate(30)"><g transform="scale(2,0.5) skewX(20)">'
        '<g transform="rotate(-15 3 4)"><path transform="matrix(1 .2 -.1 .9 5 -6) skewY(5)" d="M0 0H4V3H0Z"/>'
        "</g></g></g>"
    )

    def matrix(a, b, c, d, e, f):
        return np.array([[a, c, e], [b, d, f], [0, 0, 1.0]])

    def turned(deg):
        c, s = math.cos(math.radians(deg)), math.sin(math.radians(deg))
        return matrix(c, s, -s, c, 0, 0)

    shift = matrix(1, 0, 0, 1, 30, 40)
    about = matrix(1, 0, 0, 1, 3, 4) @ turned(-15) @ matrix(1, 0, 0, 1, -3, -4)
    skew_x = matrix(1, 0, math.tan(math.radians(20)), 1, 0, 0)
    skew_y = matrix(1, math.tan(math.radians(5)), 0, 1, 0, 0)
    whole = shift @ turned(30) @ matrix(2, 0, 0, 0.5, 0, 0) @ skew_x @ about
    whole = whole @ matrix(1, 0.2, -0.1, 0.9, 5, -6) @ skew_y
    corners = whole @ np.array([[0, 0, 1], [4, 0, 1], [4, 3, 1], [0, 3, 1.0]]).T
    wanted = shapely.Polygon(np.stack([corners[0], -corners[1]], axis=1))  # y turned up
    assert shapely.symmetric_difference(seen, wanted).area < 1e-6 * wanted.area


@pytest.mark.parametrize(("large", "sweep"), [(0, 0), (0, 1), (1, 0), (1, 1)])
def test_arcs_of_every_flag(large, sweep):
    """A segment of a circle of 10 over a chord of 12: its area by sector less triangle, either part."""
    half = math.asin(0.6)
    small = 100 * half - 6 * 8
    d = f"M20 30A10 10 0 {large} {sweep} 32 30Z"
    wanted = 100 * math.pi - small if large else small
    (seen,) = areas(f'<path d="{d}"/>')
    assert seen.area == pytest.approx(wanted, rel=1e-4)
    # swept the positive way (clockwise on the page) the small arc from left to right bulges up
    above = seen.centroid.y > -30
    assert above == (sweep == 1)


def test_an_arc_turned_under_an_uneven_scale():
    """An ellipse 10 x 4 turned by 30 deg, then scaled by (1, 3): its area and box by closed form."""
    d = "M-10 0A10 4 0 0 0 10 0A10 4 0 0 0 -10 0Z"
    (seen,) = areas(f'<g transform="translate(50,50) scale(1,3)"><path transform="rotate(30)" d="{d}"/></g>')
    assert seen.area == pytest.approx(math.pi * 120, rel=1e-4)
    half_wide = math.hypot(10 * math.cos(math.pi / 6), 4 * math.sin(math.pi / 6))
    half_high = 3 * math.hypot(10 * math.sin(math.pi / 6), 4 * math.cos(math.pi / 6))
    # the library's cubics stray from the ellipse by 3e-4 of its size
    assert seen.bounds == pytest.approx(
        (50 - half_wide, -50 - half_high, 50 + half_wide, -50 + half_high), abs=0.01
    )


@pytest.mark.parametrize(
    ("rule", "wanted"), [("evenodd", 300), ("nonzero", 400)], ids=["even-odd", "non-zero"]
)
def test_fill_rules_of_rings_drawn_the_same_way(rule, wanted):
    """Two squares drawn the same way round: a hole by even-odd, none by non-zero."""
    d = "M0 0H20V20H0Z M5 5H15V15H5Z"
    assert area(f'<path fill-rule="{rule}" d="{d}"/>') == pytest.approx(wanted)
    other_way = "M0 0H20V20H0Z M5 5V15H15V5Z"
    assert area(f'<path fill-rule="nonzero" d="{other_way}"/>') == pytest.approx(300)


def test_a_five_pointed_star():
    """Drawn in one line: its middle pentagon is open by even-odd and filled by non-zero."""
    angle = np.radians(90 + 144 * np.arange(5))
    points = " ".join(f"{50 + 20 * math.cos(a):.6f},{50 + 20 * math.sin(a):.6f}" for a in angle)
    inner = 20 * (3 - math.sqrt(5)) / 2  # circumradius of the pentagon inside
    pentagon = 2.5 * inner**2 * math.sin(math.radians(72))
    star = [area(f'<polygon fill-rule="{rule}" points="{points}"/>') for rule in ("nonzero", "evenodd")]
    assert star[0] - star[1] == pytest.approx(pentagon, rel=1e-4)


# --- symbols -------------------------------------------------------------------------------------------

SYMBOL = '<symbol id="s" viewBox="0 0 10 20"><rect width="10" height="20"/></symbol>'


@pytest.mark.parametrize(
    ("use", "box"),
    [
        ('<use href="#s" x="5" y="7" width="20" height="40"/>', (5, 7, 25, 47)),
        ('<use href="#s" x="5" y="7" width="40" height="40"/>', (15, 7, 35, 47)),  # met in the middle
        ('<use href="#s" width="20" height="40" transform="translate(30 10)"/>', (30, 10, 50, 50)),
        ('<g transform="scale(2)"><use href="#s" width="10" height="20"/></g>', (0, 0, 20, 40)),
        ('<use href="#s"/>', (25, 0, 75, 100)),  # all of the drawing, which is 100 x 100
        ('<g id="twice"><use href="#s" width="5" height="10"/></g>', (0, 0, 5, 10)),
    ],
)
def test_a_symbol_fills_the_box_it_is_used_in(use, box):
    """Scaled alike in both directions and put into the middle (SVG 1.1, 7.8, from memory); alone unseen."""
    found = shapely.union_all(areas(SYMBOL + use))
    left, top, right, bottom = box
    wanted = shapely.box(left, -bottom, right, -top)
    assert found.symmetric_difference(wanted).area < 1e-6


def test_a_symbol_without_a_view_box_is_only_moved():
    """And clipped to its box, if it has one: of 10 x 20 in a box of 6 x 30, 6 x 20 are seen."""
    plain = '<symbol id="s"><rect width="10" height="20"/></symbol>'
    whole = shapely.union_all(areas(plain + '<use href="#s" x="3" y="4"/>'))
    assert whole.bounds == pytest.approx((3, -24, 13, -4))
    assert area(plain + '<use href="#s" width="6" height="30"/>') == pytest.approx(120)


@pytest.mark.parametrize(("more", "wanted"), [("", 10 * 20), ('overflow="visible"', 30 * 20)])
def test_a_symbol_is_clipped_to_its_box(more, wanted):
    """What stands out of the view box is not seen, unless the symbol says so."""
    wide = f'<symbol id="s" viewBox="0 0 10 20" {more}><rect x="-10" width="30" height="20"/></symbol>'
    assert area(wide + '<use href="#s" x="30" y="30" width="10" height="20"/>') == pytest.approx(wanted)


@pytest.mark.parametrize(
    ("aspect", "box"),
    [("none", (0, 0, 40, 40)), ("xMinYMid", (0, 0, 20, 40)), ("xMaxYMid meet", (20, 0, 40, 40))],
)
def test_how_a_symbol_meets_its_box(aspect, box):
    """`preserveAspectRatio` of the symbol."""
    one = SYMBOL.replace('viewBox="0 0 10 20"', f'viewBox="0 0 10 20" preserveAspectRatio="{aspect}"')
    found = shapely.union_all(areas(one + '<use href="#s" width="40" height="40"/>'))
    left, top, right, bottom = box
    assert found.bounds == pytest.approx((left, -bottom, right, -top))


def test_a_symbol_in_a_symbol():
    """Uses inside a symbol are followed; class and treatment come from where it is used."""
    body = (
        '<symbol id="dot"><circle r="2" cx="5" cy="5"/></symbol>'
        '<symbol id="pair"><use href="#dot"/><use href="#dot" x="10"/></symbol>'
        '<use href="#pair" class="shave" y="20"/>'
    )
    shapes = read_svg(svg(body), "a.svg").shapes
    assert [shape.treatment for shape in shapes] == [Treatment.SHAVE] * 2
    assert area(body) == pytest.approx(2 * math.pi * 4, rel=1e-3)
