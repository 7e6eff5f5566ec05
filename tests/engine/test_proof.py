"""The virtual cut against closed forms: a sphere, cutters of known radius, programs written by hand here."""

import math
from itertools import pairwise

import numpy as np
import pytest
from shapely import Polygon

from engine.errors import BadInput
from engine.frames import unit_of
from engine.proof import tips_of, virtual_cut
from engine.records import (
    Axis,
    Cutter,
    CutterForm,
    Life,
    Machine,
    ReadProgram,
    Rules,
    Severity,
    Treatment,
    Wall,
    WantedCut,
)
from engine.surface import surface_of

R = 85.0
WALL = 20.0
DEEP = WALL + Rules().overshoot_mm
SPHERE = surface_of(lambda unit: np.full(unit.shape[:-1], R), step_deg=3.0)
WALLS = Wall(np.zeros(1), np.zeros(1), np.array([WALL]))


def a_cutter(form=CutterForm.FLAT, diameter_mm=6.0, name="6 mm flat", **more):
    return Cutter(
        name=name,
        form=form,
        diameter_mm=diameter_mm,
        teeth=2,
        flute_length_mm=42,
        stick_out_mm=50,
        holder_diameter_mm=30,
        holder_length_mm=60,
        centre_cutting=True,
        rpm=12000,
        feed_mm_per_min=1400,
        plunge_mm_per_min=400,
        step_down_mm=5,
        stepover_mm=more.pop("stepover_mm", 1.5),
        life=Life("squash", 0.25, 600),
        **more,
    )


def a_machine(axes, seat_mm=(0.0, 0.0, 0.0), cutter_axis=(1.0, 0.0, 0.0)):
    return Machine(
        name="bench",
        axes=axes,
        cutter_axis=cutter_axis,
        cutter_tip_at_zero_mm=(0.0, 0.0, 0.0),
        seat_mm=seat_mm,
        min_rpm=3000,
        max_rpm=24000,
        changer=False,
        change_cutter_s=0,
        home=tuple(0.0 for _ in axes),
        path_tolerance_mm=0.05,
    )


# On this chain C = -longitude, B = latitude and X = radius of the tip: the work turns against the picture.
TURNTABLE = a_machine(
    (
        Axis("C", "work", "rotary", (0, 0, 1)),
        Axis("B", "cutter", "rotary", (0, -1, 0)),
        Axis("X", "cutter", "linear", (1, 0, 0)),
    )
)
THREE_AXES = a_machine(tuple(Axis(w, "cutter", "linear", d) for w, d in zip("XYZ", np.eye(3), strict=True)))


class Moves:
    """Writes a program for the turntable, or another machine, as the reader would return it."""

    def __init__(self, home=(0.0, 0.0, R + 40), names=("6 mm flat",)):
        self.rows = [(home, True, 0.0, 0)]
        self.names = names

    def rapid(self, *axes, cutter=0):
        self.rows.append((axes, True, 12000.0, cutter))

    def feed(self, *axes, rpm=12000.0, cutter=0):
        self.rows.append((axes, False, rpm, cutter))

    def run(self, lon, lat, radius, cutter=0):
        """Plunge at the first place, go along all of them, retract."""
        self.rapid(-math.degrees(lon[0]), math.degrees(lat[0]), R + 15, cutter=cutter)
        for one, two in zip(lon, lat, strict=True):
            self.feed(-math.degrees(one), math.degrees(two), radius, cutter=cutter)
        self.rapid(-math.degrees(lon[-1]), math.degrees(lat[-1]), R + 15, cutter=cutter)

    def read(self):
        axes, rapid, rpm, cutter = zip(*self.rows, strict=True)
        n = len(axes)
        return ReadProgram(
            axes=np.array(axes),
            rapid=np.array(rapid),
            minutes=np.full(n, np.nan),
            spindle_rpm=np.array(rpm),
            cutter=np.array(cutter),
            lines=np.arange(n) + 1,
            cutter_names=self.names,
        )


