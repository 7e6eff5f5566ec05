"""Rules on the skin: each test fails without its rule; sizes come from closed forms on a sphere.

On a sphere the sheet is true at the placement's latitude p and shrinks to cos(latitude) / cos(p) elsewhere.
"""

import dataclasses
import math
import time

import numpy as np
import pytest
import shapely

from engine.chart import own_mercator
from engine.records import (
    Cutter,
    CutterForm,
    KeepOut,
    Layers,
    Life,
    Placement,
    Region,
    Rules,
    Severity,
    Surface,
    ToneField,
    Treatment,
    Wall,
)
from engine.regions import bridge_minimum_mm, judge_regions, skin_outlines
from engine.surface import surface_of

RADIUS_MM = 140.0
BALL = surface_of(lambda unit: np.full(unit.shape[:-1], RADIUS_MM), 3.0)
CUTTER = Cutter(
    name="6 mm flat", form=CutterForm.FLAT, diameter_mm=6, teeth=2, flute_length_mm=42, stick_out_mm=50,
    holder_diameter_mm=30, holder_length_mm=60, centre_cutting=True, rpm=12000, feed_mm_per_min=1400,
    plunge_mm_per_min=400, step_down_mm=5, stepover_mm=1.5, life=Life("squash", 0.25, 600),
)  # fmt: skip


def box(x, y, width, height):
    """Return a rectangle about (x, y)."""
    return shapely.box(x - width / 2, y - height / 2, x + width / 2, y + height / 2)


def design(*polygons, treatment=Treatment.OPENING, tones=None):
    regions = tuple(Region(f"{treatment} {k}", treatment, p) for k, p in enumerate(polygons, start=1))
    return Layers("design", regions, tones, 100.0, 100.0, "0" * 12)


def judged(layers, *, placement=None, surface=BALL, wall_mm=20.0, cutters=(CUTTER,), **rules):
    chart = own_mercator(surface, placement or Placement())
    wall = Wall(np.zeros(1), np.zeros(1), np.full(1, wall_mm))
    return judge_regions(layers, chart, surface, wall, cutters, Rules(**rules))


def of(findings, rule):
    return [f for f in findings if f.rule == rule]


def skin_mm(sheet_mm, latitude_rad=0.0, placed_rad=0.0):
    """Return a small length of the sheet on the ball, at a latitude."""
    return sheet_mm * math.cos(latitude_rad) / math.cos(placed_rad)


def test_a_sound_design_has_no_findings():
    """Two openings of 20 x 20 mm, 20 mm apart, on the belly."""
    assert judged(design(box(-20, 0, 20, 20), box(20, 0, 20, 20))) == ()


def test_an_empty_design_has_no_findings():
    """Only keep, nothing to judge."""
    assert judged(design(box(0, 0, 20, 20), treatment=Treatment.KEEP)) == ()


# --- latitude


@pytest.mark.parametrize(
    ("reach_deg", "severity"),
    [(49.0, None), (55.0, Severity.WARN), (64.0, Severity.WARN), (68.0, Severity.REFUSE)],
)
@pytest.mark.parametrize("side", [1, -1])
def test_latitude(reach_deg, severity, side):
    """The farthest corner of a region counts, north and south; Mercator's y is R asinh(tan(latitude))."""
    top = RADIUS_MM * math.asinh(math.tan(math.radians(reach_deg)))
    polygon = shapely.box(-15, min(side * top, side * (top - 40)), 15, max(side * top, side * (top - 40)))
    for treatment in (Treatment.OPENING, Treatment.SHAVE, Treatment.RELIEF):
        found = of(judged(design(polygon, treatment=treatment)), "latitude")
        assert [f.severity for f in found] == ([severity] if severity else [])
        if severity:
            assert found[0].measured == pytest.approx(reach_deg, abs=0.02)
            assert found[0].allowed == (65.0 if severity == Severity.REFUSE else 50.0)
            assert found[0].latitude_deg == pytest.approx(side * reach_deg, abs=0.02)


