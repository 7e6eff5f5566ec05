"""What must hold of a piece and its design wherever they lie: turns, poses, charts, no mirror unseen."""

from dataclasses import replace

import numpy as np
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation
from shapely import Polygon, box

from engine.chart import Projection, chart_of, own_mercator, to_sheet, to_sphere
from engine.files import read_cutters, read_machine, uniform_wall
from engine.frames import unit_of
from engine.prepare import prepare, wanted_cut
from engine.program import read_programs
from engine.proof import virtual_cut
from engine.reclamp import Pose, moved_placement, moved_scan
from engine.records import Layers, Placement, ProbeScan, Region, Rules, Severity, Treatment, Wall
from engine.regions import judge_regions
from engine.rules import rules_for
from engine.surface import fit_surface, radius_at, surface_of
from seed_demo.fleet import cutters_file, machine_files

SPHEROID = surface_of(
    lambda d: 1 / np.sqrt((d[..., 0] ** 2 + d[..., 1] ** 2) / 100**2 + d[..., 2] ** 2 / 75**2)
)
CUTTERS = read_cutters(cutters_file(), "cutters.json")
MACHINES = {name: read_machine(text, name) for name, text in machine_files().items()}

degrees = st.floats(-180, 180)
placements = st.builds(
    Placement,
    longitude_rad=degrees.map(np.radians),
    latitude_rad=st.floats(-60, 60).map(np.radians),
    turn_rad=degrees.map(np.radians),
    mirror=st.booleans(),
)
some = settings(max_examples=60, deadline=None)
few = settings(max_examples=8, deadline=None)


def _ribbed_scan(turn_rad, seed=0):
    """Touches of a leaning, ribbed piece whose every touch is turned about the seat's axis by an angle."""
    i = np.arange(240) + 0.5
    lon, z = i * np.pi * (3 - np.sqrt(5)), -0.8 + 1.65 * i / 240
    flat2 = 1 - z**2
    radius = 110 - 10 * z**2 + 3 * np.cos(9 * lon) * flat2 + 2 * z * np.cos(lon)
    radius = radius + 0.05 * np.random.default_rng(seed).standard_normal(240)
    unit = unit_of(lon + turn_rad, np.arcsin(z))
    return ProbeScan(radius[:, None] * unit, 1.0, np.arange(240), np.arange(240) + 2, "0")


@few
@given(degrees)
def test_turning_the_piece_turns_its_skin(turn_deg):
    """A piece seated further round has the same radii further round, to 0.002 mm, and the same noise."""
    turn = np.radians(turn_deg)
    one, other = fit_surface(_ribbed_scan(0.0))[0], fit_surface(_ribbed_scan(turn))[0]
    lon, lat = np.meshgrid(np.linspace(0, 2 * np.pi, 40), np.radians([-50, -20, 0, 30, 55]))
    np.testing.assert_allclose(
        radius_at(other, unit_of(lon + turn, lat)), radius_at(one, unit_of(lon, lat)), atol=2e-3
    )
    np.testing.assert_allclose(other.noise_mm, one.noise_mm, rtol=1e-2)


@few
@given(degrees)
def test_turning_piece_and_design_together_changes_no_finding(turn_deg):
    """A thin bridge at the same spot of the piece is told alike, wherever that spot is seated."""
    turn = np.radians(turn_deg)
    regions = tuple(
        Region(f"opening {k}", Treatment.OPENING, box(x, -15, x + 20, 15)) for k, x in ((1, -24), (2, 1))
    )
    layers = Layers("d", regions, None, 50.0, 30.0, "0" * 12)
    wall = Wall(np.zeros(1), np.zeros(1), np.full(1, 20.0))
    told = []
    for more in (0.0, turn):
        surface, _ = fit_surface(_ribbed_scan(more))
        chart = own_mercator(surface, Placement(0.4 + more, 0.1))
        found = judge_regions(layers, chart, surface, wall, (), Rules())
        told.append([(f.severity, f.rule, f.place, f.measured) for f in found])
    assert [t[:3] for t in told[0]] == [t[:3] for t in told[1]]
    measured = np.array([[t[3] or 0.0 for t in one] for one in told])
    np.testing.assert_allclose(measured[0], measured[1], atol=0.05)
    assert any(t[1] == "bridge width" for t in told[0])


@some
@given(placements, st.sampled_from(list(Projection)), st.floats(-45, 45), st.floats(-45, 45))
def test_every_chart_there_and_back(placement, projection, x, y):
    """However the design is placed, turned or turned over, on every chart a point comes back to 0.001 mm."""
    chart = chart_of(SPHEROID, placement, projection)
    lon, lat = to_sphere(chart, np.array([[x, y]]))
    assume(abs(np.degrees(lat[0])) < 80)
    np.testing.assert_allclose(to_sheet(chart, lon, lat), [[x, y]], atol=1e-3)