def a_circle(angle_rad, lon0=0.0, lat0=0.0, n=181):
    """Return a small circle at an angle about a place, counter-clockwise seen from outside."""
    turn = np.linspace(0, 2 * np.pi, n)
    c, s = math.cos(angle_rad), math.sin(angle_rad)
    out, east, north = (
        unit_of(lon0, lat0),
        unit_of(lon0 + np.pi / 2, 0.0),
        unit_of(lon0, lat0 + np.pi / 2),
    )
    unit = c * out + s * (np.cos(turn)[:, None] * east + np.sin(turn)[:, None] * north)
    lon = lon0 + np.arctan2(unit @ east, unit @ unit_of(lon0, 0.0))
    return lon, np.arcsin(unit[:, 2])


def wanting(*polygons, treatment=Treatment.OPENING, names=None):
    names = names or tuple(f"{treatment.value} {i + 1}" for i in range(len(polygons)))
    return WantedCut(tuple(polygons), names, (treatment,) * len(polygons))


def a_disc(size_mm, lon0=0.0, lat0=0.0):
    """Return the region whose rim lies `size_mm` from the axis through its middle."""
    return Polygon(np.stack(a_circle(math.asin(size_mm / R), lon0, lat0, 361), axis=1))


def a_groove(moves, size_mm, lon0=0.0, lat0=0.0, tip=R - DEEP, a=3.0):
    """Cut along the inside of such a region: skin at angle t from the axis is R sin t away from it."""
    moves.run(*a_circle(math.asin(size_mm / R) - math.asin(a / R), lon0, lat0), tip)


def judged(moves, wanted, machine=TURNTABLE, cutters=None, surface=SPHERE, rules=None, **more):
    return virtual_cut(
        moves.read(), machine, cutters or (a_cutter(),), surface, WALLS, wanted, rules or Rules(), **more
    )


def rules_broken(cut):
    assert all(finding.severity == Severity.REFUSE for finding in cut.findings)
    return {finding.rule for finding in cut.findings}


def area_of(cut, mask):
    """Return the area [mm2] of nodes on the sphere."""
    lon, lat = cut.longitude_rad, cut.latitude_rad
    cell = R**2 * np.cos(lat)[:, None] * (lon[1] - lon[0]) * (lat[1] - lat[0])
    return float((cell * mask).sum())


# --- the machine ---------------------------------------------------------------------------------------


def test_turntable_stands_where_its_axes_say():
    """C = -longitude, B = latitude, X = radius: worked out by hand from the chain."""
    tip, direction = tips_of(TURNTABLE, np.array([[-30.0, 20.0, 90.0]]))
    there = unit_of(math.radians(30), math.radians(20))
    np.testing.assert_allclose(tip[0], 90 * there, atol=1e-12)
    np.testing.assert_allclose(direction[0], there, atol=1e-12)


def test_seat_and_tip_offsets_follow_the_definition():
    """A work axis through (10, 0, 0) turned by 90 deg: p = W^-1 T tip - seat, by hand."""
    machine = a_machine(
        (
            Axis("C", "work", "rotary", (0, 0, 1), through=(10, 0, 0)),
            Axis("X", "work", "linear", (1, 0, 0)),
            Axis("Z", "cutter", "linear", (0, 0, 1)),
        ),
        seat_mm=(1.0, 2.0, 3.0),
    )
    tip, direction = tips_of(machine, np.array([[90.0, 5.0, 7.0]]))
    # tip in the room (0, 0, 7); turned back about x = 10: (10, 10, 7); shifted back by 5: (5, 10, 7)
    np.testing.assert_allclose(tip[0], [4.0, 8.0, 4.0], atol=1e-12)
    np.testing.assert_allclose(direction[0], [0.0, -1.0, 0.0], atol=1e-12)


# --- what a cutter leaves ------------------------------------------------------------------------------


def test_plunge_makes_a_disc():
    """A cylinder along a ray takes the cap with R sin t = a: area 2 pi R^2 (1 - cos t), depth R - tip/cos."""
    moves = Moves()
    moves.run([0.3], [0.1], R - DEEP)
    cut = judged(moves, wanting(a_disc(3.0, 0.3, 0.1)))
    t = math.asin(3.0 / R)
    assert area_of(cut, cut.edge_mm < 0) == pytest.approx(2 * math.pi * R**2 * (1 - math.cos(t)), rel=0.03)
    assert cut.depth_mm.max() == pytest.approx(DEEP, abs=0.01)
    assert cut.outline_max_mm < 0.03
    assert cut.depth_max_mm < 0.01
    assert cut.lost_mm2 < 0.3
    assert cut.findings == ()


