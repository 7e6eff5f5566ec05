"""The passes cut an opening's outline with the cutter's edge, step by step through the wall, on every
machine.

The skin is a sphere, so that depth, Mercator and the distance of the cutter's edge are closed forms here. The
machines and cutters are those of the demo season.
"""

import numpy as np
import pytest
from shapely import Point, box

from engine.chart import own_mercator
from engine.errors import CannotBeDone
from engine.files import read_cutters, read_machine, uniform_wall
from engine.passes import opening_passes, tips_at_depth
from engine.records import Layers, Phase, Placement, Region, Rules, Severity, Treatment
from engine.surface import surface_of
from seed_demo.fleet import cutters_file, machine_files

R, WALL = 70.0, 15.0
RULES = Rules(kind="foam", pocket_stepover=0, tab_width_mm=0)  # outlines alone: slugs have tests of their own
SPHERE = surface_of(lambda d: np.full(d.shape[:-1], R))
CUTTERS = read_cutters(cutters_file(), "cutters")
MACHINES = {name: read_machine(text, name) for name, text in machine_files().items()}


def layers(*polygons):
    regions = tuple(Region(f"opening {n}", Treatment.OPENING, p) for n, p in enumerate(polygons, 1))
    return Layers("test", regions, None, 40.0, 40.0, "0123456789ab")


def passes_of(*polygons, machine="Badger", placement=None, wall_mm=WALL, rules=RULES):
    chart = own_mercator(SPHERE, placement or Placement())
    return opening_passes(
        layers(*polygons), chart, SPHERE, uniform_wall(wall_mm), CUTTERS, MACHINES[machine], rules
    )


def on_sphere(sheet, placement):
    """Mercator of a sphere, true at the placement's latitude, by Snyder's eq. 7-4 (no turn, no mirror)."""
    p = placement.latitude_rad
    scale = R * np.cos(p)
    lon = placement.longitude_rad + sheet[:, 0] / scale
    lat = np.arctan(np.sinh(np.arcsinh(np.tan(p)) + sheet[:, 1] / scale))
    return R * np.stack([np.cos(lat) * np.cos(lon), np.cos(lat) * np.sin(lon), np.sin(lat)], axis=-1)


@pytest.mark.parametrize("machine", MACHINES)
def test_the_cutter_s_edge_touches_the_outline(machine):
    """Across the cutter's axis the outline is one radius away, at 30 deg latitude: square to the skin to 0.02
    mm.

    A cutter that leans by up to 39 deg keeps to its machine's own path tolerance, 0.05 to 0.08 mm.
    """
    placement = Placement(0.5, np.radians(30))
    shape = Point(0, 0).buffer(11, quad_segs=64)
    passes, _ = passes_of(shape, machine=machine, placement=placement)
    (one,) = passes
    outline = on_sphere(np.array(shape.exterior.segmentize(0.02).coords), placement)
    radius = CUTTERS[one.cutter].radius_mm
    leans = machine in ("Wren", "Stoat")
    allowed_mm = MACHINES[machine].path_tolerance_mm if leans else 0.02
    for skin, axis in zip(one.skin_work_mm, one.directions, strict=True):
        apart = outline - skin
        across = np.linalg.norm(apart - (apart @ axis)[:, None] * axis, axis=1)
        near = np.linalg.norm(apart, axis=1) < 3 * radius
        assert across[near].min() == pytest.approx(radius, abs=allowed_mm)