def test_latitude_of_tones():
    """A tone picture counts by its cut pixels; masked ones do not."""
    mask = np.ones((300, 100), bool)
    luminance = np.ones((300, 100))
    top = math.degrees(math.asin(math.tanh(149.5 / RADIUS_MM)))  # the inverse of asinh(tan)
    found = of(judged(design(tones=ToneField(luminance, mask, 1.0))), "latitude")
    assert found[0].measured == pytest.approx(top, abs=0.02)
    mask[:60], mask[-60:] = False, False
    assert not of(judged(design(tones=ToneField(luminance, mask, 1.0))), "latitude")


# --- once round


def test_a_design_goes_round_once_at_most():
    """Openings over 370 degrees would be cut over themselves; over 350 they are not."""
    for degrees, stops in ((350.0, 0), (370.0, 1)):
        x = RADIUS_MM * math.radians(degrees) / 2 - 10
        found = of(judged(design(box(-x, 0, 20, 20), box(x, 0, 20, 20))), "once round")
        assert len(found) == stops


def test_an_opening_that_goes_all_the_way_round_is_refused():
    """A band of exactly 360 degrees parts the piece in two."""
    band = box(0, 0, 2 * math.pi * RADIUS_MM, 10)
    found = of(judged(design(band)), "once round")
    assert [(f.severity, f.place) for f in found] == [(Severity.REFUSE, "opening 1")]


# --- islands


@pytest.mark.parametrize(("size", "bridges"), [(10.0, 1), (30.0, 2), (60.0, 3)])
@pytest.mark.parametrize("latitude_deg", [0.0, 30.0])
def test_free_island(size, bridges, latitude_deg):
    """A round island in a ring hangs on nothing; it is measured on the skin and bridges are advised."""
    placement = Placement(latitude_rad=math.radians(latitude_deg))
    ring = shapely.Point(0, 0).buffer(size / 2 + 10, 64).difference(shapely.Point(0, 0).buffer(size / 2, 64))
    (found,) = of(judged(design(ring), placement=placement), "free island")
    assert found.severity == Severity.REFUSE and found.place == "opening 1"
    # the chord of the island's arc on the ball
    assert found.measured == pytest.approx(2 * RADIUS_MM * math.sin(size / 2 / RADIUS_MM), rel=0.02)
    assert found.fix.startswith(f"add {bridges} bridge")
    # the moat is 10 mm wide: sqrt(0.75 x 10 N x 10 mm / (20 mm x 0.25 MPa)) = 3.9, so the floor of 6 mm
    assert "of 6 mm" in found.fix


def test_holes_in_shaved_regions_hold():
    """A ring that is shaved is no opening: nothing falls out."""
    ring = box(0, 0, 60, 60).difference(box(0, 0, 20, 20))
    assert not of(judged(design(ring, treatment=Treatment.SHAVE)), "free island")


# --- bridges and webs


def test_bridge_formula():
    """The trade's own figures: L = 40, t = 20: 7.7 mm; L = 20: the floor, not 5.5; dull, 25 N: 12.2."""
    assert bridge_minimum_mm(40, 20, Rules()) == pytest.approx(7.746, abs=1e-3)
    assert bridge_minimum_mm(20, 20, Rules()) == 6.0
    assert bridge_minimum_mm(40, 20, Rules(bridge_load_n=25)) == pytest.approx(12.247, abs=1e-3)


