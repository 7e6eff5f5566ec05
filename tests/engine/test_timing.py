"""Times against closed forms and against an envelope of speed summed in fine steps."""

import time

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from engine.records import Axis, Machine, Poses, Toolpath
from engine.timing import corner_speed, estimate_run, move_times, rapid_s, trapezoid_s

X, Y, Z = (1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0)


def a_machine(*axes, tolerance=0.05):
    return Machine(
        name="test machine",
        axes=axes,
        cutter_axis=X,
        cutter_tip_at_zero_mm=(0, 0, 0),
        seat_mm=(0, 0, 0),
        min_rpm=3000,
        max_rpm=24000,
        changer=True,
        change_cutter_s=240,
        home=(0.0,) * len(axes),
        path_tolerance_mm=tolerance,
    )


def linear(word, direction, speed=3000.0, acceleration=500.0):
    return Axis(word, "cutter", "linear", direction, max_speed=speed, max_acceleration=acceleration)


TABLE = Axis("C", "work", "rotary", Z, max_speed=3600, max_acceleration=900)  # 60 deg/s
GANTRY = a_machine(linear("X", X), linear("Y", Y), linear("Z", Z))
TURNTABLE = a_machine(TABLE, linear("Z", Z), linear("X", X))


def straight_lengths(axes):
    return np.concatenate([[0.0], np.linalg.norm(np.diff(axes, axis=0), axis=1)])


@pytest.mark.parametrize(
    "distance, entry, leave, seconds",
    [
        (100, 0, 0, 2.2),
        (10, 0, 0, 0.4),  # just reaches 50
        (5, 0, 0, 0.2828427125),
        (100, 10, 20, 2.1),
        (8, 10, 20, 0.2594733192),
        (0, 0, 0, 0.0),
        (2, 50, 50, 0.04),
    ],
)
def test_trapezoid(distance, entry, leave, seconds):
    """Biagiotti and Melchiorri 2008, section 3.2 (from memory, recomputed): v = 50, a = 250."""
    assert trapezoid_s(distance, 50, 250, entry, leave) == pytest.approx(seconds, abs=1e-9)


def test_corner_speed():
    """The arc within 0.05 mm at 500 mm/s2 (by geometry, R / sin(h) - R = 0.05); straight on has no limit."""
    speeds = corner_speed(0.05, np.radians([0, 60, 90, 120, 150, 180]), 500)
    np.testing.assert_allclose(speeds, [0, 5, 7.768869870, 12.712298784, 26.621297992, np.inf], atol=1e-8)


def test_one_move_from_rest_to_rest():
    """100 mm at 50 mm/s and 500 mm/s2: d / v + v / a."""
    axes = np.array([[0, 0, 0], [100, 0, 0.0]])
    times = move_times(GANTRY, axes, [0, 100], [np.inf, np.inf])
    np.testing.assert_allclose(times, [0, 100 / 50 + 50 / 500])
    feed = move_times(GANTRY, axes, [0, 100], [np.inf, 600])
    np.testing.assert_allclose(feed, [0, 100 / 10 + 10 / 500])


def test_a_square_corner():
    """Two legs of 100 mm with a right corner at 7.76887 mm/s: two trapezoids with that speed between."""
    axes = np.array([[0, 0, 0], [100, 0, 0], [100, 100, 0.0]])
    v, a, corner = 20.0, 500.0, 7.768869870
    leg = (v - 0) / a + (v - corner) / a + (100 - v**2 / (2 * a) - (v**2 - corner**2) / (2 * a)) / v
    times = move_times(GANTRY, axes, [0, 100, 100], [np.inf, 1200, 1200])
    np.testing.assert_allclose(times[1:], [leg, leg], rtol=1e-9)


def test_straight_back_stops():
    """Turning straight back is two moves from rest to rest."""
    axes = np.array([[0, 0, 0], [30, 0, 0], [0, 0, 0.0]])
    times = move_times(GANTRY, axes, [0, 30, 30], [np.inf] * 3)
    np.testing.assert_allclose(times[1:], 30 / 50 + 50 / 500)


def test_points_on_a_straight_line_cost_nothing():
    """A line in a thousand pieces, some of no length, takes as long as in one, whatever the kinds of move."""
    x = np.sort(np.concatenate([np.random.default_rng(0).uniform(0, 200, 999), [0, 0, 50, 50, 200]]))
    axes = np.stack([x, 0 * x, 0 * x], axis=1)
    times = move_times(GANTRY, axes, straight_lengths(axes), np.full(len(x), np.inf))
    assert times.sum() == pytest.approx(200 / 50 + 50 / 500, rel=1e-9)
    assert (times[1:][np.diff(x) == 0] == 0).all()