def test_ball_plunge_has_the_profile_of_a_sphere():
    """A ray at angle t meets the ball of radius a about radius c at c cos t - sqrt(a^2 - c^2 sin^2 t)."""
    ball = a_cutter(CutterForm.BALL, name="ball")
    moves = Moves(names=("ball",))
    moves.run([0.0], [0.0], R - 2.0)
    cut = judged(moves, wanting(a_disc(4.0)), cutters=(ball,))
    lon, lat = np.meshgrid(cut.longitude_rad, cut.latitude_rad)
    cosine = unit_of(lon, lat)[..., 0]
    c, a = R - 2.0 + 3.0, 3.0
    root = a**2 - c**2 * (1 - cosine**2)
    met = c * cosine - np.sqrt(np.maximum(root, 0))
    expected = np.where((root > 0) & (met < R), R - met, 0.0)
    np.testing.assert_allclose(cut.depth_mm, expected, atol=1e-9)


def test_cone_end_tapers():
    """A 90 deg point: at height h the hole has radius h, so a tip 2 mm deep makes a hole of radius 2."""
    drill = a_cutter(CutterForm.DRILL, name="drill", tip_angle_deg=90.0)
    moves = Moves(names=("drill",))
    moves.run([0.0], [0.0], R - 2.0)
    cut = judged(moves, wanting(a_disc(2.0)), cutters=(drill,))
    middle = cut.longitude_rad[np.any(cut.edge_mm < 0, axis=0)]
    # R sin t = R cos t - (R - 2)
    t = math.asin((R - 2) / R / math.sqrt(2) * -1) + math.pi / 4
    assert abs(middle).max() == pytest.approx(t, abs=0.5 / R)
    assert cut.outline_max_mm < 0.1


def test_leaning_cutter_widens_its_footprint():
    """A cutter that leans 30 deg against a sphere leaves the curve |p x d| = a, near 2 a / cos 30 wide."""
    moves = Moves(home=(R + 40, 0.0, 0.0))
    y = R * math.sin(math.radians(30))
    moves.rapid(R + 40, y, 0.0)
    moves.feed(R * math.cos(math.radians(30)) - DEEP, y, 0.0)
    moves.rapid(R + 40, y, 0.0)
    low, high = math.asin((y - 3) / R), math.asin((y + 3) / R)  # closed form along the equator
    cut = judged(moves, wanting(a_disc(4.0, math.radians(30))), machine=THREE_AXES, spacing_mm=0.2)
    equator = np.argmin(np.abs(cut.latitude_rad))
    edge = cut.edge_mm[equator]
    inside = np.flatnonzero(edge < 0)
    found = [
        np.interp(0.0, [edge[i], edge[j]], [cut.longitude_rad[i], cut.longitude_rad[j]])
        for i, j in ((inside[0], inside[0] - 1), (inside[-1], inside[-1] + 1))
    ]
    np.testing.assert_allclose(found, [low, high], atol=0.02 / R)
    assert R * (found[1] - found[0]) == pytest.approx(6 / math.cos(math.radians(30)), abs=0.05)


# --- grooves and slugs ---------------------------------------------------------------------------------


@pytest.mark.parametrize("lon0", [0.0, math.pi, 3.0])
def test_groove_of_a_circle_is_right(lon0):
    """A groove inside a circle of 20 mm agrees with it, its slug falls out; also across 180 deg."""
    moves = Moves()
    a_groove(moves, 20.0, lon0, 0.2)
    cut = judged(moves, wanting(a_disc(20.0, lon0, 0.2)))
    assert cut.findings == ()
    assert cut.outline_max_mm < 0.05
    assert cut.depth_max_mm < 0.02
    assert cut.outside_mm < 0.05
    assert cut.travel_inside_mm == 0.0
    t = math.asin(20.0 / R)
    assert area_of(cut, cut.depth_mm > WALL) == pytest.approx(
        2 * math.pi * R**2 * (1 - math.cos(t)), rel=0.02
    )


def test_all_the_way_round_is_one_grid():
    """Circles at every 30 deg make the grid a full circle; each of them agrees with its design."""
    middles = np.radians(np.arange(-180, 180, 30))
    moves = Moves()
    for lon0 in middles:
        a_groove(moves, 10.0, lon0)
    cut = judged(moves, wanting(*(a_disc(10.0, lon0) for lon0 in middles)))
    assert len(cut.longitude_rad) * (cut.longitude_rad[1] - cut.longitude_rad[0]) == pytest.approx(2 * np.pi)
    assert cut.findings == ()
    assert cut.outline_max_mm < 0.05