@pytest.mark.parametrize(
    ("gap", "severity", "rule"),
    [
        (3.0, Severity.REFUSE, "bridge width"),
        (5.0, Severity.WARN, "bridge width"),
        (6.5, Severity.WARN, "web width"),
        (8.8, None, None),
        (12.0, None, None),
    ],
)
@pytest.mark.parametrize("latitude_deg", [0.0, 40.0])
@pytest.mark.parametrize("turn_deg", [0.0, 90.0, 200.0])
@pytest.mark.parametrize("mirror", [False, True])
def test_width_between_two_openings(gap, severity, rule, latitude_deg, turn_deg, mirror):
    """Two squares of 20 mm with a gap: 3 mm is refused, under 6 a bridge and under 8 a web is warned of."""
    placement = Placement(0.5, math.radians(latitude_deg), math.radians(turn_deg), mirror)
    shift = (20 + gap) / 2
    findings = judged(design(box(-shift, 0, 20, 20), box(shift, 0, 20, 20)), placement=placement)
    found = of(findings, "bridge width") + of(findings, "web width")
    if severity is None:
        assert found == []
        return
    (one,) = found
    assert (one.severity, one.rule) == (severity, rule)
    assert set(one.place.split(" and ")) == {"opening 1", "opening 2"}
    # true at the middle of the sheet; the squares reach 10 mm towards a pole, where it is a little less
    allowed_loss = 1 - math.cos(math.radians(latitude_deg) + 10 / RADIUS_MM) / math.cos(
        math.radians(latitude_deg)
    )
    assert gap * (1 - allowed_loss) - 0.02 <= one.measured <= gap + 0.02


def test_width_is_judged_on_the_skin_and_not_on_the_sheet():
    """A gap of 10 mm on the sheet at 45 degrees is 7.07 mm on the skin of a ball."""
    latitude = math.radians(45)
    y = RADIUS_MM * math.asinh(math.tan(latitude))
    pair = design(box(-15, y, 20, 1.0), box(15, y, 20, 1.0))
    (found,) = of(judged(pair), "web width")
    assert found.measured == pytest.approx(skin_mm(10.0, latitude), abs=0.05)
    assert found.latitude_deg == pytest.approx(45.0, abs=0.5)


def test_long_bridges_must_be_wider():
    """Slots of 60 mm, 8.5 mm apart: sqrt(0.75 x 10 x 60 / (20 x 0.25)) = 9.5 mm are needed; of 30 mm, 6.7."""
    for length, count in ((60.0, 1), (30.0, 0)):
        pair = design(box(-8.25, 0, 8, length), box(8.25, 0, 8, length))
        found = of(judged(pair), "bridge width")
        assert len(found) == count
        if count:
            # the pieces of line past the ends see each other too, to less than twice the gap
            assert found[0].allowed == pytest.approx(math.sqrt(1.5 * length), rel=0.03)
            assert found[0].severity == Severity.WARN


def test_web_grows_with_the_wall():
    """Webs are at least 0.4 of the wall: 8.5 mm do for a wall of 20, not for one of 25 (10 mm)."""
    pair = design(box(-14.25, 0, 20, 20), box(14.25, 0, 20, 20))
    assert of(judged(pair, wall_mm=20.0), "web width") == []
    assert of(judged(pair, wall_mm=25.0), "web width")[0].allowed == pytest.approx(10.0)


@pytest.mark.parametrize(
    ("kind", "gap", "severity"),
    [
        ("gourd", 4.0, None),
        ("gourd", 2.5, Severity.WARN),
        ("gourd", 1.2, Severity.REFUSE),
        ("turnip", 6.0, None),
        ("turnip", 4.0, Severity.WARN),
        ("turnip", 2.0, Severity.REFUSE),
    ],
)
def test_other_produce_has_its_own_webs(kind, gap, severity):
    """Common practice: 3 mm for dry gourds, 5 mm for turnips."""
    shift = (20 + gap) / 2
    findings = judged(design(box(-shift, 0, 20, 20), box(shift, 0, 20, 20)), kind=kind, wall_mm=6.0)
    assert [f.severity for f in findings] == ([severity] if severity else [])


