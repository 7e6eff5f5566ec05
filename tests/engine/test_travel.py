"""Between passes the tip travels on or outside the clearance shell, and comes back only along its own axis.

DEVELOPERS.md, program: `G0` runs only at or outside the clearance shell, apart from a straight retract along
the cutter's own axis. Every check is geometry of straight moves about the mapping centre.
"""

from dataclasses import replace

import numpy as np
import pytest
from shapely import Point, box

from engine.axes import from_axes
from engine.chart import own_mercator
from engine.errors import CannotBeDone
from engine.files import read_cutters, read_machine, uniform_wall
from engine.passes import opening_passes
from engine.records import Layers, Order, Placement, Region, Rules, Treatment
from engine.surface import surface_of
from engine.travel import link, onto_shell, shell_radius_mm
from seed_demo.fleet import cutters_file, machine_files

R = 70.0
RULES = Rules(kind="foam", pocket_stepover=0, tab_width_mm=0)  # outlines alone: slugs have tests of their own
SPHERE = surface_of(lambda d: np.full(d.shape[:-1], R))
CUTTERS = read_cutters(cutters_file(), "cutters")
MACHINES = {name: read_machine(text, name) for name, text in machine_files().items()}
SHELL = R + RULES.clearance_mm


def passes_on(machine, latitude_deg=20.0):
    shapes = (box(-25, -8, -9, 8), Point(8, 0).buffer(9), box(24, -1.3, 44, 1.3))
    regions = tuple(Region(f"opening {n}", Treatment.OPENING, p) for n, p in enumerate(shapes, 1))
    chart = own_mercator(SPHERE, Placement(2.5, np.radians(latitude_deg)))
    return opening_passes(
        Layers("t", regions, None, 70, 16, "0"), chart, SPHERE, uniform_wall(15), CUTTERS, machine, RULES
    )[0]


def an_order(sequence, entries=None, backwards=None):
    n = len(sequence)
    return Order(sequence, entries or [0] * n, backwards or [False] * n, 0.0, 0.0)


def nearest_to_origin(start, end):
    """Distance of a straight move from the origin."""
    along = end - start
    share = np.clip(-(start @ along) / max(along @ along, 1e-12), 0, 1)
    return np.linalg.norm(start + share * along)


@pytest.fixture(scope="module", params=MACHINES)
def linked(request):
    machine = MACHINES[request.param]
    passes = passes_on(machine)
    order = an_order([2, 0, 1], [0, 3, 5], [True, False, True])
    return machine, passes, order, link(passes, order, SPHERE, machine, CUTTERS, RULES)


def test_travel_stays_outside_the_shell(linked):
    """Every travel move but the retract keeps R + clearance from the middle along its whole length."""
    _, _, _, path = linked
    travel = np.isinf(path.feeds_mm_per_min)
    retracts = 0
    for i in range(1, len(travel)):
        if not travel[i]:
            continue
        start, end = path.tips_work_mm[i - 1], path.tips_work_mm[i]
        if not travel[i - 1]:  # the first travel after a cut is the retract
            retracts += 1
            length = np.linalg.norm(end - start)
            np.testing.assert_allclose((end - start) / length, path.directions[i - 1], atol=1e-9)
            np.testing.assert_allclose(path.directions[i], path.directions[i - 1], atol=1e-12)
            assert np.linalg.norm(end) >= SHELL
        else:
            assert nearest_to_origin(start, end) >= SHELL - 1e-6
    assert retracts == 3


def test_a_cut_begins_from_the_shell_at_feed(linked):
    """The first feed move of a pass leaves a point on the shell straight down the cutter's axis."""
    _, _, _, path = linked
    travel = np.isinf(path.feeds_mm_per_min)
    for i in np.flatnonzero(~travel[1:] & travel[:-1]) + 1:
        start, end = path.tips_work_mm[i - 1], path.tips_work_mm[i]
        assert np.linalg.norm(start) >= SHELL
        down = (start - end) / np.linalg.norm(start - end)
        np.testing.assert_allclose(down, path.directions[i], atol=1e-9)
        assert R < np.linalg.norm(end) <= R + RULES.approach_mm + 1e-6