def test_travel_to_feed_needs_no_stop():
    """50 mm of travel at 50 mm/s, then 50 mm at 10 mm/s: the change is at 10, not at rest."""
    axes = np.array([[0, 0, 0], [50, 0, 0], [100, 0, 0.0]])
    times = move_times(GANTRY, axes, [0, 50, 50], [np.inf, np.inf, 600])
    a = 500.0
    first = 50 / a + 40 / a + (50 - 50**2 / (2 * a) - (50**2 - 10**2) / (2 * a)) / 50
    last = 10 / a + (50 - 10**2 / (2 * a)) / 10
    np.testing.assert_allclose(times[1:], [first, last], rtol=1e-9)


def test_rests():
    """A rest in the middle of a line costs a second start; it holds after a row without motion too."""
    axes = np.array([[0, 0, 0], [50, 0, 0], [50, 0, 0], [100, 0, 0.0]])
    rests = np.array([False, False, True, False])
    times = move_times(GANTRY, axes, [0, 50, 0, 50], [np.inf] * 4, rests)
    np.testing.assert_allclose(times[1:], [50 / 50 + 0.1, 0, 50 / 50 + 0.1])


def test_rotary_motion_without_tip_way():
    """90 degrees of a table at 60 deg/s and 900 deg/s2 while the tip stands on its axis: d / v + v / a."""
    axes = np.array([[0, 0, 0], [90, 0, 0.0]])
    for feed in (np.inf, 600.0):
        times = move_times(TURNTABLE, axes, [0, 0], [np.inf, feed])
        assert times[1] == pytest.approx(90 / 60 + 60 / 900)


def test_feed_on_a_turning_piece():
    """R = 80 mm, 600 mm/min: 90 degrees of surface take 125.663706 mm / 10 mm/s plus the ramps."""
    longitude = np.linspace(0, 90, 181)
    axes = np.stack([longitude, 0 * longitude, 0 * longitude + 80], axis=1)
    lengths = np.concatenate([[0], np.full(180, 125.663706 / 180)])
    times = move_times(TURNTABLE, axes, lengths, np.full(181, 600.0))
    degrees_per_s = 429.718346 / 60
    assert times.sum() == pytest.approx(0.209439510 * 60 + degrees_per_s / 900, rel=1e-6)


def test_slowest_axis_rules():
    """On a slant each axis keeps its own speed and acceleration."""
    machine = a_machine(linear("X", X, 3000, 500), linear("Y", Y, 600, 100))
    times = move_times(machine, np.array([[0, 0], [30, 40.0]]), [0, 50], [np.inf, np.inf])
    assert times[1] == pytest.approx(40 / 10 + 10 / 100)


def envelope_seconds(axes, feeds, speed, acceleration, tolerance, cells=4000):
    """Sum ds / v(s) in fine cells; v^2 is the least of every corner's v^2 plus twice the ramps from there.

    Only for axes of equal speed limits in mm; shares no step with the passes under test. Cells are closest at
    the ends of a move, where the speed may be nought.
    """
    steps = np.diff(axes, axis=0)
    lengths = np.linalg.norm(steps, axis=1)
    heads = steps / lengths[:, None]
    ramps = (acceleration / np.abs(heads).clip(1e-300)).min(axis=1)
    tops = np.minimum((speed / np.abs(heads).clip(1e-300)).min(axis=1), feeds / 60)
    corners = [0.0]
    for i in range(len(steps) - 1):
        turn = np.arccos(np.clip(heads[i] @ heads[i + 1], -1, 1))
        h = (np.pi - turn) / 2
        radius = min(tolerance * np.sin(h) / (1 - np.sin(h)), min(lengths[i], lengths[i + 1]) / 2 * np.tan(h))
        corners.append(min(min(ramps[i], ramps[i + 1]) * radius, tops[i] ** 2, tops[i + 1] ** 2))
    corners.append(0.0)
    ends = np.concatenate([[0.0], np.cumsum(lengths)])
    gained = np.concatenate([[0.0], np.cumsum(2 * ramps * lengths)])
    total = 0.0
    for i, length in enumerate(lengths):
        edges = (1 - np.cos(np.pi * np.arange(cells + 1) / cells)) / 2 * length
        s = ends[i] + (1 - np.cos(np.pi * (np.arange(cells) + 0.5) / cells)) / 2 * length
        here = gained[i] + 2 * ramps[i] * (s - ends[i])
        squared = np.min(np.array(corners)[:, None] + np.abs(gained[:, None] - here), axis=0)
        total += (np.diff(edges) / np.minimum(np.sqrt(squared), tops[i])).sum()
    return total


@given(seed=st.integers(0, 2**32 - 1), moves=st.integers(1, 12), size=st.sampled_from([0.3, 3.0, 40.0]))
@settings(max_examples=25, deadline=None)
def test_against_fine_integration(seed, moves, size):
    """Random paths of feed and travel take as long as the envelope of all limits, summed in fine cells."""
    rng = np.random.default_rng(seed)
    axes = np.vstack([np.zeros(3), np.cumsum(rng.normal(0, size, (moves, 3)), axis=0)])
    feeds = np.where(rng.random(moves + 1) < 0.5, np.inf, rng.uniform(200, 2500, moves + 1))
    times = move_times(GANTRY, axes, straight_lengths(axes), feeds)
    expected = envelope_seconds(axes, feeds[1:], 50.0, 500.0, 0.05)
    assert times.sum() == pytest.approx(expected, rel=1e-4)


