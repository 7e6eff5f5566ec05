"""Bridges hold every island, and no fewer would do: judged by the rules that refuse islands and thin bridges.

How many and where: stencil custom (common practice). Widths: b = sqrt(0.75 F L / (t sigma)), from the bending
stress of a beam fixed at both ends, and no less than the floor.
"""

import numpy as np
import pytest
import shapely
from shapely.affinity import rotate, translate

from engine.bridges import with_bridges
from engine.chart import own_mercator
from engine.records import Cutter, CutterForm, Layers, Life, Placement, Region, Rules, Treatment, Wall
from engine.regions import judge_regions
from engine.surface import surface_of

BALL = surface_of(lambda unit: np.full(unit.shape[:-1], 140.0), 3.0)
WALL = Wall(np.zeros(1), np.zeros(1), np.full(1, 20.0))
CUTTER = Cutter(
    name="6 mm flat", form=CutterForm.FLAT, diameter_mm=6, teeth=2, flute_length_mm=42, stick_out_mm=50,
    holder_diameter_mm=30, holder_length_mm=60, centre_cutting=True, rpm=12000, feed_mm_per_min=1400,
    plunge_mm_per_min=400, step_down_mm=5, stepover_mm=1.5, life=Life("squash", 0.25, 600),
)  # fmt: skip


def design(*polygons):
    regions = tuple(Region(f"opening {k}", Treatment.OPENING, p) for k, p in enumerate(polygons, start=1))
    return Layers("design", regions, None, 100.0, 100.0, "0" * 12)


def bridged(layers, placement=None, **rules):
    place = placement or Placement()
    chart = own_mercator(BALL, place)
    found, bridges = with_bridges(layers, chart, BALL, WALL, Rules(**rules))
    findings = judge_regions(found, chart, BALL, WALL, (CUTTER,), Rules(**rules))
    wrong = [f for f in findings if f.rule in ("free island", "bridge width")]
    return found, bridges, wrong


def ring(outer, inner, x=0.0, y=0.0):
    return shapely.Point(x, y).buffer(outer).difference(shapely.Point(x, y).buffer(inner))


@pytest.mark.parametrize(("inner", "count"), [(6.5, 1), (15.0, 2), (30.0, 3)])
def test_islands_get_as_many_bridges_as_their_size_asks(inner, count):
    """13 mm: one; 30 mm: two; 60 mm: three; afterwards nothing hangs on nothing, and no bridge is thin."""
    _, bridges, wrong = bridged(design(ring(inner + 10, inner)))
    assert len(bridges) == count
    assert wrong == []
    for bridge in bridges:
        latitude = np.arctan(np.sinh(bridge.y_mm / 140))  # the sheet shrinks by its cosine
        assert bridge.length_mm == pytest.approx(10 * np.cos(latitude), abs=0.1)
        assert bridge.width_mm >= 6.0


@pytest.mark.parametrize("turn_deg", [0, 90, 205])
def test_bridges_stand_apart_and_one_is_below(turn_deg):
    """Whatever the design's turn, one of two lies within 60 deg of straight down on the piece."""
    place = Placement(turn_rad=np.radians(turn_deg))
    _, bridges, wrong = bridged(design(ring(25, 15)), place)
    assert wrong == []
    up_on_sheet = np.array([np.sin(np.radians(turn_deg)), np.cos(np.radians(turn_deg))])
    ways = np.array([[b.x_mm, b.y_mm] for b in bridges])
    ways /= np.linalg.norm(ways, axis=1)[:, None]
    assert (ways @ up_on_sheet).min() <= -0.5
    assert np.degrees(np.arccos(np.clip(ways[0] @ ways[1], -1, 1))) >= 89


def test_the_narrowest_gap_is_bridged():
    """An island off the middle gets its bridge where the gap is 4 mm, not where it is 16 mm."""
    off = shapely.Point(0, 0).buffer(20).difference(shapely.Point(-9, 0).buffer(7))
    _, (bridge,), wrong = bridged(design(off))
    assert wrong == []
    assert bridge.length_mm == pytest.approx(4.0, abs=0.1)
    assert bridge.x_mm < -15


