"""Hand-worked poses of five chains after DEVELOPERS.md's one definition, limits, winding and round trips."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from engine.axes import cutter_directions, from_axes, tip_rates, to_axes
from engine.errors import BadInput
from engine.records import Axis, Machine

X, Y, Z = (1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0)
HALF = np.sqrt(0.5)


def linear(word, direction, low=None, high=None, moves="cutter"):
    return Axis(word, moves, "linear", direction, minimum=low, maximum=high)


def rotary(word, direction, moves, low=None, high=None, through=(0.0, 0.0, 0.0)):
    return Axis(word, moves, "rotary", direction, through, low, high)


def a_machine(*axes, cutter_axis=Z, tip=(0.0, 0.0, 0.0), seat=(0.0, 0.0, 0.0)):
    return Machine(
        name="test machine",
        axes=axes,
        cutter_axis=cutter_axis,
        cutter_tip_at_zero_mm=tip,
        seat_mm=seat,
        min_rpm=3000,
        max_rpm=24000,
        changer=True,
        change_cutter_s=240,
        home=(0.0,) * len(axes),
        path_tolerance_mm=0.05,
    )


GANTRY = (linear("X", X), linear("Y", Y), linear("Z", Z))
UPRIGHT = a_machine(rotary("C", Z, "work"), linear("Z", Z, -200, 200), linear("X", X, 20, 320), cutter_axis=X)
ARC = a_machine(
    rotary("C", Z, "work"), rotary("B", (0, -1, 0), "cutter", -20, 85), linear("X", X, 20, 320), cutter_axis=X
)
TRUNNION = a_machine(
    rotary("A", X, "work", -100, 20, through=(0, 0, -30)), rotary("C", Z, "work"), *GANTRY, seat=(0, 0, 50)
)
HEAD = a_machine(*GANTRY, rotary("C", Z, "cutter", -200, 200), rotary("B", Y, "cutter", -95, 95, (0, 0, 80)))
LEVEL = a_machine(rotary("A", X, "work"), *GANTRY)
THREE = a_machine(*GANTRY, seat=(1, 2, 3))
ALL = {
    "upright": UPRIGHT,
    "arc": ARC,
    "trunnion": TRUNNION,
    "head": HEAD,
    "level": LEVEL,
    "three": THREE,
}

HAND_WORKED = [
    # C90 turns the work's own -Y to the room's +X, where the cutter stands
    (UPRIGHT, (90, 30, 100), (0, -100, 30), (0, -1, 0)),
    (ARC, (0, 0, 100), (100, 0, 0), X),
    (ARC, (0, 30, 100), (100 * np.cos(np.pi / 6), 0, 50), (np.cos(np.pi / 6), 0, 0.5)),
    (ARC, (90, 60, 100), (0, -50, 100 * np.sin(np.pi / 3)), (0, -0.5, np.sin(np.pi / 3))),
    # A-90 about the line at z = -30 lays the work's stem to +Y: room up is then the work's -Y
    (TRUNNION, (-90, 0, 0, 0, 0), (0, -30, -80), (0, -1, 0)),
    (TRUNNION, (-90, 90, 0, 0, 0), (-30, 0, -80), (-1, 0, 0)),
    (TRUNNION, (0, 90, 5, 0, 0), (0, -5, -50), Z),
    # B90 about the pivot 80 above the tip lays the cutter's holder to +X, its tip to -X of the pivot
    (HEAD, (0, 0, 0, 0, 90), (-80, 0, 80), X),
    (HEAD, (1, 2, 3, 90, 90), (1, -78, 83), Y),
    (HEAD, (0, 0, 0, 90, -30), (0, 40, 80 - 80 * np.cos(np.pi / 6)), (0, -0.5, np.cos(np.pi / 6))),
    (LEVEL, (90, 7, 0, 60), (7, 60, 0), Y),
    (LEVEL, (-45, 0, 0, 10), (0, -10 * HALF, 10 * HALF), (0, -HALF, HALF)),
    (THREE, (10, 20, 30), (9, 18, 27), Z),
]


@pytest.mark.parametrize("machine, axes, tip, direction", HAND_WORKED)
def test_hand_worked_poses(machine, axes, tip, direction):
    """Tip and direction are those worked by hand from W^-1 T tip0 - seat and R_W^-1 R_T cutter_axis."""
    tips, directions = from_axes(machine, np.array([axes], float))
    np.testing.assert_allclose(tips[0], tip, atol=1e-12)
    np.testing.assert_allclose(directions[0], direction, atol=1e-12)


@pytest.mark.parametrize("machine, axes, tip, direction", HAND_WORKED)
def test_hand_worked_poses_are_found(machine, axes, tip, direction):
    """The way back reaches the hand-worked tip and direction, and near the hand-worked values itself."""
    solution = to_axes(machine, np.array([tip]), np.array([direction]), start=np.array(axes, float))
    np.testing.assert_allclose(solution.axes[0], axes, atol=1e-6)
    assert solution.residual_mm[0] < 1e-6
    assert solution.lean_rad[0] < 1e-9
    assert not solution.over_limit.any()


def random_axes(machine, seed, n=40):
    """Poses within limits, kept away from where the chain loses a freedom."""
    rng = np.random.default_rng(seed)
    columns = []
    for axis in machine.axes:
        low = {"linear": -150.0, "rotary": -170.0}[axis.kind] if axis.minimum is None else axis.minimum
        high = {"linear": 150.0, "rotary": 170.0}[axis.kind] if axis.maximum is None else axis.maximum
        span = high - low
        columns.append(rng.uniform(low + 0.05 * span, high - 0.05 * span, n))
    return np.stack(columns, axis=1)


@pytest.mark.parametrize("name", ALL)
@given(seed=st.integers(0, 2**32 - 1))
@settings(max_examples=20, deadline=None)
def test_round_trip(name, seed):
    """Any pose within limits is found again: same tip, same direction, no lean, no limit passed."""
    machine = ALL[name]
    for pose in random_axes(machine, seed, n=3):
        tips, directions = from_axes(machine, pose[None])
        solution = to_axes(machine, tips, directions, start=pose)
        again_tips, again_directions = from_axes(machine, solution.axes)
        np.testing.assert_allclose(again_tips, tips, atol=1e-6)
        np.testing.assert_allclose(again_directions, directions, atol=1e-6)
        assert not solution.over_limit.any()


@pytest.mark.parametrize("name", ALL)
@given(seed=st.integers(0, 2**32 - 1))
@settings(max_examples=10, deadline=None)
def test_other_directions_never_cost_the_tip(name, seed):
    """Whatever direction is wanted, the tip is where it should be, and the lean is the true angle."""
    machine = ALL[name]
    rng = np.random.default_rng(seed)
    tips, reachable = from_axes(machine, random_axes(machine, seed))
    wanted = reachable + rng.normal(0, 0.3, reachable.shape)
    wanted /= np.linalg.norm(wanted, axis=1, keepdims=True)
    solution = to_axes(machine, tips, wanted)
    again, taken = from_axes(machine, solution.axes)
    assert np.abs(again - tips).max() < 1e-6
    cosines = np.clip((taken * wanted).sum(axis=1), -1, 1)
    np.testing.assert_allclose(np.cos(solution.lean_rad), cosines, atol=1e-12)


def mirrored(machine, word):
    """The same machine with the sign of one axis wired the wrong way."""
    axes = tuple(
        Axis(a.word, a.moves, a.kind, tuple(-d for d in a.direction), a.through) if a.word == word else a
        for a in machine.axes
    )
    return a_machine(*axes, cutter_axis=machine.cutter_axis, seat=machine.seat_mm)


@given(seed=st.integers(0, 2**32 - 1))
@settings(max_examples=20, deadline=None)
def test_a_wrong_axis_sign_mirrors_the_picture(seed):
    """With C wired the wrong way round, the same program cuts the picture mirrored in y."""
    poses = random_axes(UPRIGHT, seed)
    tips, directions = from_axes(UPRIGHT, poses)
    wrong_tips, wrong_directions = from_axes(mirrored(UPRIGHT, "C"), poses)
    np.testing.assert_allclose(wrong_tips, tips * [1, -1, 1], atol=1e-9)
    np.testing.assert_allclose(wrong_directions, directions * [1, -1, 1], atol=1e-12)
    assert np.abs(wrong_tips - tips).max() > 1.0


def test_a_table_turns_the_other_way_than_a_head():
    """To go counter-clockwise round the piece, C of a table falls and C of a head rises."""
    longitude = np.radians(np.arange(0, 91, 10))
    out = np.stack([np.cos(longitude), np.sin(longitude), 0 * longitude], axis=1)
    table = to_axes(UPRIGHT, 100 * out, out).axes[:, 0]
    head = to_axes(HEAD, 100 * out, out, start=np.array([0, 0, 0, 0, 90.0])).axes[:, 3]
    np.testing.assert_allclose(np.diff(table), -10, atol=1e-6)
    np.testing.assert_allclose(np.diff(head), 10, atol=1e-6)


def test_tip_has_priority_over_direction():
    """A turntable without tilt keeps the tip and leans by the latitude of the wanted direction."""
    direction = np.array([[np.cos(0.5), 0, np.sin(0.5)]])
    solution = to_axes(UPRIGHT, 100 * direction, direction)
    np.testing.assert_allclose(solution.axes[0], [0, 100 * np.sin(0.5), 100 * np.cos(0.5)], atol=1e-6)
    assert solution.lean_rad[0] == pytest.approx(0.5, abs=1e-9)


def test_radial_machine_turns_to_the_tip():
    """Where only the table can bring the tip round, it does, though another direction is wanted."""
    wanted = np.array([[np.cos(0.4), np.sin(0.4), 0.0]])
    solution = to_axes(UPRIGHT, np.array([[100.0, 0.0, 10.0]]), wanted)
    np.testing.assert_allclose(solution.axes[0], [0, 10, 100], atol=1e-6)
    assert solution.lean_rad[0] == pytest.approx(0.4, abs=1e-9)
    opposite = to_axes(UPRIGHT, np.array([[-100.0, 1.0, 10.0]]), np.array([X]))
    assert opposite.residual_mm[0] < 1e-6
    assert not opposite.over_limit[0]


def test_a_limited_tilt_takes_the_nearest_direction():
    """A direction 5 degrees under the equator needs A-95: a trunnion that ends at -85 leans by 10."""
    machine = a_machine(rotary("A", X, "work", -85, 0), rotary("C", Z, "work"), *GANTRY)
    down = np.array([[np.sin(0.3), -np.cos(0.3), -np.tan(np.radians(5))]])
    solution = to_axes(machine, 50 * down, down)
    assert solution.axes[0, 0] == pytest.approx(-85)
    assert np.degrees(solution.lean_rad[0]) == pytest.approx(10, abs=1e-9)
    assert solution.residual_mm[0] < 1e-9
    assert not solution.over_limit[0]


def test_unreachable_direction_takes_the_nearest():
    """A rotary axis tilted by 45 degrees reaches a cone of 90 degrees: straight down leans by 90."""
    machine = a_machine(*GANTRY, rotary("C", Z, "cutter"), rotary("B", (HALF, 0, HALF), "cutter"))
    down = np.array([[1e-9, 0.0, -1.0]])
    solution = to_axes(machine, np.zeros((1, 3)), down)
    assert np.degrees(solution.lean_rad[0]) == pytest.approx(90, abs=1e-6)
    inside = np.array([[np.sin(1.2), 0, np.cos(1.2)]])
    assert to_axes(machine, np.zeros((1, 3)), inside).lean_rad[0] < 1e-9


def test_linear_limits_are_marked_not_clipped():
    """A tip beyond the slide is still answered exactly, and marked."""
    solution = to_axes(UPRIGHT, np.array([[400.0, 0, 0], [300.0, 0, 0]]), np.array([X, X]))
    np.testing.assert_allclose(solution.axes[:, 2], [400, 300])
    assert solution.over_limit.tolist() == [True, False]


def ring(turns, n=400, latitude=0.3):
    longitude = np.linspace(0, 2 * np.pi * turns, n)
    cos, sin = np.cos(latitude), np.sin(latitude)
    return np.stack([cos * np.cos(longitude), cos * np.sin(longitude), sin + 0 * longitude], axis=1)


def test_endless_axes_keep_turning():
    """Three times round is 1080 degrees of an endless table, without a jump."""
    out = ring(3)
    axes = to_axes(ARC, 100 * out, out).axes
    assert axes[-1, 0] - axes[0, 0] == pytest.approx(-1080)
    assert np.abs(np.diff(axes[:, 0])).max() < 3


def test_cable_wound():
    """A head of +-200 goes once round anywhere (shifted to fit), twice round never: rows are marked."""
    once = to_axes(HEAD, 100 * ring(1), ring(1), start=np.zeros(5))
    assert not once.over_limit.any()
    assert once.axes[-1, 3] - once.axes[0, 3] == pytest.approx(360)
    twice = to_axes(HEAD, 100 * ring(2), ring(2))
    assert twice.over_limit.any()
    assert twice.residual_mm.max() < 1e-6


def test_unwinding_where_it_may():
    """Twice round with leave to turn back between the rounds fits +-200; the turn back is one whole turn."""
    out = np.vstack([ring(1), ring(1)])
    may = np.zeros(len(out), bool)
    may[400] = True
    solution = to_axes(HEAD, 100 * out, out, start=np.zeros(5), may_unwind=may)
    assert not solution.over_limit.any()
    turns = np.diff(solution.axes[:, 3])
    assert turns[399] == pytest.approx(-360, abs=1e-6)
    assert np.abs(np.delete(turns, 399)).max() < 3


def test_wrap_starts_near_the_start():
    """An endless axis begins within half a turn of where it stands."""
    out = ring(0.2)
    axes = to_axes(ARC, 100 * out, out, start=np.array([1500.0, 0, 100])).axes
    assert abs(axes[0, 0] - 1500) <= 180


def test_parallel_to_the_first_rotary_axis_keeps_the_angle():
    """Over the pole a table's angle means nothing: it stays, from the start and from the row before."""
    directions = np.array([Z, Z, (0, -HALF, HALF), Z, Z])
    start = np.array([0, 77.0, 0, 0, 0])
    solution = to_axes(TRUNNION, 10 * directions, directions, start=start)
    table = solution.axes[:, 1]
    assert table[0] == table[1] == pytest.approx(77)
    assert table[3] == table[4] == pytest.approx(table[2])
    assert solution.lean_rad.max() < 1e-6