def test_neck_between_two_parts_of_one_opening():
    """A ring that is open for 3 mm only: the island hangs on one bridge of 3 mm, between its own ends."""
    ring = shapely.Point(0, 0).buffer(35, 64).difference(shapely.Point(0, 0).buffer(20, 64))
    found = judged(design(ring.difference(box(0, 27, 3, 20))))
    assert of(found, "free island") == []
    (bridge,) = of(found, "bridge width")
    assert bridge.severity == Severity.REFUSE and bridge.place == "opening 1 and itself"
    # narrowest at the outer end: y = R asinh(tan(latitude)) means that 3 mm there are 3 / cosh(y / R)
    assert bridge.measured == pytest.approx(3.0 / math.cosh(35 / RADIUS_MM), abs=0.02)
    # the ring is 15 mm wide, so that is the bridge's length
    assert "15 mm long" in bridge.text or "16 mm long" in bridge.text


def test_points_of_material_are_no_bridges():
    """A wedge of 40 degrees that points into an opening is thin at its tip, but nothing hangs on it."""
    wedge = shapely.Polygon([(-12, -31), (12, -31), (0, 2)])
    assert of(judged(design(box(0, 0, 60, 60).difference(wedge))), "bridge width") == []


def test_long_thin_tongues_are_found():
    """A tongue 3 mm wide and 40 mm long inside an opening would break off."""
    tongue = shapely.box(-1.5, -31, 1.5, 10)
    (found,) = of(judged(design(box(0, 0, 60, 60).difference(tongue))), "bridge width")
    assert found.severity == Severity.REFUSE and found.measured == pytest.approx(
        3.0 / math.cosh(30 / RADIUS_MM), abs=0.02
    )


def test_thin_openings_do_not_count_as_material():
    """A slot 3 mm wide is narrow itself; what lies beside it is wide, so no bridge is found across it."""
    findings = judged(design(box(0, 0, 3, 40), box(20, 0, 20, 40)))
    assert of(findings, "bridge width") == [] and of(findings, "web width") == []


def test_two_bridges_between_the_same_openings_are_two():
    """Two combs that come near each other in two places far apart."""
    left = box(-20, 0, 20, 60)
    right = shapely.union_all([box(25, 0, 20, 60), box(7.5, 25, 25, 10), box(7.5, -25, 25, 10)])
    found = of(judged(design(left, right)), "bridge width")
    assert len(found) == 2
    assert sorted(math.copysign(1, f.latitude_deg) for f in found) == [-1, 1]


def test_bridge_across_the_seam_of_a_design_that_goes_round():
    """The last and the first opening of a design of 360 degrees are neighbours: 5 mm apart on the belly."""
    x = math.pi * RADIUS_MM - 2.5 - 10
    (found,) = of(judged(design(box(-x, 0, 20, 20), box(x, 0, 20, 20))), "bridge width")
    assert found.measured == pytest.approx(5.0, abs=0.03)
    assert abs(found.longitude_deg) == pytest.approx(180.0, abs=0.1)


def test_many_narrow_webs_are_counted_and_not_all_listed():
    """Of twenty narrow webs the worst come one by one, the rest as one line with their number."""
    row = [box(24.0 * k - 252, 0, 17, 17) for k in range(22)]
    found = of(judged(design(*row)), "web width")
    assert len(found) == 9 and found[-1].text.startswith("13 more")


# --- open share


def test_open_share_of_the_picture_and_of_a_ring():
    """Boxes of 35 mm in cells of 45 mm all round: 78 % of the ring of 20 mm, over the 60 allowed."""
    cells = 19
    cell = 2 * math.pi * RADIUS_MM / cells
    width = 0.78 * cell
    row = [box((k - (cells - 1) / 2) * cell, 0, width, 40) for k in range(cells)]
    found = of(judged(design(*row)), "open share")
    ring = next(f for f in found if "ring" in f.place)
    assert ring.measured == pytest.approx(78.0, abs=0.5) and ring.severity == Severity.WARN
    picture = next(f for f in found if "picture" in f.place)
    # the box reaches from the first to the last opening
    assert picture.measured == pytest.approx(100 * cells * width / (cells * cell - (cell - width)), abs=0.5)
    narrow = [box((k - (cells - 1) / 2) * cell, 0, 0.5 * cell, 40) for k in range(cells)]
    assert of(judged(design(*narrow)), "open share") == []