def test_a_job_begins_and_ends_at_home(linked):
    """Home is the machine's own: where its axes at `home` put the tip."""
    machine, _, _, path = linked
    tips, directions = from_axes(machine, np.array([machine.home]))
    for row in (0, -1):
        np.testing.assert_allclose(path.tips_work_mm[row], tips[0], atol=1e-9)
        np.testing.assert_allclose(path.directions[row], directions[0], atol=1e-9)


def test_every_level_of_every_pass_is_run_once_in_order(linked):
    """The rows of a pass hold all its levels; a closed one ends each level where it began."""
    _, passes, order, path = linked
    runs = path.pass_index[path.pass_index >= 0]
    assert list(dict.fromkeys(runs.tolist())) == order.sequence.tolist()
    for index, entry in zip(order.sequence, order.entries, strict=True):
        one = passes[index]
        rows = path.tips_work_mm[path.pass_index == index]
        for level in one.tips_work_mm:
            for tip in level:
                assert np.linalg.norm(rows - tip, axis=1).min() < 1e-9
        if one.closed:
            for level in one.tips_work_mm:
                assert (np.linalg.norm(rows - level[entry], axis=1) < 1e-9).sum() == 2


def test_travel_and_cut_are_told_apart(linked):
    """Travel has no pass and no feed limit; every cut has both, and directions are unit."""
    _, _, _, path = linked
    assert ((path.pass_index < 0) == np.isinf(path.feeds_mm_per_min)).all()
    np.testing.assert_allclose(np.linalg.norm(path.directions, axis=1), 1, atol=1e-12)


def test_a_plunge_runs_at_plunge_feed(linked):
    """The first move below the approach runs at the cutter's plunge feed, not at its cutting feed."""
    _, passes, order, path = linked
    for index in order.sequence:
        rows = np.flatnonzero(path.pass_index == index)
        cutter = CUTTERS[passes[index].cutter]
        assert path.feeds_mm_per_min[rows[1]] == cutter.plunge_mm_per_min
        assert path.feeds_mm_per_min[rows].max() <= cutter.feed_mm_per_min


def test_backwards_is_the_same_way_round_the_other_way():
    """Reversed, a closed pass visits its vertices from the same entry in the opposite sense."""
    machine = MACHINES["Badger"]
    passes = passes_on(machine)
    one, other = (
        link(passes, an_order([0], [4], [way]), SPHERE, machine, CUTTERS, RULES) for way in (False, True)
    )
    n = len(passes[0].skin_work_mm)
    first = np.flatnonzero(one.pass_index == 0)[1]
    np.testing.assert_allclose(
        one.tips_work_mm[first : first + n + 1], other.tips_work_mm[first : first + n + 1][::-1], atol=1e-12
    )


def test_a_cutter_is_changed_at_home():
    """Between passes of two cutters the tip comes home before the first row of the new one."""
    machine = MACHINES["Badger"]
    passes = passes_on(machine)
    passes = (passes[0], replace(passes[1], cutter=1), passes[2])
    path = link(passes, an_order([0, 2, 1]), SPHERE, machine, CUTTERS, RULES)
    home = from_axes(machine, np.array([machine.home]))[0][0]
    cutting = path.pass_index >= 0
    for i in np.flatnonzero(np.diff(path.cutter[cutting])):
        before, after = np.flatnonzero(cutting)[i], np.flatnonzero(cutting)[i + 1]
        between = path.tips_work_mm[before + 1 : after]
        at_home = before + 1 + int(np.argmin(np.linalg.norm(between - home, axis=1)))
        np.testing.assert_allclose(path.tips_work_mm[at_home], home, atol=1e-9)
        assert (path.cutter[: at_home + 1][cutting[: at_home + 1]] == path.cutter[before]).all()


def test_a_cutter_that_must_not_plunge_sinks_along_the_way():
    """Without a centre-cutting end no move inside the skin goes straight down: each sinks along the pass."""
    machine = MACHINES["Badger"]
    passes = tuple(p for p in passes_on(machine) if p.closed)
    blunt = tuple(replace(c, centre_cutting=False) for c in CUTTERS)
    path = link(passes, an_order([0, 1]), SPHERE, machine, blunt, RULES)
    radius = np.linalg.norm(path.tips_work_mm, axis=1)
    for i in np.flatnonzero(~np.isinf(path.feeds_mm_per_min[1:])) + 1:
        if radius[i] >= R - 1e-3:
            continue
        move = path.tips_work_mm[i] - path.tips_work_mm[i - 1]
        length = np.linalg.norm(move)
        if length > 1e-9:
            assert -(move @ path.directions[i]) / length < 0.5  # steeper than 30 deg is a plunge