@pytest.mark.parametrize("machine", [TRUNNION, HEAD, ARC], ids=["trunnion", "head", "arc"])
@pytest.mark.parametrize("off_deg", [1e-12, 1e-9, 1e-7, 1e-5, 1e-3, 0.1])
def test_beside_a_singular_pose_tip_and_direction_stay_true(machine, off_deg):
    """However near the pole, where a table's or a head's angle means nothing, the tip is met to 1e-6 mm.

    The direction is met to 1e-6 rad: nearer than that the angle is kept from before, which leans no more.
    """
    off = np.radians(off_deg)
    around = np.linspace(0, 2 * np.pi, 12, endpoint=False)
    wanted = np.stack(
        [np.sin(off) * np.cos(around), np.sin(off) * np.sin(around), np.cos(around * 0 + off)], 1
    )
    tips = 100 * wanted if machine is not ARC else 100 * np.array(Z) + 0 * wanted
    high = ARC.axes[1].maximum  # an arc that ends at 85 deg leans by the other five
    solution = to_axes(machine, tips, wanted, start=np.array(machine.home))
    if machine is ARC:
        assert solution.lean_rad.max() <= np.radians(90 - high) + off + 1e-6
        return
    assert solution.residual_mm.max() < 1e-6
    assert solution.lean_rad.max() < 2e-6
    assert not solution.over_limit.any()