def a_chain(corners_mm, n=60):
    """Return longitudes and latitudes of a closed chain near the equator, millimetres over R as angles."""
    corners = np.array([*corners_mm, corners_mm[0]]) / R
    return np.concatenate([np.linspace(p, q, n) for p, q in pairwise(corners)]).T


def a_box(west_mm, south_mm, east_mm, north_mm, inset_mm=0.0):
    """Return a closed box, perhaps drawn in on all sides."""
    w, s, e, n = west_mm + inset_mm, south_mm + inset_mm, east_mm - inset_mm, north_mm - inset_mm
    return a_chain([[w, s], [e, s], [e, n], [w, n]])


def an_l(inset_mm=0.0):
    """Return a closed L, foot to the east, perhaps drawn in on all sides."""
    i = inset_mm
    return a_chain(
        [
            [-15 + i, -20 + i],
            [15 - i, -20 + i],
            [15 - i, -10 - i],
            [-5 - i, -10 - i],
            [-5 - i, 20 - i],
            [-15 + i, 20 - i],
        ]
    )


def test_corners_the_cutter_cannot_reach_are_lost_not_wrong():
    """A flat cutter leaves (4 - pi) a^2 / 4 in each square corner; that is an area lost, no error."""
    moves = Moves()
    moves.run(*a_box(-10, -10, 10, 10, 3.0), R - DEEP)
    cut = judged(moves, wanting(Polygon(a_box(-10, -10, 10, 10).T)))
    assert cut.lost_mm2 == pytest.approx((4 - math.pi) * 9.0, rel=0.15)
    assert cut.outline_max_mm < 0.12
    assert cut.findings == ()


