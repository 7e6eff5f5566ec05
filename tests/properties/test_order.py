"""What must hold for the order of any job: nothing left out, precedence kept, true travel, no cable torn."""

import math
from dataclasses import replace
from itertools import permutations, product

import numpy as np
import pytest

from engine.axes import cutter_directions, from_axes
from engine.files import read_cutters, read_machine
from engine.order import PassPoses, TravelMetric, check_order, metric_of, order_passes
from engine.order.entries import pass_poses
from engine.prepare import to_poses
from engine.records import CutPass, Phase, Rules
from engine.surface import surface_of
from engine.travel import link, shell_radius_mm
from seed_demo.fleet import cutters_file, machine_files
from tests.bench.order import random_job

RULES = Rules(kind="foam")
SPHERE = surface_of(lambda d: np.full(d.shape[:-1], 70.0))
CUTTERS = read_cutters(cutters_file(), "cutters")
MACHINES = {name: read_machine(text, name) for name, text in machine_files().items()}


@pytest.mark.parametrize("winding", [False, True])
def test_five_hundred_random_jobs_break_no_rule(winding):
    """Over 500 jobs the independent checker finds no pass twice, no precedence broken, no axis overwound."""
    for seed in range(500):
        passes, metric, rules = random_job(np.random.default_rng(seed), winding)
        order = order_passes(passes, metric, seed=seed, kicks_per_pass=3, **rules)
        assert check_order(order, passes, metric, **rules) == (), seed


def _rings(rng, machine, count):
    """Rings and lines on a sphere of 70 mm, as passes of two or three levels for a machine."""
    passes = []
    for i in range(count):
        closed = bool(rng.random() < 0.6)
        angle = np.arange(12) * 2 * math.pi / 12
        longitude, latitude, size = (
            rng.uniform(-math.pi, math.pi),
            rng.uniform(-0.4, 0.4),
            rng.uniform(0.03, 0.15),
        )
        if closed:
            lon, lat = longitude + size * np.cos(angle), latitude + size * np.sin(angle)
        else:
            lon, lat = longitude + size * np.linspace(-1, 1, 9), np.full(9, latitude)
        unit = np.stack([np.cos(lat) * np.cos(lon), np.cos(lat) * np.sin(lon), np.sin(lat)], axis=1)
        directions = cutter_directions(machine, 70 * unit, unit)
        levels = int(rng.integers(2, 4))
        tips = np.stack([70 * unit - 4.0 * (k + 1) * directions for k in range(levels)])
        feeds = np.full(levels, 1400.0)
        skin = 70 * unit
        passes.append(
            CutPass(f"p{i}", f"p{i}", Phase.OPENING, 0, closed, False, skin, directions, tips, feeds)
        )
    return passes


@pytest.mark.parametrize(
    "name, limit", [("Otter", 200.0), ("Otter", 185.0), ("Heron", 200.0), ("Wren", 300.0)]
)
def test_a_cable_never_leaves_its_range(name, limit):
    """On a head or a turntable with a cable, every row of the whole program stays within the limits.

    The rows are those of `to_axes`, judged here against the machine's own limits; travel stays on the shell.
    """
    machine = MACHINES[name]
    axes = tuple(replace(a, minimum=-limit, maximum=limit) if a.word == "C" else a for a in machine.axes)
    machine = replace(machine, axes=axes)
    column = [a.word for a in machine.axes].index("C")
    unwound = 0
    for seed in range(12):
        rng = np.random.default_rng(seed)
        passes = _rings(rng, machine, int(rng.integers(3, 9)))
        poses = pass_poses(passes, SPHERE, machine, RULES)
        order = order_passes(poses, metric_of(machine), seed=seed, kicks_per_pass=10)
        assert check_order(order, poses, metric_of(machine)) == ()
        path = link(passes, order, SPHERE, machine, CUTTERS, RULES)
        rows = to_poses(path, passes, SPHERE, machine).axes[:, column]
        assert rows.min() >= -limit - 1e-6 and rows.max() <= limit + 1e-6
        travel = np.isinf(path.feeds_mm_per_min)
        shell = shell_radius_mm(SPHERE, RULES)
        radius = np.linalg.norm(path.tips_work_mm, axis=1)
        assert radius[travel].min() >= shell - 1e-6
        unwound += int(np.abs(np.diff(order.wound_deg[:, 0])).max(initial=0.0) > 180.0)
    assert unwound > 0 or name != "Otter"