def test_an_open_pass_sinks_on_the_way_there_and_cuts_on_the_way_back():
    """Without a centre-cutting end a centre line is gone down along, then run back at its level, every level.

    So the cutter starts each level at the same end, its rows reach every tip of it, and none goes straight
    down inside the skin.
    """
    machine = MACHINES["Badger"]
    (line,) = [p for p in passes_on(machine) if not p.closed]
    blunt = tuple(replace(c, centre_cutting=False) for c in CUTTERS)
    path = link([line], an_order([0]), SPHERE, machine, blunt, RULES)
    rows = np.flatnonzero(path.pass_index == 0)[1:]
    n = len(line.tips_work_mm[0])
    tips = path.tips_work_mm[rows].reshape(len(line.tips_work_mm), 2 * n - 1, 3)
    for number, level in enumerate(line.tips_work_mm):
        np.testing.assert_allclose(tips[number, n - 1 :], level[::-1], atol=1e-9)
        above = line.skin_work_mm[0] if number == 0 else line.tips_work_mm[number - 1][0]
        np.testing.assert_allclose(tips[number, 0], above, atol=1e-9)
    feeds = path.feeds_mm_per_min[rows].reshape(len(line.tips_work_mm), -1)
    cutter = blunt[line.cutter]
    assert (feeds[:, :n] == cutter.plunge_mm_per_min).all()
    np.testing.assert_allclose(feeds[:, n:], np.tile(line.feeds_mm_per_min[:, None], n - 1))


def test_a_cutter_that_may_plunge_goes_to_and_fro():
    """A centre line's second level is run from its other end: no way is made twice."""
    machine = MACHINES["Badger"]
    (line,) = [p for p in passes_on(machine) if not p.closed]
    assert CUTTERS[line.cutter].centre_cutting
    path = link([line], an_order([0]), SPHERE, machine, CUTTERS, RULES)
    rows = path.tips_work_mm[np.flatnonzero(path.pass_index == 0)[1:]]
    there, back = (rows[k * len(line.directions) :][: len(line.directions)] for k in (0, 1))
    np.testing.assert_allclose(there, line.tips_work_mm[0], atol=1e-9)
    np.testing.assert_allclose(back, line.tips_work_mm[1][::-1], atol=1e-9)


def test_home_inside_the_shell_is_refused():
    """A machine whose home stands among the moves cannot start there; the figures are told."""
    machine = replace(MACHINES["Stoat"], home=(0.0, 0.0, 0.0, 60.0))
    with pytest.raises(CannotBeDone, match=r"at home the cutter stands 60 mm .* shell of 85 mm"):
        link(passes_on(machine), an_order([0, 1, 2]), SPHERE, machine, CUTTERS, RULES)


def test_the_shell_leaves_the_clearance_to_every_chord():
    """A chord of 6 deg on the shell stays `clearance` outside the farthest skin: r cos(3 deg) >= R + 15."""
    ribbed = surface_of(lambda d: 100 + 4 * np.cos(10 * np.arctan2(d[..., 1], d[..., 0])))
    assert shell_radius_mm(ribbed, RULES) * np.cos(np.radians(1.5)) == pytest.approx(119.0, abs=1e-9)


def test_onto_the_shell_goes_along_the_axis():
    """From (50, 0, 0) along +Y a shell of 130 mm is met at y = 120 (5-12-13); from outside nothing moves."""
    tips = np.array([[50.0, 0, 0], [0, 0, 40.0], [200.0, 0, 0]])
    directions = np.array([[0.0, 1, 0], [0, 0, 1], [1, 0, 0]])
    found = onto_shell(tips, directions, 130.0)
    np.testing.assert_allclose(found, [[50, 120, 0], [0, 0, 130], [200, 0, 0]], atol=1e-12)