def test_open_share_of_the_piece():
    """A zone of a ball from -a to a has the share sin(a) of its skin; four fifths of it open is over 35 %."""
    top = math.radians(40)
    y = RADIUS_MM * math.asinh(math.tan(top))
    quarter = 2 * math.pi * RADIUS_MM / 4
    row = [shapely.box((k - 2 + 0.1) * quarter, -y, (k - 2 + 0.9) * quarter, y) for k in range(4)]
    found = [f for f in of(judged(design(*row)), "open share") if "piece" in f.place]
    assert found[0].measured == pytest.approx(100 * 0.8 * math.sin(top), abs=0.2)


# --- cutters


def test_slots_that_the_cutter_does_not_enter():
    """A 6 mm cutter wants 6.5 mm: a slot of 5 mm is named with its width, one of 7 mm is not."""
    (found,) = of(judged(design(box(0, 20, 40, 5), box(0, -20, 40, 7))), "slot width")
    assert found.place == "opening 1" and found.severity == Severity.WARN
    assert found.measured == pytest.approx(5.0, abs=0.1)
    assert "centre line" in found.text


def test_slots_are_judged_on_the_skin():
    """7 mm on the sheet are 4.95 mm at 45 degrees: too narrow there."""
    y = RADIUS_MM * math.asinh(math.tan(math.radians(45)))
    (found,) = of(judged(design(box(0, y, 40, 7))), "slot width")
    assert found.measured == pytest.approx(skin_mm(7.0, math.radians(45)), abs=0.15)


def test_narrow_parts_of_wide_openings():
    """A square with a long tail of 4 mm is entered, but not all of it; sharp corners do not count."""
    tailed = shapely.union_all([box(0, 0, 30, 30), box(30, 0, 40, 4)])
    (found,) = of(judged(design(tailed)), "slot width")
    assert "parts" in found.text and found.measured is None
    triangle = shapely.Polygon([(-20, -12), (20, -12), (0, 23)])
    assert of(judged(design(triangle)), "slot width") == []


def test_flutes_must_reach_through():
    """Wall 20 + overshoot 2.5 + spare 5 = 27.5 mm of flute: 27 is refused, 28 is enough."""
    for flute, count in ((27.0, 1), (28.0, 0)):
        cutter = dataclasses.replace(CUTTER, flute_length_mm=flute)
        found = of(judged(design(box(0, 0, 20, 20)), cutters=(cutter,)), "cutter reach")
        assert len(found) == count
        if count:
            assert found[0].severity == Severity.REFUSE and "6 mm flat (27 mm)" in found[0].text
            assert found[0].allowed == pytest.approx(27.5)


def test_a_short_cutter_beside_a_long_one_is_a_warning():
    """Where another cutter reaches, the short one is only named."""
    short = dataclasses.replace(CUTTER, name="short", flute_length_mm=20.0)
    (found,) = of(judged(design(box(0, 0, 20, 20)), cutters=(CUTTER, short)), "cutter reach")
    assert found.severity == Severity.WARN and "short (20 mm)" in found.text and CUTTER.name not in found.text


def test_openings_need_a_cutter():
    """A cone alone cuts no openings; a design that is only shaved needs none."""
    cone = dataclasses.replace(CUTTER, form=CutterForm.CONE)
    (found,) = of(judged(design(box(0, 0, 20, 20)), cutters=(cone,)), "cutter reach")
    assert found.severity == Severity.REFUSE
    shaved = design(box(0, 0, 20, 20), treatment=Treatment.SHAVE)
    assert of(judged(shaved, cutters=(cone,)), "cutter reach") == []


# --- skin that was not probed