def test_long_bridges_are_as_wide_as_the_beam_asks():
    """L = 60, t = 20, F = 10 N, sigma = 0.25 MPa: sqrt(0.75 10 60 / (20 0.25)) = 9.49 mm."""
    _, bridges, wrong = bridged(design(ring(66.5, 6.5)))
    assert wrong == []
    (bridge,) = bridges
    # the chord on a ball of 140 mm is a little shorter than the 60 mm drawn
    assert bridge.width_mm == pytest.approx(np.sqrt(0.75 * 10 * bridge.length_mm / (20 * 0.25)), rel=0.05)
    assert bridge.width_mm >= np.sqrt(0.75 * 10 * bridge.length_mm / (20 * 0.25)) - 0.1


def test_widths_count_on_the_skin_and_not_on_the_sheet():
    """The same ring drawn 40 deg further up shrinks there: its bridge is drawn wider to be as wide."""
    high = translate(ring(16, 6), 0, 140 * np.arcsinh(np.tan(np.radians(40))))
    found, (bridge,), wrong = bridged(design(high))
    assert wrong == []
    strip = high.difference(found.regions[0].polygon)
    middle = shapely.Point(0, 140 * np.arcsinh(np.tan(np.radians(40)))).buffer(11, quad_segs=200).exterior
    drawn = 22 * np.sin(strip.intersection(middle).length / 22)  # a chord of the circle of 11 mm
    scale = 1 / np.cosh(bridge.y_mm / 140)  # cos of the latitude that lies so far up a Mercator sheet
    assert drawn == pytest.approx(bridge.width_mm / scale, rel=0.02)
    assert scale < 0.8


def test_an_island_may_hold_the_next():
    """Two islands in a row near one wall: the far one hangs on the near one, not across the whole opening."""
    opening = shapely.box(0, -12, 60, 12).difference(shapely.Point(8, 0).buffer(5))
    opening = opening.difference(shapely.Point(24, 0).buffer(6)).simplify(0.05)
    _, bridges, wrong = bridged(design(opening))
    assert wrong == []
    assert len(bridges) == 2
    assert max(b.length_mm for b in bridges) < 6.5


def test_what_has_no_island_stays_as_it_is():
    """Plain openings, and holes in what is only shaved."""
    shaved = Region("shave 1", Treatment.SHAVE, ring(20, 10, 60))
    layers = design(shapely.box(0, 0, 10, 10))
    layers = Layers("d", (*layers.regions, shaved), None, 100, 100, "0" * 12)
    found, bridges, _ = bridged(layers)
    assert bridges == ()
    assert all(a.polygon.equals(b.polygon) for a, b in zip(layers.regions, found.regions, strict=True))


def test_a_cut_ring_becomes_two_openings_with_names_of_their_own():
    """Two bridges part a ring: both parts are openings, named after it; no area but the strips is lost."""
    whole = ring(25, 15)
    found, bridges, _ = bridged(design(whole))
    assert [r.name for r in found.regions] == ["opening 1.1", "opening 1.2"]
    lost = whole.area - sum(r.polygon.area for r in found.regions)
    assert lost == pytest.approx(sum(b.width_mm * b.length_mm for b in bridges), rel=0.1)


@pytest.mark.parametrize("turn", [0, 30, 77])
def test_letters_with_and_without_islands(turn):
    """A square letter with two islands, like a B, at any turn of the drawing: all held."""
    b = shapely.box(0, 0, 40, 60)
    b = b.difference(shapely.box(12, 8, 30, 24)).difference(shapely.box(12, 36, 30, 52))
    _, bridges, wrong = bridged(design(rotate(b, turn, origin=(0, 0))))
    assert wrong == []
    assert len(bridges) == 4