def test_ring_with_a_gap_is_not_free():
    """Where a groove stops short, its slug still hangs and the outline is wrong by about a cutter's width."""
    moves = Moves()
    lon, lat = a_circle(math.asin(20.0 / R) - math.asin(3.0 / R))
    moves.run(lon[:150], lat[:150], R - DEEP)
    cut = judged(moves, wanting(a_disc(20.0)))
    assert "outline" in rules_broken(cut)
    assert cut.outline_max_mm > 2.0
    assert cut.depth_mm[len(cut.latitude_rad) // 2, len(cut.longitude_rad) // 2] == 0.0


# --- wrong programs are found --------------------------------------------------------------------------


def test_shifted_program_is_found():
    """A cut 0.5 mm too far east is wrong by 0.5 mm."""
    moves = Moves()
    a_groove(moves, 20.0, lon0=0.5 / R)
    cut = judged(moves, wanting(a_disc(20.0)))
    assert cut.outline_max_mm == pytest.approx(0.5, abs=0.05)
    assert cut.outside_mm == pytest.approx(0.5, abs=0.05)
    assert {"outline", "cut outside"} <= rules_broken(cut)
    # the crescent beyond a shift d of a circle, outside by more than 0.3: integral of (d cos - 0) over it
    edge = math.acos(0.3 / 0.5)
    assert cut.outside_mm2 == pytest.approx(0, abs=2 * 20.0 * 0.5 * math.sin(edge))
    assert cut.outside_mm2 > 0


def test_too_small_a_groove_is_found():
    """A groove 0.6 mm inside of where it could be is 0.6 mm short of the design, with the place named."""
    moves = Moves()
    a_groove(moves, 19.4)
    cut = judged(moves, wanting(a_disc(20.0)))
    assert cut.outline_max_mm == pytest.approx(0.6, abs=0.05)
    assert cut.outline_median_mm == pytest.approx(0.6, abs=0.05)
    assert rules_broken(cut) == {"outline"}
    (finding,) = cut.findings
    assert finding.place == "opening 1"
    assert finding.allowed == Rules().outline_tolerance_mm


def test_too_shallow_is_found():
    """A tip 1 mm short of the wall leaves 1 mm, and is 3.5 mm short of the depth asked for."""
    moves = Moves()
    a_groove(moves, 20.0, tip=R - WALL + 1.0)
    cut = judged(moves, wanting(a_disc(20.0)))
    found = {finding.rule: finding for finding in cut.findings}
    assert set(found) == {"not through", "depth"}
    assert found["not through"].measured == pytest.approx(1.0, abs=0.01)
    assert found["depth"].measured == pytest.approx(1.0 + Rules().overshoot_mm, abs=0.01)


def test_depth_levels_are_judged_at_the_deepest():
    """Passes at 2, 7, 12 mm and so on to the full depth are no error; the last one counts."""
    moves = Moves()
    for depth in (2.0, 7.0, 12.0, 17.0, DEEP):
        a_groove(moves, 20.0, tip=R - depth)
    cut = judged(moves, wanting(a_disc(20.0)))
    assert cut.findings == ()
    assert cut.depth_max_mm < 0.02


def test_rapid_through_the_piece_is_found():
    """A rapid along a chord from longitude -30 to 30 deg dips R (1 - cos 30) below the skin."""
    moves = Moves(home=(R + 40, 0.0, 0.0))
    x, y = R * math.cos(math.radians(30)), R / 2
    moves.rapid(R + 40, -y, 0.0)
    moves.rapid(x, -y, 0.0)
    moves.rapid(x, y, 0.0)
    moves.rapid(R + 40, y, 0.0)
    cut = judged(moves, wanting(), machine=THREE_AXES)
    assert cut.travel_inside_mm == pytest.approx(R * (1 - math.cos(math.radians(30))), abs=0.02)
    (finding,) = cut.findings
    assert finding.rule == "rapid inside"
    assert "line 4" in finding.text


def test_rapid_plunge_only_in_ground_cut_before():
    """Along the same line a rapid may go back down to where the cutter was, and no deeper."""
    for back, allowed in ((R - 9.0, True), (R - 11.0, False)):
        moves = Moves()
        moves.rapid(0.0, 0.0, R + 15)
        moves.feed(0.0, 0.0, R - 10.0)
        moves.rapid(0.0, 0.0, R + 15)
        moves.rapid(0.0, 0.0, back)
        moves.feed(0.0, 0.0, R - DEEP)
        moves.rapid(0.0, 0.0, R + 15)
        cut = judged(moves, wanting(a_disc(3.0)))
        assert ("rapid inside" in rules_broken(cut)) != allowed
        assert cut.travel_inside_mm == pytest.approx(0.0 if allowed else 11.0, abs=0.01)


def test_stray_cut_is_found():
    """A plunge of radius 3 at 40 mm from a circle of 20 mm reaches about 23 mm beyond it."""
    moves = Moves()
    a_groove(moves, 20.0)
    moves.run([40.0 / R], [0.0], R - 3.0)
    cut = judged(moves, wanting(a_disc(20.0)))
    assert "cut outside" in rules_broken(cut)
    rim, far = math.asin(20.0 / R), 40.0 / R + math.asin(3.0 / R)
    assert cut.outside_mm == pytest.approx(2 * R * math.sin((far - rim) / 2), abs=0.1)
    assert cut.outside_mm2 == pytest.approx(math.pi * 9.0, rel=0.05)


def test_region_left_out_is_named():
    """A second circle that no move touches is reported by its name."""
    moves = Moves()
    a_groove(moves, 10.0)
    cut = judged(moves, wanting(a_disc(10.0), a_disc(10.0, 0.6), names=("eye", "mouth")))
    assert {(f.rule, f.place) for f in cut.findings} == {("not cut", "mouth")}


def test_empty_program_is_found():
    """A program that cuts nothing leaves every region undone."""
    cut = judged(Moves(), wanting(a_disc(10.0)))
    assert rules_broken(cut) == {"not cut"}
    assert cut.depth_mm.max() == 0.0


def test_mirrored_program_is_found():
    """An L cut with longitudes turned round its middle is refused as mirrored; the right one is not."""
    for sign in (1, -1):
        moves = Moves()
        lon, lat = an_l(3.0)
        moves.run(sign * lon, lat, R - DEEP)
        cut = judged(moves, wanting(Polygon(an_l().T)))
        assert ("mirrored" in rules_broken(cut)) == (sign == -1)
        assert (cut.findings == ()) == (sign == 1)


def test_touching_openings_have_no_edge_between_them():
    """Two circles that overlap are cut each on its own; the arc of one inside the other cannot be seen."""
    moves = Moves()
    a_groove(moves, 10.0)
    a_groove(moves, 10.0, lon0=15.0 / R)
    cut = judged(moves, wanting(a_disc(10.0), a_disc(10.0, 15.0 / R)))
    assert cut.findings == ()
    assert cut.outline_max_mm < 0.1


def test_stopped_spindle_in_the_piece_is_found():
    """A feed move under the skin with the spindle stopped cuts nothing and is refused."""
    moves = Moves()
    moves.rapid(0.0, 0.0, R + 15)
    moves.feed(0.0, 0.0, R - 5.0, rpm=0.0)
    moves.rapid(0.0, 0.0, R + 15)
    cut = judged(moves, wanting(a_disc(3.0)))
    assert rules_broken(cut) == {"spindle stopped", "not cut"}


def test_unknown_cutter_is_refused():
    """A cutter of the program that is not among the cutters is named."""
    with pytest.raises(BadInput, match="3 mm flat"):
        judged(Moves(names=("3 mm flat",)), wanting(a_disc(3.0)))


def test_keep_is_never_cut():
    """A keep inside an opening that is cut all the same is cut outside; its middle is 3 mm deep in it."""
    moves = Moves()
    moves.run([0.0], [0.0], R - DEEP)
    both = WantedCut((a_disc(20.0), a_disc(6.0)), ("hole", "kept"), (Treatment.OPENING, Treatment.KEEP))
    assert "cut outside" in rules_broken(judged(moves, both))


# --- shaves and reliefs --------------------------------------------------------------------------------


def a_pocket(moves, size_mm, depth_mm, stepover_mm=1.5, a=3.0, cutter=0):
    """Cut a disc from its middle outwards in rings."""
    last = math.asin(size_mm / R) - math.asin(a / R)
    for angle in np.linspace(0, last, math.ceil(last * R / stepover_mm) + 1):
        moves.run(*a_circle(angle), R - depth_mm, cutter=cutter)


def test_shave_is_judged_by_outline_and_depth():
    """A disc shaved to 2.5 mm is right; at 3.2 mm it is 0.7 mm off."""
    for depth, rules in ((2.5, set()), (3.2, {"depth"})):
        moves = Moves()
        a_pocket(moves, 15.0, depth)
        cut = judged(moves, wanting(a_disc(15.0), treatment=Treatment.SHAVE))
        assert rules_broken(cut) == rules
        assert cut.depth_max_mm == pytest.approx(depth - 2.5, abs=0.12)
        assert cut.outline_max_mm < 0.08


def test_opening_inside_a_shave_is_told_apart():
    """A circle cut through in the middle of a shaved disc keeps its own outline and depth."""
    moves = Moves()
    a_pocket(moves, 25.0, 2.5)
    a_groove(moves, 10.0)
    ring = Polygon(a_disc(25.0).exterior, [a_disc(10.0).exterior])
    wanted = WantedCut((a_disc(10.0), ring), ("hole", "halo"), (Treatment.OPENING, Treatment.SHAVE))
    cut = judged(moves, wanted)
    assert cut.findings == ()
    moves = Moves()
    a_pocket(moves, 25.0, 2.5)
    a_groove(moves, 9.0)
    cut = judged(moves, wanted)
    assert {(f.rule, f.place) for f in cut.findings} == {("outline", "hole")}
    assert cut.outline_max_mm == pytest.approx(1.0, abs=0.06)


def a_relief(depth_of, half_mm=14.0, step_mm=0.5):
    """Return a wanted relief in a square of 2 half_mm about longitude 0, latitude 0."""
    values = np.arange(-half_mm - 2, half_mm + 2 + step_mm / 2, step_mm) / R
    lon, lat = np.meshgrid(values, values)
    inside = np.maximum(np.abs(lon), np.abs(lat)) * R <= half_mm
    depth = np.where(inside, depth_of(lon * R, lat * R), np.nan)
    return WantedCut((), (), (), values, values, depth)


BALL = a_cutter(CutterForm.BALL, 6.0, "ball", stepover_mm=1.0)


def relief_moves(depth_mm, half_mm, step_mm=1.0):
    """Cut rows of constant depth with the ball; half_mm is how far its middle goes."""
    moves = Moves(names=("ball",))
    across = np.arange(-half_mm, half_mm + 1e-9, step_mm) / R
    ends = np.linspace(-half_mm, half_mm, 60) / R
    for i, lat in enumerate(across):
        moves.run(ends[:: (-1) ** i], np.full(60, lat), R - depth_mm)
    return moves


def test_even_relief_is_right_and_gouges_are_found():
    """A floor of 5 mm cut at 5 mm is right; at 5.6 mm it is gouged by 0.6, at 4.4 mm short by 0.6."""
    wanted = a_relief(lambda x, y: np.full(x.shape, 5.0))
    for depth, rules in ((5.0, set()), (5.6, {"depth"}), (4.4, {"depth"})):
        cut = judged(relief_moves(depth, 11.0), wanted, cutters=(BALL,))
        assert rules_broken(cut) == rules
        assert cut.depth_max_mm == pytest.approx(abs(depth - 5.0), abs=0.06)


def test_what_a_ball_cannot_reach_is_no_error():
    """In a groove of half width b a ball of radius a sinks a - sqrt(a^2 - b^2) below its edges, no more."""
    narrow = a_relief(lambda x, y: np.where(np.abs(y) < 2.0, 8.0, 4.0), step_mm=0.25)
    sinks = 3.0 - math.sqrt(9.0 - 4.0)
    moves = relief_moves(4.0, 11.0)
    ends = np.linspace(-11.0, 11.0, 60) / R
    moves.run(ends, np.zeros(60), R - 4.0 - sinks)
    cut = judged(moves, narrow, cutters=(BALL,))
    assert cut.findings == ()
    assert cut.depth_max_mm < 0.15
    # one that has not sunk in is short by that, less what a node to the side takes off
    cut = judged(relief_moves(4.0, 11.0), narrow, cutters=(BALL,))
    assert rules_broken(cut) == {"depth"}
    assert cut.depth_max_mm == pytest.approx(sinks, abs=0.12)


def test_wide_groove_of_a_relief_must_be_cut_to_its_floor():
    """A groove much wider than the ball that is left at the level beside it is 4 mm short."""
    wide = a_relief(lambda x, y: np.where(np.abs(y) < 6.0, 8.0, 4.0))
    cut = judged(relief_moves(4.0, 11.0), wide, cutters=(BALL,))
    assert rules_broken(cut) == {"depth"}
    assert cut.depth_max_mm == pytest.approx(4.0, abs=0.1)


def test_missing_relief_is_named():
    """A relief that no move touches is reported."""
    cut = judged(Moves(names=("ball",)), a_relief(lambda x, y: np.full(x.shape, 5.0)), cutters=(BALL,))
    assert ("not cut", "relief") in {(f.rule, "relief") for f in cut.findings}


# --- other shapes --------------------------------------------------------------------------------------


def test_spheroid_depth_is_the_true_nearest_distance():
    """On x^2 + y^2 + (z / 0.8)^2 = R^2 a cutter along the equator's normal at the right depth is no error."""
    flat = surface_of(lambda u: R / np.sqrt(u[..., 0] ** 2 + u[..., 1] ** 2 + (u[..., 2] / 0.8) ** 2))
    moves = Moves()
    moves.run(np.linspace(-0.2, 0.2, 60), np.zeros(60), R - DEEP)
    slot = Polygon(a_box(-0.2 * R - 3, -3, 0.2 * R + 3, 3).T)
    cut = judged(moves, wanting(slot), surface=flat)
    assert cut.depth_max_mm < 0.05
    assert "depth" not in rules_broken(cut)


@pytest.mark.parametrize("wider_mm", [0.0, 0.2, 0.5])
def test_a_shallow_level_beside_the_deepest_is_not_overlooked(wider_mm):
    """Levels that run over each other are stamped once, but one that runs wider cuts so much outside.

    The skin at angle t from a region's axis is R sin t away from it, so a level whose circle is wider by 0.2
    mm takes 0.2 mm of skin beyond the rim.
    """
    moves = Moves()
    a_groove(moves, 12.0 + wider_mm, tip=R - 2.0)
    a_groove(moves, 12.0, tip=R - DEEP / 2)
    a_groove(moves, 12.0)
    cut = judged(moves, wanting(a_disc(12.0)))
    assert cut.outside_mm == pytest.approx(wider_mm, abs=0.03)
    assert ("cut outside" in rules_broken(cut)) == (wider_mm > Rules().outline_tolerance_mm)