@pytest.mark.parametrize(
    ("deviation", "severity"), [(0.8, None), (1.5, Severity.WARN), (3.0, Severity.REFUSE)]
)
def test_regions_where_the_skin_is_not_known(deviation, severity):
    """A deviation of over 1 mm is warned of, over 2.5 refused, where the region lies and nowhere else."""
    spread = np.full(BALL.radius_mm.shape, 0.1)
    middle = spread.shape[1] // 2  # longitude 180 degrees
    spread[:, middle - 10 : middle + 10] = deviation
    parts = {f.name: getattr(BALL, f.name) for f in dataclasses.fields(Surface)}
    surface = Surface(**{**parts, "deviation_mm": spread})
    behind = judged(design(box(0, 0, 20, 20)), placement=Placement(math.pi), surface=surface)
    found = of(behind, "not probed here")
    assert [f.severity for f in found] == ([severity] if severity else [])
    if severity:
        assert found[0].measured == pytest.approx(deviation)
    assert judged(design(box(0, 0, 20, 20)), surface=surface) == ()


# --- all together


def test_worst_first():
    """Refusals come before warnings whatever their rule."""
    wrong = design(box(-11.5, 0, 20, 20), box(11.5, 0, 20, 20), box(0, 60, 40, 5), box(0, 200, 40, 20))
    order = [f.severity for f in judged(wrong)]
    assert order == sorted(order, key=[Severity.REFUSE, Severity.WARN, Severity.NOTE].index)
    assert {Severity.REFUSE, Severity.WARN} <= set(order)