def test_a_cable_unwinds_only_when_that_is_the_least_travel():
    """Three places on an axis of +-400 deg: the travel is that of the best of all orders and turns."""
    for seed in range(30):
        rng = np.random.default_rng(seed)
        metric = TravelMetric(
            np.array([30.0]), np.array([200.0]), np.array([math.inf]), np.zeros(1),
            lowest=np.array([-400.0]), highest=np.array([400.0]),
        )  # fmt: skip
        places = rng.uniform(-180, 180, 3)
        passes = [PassPoses(f"{p:.0f}", np.array([[p]]), True) for p in places]
        best = math.inf
        for order in permutations(places):
            for turns in product((-360.0, 0.0, 360.0), repeat=3):
                stops = [0.0, *(p + t for p, t in zip(order, turns, strict=True)), 0.0]
                ways = np.abs(np.diff(stops))
                if max(map(abs, stops)) <= 400.0:
                    fast = np.where(ways > 30**2 / 200, ways / 30 + 30 / 200, np.sqrt(4 * ways / 200))
                    best = min(best, float(fast.sum()))
        order = order_passes(passes, metric, seed=seed)
        assert order.travel_s == pytest.approx(best, abs=1e-9)
        assert np.abs(order.wound_deg).max() <= 400.0


def test_a_pass_round_a_cable_turns_it_on():
    """Two rings round the stem: one is run forwards, the other back, so that the cable ends as it began."""
    ring = np.stack([np.arange(0.0, 360.0, 30.0), np.full(12, 50.0)], axis=1)
    metric = TravelMetric(
        np.array([30.0, 50.0]), np.array([200.0, 300.0]), np.full(2, math.inf), np.zeros(2),
        lowest=np.array([-400.0, -math.inf]), highest=np.array([400.0, math.inf]),
    )  # fmt: skip
    passes = [
        PassPoses(name, ring + np.array([0.0, height]), True, round_deg=np.array([360.0, 0.0]))
        for name, height in (("high", 10.0), ("low", 0.0))
    ]
    order = order_passes(passes, metric)
    assert check_order(order, passes, metric) == ()
    assert sorted(order.reversed.tolist()) == [False, True]
    assert abs(order.wound_deg[0, 0] - order.wound_deg[1, 1]) < 40.0
    turned = np.diff(order.wound_deg, axis=1)[:, 0]
    assert sorted(turned.tolist()) == pytest.approx([-360.0, 360.0])


def test_a_pose_is_above_its_vertex():
    """Run forward through the chain, each pose stands on the shell in the line of its vertex's cutter.

    An open pass of two levels ends where it began, one of three at its other end.
    """
    machine = MACHINES["Otter"]
    passes = _rings(np.random.default_rng(5), machine, 4)
    for one, poses in zip(passes, pass_poses(passes, SPHERE, machine, RULES), strict=True):
        assert poses.returns == (not one.closed and len(one.tips_work_mm) == 2)
        tips, directions = from_axes(machine, poses.axes)
        np.testing.assert_allclose(directions, one.directions, atol=1e-6)
        np.testing.assert_allclose(np.linalg.norm(tips, axis=1), shell_radius_mm(SPHERE, RULES), atol=1e-4)
        np.testing.assert_allclose(np.cross(tips - one.skin_work_mm, directions), 0.0, atol=1e-4)
