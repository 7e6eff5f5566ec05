"""Slugs above 15 mm hang on tabs, shorter ones are cut away: judged on a sphere and by plane geometry.

The limits are common practice; how a tab must look follows from its settings alone.
"""

from dataclasses import replace

import numpy as np
import pytest
import shapely
from shapely import LineString, Point, box

from engine.chart import own_mercator
from engine.files import read_cutters, read_machine, uniform_wall
from engine.flatten import lay_flat
from engine.offset import offset_flat
from engine.passes import opening_passes
from engine.prepare import order_on, to_poses, wanted_cut
from engine.program import write_programs
from engine.program_reader import read_programs
from engine.proof import virtual_cut
from engine.records import Layers, Placement, Region, Rules, Severity, Treatment
from engine.skin_metric import metric_of
from engine.slugs import runs_of, slugs_mm
from engine.surface import surface_of
from engine.travel import link
from seed_demo.fleet import cutters_file, machine_files

R, WALL = 140.0, 20.0
RULES = Rules()
SPHERE = surface_of(lambda d: np.full(d.shape[:-1], R))
CUTTERS = [c for c in read_cutters(cutters_file(), "cutters") if c.name.startswith("6 mm flat")][:1]
BLUNT = [replace(CUTTERS[0], centre_cutting=False)]
MACHINE = read_machine(machine_files()["Otter"], "Otter")
PLAIN = metric_of(-100.0, -100.0, 4.0, np.ones((3, 60, 60)) * np.array([1.0, 0, 1])[:, None, None])
FULL = WALL + RULES.overshoot_mm


def layers(*polygons):
    regions = tuple(Region(f"opening {n}", Treatment.OPENING, p) for n, p in enumerate(polygons, 1))
    return Layers("t", regions, None, 60, 60, "0")


def passes_of(*polygons, cutters=CUTTERS, rules=RULES):
    chart = own_mercator(SPHERE, Placement())
    return opening_passes(layers(*polygons), chart, SPHERE, uniform_wall(WALL), cutters, MACHINE, rules)


def plane_runs(shape, cutter=CUTTERS[0], rules=RULES):
    flat = lay_flat(shape, PLAIN)
    return runs_of(flat, offset_flat(flat, cutter.radius_mm), cutter, rules)


def middles(run):
    return run.tabs[:, run.tabs.shape[1] // 2, :2]


def of(findings, rule):
    return [f for f in findings if f.rule == rule]


# --- which ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("side", "kind"), [(26.8, "pocket"), (27.2, "outline")])
def test_a_slug_of_15_mm_is_the_limit(side, kind):
    """A square of side s leaves a slug of s - 2 x 6 mm: 14.8 is cut away, 15.2 hangs on tabs."""
    (run,) = plane_runs(box(0, 0, side, side))
    assert run.kind == kind
    assert len(run.tabs) == (0 if kind == "pocket" else 2)


def test_a_sliver_is_cut_away_however_long():
    """30 mm long and 2 mm thick it would break off its tabs: thinner than half the cutter is no slug."""
    (thin,) = plane_runs(box(0, 0, 42, 14.0))
    (thick,) = plane_runs(box(0, 0, 42, 16.0))
    assert (thin.kind, thick.kind) == ("pocket", "outline")
    assert len(thick.tabs) == 2


def test_nothing_is_left_of_a_narrow_opening():
    """An opening no wider than two cutters has no slug, so neither tab nor ring."""
    flat = lay_flat(box(0, 0, 40, 11.9), PLAIN)
    assert slugs_mm(flat, offset_flat(flat, 3.0), CUTTERS[0]) == []
    (run,) = plane_runs(box(0, 0, 40, 11.9))
    assert run.kind == "outline" and not len(run.tabs)


def test_three_tabs_hold_a_long_slug():
    """Beyond 40 mm, as islands have their bridges."""
    (run,) = plane_runs(box(0, 0, 60, 40))
    assert len(run.tabs) == 3


@pytest.mark.parametrize("shape", [Point(0, 0).buffer(25), box(0, 0, 50, 30), box(0, 0, 70, 16)])
def test_tabs_stand_apart(shape):
    """No two nearer than one and a half of their lengths, and none on a corner."""
    (run,) = plane_runs(shape)
    middle = middles(run)
    away = [np.linalg.norm(a - b) for i, a in enumerate(middle) for b in middle[:i]]
    assert min(away) > 1.5 * (RULES.tab_width_mm + 6)
    if len(shape.exterior.coords) == 5:
        corners = shapely.get_coordinates(shape.buffer(-3, join_style="mitre"))
        assert shapely.distance(shapely.points(middle)[:, None], shapely.points(corners)).min() > 6.0


def test_each_of_two_slugs_has_its_tabs():
    """A dumbbell's two chambers come free apart from each other, so each hangs by itself."""
    shape = shapely.union_all([box(0, 0, 30, 30), box(29, 11, 61, 19), box(60, 0, 90, 30)])
    (run,) = plane_runs(shape)
    assert len(run.tabs) == 4
    assert (middles(run)[:, 0] < 35).sum() == 2 and (middles(run)[:, 0] > 55).sum() == 2


# --- cut away ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "shape",
    [
        Point(0, 0).buffer(9.5),
        box(0, 0, 20, 20),
        shapely.Polygon([(0, 0), (26, 0), (4, 22)]),
        Point(0, 0).buffer(13).difference(box(0, 0, 20, 20)),
    ],
)
def test_rings_leave_nothing_and_go_nowhere_else(shape):
    """All that the outline's run can reach is reached by the rings, and the cutter's edge stays inside."""
    runs = [run for run in plane_runs(shape) if run.kind == "pocket"]
    swept = shapely.union_all([LineString(run.line[:, :2]).buffer(3, quad_segs=32) for run in runs])
    reached = shape.buffer(-3, quad_segs=32).buffer(3, quad_segs=32)
    assert reached.difference(swept.buffer(0.02)).area < 1e-6
    assert swept.difference(shape.buffer(0.05)).is_empty
    # the outline itself is the last ring
    last = shapely.LinearRing(runs[-1].line[-60:, :2])
    assert shapely.Polygon(last).area < shape.area