@pytest.mark.parametrize("machine", MACHINES)
def test_every_level_lies_at_its_depth(machine):
    """From the rind step to wall + overshoot, no step deeper than the cutter's; the depth is R less |tip|."""
    passes, _ = passes_of(box(-10, -10, 10, 10), machine=machine, placement=Placement(0, 0.35))
    (one,) = passes
    cutter = CUTTERS[one.cutter]
    depth = R - np.linalg.norm(one.tips_work_mm, axis=2)
    np.testing.assert_allclose(depth[0], RULES.rind_step_mm, atol=0.02)
    np.testing.assert_allclose(depth[-1], WALL + RULES.overshoot_mm, atol=0.02)
    steps = np.diff(depth, axis=0)
    assert (steps > 0).all()
    assert steps.max() <= cutter.step_down_mm + 0.02
    # the tip hangs on the cutter's axis, which crosses the skin at the pass
    below = one.skin_work_mm - one.tips_work_mm
    np.testing.assert_allclose(np.cross(below, one.directions[None]), 0, atol=1e-9)
    np.testing.assert_allclose(np.linalg.norm(one.skin_work_mm, axis=1), R, atol=1e-6)


@pytest.mark.parametrize("machine", ["Heron", "Badger", "Otter"])
def test_a_machine_that_tilts_stands_square_to_the_skin(machine):
    """The axis is the sphere's normal."""
    (one,), findings = passes_of(box(-8, -8, 8, 8), machine=machine, placement=Placement(0.2, 0.6))
    np.testing.assert_allclose(one.directions, one.skin_work_mm / R, atol=1e-4)
    assert not [f for f in findings if f.rule == "lean"]


@pytest.mark.parametrize("machine", ["Wren", "Stoat"])
def test_a_machine_that_cannot_tilt_stays_level(machine):
    """Its axis lies across the piece's own axis and points away from it."""
    (one,), _ = passes_of(box(-8, -8, 8, 8), machine=machine, placement=Placement(0.2, 0.4))
    np.testing.assert_allclose(one.directions[:, 2], 0, atol=1e-9)
    assert (np.sum(one.directions * one.skin_work_mm, axis=1) > 0).all()


def test_a_lean_is_warned_of_and_beyond_the_limit_refused():
    """On a sphere a level cutter leans by the latitude: near 40 deg a warning, near 55 deg a refusal."""
    small = Point(0, 0).buffer(6)
    for middle, severity in [(15, None), (38, Severity.WARN), (52, Severity.REFUSE)]:
        _, findings = passes_of(small, machine="Wren", placement=Placement(0, np.radians(middle)))
        lean = [f for f in findings if f.rule == "lean"]
        assert [f.severity for f in lean] == ([severity] if severity else [])
        if lean:
            # the pass reaches a few mm, that is up to 3 deg, beyond the middle
            assert middle < lean[0].measured < middle + 3.5


@pytest.mark.parametrize(
    ("side", "diameter"),
    [(30, 8), (20, 6)],
)
def test_the_largest_cutter_is_taken_that_loses_little_in_corners(side, diameter):
    """Corners keep (4 - pi) r2: of 20 x 20 an 8 mm cutter loses 3.4 %, a 6 mm one 1.9 %; 3 % is allowed."""
    passes, _ = passes_of(box(-side / 2, -side / 2, side / 2, side / 2))
    assert CUTTERS[passes[0].cutter].diameter_mm == diameter
    assert CUTTERS[passes[0].cutter].form == "flat"


def test_a_slot_is_cut_along_its_middle_and_the_overcut_told():
    """2.6 mm for the 3 mm cutter: an open pass, 0.2 mm too wide a side, inside the tolerance."""
    (one,), findings = passes_of(box(-12, -1.3, 12, 1.3))
    assert CUTTERS[one.cutter].diameter_mm == 3
    assert not one.closed
    assert one.along_centre
    assert one.overcut_mm == pytest.approx(0.2, abs=0.02)
    assert not [f for f in findings if f.rule == "centre line"]


def test_an_overcut_beyond_the_tolerance_is_warned_of():
    """2.3 mm for the 3 mm cutter is 0.35 mm too wide a side, 0.3 allowed."""
    _, findings = passes_of(box(-12, -1.15, 12, 1.15))
    (told,) = [f for f in findings if f.rule == "centre line"]
    assert told.severity is Severity.WARN
    assert told.place == "opening 1"
    assert told.measured == pytest.approx(0.35, abs=0.02)


