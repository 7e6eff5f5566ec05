"""A large cutter before a small one: plane geometry says what must be cut, the virtual cut that it is."""

from dataclasses import replace

import numpy as np
import pytest
import shapely
from shapely import LineString, Polygon, box

from engine.chart import own_mercator
from engine.errors import CannotBeDone
from engine.files import read_cutters, read_machine, uniform_wall
from engine.flatten import lay_flat
from engine.passes import opening_passes
from engine.prepare import order_on, to_poses, wanted_cut
from engine.program import write_programs
from engine.program_reader import read_programs
from engine.proof import virtual_cut
from engine.records import Layers, Placement, Region, Rules, Severity, Treatment
from engine.skin_metric import metric_of
from engine.surface import surface_of
from engine.travel import link
from engine.turns import turns_of
from seed_demo.fleet import cutters_file, machine_files

RULES = Rules()
ALL = {c.name: c for c in read_cutters(cutters_file(), "cutters")}
LARGE, SMALL = ALL["8 mm flat"], ALL["4 mm flat"]
BOTH = (SMALL, LARGE)
MACHINE = replace(read_machine(machine_files()["Otter"], "Otter"), change_cutter_s=6.0)
PLAIN = metric_of(-100.0, -100.0, 4.0, np.ones((3, 60, 60)) * np.array([1.0, 0, 1])[:, None, None])
WINDOW = box(-45, -30, 45, 30)  # sharp corners
SLOT = box(-40, 45, 40, 50)  # 5 mm wide: the large cutter does not enter
SPHERE = surface_of(lambda d: np.full(d.shape[:-1], 140.0))


def openings(*polygons: Polygon) -> tuple[Region, ...]:
    return tuple(Region(f"opening {n}", Treatment.OPENING, p) for n, p in enumerate(polygons, 1))


def turns(*polygons: Polygon, cutters=BOTH, machine=MACHINE):
    laid = [lay_flat(one, PLAIN) for one in polygons]
    return turns_of(openings(*polygons), laid, cutters, uniform_wall(20.0), machine, RULES)


def swept(lines, radius):
    return shapely.union_all(
        [LineString(np.concatenate([a, a[:1]]) if closed else a).buffer(radius) for a, closed in lines]
    )


def test_the_large_cutter_goes_first_and_the_small_one_cuts_what_its_round_leaves():
    """Along the outline nothing is left that the small cutter alone would have cut."""
    first, second = turns(WINDOW, SLOT)
    assert (first.cutter, second.cutter) == (1, 0)
    assert first.offsets[1] is None and second.offsets[1] is not None
    assert second.offsets[0] is None and len(second.rests[0]) == 4  # the four corners
    by_large = swept([(c, True) for c in first.offsets[0].contours], LARGE.radius_mm)
    by_both = by_large.union(swept(second.rests[0], SMALL.radius_mm))
    reachable = WINDOW.buffer(-SMALL.radius_mm).buffer(SMALL.radius_mm, quad_segs=32)
    rim = WINDOW.exterior.buffer(SMALL.radius_mm).intersection(reachable)
    assert rim.difference(by_both).area < 0.05
    assert rim.difference(by_large).area > 10.0  # without the small one the corners would stay
    assert by_both.difference(WINDOW.buffer(0.02)).area < 0.01


def test_the_small_cutter_only_runs_near_the_corners():
    """Its way: in each corner both sides up to the large cutter's round, the overlap, no more."""
    _, second = turns(WINDOW, SLOT)
    way = sum(LineString(line).length for line, _ in second.rests[0])
    # from where the small axis line meets the zone about the corner: at most 2 R + r + overlap a side
    assert 4 * 2 * LARGE.radius_mm * 0.3 < way < 4 * 2 * (2 * LARGE.radius_mm + SMALL.radius_mm + 1)


def test_one_cutter_alone_where_a_change_takes_longer_than_it_saves():
    """With an hour for a change the small cutter does everything."""
    slow = replace(MACHINE, change_cutter_s=3600.0)
    (only,) = turns(WINDOW, SLOT, machine=slow)
    assert only.cutter == 0 and all(offset is not None for offset in only.offsets)


def test_one_cutter_alone_where_it_loses_little():
    """Four corners of a window lose (4 - pi) r^2, far less than 3 %."""
    (only,) = turns(WINDOW)
    assert only.cutter == 1


def test_a_slot_that_no_cutter_enters_is_refused_by_name():
    """A slot of 2 mm is too narrow for both."""
    with pytest.raises(CannotBeDone, match="opening 2"):
        turns(WINDOW, box(-40, 45, 40, 47))


@pytest.mark.slow
def test_both_cutters_together_cut_what_was_drawn():
    """The program as read back leaves the outline within 0.1 mm, with one change of cutter, large first."""
    chart = own_mercator(SPHERE, Placement())
    design = Layers("t", openings(WINDOW, SLOT), None, 90, 80, "0")
    wall = uniform_wall(20.0)
    passes, _ = opening_passes(design, chart, SPHERE, wall, BOTH, MACHINE, RULES)
    corners = [p for p in passes if " corner" in p.name]
    assert len(corners) == 4 and all(p.cutter == 0 for p in corners)
    order = order_on(passes, SPHERE, MACHINE, RULES)
    used = [passes[i].cutter for i in order.sequence]
    assert used == sorted(used, reverse=True)
    at = {int(one): number for number, one in enumerate(order.sequence)}
    assert all(at[j] < at[i] for i, one in enumerate(passes) for j in one.after)
    path = link(passes, order, SPHERE, MACHINE, BOTH, RULES)
    poses = to_poses(path, passes, SPHERE, MACHINE)
    texts = [t for _, t in write_programs(poses, MACHINE, BOTH, {"job": "t"}, tuple(p.name for p in passes))]
    read = read_programs(texts, MACHINE)
    assert [read.cutter_names[i] for i in np.unique(read.cutter[read.cutter >= 0])]
    cut = virtual_cut(read, MACHINE, BOTH, SPHERE, wall, wanted_cut(design, chart, None, passes), RULES)
    assert not [f for f in cut.findings if f.severity is Severity.REFUSE]
    assert cut.outline_max_mm < 0.1 and cut.outside_mm < 0.1
