"""Which pass waits for which, and why: delicate before weakening, and never in a circle."""

import numpy as np
import pytest
from shapely import Point, Polygon, box

from engine.chart import own_mercator
from engine.files import read_cutters, read_machine, uniform_wall
from engine.order import order_passes
from engine.order.entries import pass_poses
from engine.order.poses import metric_of
from engine.passes import opening_passes
from engine.records import Layers, Placement, Region, Rules, Treatment
from engine.surface import surface_of
from seed_demo.fleet import cutters_file, machine_files

SPHERE = surface_of(lambda d: np.full(d.shape[:-1], 90.0))
MACHINE = read_machine(machine_files()["Badger"], "Badger")
RULES = Rules(kind="foam")


def _passes(*shapes):
    regions = tuple(Region(f"opening {n}", Treatment.OPENING, p) for n, p in enumerate(shapes, 1))
    layers = Layers("t", regions, None, 120, 80, "0")
    chart = own_mercator(SPHERE, Placement(0.0, 0.0))
    cutters = read_cutters(cutters_file(), "cutters")
    return opening_passes(layers, chart, SPHERE, uniform_wall(15), cutters, MACHINE, RULES)[0]


def _reasons(passes):
    return {
        (one.region, passes[j].region): why
        for one in passes
        for j, why in zip(one.after, one.reasons, strict=True)
    }


def test_an_opening_inside_another_comes_first():
    """A disc inside a thin ring is the larger piece of the two, and still comes before the ring."""
    ring = Polygon(Point(0, 0).buffer(30).exterior, [Point(0, 0).buffer(22).exterior])
    found = _reasons(_passes(ring, Point(0, 0).buffer(14)))
    assert set(found) == {("opening 1", "opening 2")} or ("opening 1", "opening 2") in found
    assert "inside before outside" in found["opening 1", "opening 2"]
    assert ("opening 2", "opening 1") not in found


def test_a_hole_comes_before_the_outline_round_it():
    """Of the two closed passes of a wide ring the short one, inside, is cut first."""
    ring = Polygon(Point(0, 0).buffer(30).exterior, [Point(0, 0).buffer(12).exterior])
    passes = [p for p in _passes(ring) if p.closed]
    lengths = [np.linalg.norm(np.diff(p.skin_work_mm, axis=0), axis=1).sum() for p in passes]
    short, long = int(np.argmin(lengths)), int(np.argmax(lengths))
    assert passes[short].after == ()
    assert passes[long].after == (short,)


def test_small_before_large_only_where_the_web_is_narrow():
    """Half again the web's floor of 8 mm is the limit: 6 mm apart they wait, 20 mm apart they do not."""
    for gap, waits in ((6.0, True), (20.0, False)):
        found = _reasons(_passes(box(-30, -10, 0, 10), box(gap, -5, gap + 10, 5)))
        assert (("opening 1", "opening 2") in found) is waits


def test_a_low_ring_comes_last():
    """A long opening low down waits for all others, however far away they are."""
    found = _reasons(_passes(box(-50, -30, 50, -22), box(-10, 20, 10, 30), box(30, 25, 40, 33)))
    assert "comes last" in found["opening 1", "opening 2"]
    assert ("opening 1", "opening 3") in found


@pytest.mark.parametrize("seed", range(5))
def test_no_circle_among_random_openings(seed):
    """Whatever is drawn, an order exists that keeps every precedence."""
    rng = np.random.default_rng(seed)
    shapes = []
    for x in np.arange(-50, 51, 16):
        for y in (-25, -5, 15):
            size = rng.uniform(4, 7)
            shapes.append(Point(x + rng.uniform(-1, 1), y).buffer(size))
    passes = _passes(*shapes)
    assert any(p.after for p in passes)
    poses = pass_poses(passes, SPHERE, MACHINE, RULES)
    order = order_passes(poses, metric_of(MACHINE), after=[p.after for p in passes], kicks_per_pass=2)
    at = {int(i): n for n, i in enumerate(order.sequence)}
    assert all(at[j] < at[i] for i, p in enumerate(passes) for j in p.after)