def test_speed():
    """Sixty openings of a hundred corners are judged while a person drags them; 0.1 s of processor time."""
    turn = np.linspace(0, 2 * np.pi, 100, endpoint=False)
    leaf = 8.5 * (1 + 0.2 * np.cos(5 * turn))
    shapes = [
        shapely.Polygon(
            np.stack([28 * (k % 8) - 98 + leaf * np.cos(turn), 24 * (k // 8) - 84 + leaf * np.sin(turn)], 1)
        )
        for k in range(60)
    ]
    layers = design(*shapes)
    judged(layers)
    spent = []
    for _ in range(3):
        start = time.process_time()
        judged(layers)
        spent.append(time.process_time() - start)
    assert min(spent) < 0.2  # twice the goal, for slow and busy machines


# --- outlines for the proof


def test_outlines_on_the_skin():
    """A box on a ball, placed at (2.9, 0.5) rad: x = R cos p dlon, y = R cos p (q - q0)."""
    placement = Placement(longitude_rad=2.9, latitude_rad=0.5)
    layers = design(box(0, 0, 180, 60), treatment=Treatment.SHAVE)
    (outline,) = skin_outlines(layers, own_mercator(BALL, placement))
    scale = RADIUS_MM * math.cos(0.5)
    west, south, east, north = outline.bounds
    assert (west, east) == pytest.approx((2.9 - 90 / scale, 2.9 + 90 / scale), abs=1e-9)  # unbroken past pi
    top = math.atan(math.sinh(math.asinh(math.tan(0.5)) + 30 / scale))
    bottom = math.atan(math.sinh(math.asinh(math.tan(0.5)) - 30 / scale))
    assert (south, north) == pytest.approx((bottom, top), abs=1e-6)
    assert len(outline.exterior.coords) >= 2 * (180 + 60) / 0.5


def test_outlines_follow_the_regions_and_leave_out_the_rest():
    """One outline for each opening and shaved region, in order, holes kept; none for relief and keep."""
    ring = box(0, 0, 40, 40).difference(box(0, 0, 20, 20))
    kinds = [Treatment.OPENING, Treatment.RELIEF, Treatment.SHAVE, Treatment.KEEP]
    regions = tuple(
        Region(f"{t} 1", t, shapely.transform(ring, lambda p, k=k: p + np.array([60 * k, 0])))
        for k, t in enumerate(kinds)
    )
    layers = Layers("design", regions, None, 1.0, 1.0, "0" * 12)
    outlines = skin_outlines(layers, own_mercator(BALL, Placement()))
    assert [round(o.centroid.x * RADIUS_MM) for o in outlines] == [0, 120]
    assert all(len(o.interiors) == 1 and o.is_valid for o in outlines)


# --- where the design lies ------------------------------------------------------------------------------


def keep_out(kind, lon_deg, lat_deg, radius, margin):
    return KeepOut(kind, math.radians(lon_deg), math.radians(lat_deg), radius, margin)


def judged_beside(*keep_outs, polygon=None, placement=None):
    layers = design(polygon if polygon is not None else box(0, 0, 30, 30))
    chart = own_mercator(BALL, placement or Placement())
    wall = Wall(np.zeros(1), np.zeros(1), np.full(1, 20.0))
    findings = judge_regions(layers, chart, BALL, wall, (CUTTER,), Rules(), keep_outs)
    return [f for f in findings if f.rule.startswith("keep-out")]


@pytest.mark.parametrize(
    ("gap_mm", "severity"), [(20.0, None), (10.0, Severity.WARN), (-5.0, Severity.REFUSE)]
)
@pytest.mark.parametrize("kind", ["stem", "base opening", "clamp"])
def test_keep_outs(kind, gap_mm, severity):
    """A clamp of 25 mm with 15 mm margin beside a window: the gap is measured along the skin.

    On the waist the sheet is true, so the place lies gap + 25 mm to the right of the window's edge at 15 mm.
    """
    east = math.degrees((15 + 25 + gap_mm) / RADIUS_MM)
    found = judged_beside(keep_out(kind, east, 0, 25, 15))
    if severity is None:
        assert found == []
        return
    (one,) = found
    assert (one.severity, one.rule, one.place) == (severity, f"keep-out: {kind}", "opening 1")
    assert one.measured == pytest.approx(gap_mm, abs=0.15)
    assert (one.allowed, one.unit) == (15, "mm")
    assert one.fix


def test_a_blemish_is_a_warning_even_inside():
    """A scar in the picture is ugly, not dangerous."""
    (one,) = judged_beside(keep_out("blemish", 0, 0, 4, 8))
    assert one.severity is Severity.WARN
    assert one.measured < 0


def test_a_small_keep_out_in_the_middle_of_a_large_window_is_found():
    """Its edge is far from the window's: that it is covered all over counts."""
    (one,) = judged_beside(keep_out("clamp", 0, 0, 3, 2), polygon=box(0, 0, 80, 80))
    assert one.severity is Severity.REFUSE
    (tones,) = [
        f
        for f in judge_regions(
            design(tones=ToneField(np.ones((40, 40)), np.ones((40, 40), bool), 2.0)),
            own_mercator(BALL, Placement()), BALL, Wall(np.zeros(1), np.zeros(1), np.full(1, 20.0)),
            (CUTTER,), Rules(), (keep_out("stem", 0, 0, 3, 2),),
        )
        if f.rule == "keep-out: stem"
    ]  # fmt: skip
    assert tones.place == "tones"


def test_a_stem_at_the_pole():
    """A stem pole of 40 mm across with 15 mm round it (diameter and 30): latitude tells the gap.

    An opening's upper edge at 70 deg lies 20 deg of 140 mm, 48.9 mm, from the pole: 28.9 mm from the stem.
    """
    up = RADIUS_MM * math.asinh(math.tan(math.radians(70)))
    window = shapely.box(-10, up - 20, 10, up)
    assert judged_beside(keep_out("stem", 0, 90, 20, 28.5), polygon=window) == []
    (one,) = judged_beside(keep_out("stem", 0, 90, 20, 29.5), polygon=window)
    assert one.measured == pytest.approx(math.radians(20) * RADIUS_MM - 20, abs=0.1)


def test_where_the_skin_overhangs_nothing_is_cut():
    """A design over a masked cell is refused with its place; beside it, it is not."""
    masked = np.zeros((31, 60), bool)
    masked[15, 0] = True  # 6 deg cells: about longitude 0, latitude 0
    parts = {f.name: getattr(BALL, f.name) for f in dataclasses.fields(BALL)}
    surface = Surface(**{**parts, "masked": masked})
    (one,) = of(judged(design(box(0, 0, 10, 10)), surface=surface), "overhang")
    assert one.severity is Severity.REFUSE
    assert abs(one.longitude_deg) < 3
    away = Placement(longitude_rad=0.5)
    assert of(judged(design(box(0, 0, 10, 10)), surface=surface, placement=away), "overhang") == []


def test_every_full_ring_is_told_and_the_lowest():
    """Two bands, two thirds open, 60 mm apart: both are told; the lowest 40 mm have their own limit."""
    step = 2 * math.pi * RADIUS_MM / 30
    windows = [box((k - 14.5) * step, y, 0.7 * step, 22) for k in range(30) for y in (-20.0, 40.0)]
    found = [f for f in of(judged(design(*windows)), "open share") if "ring" in f.text]
    assert len(found) == 2
    for one in found:
        assert one.measured == pytest.approx(70, abs=3)
        assert one.allowed == 60
        assert one.latitude_deg is not None
    # on a ball the lowest 40 mm end at latitude -asin(100 / 140) = -45.6 deg
    low = RADIUS_MM * math.asinh(math.tan(math.radians(-50)))
    tall = [shapely.box((k - 3) * 120, low - 60, (k - 3) * 120 + 90, low + 20) for k in range(7)]
    (lowest,) = [f for f in of(judged(design(*tall)), "open share") if "lowest" in f.text]
    assert lowest.allowed == 15
    assert lowest.severity is Severity.WARN


def test_height_above_the_base():
    """An opening that begins 15 mm above the lowest point is told; 25 mm are advised.

    z = R (1 - cos) over the lowest point: at latitude p the height is R (1 + sin p).
    """
    p = math.asin(15 / RADIUS_MM - 1)
    low = RADIUS_MM * math.asinh(math.tan(p))
    (one,) = of(
        judged(design(shapely.box(-200, low, 200, low + 250)), latitude_stop_deg=85), "height above base"
    )
    assert one.measured == pytest.approx(15, abs=0.5)
    assert one.allowed == 25


@pytest.mark.parametrize(("width_deg", "told"), [(100, False), (150, True), (350, False)])
def test_a_picture_too_wide_for_one_viewer_is_noted(width_deg, told):
    """Up to 120 deg are seen well from one side; a band that goes round is meant to be walked round."""
    wide = math.radians(width_deg) * RADIUS_MM
    found = of(judged(design(box(0, 0, wide, 20))), "seen from one side")
    assert [f.severity for f in found] == ([Severity.NOTE] if told else [])


def test_every_finding_says_what_and_where_and_the_fix():
    """Rule, place, measured, allowed, unit and fix are on every finding of a thoroughly bad design."""
    up = RADIUS_MM * math.asinh(math.tan(math.radians(68)))
    bad = design(
        shapely.box(-40, up - 60, 40, up), box(-70, 0, 40, 40).difference(box(-70, 0, 15, 15)),
        box(-48, 0, 1.5, 40), box(20, 0, 60, 80), box(54, 0, 4, 80),
    )  # fmt: skip
    wall = Wall(np.zeros(1), np.zeros(1), np.full(1, 45.0))
    found = judge_regions(
        bad,
        own_mercator(BALL, Placement()),
        BALL,
        wall,
        (CUTTER,),
        Rules(),
        (keep_out("clamp", 8, 0, 9, 15),),
    )
    assert {"free island", "latitude", "slot width", "cutter reach", "keep-out: clamp"} <= {
        f.rule for f in found
    }
    for one in found:
        assert one.rule and one.text and one.fix and one.place
        assert one.allowed is not None
        assert one.unit
        assert one.measured is not None or "parts narrower" in one.text