def test_an_opening_that_no_cutter_enters_is_refused_by_name():
    """1.5 mm is half the smallest cutter: the job cannot be done, and the region is named."""
    with pytest.raises(CannotBeDone, match="does not enter opening 2") as refused:
        passes_of(box(-15, -15, 0, 15), box(10, -0.75, 25, 0.75))
    assert [f.place for f in refused.value.findings] == ["opening 2"]


def test_a_wall_thicker_than_every_flute_is_refused():
    """55 mm of wall, 2.5 over and 5 spare need 62.5 mm; the longest flute of the season has 60."""
    with pytest.raises(CannotBeDone, match=r"62.5 mm of flute needed, the longest has 60.0 mm"):
        passes_of(box(-10, -10, 10, 10), wall_mm=55)


def test_a_long_wall_takes_the_cutter_that_reaches():
    """40 mm of wall need 47.5 mm: only the 8 mm flat has them (60), whatever it loses in corners."""
    passes, _ = passes_of(box(-8, -8, 8, 8), wall_mm=40)
    assert CUTTERS[passes[0].cutter].diameter_mm == 8


def test_the_rind_is_cut_slowly():
    """The first level runs at half feed, the others at the cutter's own."""
    (one,), _ = passes_of(box(-10, -10, 10, 10))
    feed = CUTTERS[one.cutter].feed_mm_per_min
    assert one.feeds_mm_per_min[0] == feed / 2
    assert (one.feeds_mm_per_min[1:] == feed).all()
    assert one.phase is Phase.OPENING


def test_a_small_opening_is_cut_before_the_large_one_beside_it():
    """Delicate before weakening: a web of 6 mm, and the large one waits for the small one,
    not the other way.
    """
    passes, _ = passes_of(box(-16, -10, 2, 10), box(8, -4, 16, 4))
    large, small = (next(i for i, p in enumerate(passes) if p.region == f"opening {n}") for n in (1, 2))
    assert passes[large].after == (small,)
    assert passes[small].after == ()
    assert "6 mm away" in passes[large].reasons[0]


def test_openings_far_apart_do_not_wait_for_each_other():
    """20 mm of skin between them are no web."""
    passes, _ = passes_of(box(-20, -5, -10, 5), box(10, -6, 22, 6))
    assert all(p.after == () for p in passes)


def test_no_openings_no_passes():
    """A design of relief alone has no opening pass and no finding here."""
    assert passes_of() == ((), ())


def test_tips_reach_a_depth_square_to_the_skin_however_the_axis_leans():
    """On a sphere the tip at depth t on an axis leaning 34 deg has R - |tip| = t, to a third of what is
    allowed.
    """
    skin = R * np.array([[np.cos(0.6), 0.0, np.sin(0.6)]])
    lean = np.array([[1.0, 0.0, 0.0]])
    depths = np.array([2.0, 17.5])
    tips = tips_at_depth(SPHERE, skin, skin / R, lean, lambda _, level: depths[level], 2)
    np.testing.assert_allclose(
        R - np.linalg.norm(tips[:, 0], axis=1), [2.0, 17.5], atol=RULES.depth_tolerance_mm / 3
    )
    np.testing.assert_allclose(tips[:, 0, 1:], np.repeat(skin[:, 1:], 2, axis=0), atol=1e-9)


def test_a_leaf_between_four_machines_is_the_same_leaf():
    """The skin a pass follows differs between machines only by how the cutter leans: close to the waist,
    where both heads stand square to the skin, not at all.
    """
    lines = [
        passes_of(Point(0, 0).buffer(5), machine=name)[0][0].skin_work_mm for name in ("Badger", "Otter")
    ]
    np.testing.assert_allclose(lines[0], lines[1], atol=1e-3)