@some
@given(placements, st.sampled_from(list(Projection)), st.floats(-40, 40), st.floats(-40, 40))
def test_every_chart_shows_the_right_hand_unless_turned_over(placement, projection, x, y):
    """Small steps right and up keep their sense seen from outside, and swap it when turned over."""
    chart = chart_of(SPHEROID, placement, projection)
    here, right, up = unit_of(*to_sphere(chart, np.array([[x, y], [x + 0.1, y], [x, y + 0.1]])))
    assume(abs(here[2]) < 0.97)
    hand = np.cross(right - here, up - here) @ here
    assert (hand < 0) == placement.mirror


@few
@given(st.integers(0, 2**32 - 1))
def test_a_pose_and_its_way_back(seed):
    """Touches moved by a pose and by its inverse lie where they lay; a design's place goes there and back."""
    rng = np.random.default_rng(seed)
    turn = Rotation.from_rotvec(rng.normal(0, 0.3, 3)).as_matrix()
    pose = Pose(turn, rng.normal(0, 20, 3))
    back = Pose(turn.T, -turn.T @ pose.shift_mm)
    scan = _ribbed_scan(0.0)
    np.testing.assert_allclose(
        moved_scan(moved_scan(scan, pose), back).centres_seat_mm, scan.centres_seat_mm, atol=1e-9
    )
    place = Placement(*rng.uniform(-1, 1, 3))
    again = moved_placement(moved_placement(place, pose), back)
    np.testing.assert_allclose(
        [
            again.longitude_rad,
            again.latitude_rad,
            np.remainder(again.turn_rad - place.turn_rad + 1, 2 * np.pi),
        ],
        [place.longitude_rad, place.latitude_rad, 1.0],
        atol=1e-9,
    )


@settings(max_examples=3, deadline=None)
@given(
    st.sampled_from(["Heron", "Wren", "Badger"]),
    st.floats(9, 20),
    st.floats(9, 20),
    st.floats(-35, 35),
)
def test_a_table_that_turns_the_wrong_way_is_always_caught(name, foot, height, longitude_deg):
    """An L of any size anywhere near the front: the right machine passes, the rewired one is refused.

    The program is the same; only the sense in which the table takes its words differs.
    """
    machine = MACHINES[name]
    shape = Polygon([(0, 0), (foot + 9, 0), (foot + 9, 9), (9, 9), (9, height + 9), (0, height + 9)])
    layers = Layers(
        "l", (Region("opening 1", Treatment.OPENING, shape),), None, foot + 9, height + 9, "0" * 12
    )
    i = np.arange(90) + 0.5
    unit = unit_of(i * np.pi * (3 - np.sqrt(5)), np.arcsin(1 - 2 * i / 90))
    scan = ProbeScan(71.0 * unit, 1.0, np.arange(90), np.arange(90) + 2, "0")
    rules, wall = rules_for("foam"), uniform_wall(15.0)
    place = Placement(np.radians(longitude_deg), 0.05)
    job = prepare(scan, layers, place, wall, CUTTERS, machine, rules)
    assert not [f for f in job.findings if f.severity is Severity.REFUSE]
    axes = [replace(a, direction=tuple(-d for d in a.direction)) if a.moves == "work" and a.word == "C" else a
            for a in machine.axes]  # fmt: skip
    rewired = replace(machine, axes=tuple(axes))
    read = read_programs([text for _, text in job.programs], rewired)
    wanted = wanted_cut(layers, job.chart, None, job.passes)
    cut = virtual_cut(read, rewired, CUTTERS, job.surface, wall, wanted, rules)
    assert [f for f in cut.findings if f.severity is Severity.REFUSE]


@settings(max_examples=2, deadline=None)
@given(st.sampled_from(["Heron", "Otter"]), st.floats(-120, 120))
def test_a_job_further_round_is_the_same_job(name, turn_deg):
    """Piece and design seated further round: the same passes, turned, and as long a run on an endless table.

    On a head the run takes another way, so only what is cut is compared there: to 0.02 mm.
    """
    shape = Polygon([(0, 0), (40, 0), (40, 12), (14, 12), (14, 36), (0, 36)])
    layers = Layers("l", (Region("opening 1", Treatment.OPENING, shape),), None, 40.0, 36.0, "0" * 12)
    rules, wall = rules_for("foam"), uniform_wall(15.0)
    jobs = [
        prepare(_ribbed_scan(more), layers, Placement(0.2 + more, 0.1), wall, CUTTERS, MACHINES[name], rules)
        for more in (0.0, np.radians(turn_deg))
    ]
    one, other = (
        np.concatenate([p.tips_work_mm[-1] for p in sorted(job.passes, key=lambda p: p.name)]) for job in jobs
    )
    back = Rotation.from_euler("z", -turn_deg, degrees=True).apply(other)
    np.testing.assert_allclose(back, one, atol=0.02)
    assert [f.rule for f in jobs[0].findings] == [f.rule for f in jobs[1].findings]
    if name == "Heron":
        np.testing.assert_allclose(jobs[1].run.cutting_s, jobs[0].run.cutting_s, rtol=0.01)
