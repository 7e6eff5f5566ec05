"""Floors, balls and rows against closed forms and brute force."""

from itertools import pairwise

import numpy as np
import pytest
from shapely.geometry import box

from engine.ball_bed import ball_centres, scallop_mm, stepover_for
from engine.chart import own_mercator
from engine.errors import CannotBeDone
from engine.frames import normalised, unit_of
from engine.records import (
    Axis,
    Cutter,
    CutterForm,
    Layers,
    Life,
    Machine,
    Phase,
    Placement,
    Region,
    Rules,
    Severity,
    ToneField,
    Treatment,
    Wall,
)
from engine.relief import relief_passes
from engine.relief_floor import wanted_floor
from engine.surface import surface_of

RADIUS = 60.0


def _sphere(radius_mm=RADIUS):
    return surface_of(lambda u: np.full(u.shape[:-1], radius_mm))


def _wall(thickness_mm=14.0):
    return Wall([0.0], [0.0], [thickness_mm])


def _ball(diameter_mm, stepover_mm, step_down_mm=4.0):
    return Cutter(
        name=f"{diameter_mm} mm ball",
        form=CutterForm.BALL,
        diameter_mm=diameter_mm,
        teeth=2,
        flute_length_mm=45.0,
        stick_out_mm=50.0,
        holder_diameter_mm=30.0,
        holder_length_mm=60.0,
        centre_cutting=True,
        rpm=12000.0,
        feed_mm_per_min=1500.0,
        plunge_mm_per_min=400.0,
        step_down_mm=step_down_mm,
        stepover_mm=stepover_mm,
        life=Life("squash", 0.25, 600.0),
    )


def _machine():
    """Return a machine that turns and tips the piece, with room everywhere."""
    linear = [
        Axis(w, "work", "linear", d, minimum=-900, maximum=900)
        for w, d in (("X", (1, 0, 0)), ("Y", (0, 1, 0)))
    ]
    return Machine(
        name="tipping table",
        axes=(
            *linear,
            Axis("Z", "cutter", "linear", (0, 0, 1), minimum=-900, maximum=900),
            Axis("A", "work", "rotary", (1, 0, 0), minimum=-120, maximum=120),
            Axis("C", "work", "rotary", (0, 0, 1)),
        ),
        cutter_axis=(0, 0, 1),
        cutter_tip_at_zero_mm=(0, 0, 0),
        seat_mm=(0, 0, 0),
        min_rpm=3000,
        max_rpm=24000,
        changer=False,
        change_cutter_s=60,
        home=(0, 0, 300, 0, 0),
        path_tolerance_mm=0.01,
    )


def _layers(luminance=None, regions=(), pixel_mm=0.5, mask=None):
    tones = None
    if luminance is not None:
        tones = ToneField(luminance, np.ones(luminance.shape, bool) if mask is None else mask, pixel_mm)
    return Layers("test", tuple(regions), tones, 30.0, 24.0, "0" * 12)


def _region(treatment, name, *bounds):
    return Region(name, treatment, box(*bounds))


def _prepared(layers, cutters, wall=None, surface=None, rules=None, placement=None):
    surface = surface or _sphere()
    chart = own_mercator(surface, placement or Placement())
    return relief_passes(layers, chart, surface, wall or _wall(), cutters, _machine(), rules or Rules())


def _swept_centres(passes, cutters, step_mm=0.15):
    """Return ball centres (n, 3) close together along passes."""
    found = []
    for one in passes:
        centres = one.tips_work_mm[-1] + cutters[one.cutter].radius_mm * one.directions
        for a, b in pairwise(centres):
            share = np.linspace(0, 1, max(2, int(np.linalg.norm(b - a) / step_mm) + 2))[:, None]
            found.append(a + share * (b - a))
    return np.concatenate(found)