@given(seed=st.integers(0, 2**32 - 1))
@settings(max_examples=20, deadline=None)
def test_never_faster_than_any_axis_or_the_feed(seed):
    """Each move takes at least its tip way by feed and every axis's way by its speed."""
    rng = np.random.default_rng(seed)
    axes = np.cumsum(rng.normal(0, 2, (50, 3)), axis=0) + np.array([0, 0, 120])
    lengths, feeds = rng.uniform(0, 3, 50), rng.choice([np.inf, 500.0, 1500.0], 50)
    times = move_times(TURNTABLE, axes, lengths, feeds)[1:]
    least = (np.abs(np.diff(axes, axis=0)) / [60, 50, 50]).max(axis=1)
    assert (times >= np.maximum(least, lengths[1:] / feeds[1:] * 60) * (1 - 1e-9)).all()


def test_turned_part_takes_as_long():
    """The same path from another angle of an endless table, or run backwards, takes the same time."""
    rng = np.random.default_rng(3)
    axes = np.cumsum(rng.normal(0, 2, (200, 3)), axis=0) + np.array([0, 0, 120])
    lengths, feeds = rng.uniform(0, 3, 200), np.full(200, 900.0)
    once = move_times(TURNTABLE, axes, lengths, feeds).sum()
    turned = move_times(TURNTABLE, axes + np.array([123, 0, 0]), lengths, feeds).sum()
    back = move_times(TURNTABLE, axes[::-1], np.concatenate([[0], lengths[:0:-1]]), feeds).sum()
    assert turned == pytest.approx(once, rel=1e-9)
    assert back == pytest.approx(once, rel=1e-6)


def test_rapid():
    """The slowest axis counts: 90 deg in 1.5667 s against 100 mm in 2.1 s; nothing takes no time."""
    difference = np.array([[90, 0, 0], [90, -100, 0], [0, 0, 0.0]])
    np.testing.assert_allclose(rapid_s(TURNTABLE, difference), [90 / 60 + 60 / 900, 2.1, 0])


def test_nothing_moves():
    """One row, no motion at all: no time."""
    assert move_times(GANTRY, np.zeros((1, 3)), [0], [np.inf]).tolist() == [0]
    assert move_times(GANTRY, np.ones((4, 3)), [0] * 4, [np.inf] * 4).tolist() == [0] * 4


def a_run(x, feeds, cutter):
    tips = np.stack([x, 0 * x, 0 * x], axis=1)
    path = Toolpath(tips, np.tile(X, (len(x), 1)), feeds, np.where(np.isinf(feeds), -1, 0), cutter)
    return Poses(tips, path, np.zeros(len(x)), np.zeros(len(x)))


def test_estimate_run():
    """Out 100 and back with each of two cutters: four trapezoids, one change, lengths by cutter."""
    x = np.array([100.0, 50, 0, 100, 40, 0])
    feeds = np.array([np.inf, 600, np.inf, np.inf, 600, np.inf])
    run = estimate_run(GANTRY, a_run(x, feeds, np.array([0, 0, 0, 2, 2, 2])), np.zeros(3), 3)
    assert run.change_s == 240
    assert run.cutting_mm == pytest.approx(110)
    assert run.travel_mm == pytest.approx(100 + 50 + 100 + 40)
    assert run.cutting_mm_by_cutter == pytest.approx((50, 0, 60))
    assert sum(run.cutting_s_by_cutter) == pytest.approx(run.cutting_s)
    a = 500.0
    cut_50 = 10 / a + (50 - 10**2 / (2 * a)) / 10  # enters from rest at the turn, leaves at feed
    assert run.cutting_s_by_cutter[0] == pytest.approx(cut_50)
    assert run.travel_s > 2 * 2.1


def test_estimate_of_nothing():
    """An empty toolpath takes no time."""
    empty = Poses(
        np.zeros((0, 3)), Toolpath(np.zeros((0, 3)), np.zeros((0, 3)), [], [], []), np.zeros(0), np.zeros(0)
    )
    assert estimate_run(GANTRY, empty, np.zeros(3), 2).total_s == 0


def test_a_hundred_thousand_moves_are_quick():
    """No loop over moves: 100000 in well under a second even on a busy machine."""
    rng = np.random.default_rng(0)
    axes = np.cumsum(rng.normal(0, 0.3, (100_000, 3)), axis=0)
    begin = time.perf_counter()
    move_times(TURNTABLE, axes, np.ones(len(axes)), np.full(len(axes), 800.0))
    assert time.perf_counter() - begin < 0.8