def test_rings_go_from_the_middle_outwards():
    """So that what is being cut stays held by what is not: the outline comes last."""
    (run,) = plane_runs(Point(0, 0).buffer(10))
    away = np.linalg.norm(run.line[:, :2], axis=1)
    assert away[0] < 3
    assert away[-1] == pytest.approx(7, abs=0.05)
    assert (np.diff(away) > -0.1).all()


def test_rings_can_be_turned_off():
    """Then a short slug comes free as it did, without a word; a long one without tabs is told."""
    plain = replace(RULES, pocket_stepover=0.0, tab_width_mm=0.0)
    (one,), findings = passes_of(Point(0, 0).buffer(9), rules=plain)
    assert one.closed and not findings
    _, findings = passes_of(Point(0, 0).buffer(20), rules=plain)
    (told,) = of(findings, "loose slug")
    assert told.severity is Severity.NOTE
    assert told.measured == pytest.approx(40 - 2 * CUTTERS[0].diameter_mm, rel=0.02)
    assert "isolate" in told.fix


# --- tabs on the piece ---------------------------------------------------------------------------------


def test_a_tab_is_as_high_and_as_wide_as_asked():
    """On a sphere: at the tab R - |tip| is 20 - 4 mm, elsewhere 22.5; raised over 6 mm and the cutter's 6."""
    (one,), findings = passes_of(Point(0, 0).buffer(20))
    depth = R - np.linalg.norm(one.tips_work_mm, axis=2)
    assert len(one.tabs) == 2
    middle = one.tabs[:, one.tabs.shape[1] // 2, :3]
    near = np.linalg.norm(one.skin_work_mm[:, None] - middle, axis=2).min(axis=1)
    np.testing.assert_allclose(depth[-1][near < 5.8], WALL - RULES.tab_height_mm, atol=0.03)
    np.testing.assert_allclose(depth[-1][near > 6.4], FULL, atol=0.03)
    assert ((depth[-1] < FULL - 0.1) == (near < 6.03)).all()
    # levels above the tab are as they were
    shallow = depth.max(axis=1) < WALL - RULES.tab_height_mm - 0.1
    assert shallow.sum() >= 3
    np.testing.assert_allclose(np.ptp(depth[shallow], axis=1), 0, atol=0.03)
    (told,) = of(findings, "slug tabs")
    assert told.severity is Severity.NOTE
    assert "by hand" in told.fix and "isolated" in told.fix
    assert told.measured == pytest.approx(28, rel=0.02)


def test_a_thin_wall_keeps_half_of_itself():
    """A gourd's shell of 6 mm: the tab is 3 mm, not 4."""
    chart = own_mercator(SPHERE, Placement())
    (one,), _ = opening_passes(
        layers(Point(0, 0).buffer(20)), chart, SPHERE, uniform_wall(6.0), CUTTERS, MACHINE, RULES
    )
    depth = R - np.linalg.norm(one.tips_work_mm[-1], axis=1)
    assert depth.min() == pytest.approx(3.0, abs=0.03)
    assert np.nanmin(one.tabs[..., 3]) == np.nanmax(one.tabs[..., 3]) == pytest.approx(3.0)


@pytest.mark.parametrize("cutters", [CUTTERS, BLUNT], ids=["centre-cutting", "not"])
def test_down_beside_a_tab_at_plunge_feed_or_on_a_ramp(cutters):
    """A cutter that may plunge goes straight down there at plunge feed; another at 20 deg, on its way."""
    rules = replace(RULES, tab_height_mm=4.0)
    passes, _ = passes_of(Point(0, 0).buffer(40), cutters=cutters, rules=rules)
    (one,) = passes
    assert len(one.tabs) >= 2
    path = link(passes, order_on(passes, SPHERE, MACHINE, rules), SPHERE, MACHINE, cutters, rules)
    rows = np.flatnonzero(path.pass_index == 0)[2:]
    step = path.tips_work_mm[rows] - path.tips_work_mm[rows - 1]
    down = -np.sum(step * path.directions[rows], axis=1)
    along = np.linalg.norm(step + down[:, None] * path.directions[rows], axis=1)
    moving = np.hypot(down, along) > 1e-6
    slope = np.degrees(np.arctan2(down[moving], along[moving]))
    if cutters is BLUNT:
        assert slope.max() < 22
        assert slope.max() > 15
    else:
        steep = slope > 45
        assert steep.sum() >= 3
        assert (path.feeds_mm_per_min[rows][moving][steep] <= cutters[0].plunge_mm_per_min).all()


# --- read back -----------------------------------------------------------------------------------------


def cut_of(shape, rules, asked=None):
    """Cut an opening by a program that is read back, judged against the tabs of `asked`."""
    design, chart, wall = layers(shape), own_mercator(SPHERE, Placement()), uniform_wall(WALL)
    passes, _ = passes_of(shape, rules=rules)
    wanted_passes = passes if asked is None else passes_of(shape, rules=asked)[0]
    path = link(passes, order_on(passes, SPHERE, MACHINE, rules), SPHERE, MACHINE, CUTTERS, rules)
    poses = to_poses(path, passes, SPHERE, MACHINE)
    head = {
        "job": "t",
        "workpiece": "t",
        "scan": "0",
        "machine": MACHINE.name,
        "cutter": "",
        "written by": "",
    }
    programs = write_programs(poses, MACHINE, CUTTERS, head, tuple(p.name for p in passes), ())
    read = read_programs([text for _, text in programs], MACHINE)
    wanted = wanted_cut(design, chart, None, wanted_passes)
    return virtual_cut(read, MACHINE, tuple(CUTTERS), SPHERE, wall, wanted, rules)


def test_the_proof_finds_the_tabs_that_were_asked_for():
    """Outline and depth hold their bars, nothing is refused, and the lit look has the slug taken out."""
    cut = cut_of(Point(0, 0).buffer(20), RULES)
    assert cut.findings == ()
    assert cut.outline_max_mm < 0.15
    assert cut.depth_max_mm < 0.1
    middle = cut.depth_mm[np.argmin(np.abs(cut.latitude_rad)), np.argmin(np.abs(cut.longitude_rad))]
    assert middle >= WALL


def test_a_missing_tab_is_found():
    """A program that cuts all the way round where tabs were asked for is refused by its depth."""
    cut = cut_of(Point(0, 0).buffer(20), replace(RULES, tab_width_mm=0.0), asked=RULES)
    assert [f.rule for f in cut.findings if f.severity is Severity.REFUSE] == ["depth"]
    assert cut.depth_max_mm == pytest.approx(RULES.tab_height_mm + RULES.overshoot_mm, abs=0.1)


def test_a_tab_that_nobody_asked_for_is_found():
    """The other way round: wall is left, so the opening is not through."""
    asked = replace(RULES, tab_width_mm=0.0)
    cut = cut_of(Point(0, 0).buffer(20), RULES, asked=asked)
    assert {f.rule for f in cut.findings if f.severity is Severity.REFUSE} == {"not through", "depth"}


def test_a_tab_of_another_height_is_found():
    """2 mm where 4 were asked for."""
    cut = cut_of(Point(0, 0).buffer(20), replace(RULES, tab_height_mm=2.0), asked=RULES)
    assert "depth" in {f.rule for f in cut.findings}
    assert cut.depth_max_mm == pytest.approx(2.0, abs=0.1)


def test_rings_leave_an_open_hole():
    """Nothing is left in the middle, by the cut itself and not because something fell out."""
    cut = cut_of(Point(0, 0).buffer(9), RULES)
    assert cut.findings == ()
    at = np.ix_(np.abs(cut.latitude_rad) < 6 / R, np.abs(cut.longitude_rad) < 6 / R)
    assert cut.edge_mm[at].max() < 0
    assert cut.outline_max_mm < 0.15