def _left(units, centres, ball_mm):
    """Return the radius (n,) at which rays (n, 3) leave the nearest ball, brute force over all balls."""
    found = np.full(len(units), np.inf)
    for k, u in enumerate(units):
        along = centres @ u
        square = ball_mm**2 - (np.sum(centres**2, axis=1) - along**2)
        hit = square > 0
        found[k] = np.min(along[hit] - np.sqrt(square[hit]), initial=np.inf)
    return found


# --- the ball -----------------------------------------------------------------------------------------


def test_scallop_and_stepover_follow_pythagoras():
    """The formula as calculators publish it: r 3, s 0.5 leave 0.0104348, and 0.005 needs s 0.3462658."""
    assert scallop_mm(3.0, 0.5) == pytest.approx(0.0104348, abs=1e-7)
    assert stepover_for(3.0, 0.005) == pytest.approx(0.3462658, abs=1e-7)
    assert scallop_mm(1.5, 0.4) == pytest.approx(0.0133931, abs=1e-7)


def _grid(rows=31, columns=41, step_mm=0.4, radius=RADIUS, latitude=0.3):
    step = step_mm / radius
    lat = latitude + step * (np.arange(rows) - rows // 2)
    return unit_of((step * (np.arange(columns) - columns // 2))[None, :], lat[:, None])


@pytest.mark.parametrize("ball_mm", [1.5, 3.0])
def test_on_a_sphere_the_centre_lies_one_ball_radius_out(ball_mm):
    """On a round floor of radius r the centre comes to r + b exactly."""
    unit = _grid()
    centres = ball_centres(unit, np.full(unit.shape[:2], 57.0), ball_mm)
    assert centres == pytest.approx(np.full(unit.shape[:2], 57.0 + ball_mm), abs=1e-9)


@pytest.mark.parametrize("seed", range(3))
def test_no_ball_cuts_into_a_rough_floor_and_every_one_rests_on_it(seed):
    """On floors of steps and noise the nearest floor point is one ball radius away (brute force)."""
    rng = np.random.default_rng(seed)
    unit = _grid(latitude=float(rng.uniform(-1.0, 1.0)))
    radius = (
        RADIUS - np.where(rng.random(unit.shape[:2]) < 0.1, 0.0, 3.0) - rng.uniform(0, 0.5, unit.shape[:2])
    )
    radius[:, :12] = RADIUS
    centres = (ball_centres(unit, radius, 1.7)[..., None] * unit).reshape(-1, 3)
    points = (radius[..., None] * unit).reshape(-1, 3)
    nearest = np.linalg.norm(centres[:, None] - points[None], axis=2).min(axis=1)
    assert nearest == pytest.approx(np.full(len(centres), 1.7), abs=1e-9)


def test_a_ball_rests_on_the_rims_of_a_narrow_groove():
    """Over a groove of width 2 a the ball sinks in by b - sqrt(b^2 - a^2) only (closed form, flat limit)."""
    big = 3000.0
    unit = _grid(rows=21, columns=61, step_mm=0.1, radius=big, latitude=0.0)
    radius = np.full(unit.shape[:2], big)
    radius[:, 21:40] -= 5.0  # the rims are columns 20 and 40, a = 1.0 mm
    centre = ball_centres(unit, radius, 3.0)[10, 30]
    assert centre - 3.0 - big == pytest.approx(-(3.0 - np.sqrt(9.0 - 1.0)), abs=1e-3)


# --- the wanted floor ---------------------------------------------------------------------------------


def test_black_and_white_give_the_ends_of_the_wall():
    """On a ball of 14 mm wall white is cut 9 mm deep (5 left), black 1.5 mm (the skin)."""
    luminance = np.zeros((48, 60))
    luminance[:, 30:] = 1.0
    surface = _sphere()
    floor = wanted_floor(_layers(luminance), own_mercator(surface, Placement()), surface, _wall(), Rules())
    depth = floor.depth_mm[len(floor.latitude_rad) // 2]
    lon_mm = floor.longitude_rad * RADIUS
    assert depth[(lon_mm > 1) & (lon_mm < 14)] == pytest.approx(9.0, abs=1e-6)
    assert depth[(lon_mm < -1) & (lon_mm > -14)] == pytest.approx(1.5, abs=1e-6)
    assert np.isnan(depth[np.abs(lon_mm) > 15.3]).all()


def test_the_floor_is_monotone_in_the_tone():
    """A wedge of 254 shades gives at least 254 depths, each brighter one deeper."""
    luminance = np.tile(np.linspace(0, 1, 254), (20, 1))
    surface = _sphere(140.0)
    floor = wanted_floor(
        _layers(luminance), own_mercator(surface, Placement()), surface, _wall(), Rules(), pixel_mm=0.25
    )
    row = floor.depth_mm[len(floor.latitude_rad) // 2]
    row = row[np.isfinite(row)]
    assert len(np.unique(row)) >= 254
    assert np.all(np.diff(row) > -1e-9)


def test_the_picture_stands_upright_and_is_not_mirrored():
    """Only the upper left quarter of the picture is cut: north and west of its middle."""
    mask = np.zeros((48, 60), bool)
    mask[:24, :30] = True
    surface = _sphere()
    chart = own_mercator(surface, Placement(longitude_rad=0.4, latitude_rad=0.2))
    floor = wanted_floor(_layers(np.ones((48, 60)), mask=mask), chart, surface, _wall(), Rules())
    cut = np.isfinite(floor.depth_mm)
    lon, lat = np.meshgrid(floor.longitude_rad, floor.latitude_rad)
    assert cut.any()
    assert lat[cut].min() > 0.2 - 1e-9
    assert lon[cut].max() < 0.4 + 1e-9


def test_depth_is_measured_along_the_normal():
    """On a spheroid (100, 80) a shave's depth along the ray times the cosine to the normal is the rule's."""
    squares = np.array([100.0, 100.0, 80.0]) ** 2
    surface = surface_of(lambda u: 1 / np.sqrt(np.sum(u**2 / squares, axis=-1)))
    chart = own_mercator(surface, Placement(latitude_rad=0.6))
    layers = _layers(regions=[_region(Treatment.SHAVE, "shave 1", -5, -5, 5, 5)])
    floor = wanted_floor(layers, chart, surface, _wall(), Rules(shave_depth_mm=2.5))
    unit = floor.directions
    normal = normalised(unit / squares)  # gradient of the spheroid's equation
    along = floor.depth_mm * np.sum(unit * normal, axis=-1)
    cut = np.isfinite(along)
    assert cut.sum() > 300
    assert along[cut] == pytest.approx(2.5, abs=2e-3)


def test_kept_regions_are_not_touched():
    """Inside a keep region nothing is thinned, whatever the picture says."""
    layers = _layers(np.ones((48, 60)), [_region(Treatment.KEEP, "keep 1", -3, -3, 3, 3)])
    surface = _sphere()
    floor = wanted_floor(layers, own_mercator(surface, Placement()), surface, _wall(), Rules())
    lon, lat = np.meshgrid(floor.longitude_rad * RADIUS, floor.latitude_rad * RADIUS)
    inside = (np.abs(lon) < 2.9) & (np.abs(lat) < 2.9)
    assert np.isnan(floor.depth_mm[inside]).all()
    assert np.isfinite(floor.depth_mm[(np.abs(lon) < 10) & (np.abs(lat) < 10) & ~inside]).any()


# --- rows ---------------------------------------------------------------------------------------------


def test_rows_leave_scallops_of_the_formula_and_no_gouge():
    """What rows leave of a constant floor lies between it less the chord and the scallop plus 0.01 mm."""
    cutters = [_ball(3.0, 0.8)]
    passes, floor, _ = _prepared(_layers(np.full((48, 60), 0.5), pixel_mm=0.4), cutters)
    last = [p for p in passes if p.phase is Phase.RELIEF_FINISH]
    depth = float(np.nanmedian(floor.depth_mm))
    lat = np.linspace(-6.0, 6.0, 241) / RADIUS
    lon = np.random.default_rng(1).uniform(-6.0, 6.0, 241) / RADIUS
    left = _left(unit_of(lon, lat), _swept_centres(last, cutters), 1.5) - (RADIUS - depth)
    assert left.min() > -0.02 - 1e-3
    assert 0.2 * scallop_mm(1.5, 0.8) < left.max() <= scallop_mm(1.5, 0.8) + 0.01


def test_a_step_is_not_gouged():
    """Along the step from black to white no ball, of either cutter, comes nearer than its radius."""
    luminance = np.zeros((40, 50))
    luminance[:, 25:] = 1.0
    cutters = [_ball(6.0, 1.5), _ball(3.0, 0.8)]
    passes, floor, _ = _prepared(_layers(luminance, pixel_mm=0.4), cutters)
    points = (floor.radius_mm[..., None] * floor.directions).reshape(-1, 3)
    for one in passes:
        centres = _swept_centres([one], cutters, step_mm=0.5)
        ball = cutters[one.cutter].radius_mm
        for block in np.array_split(centres, max(1, len(centres) // 400)):
            near = points[np.linalg.norm(points - block.mean(axis=0), axis=1) < 40]
            square = (block**2).sum(1)[:, None] - 2 * block @ near.T + (near**2).sum(1)
            # the rows are thinned to chords of 0.02 mm
            assert np.sqrt(square.min()) > ball - 0.025


def test_two_balls_rough_and_finish():
    """The larger ball roughs in steps of its own and leaves 0.3 mm; the smaller goes to the floor."""
    cutters = [_ball(3.0, 0.8, 2.0), _ball(6.0, 1.5, 4.0)]
    passes, _, _ = _prepared(_layers(np.ones((48, 60)), pixel_mm=0.4), cutters)
    rough = [p for p in passes if p.phase is Phase.RELIEF_ROUGH]
    finish = [p for p in passes if p.phase is Phase.RELIEF_FINISH]
    assert {p.cutter for p in rough} == {1}
    assert {p.cutter for p in finish} == {0}

    def lowest(some):
        return min(np.linalg.norm(p.tips_work_mm[0], axis=1).min() for p in some)

    assert lowest(rough) == pytest.approx(RADIUS - 9.0 + 0.3, abs=0.021)
    assert lowest(finish) == pytest.approx(RADIUS - 9.0, abs=0.021)
    first_step = [p for p in rough if not p.after]
    assert lowest(first_step) == pytest.approx(RADIUS - 4.0, abs=0.021)
    assert len([p for p in rough if p.after]) >= 2
    for one in passes:
        assert all(passes[j].phase is one.phase and passes[j].cutter == one.cutter for j in one.after)
        assert len(one.reasons) == len(one.after)


def test_passes_are_well_formed():
    """Directions are the skin's normals, the axis meets the skin, and a pass starts where it hardly cuts."""
    cutters = [_ball(3.0, 0.8)]
    passes, _, _ = _prepared(_layers(np.full((48, 60), 0.3), pixel_mm=0.4), cutters)
    for one in passes:
        assert not one.closed
        assert not one.along_centre
        assert np.linalg.norm(one.skin_work_mm, axis=1) == pytest.approx(RADIUS, abs=1e-6)
        # on a sphere the normal is the ray; this machine takes any direction
        assert np.sum(one.directions * normalised(one.skin_work_mm), axis=1) == pytest.approx(1.0, abs=1e-6)
        steps = np.linalg.norm(np.diff(one.skin_work_mm, axis=0), axis=1)
        assert steps.max() <= Rules().point_spacing_mm * RADIUS / (RADIUS - 9.0)
        # a pass starts where it hardly cuts: it may be plunged into
        assert np.linalg.norm(one.tips_work_mm[0, 0]) > RADIUS - 4.0


def test_two_islands_are_two_passes():
    """Parts of a mask 20 mm apart are not joined over the skin."""
    mask = np.zeros((40, 120), bool)
    mask[:, :30] = mask[:, 90:] = True
    passes, _, _ = _prepared(_layers(np.ones((40, 120)), pixel_mm=0.4, mask=mask), [_ball(3.0, 0.8, 20.0)])
    assert len(passes) == 2


def test_a_shave_is_cut_at_its_depth():
    """A shave region is swept by the smallest ball, 2.5 mm deep, in its own phase and under its own name."""
    layers = _layers(regions=[_region(Treatment.SHAVE, "shave 1", -8, -8, 8, 8)])
    cutters = [_ball(6.0, 1.5), _ball(3.0, 0.8)]
    passes, _, findings = _prepared(layers, cutters)
    assert {(p.phase, p.region, p.cutter) for p in passes} == {(Phase.SHAVE, "shave 1", 1)}
    lowest = min(np.linalg.norm(p.tips_work_mm[0], axis=1).min() for p in passes)
    assert lowest == pytest.approx(RADIUS - 2.5, abs=0.021)
    assert findings == ()


def test_a_shave_ends_at_its_outline():
    """In the middle of each side the skin comes off up to the outline, within half a step of the grid."""
    layers = _layers(regions=[_region(Treatment.SHAVE, "shave 1", -8.07, -6.11, 8.03, 6.17)])
    cutters = [_ball(3.0, 0.8)]
    passes, floor, _ = _prepared(layers, cutters)
    centres = _swept_centres(passes, cutters)
    out = np.linspace(-1.0, 1.0, 201)
    gudermann = (
        2 * np.arctan(np.exp(np.array([-6.11, 6.17]) / RADIUS)) - np.pi / 2
    )  # latitude of Mercator's y
    sides = [
        unit_of((8.03 + out) / RADIUS, 0.0),
        unit_of((-8.07 - out) / RADIUS, 0.0),
        unit_of(0.0, gudermann[1] + out / RADIUS),
        unit_of(0.0, gudermann[0] - out / RADIUS),
    ]
    for units in sides:
        cut = _left(units, centres, 1.5) < RADIUS - 0.02
        assert abs(out[cut].max()) <= 0.2 + 0.05
    shaved = floor.shave == 0
    assert np.isnan(floor.tone_depth_mm).all()
    assert np.isfinite(floor.depth_mm[shaved]).all()


def test_a_band_all_round_is_swept_once():
    """A picture as long as the round is cut on every longitude, but not twice behind."""
    around = 2 * np.pi * RADIUS
    width = int(around / 2.0) + 4
    passes, _, _ = _prepared(_layers(np.ones((4, width)), pixel_mm=2.0), [_ball(3.0, 1.0, 20.0)])
    lon = np.concatenate([np.arctan2(p.tips_work_mm[0, :, 1], p.tips_work_mm[0, :, 0]) for p in passes])
    turned = sum(np.abs(np.diff(np.unwrap(np.arctan2(*p.tips_work_mm[0, :, 1::-1].T)))).sum() for p in passes)
    assert np.diff(np.sort(lon)).max() < np.radians(3)
    assert turned / (2 * np.pi) < 8.0 / 1.0 + 1.5  # rows of 8 mm height at 1 mm


# --- what cannot be done ------------------------------------------------------------------------------


def test_without_a_ball_cutter_a_relief_is_refused():
    """The refusal says what to fit."""
    with pytest.raises(CannotBeDone, match="ball cutters") as caught:
        _prepared(_layers(np.ones((20, 20))), [])
    assert caught.value.findings[0].severity is Severity.REFUSE
    assert "ball cutter" in caught.value.findings[0].fix


def test_a_short_ball_cutter_is_refused():
    """Flutes must reach the deepest place."""
    from dataclasses import replace

    with pytest.raises(CannotBeDone, match=r"9\.0 mm of flute needed, the longest has 4\.0 mm"):
        _prepared(_layers(np.ones((20, 20))), [replace(_ball(3.0, 0.8), flute_length_mm=4.0)])


def test_a_thin_wall_is_told_with_its_place():
    """Where the wall is too thin for tones only the skin comes off, and a finding says how thin it is."""
    passes, floor, findings = _prepared(_layers(np.ones((20, 20))), [_ball(3.0, 0.8)], wall=_wall(6.0))
    assert np.nanmax(floor.depth_mm) == pytest.approx(1.5, abs=1e-6)
    assert passes
    assert [(f.rule, f.measured, f.allowed) for f in findings] == [("relief wall", pytest.approx(6.0), 6.5)]


def test_a_shave_that_breaks_through_is_refused():
    """With 5 mm of wall a shave of 2.5 mm leaves 2.5, less than 3."""
    layers = _layers(regions=[_region(Treatment.SHAVE, "shave 1", -8, -8, 8, 8)])
    _, _, findings = _prepared(layers, [_ball(3.0, 0.8)], wall=_wall(5.0))
    assert [(f.rule, f.severity) for f in findings] == [("shave wall", Severity.REFUSE)]


def test_nothing_to_thin_is_refused():
    """A design of openings alone has no floor."""
    with pytest.raises(CannotBeDone, match="nothing to thin"):
        _prepared(_layers(), [_ball(3.0, 0.8)])


def test_fine_detail_is_told():
    """Stripes narrower than the ball stay darker than drawn, and a finding says so."""
    luminance = np.tile(np.where(np.arange(60) % 3 == 0, 1.0, 0.0), (60, 1))
    _, _, findings = _prepared(_layers(luminance, pixel_mm=0.5), [_ball(6.0, 1.5)])
    assert [f.rule for f in findings] == ["relief detail"]


def test_a_leaning_shank_stands_clear_of_the_rim():
    """With an axis that stays level a pocket north of the waist is cut, and its upper rim is not.

    The cylinder of the shank from each ball's centre outwards, along the direction the pass says, comes to no
    skin beside the relief nearer than the ball's radius, less the chord and the sag between two read places
    of the floor: 0.8^2 / (8 x 1.5) = 0.053 mm.
    """
    machine = _level_machine()
    cutters = [_ball(3.0, 0.8, 4.0)]
    surface = _sphere()
    chart = own_mercator(surface, Placement(latitude_rad=np.radians(18.0)))
    layers = _layers(np.ones((30, 40)), pixel_mm=0.4)
    passes, floor, _ = relief_passes(layers, chart, surface, _wall(), cutters, machine, Rules())
    beside = floor.directions[np.isnan(floor.depth_mm)] * RADIUS
    for one in passes:
        centres = one.tips_work_mm[-1] + 1.5 * one.directions
        lean = np.sum(one.directions * unit_normals(centres), axis=1)
        assert np.degrees(np.arccos(lean.min())) > 10  # it does lean
        for centre, along in zip(centres[::3], one.directions[::3], strict=True):
            off = beside - centre
            height = off @ along
            aside = np.sqrt(np.maximum(np.sum(off * off, axis=1) - height**2, 0.0))
            assert aside[height > 0].min(initial=np.inf) > 1.5 - 0.02 - 0.054


def unit_normals(places):
    """Return the outward unit vectors of places about the middle of a sphere."""
    return places / np.linalg.norm(places, axis=1, keepdims=True)


def _level_machine():
    """Return a machine whose spindle stays level: the piece turns, the cutter goes up and out."""
    return Machine(
        name="level spindle",
        axes=(
            Axis("C", "work", "rotary", (0, 0, 1)),
            Axis("Z", "cutter", "linear", (0, 0, 1), minimum=-900, maximum=900),
            Axis("X", "cutter", "linear", (1, 0, 0), minimum=0, maximum=900),
        ),
        cutter_axis=(1, 0, 0),
        cutter_tip_at_zero_mm=(0, 0, 0),
        seat_mm=(0, 0, 0),
        min_rpm=3000,
        max_rpm=24000,
        changer=False,
        change_cutter_s=60,
        home=(0, 0, 300),
        path_tolerance_mm=0.01,
    )