@pytest.mark.parametrize("off_mm", [0.0, 1e-6, 0.01, 1.0])
def test_a_way_past_the_pole_turns_by_half_a_turn_and_no_more(off_mm):
    """A line over the piece that passes the pole at a little distance: the table swings 180 deg, once.

    Between two rows it swings no farther than the place seen from the pole does; it never jumps by a turn.
    """
    x = np.linspace(-10, 10, 201)
    places = np.stack([x, np.full(201, off_mm), np.full(201, 100.0)], axis=1)
    out = places / np.linalg.norm(places, axis=1, keepdims=True)
    solution = to_axes(TRUNNION, places, out, start=np.array(TRUNNION.home))
    table = solution.axes[:, 1]
    assert solution.residual_mm.max() < 1e-6 and not solution.over_limit.any()
    swing = np.abs(np.diff(table))
    assert swing.max() <= 180.0 + 1e-6
    assert np.ptp(table) <= 180.0 + 1e-6
    seen = np.degrees(np.abs(np.diff(np.unwrap(np.arctan2(places[:, 1], places[:, 0])))))
    moving = np.minimum(np.abs(x[1:]), np.abs(x[:-1])) > 0.05  # over the pole itself the angle is kept
    assert (swing[moving] <= seen[moving] + 1e-6).all()


def test_cutter_directions():
    """Five axes take the wanted direction; a turntable without tilt takes its level part."""
    out = ring(1, n=20)
    np.testing.assert_allclose(cutter_directions(HEAD, 100 * out[:5], out[:5]), out[:5], atol=1e-9)
    level = out * [1, 1, 0]
    level /= np.linalg.norm(level, axis=1, keepdims=True)
    np.testing.assert_allclose(cutter_directions(UPRIGHT, 100 * out, out), level, atol=1e-9)


@pytest.mark.parametrize("name", ALL)
def test_tip_rates_are_the_slopes(name):
    """The rates equal central differences of the forward chain."""
    machine = ALL[name]
    poses = random_axes(machine, 5, n=4)
    rates = tip_rates(machine, poses)
    for column in range(poses.shape[1]):
        step = np.zeros(poses.shape[1])
        step[column] = 1e-4
        slope = (from_axes(machine, poses + step)[0] - from_axes(machine, poses - step)[0]) / 2e-4
        np.testing.assert_allclose(rates[:, :, column], slope, atol=1e-6)


def test_no_rows_and_odd_chains():
    """No rows give no rows; three or two parallel rotary axes are refused by name."""
    assert to_axes(HEAD, np.zeros((0, 3)), np.zeros((0, 3))).axes.shape == (0, 5)
    parallel = a_machine(rotary("C", Z, "work"), *GANTRY, rotary("W", Z, "cutter"))
    with pytest.raises(BadInput, match="C and W are parallel"):
        to_axes(parallel, np.zeros((1, 3)), np.array([Z]))
    many = a_machine(rotary("A", X, "work"), rotary("B", Y, "work"), rotary("C", Z, "work"), *GANTRY)
    with pytest.raises(BadInput, match="3 rotary axes"):
        to_axes(many, np.zeros((1, 3)), np.array([Z]))


def test_solutions_are_read_only():
    """A solution cannot be changed in place."""
    solution = to_axes(THREE, np.zeros((1, 3)), np.array([Z]))
    with pytest.raises(ValueError, match="read-only"):
        solution.axes[0, 0] = 1.0
