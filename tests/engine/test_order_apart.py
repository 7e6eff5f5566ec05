"""Passes on both sides of a weak bridge are not cut one straight after the other, where that can be."""

from itertools import pairwise, permutations, product

import numpy as np
import pytest
from shapely import box

from engine.chart import own_mercator
from engine.errors import BadInput
from engine.files import read_cutters, read_machine, uniform_wall
from engine.order import PassPoses, TravelMetric, check_order, order_passes, travel_times
from engine.passes import opening_passes
from engine.records import Layers, Order, Placement, Region, Rules, Treatment
from engine.surface import surface_of
from engine.weak_bridges import apart_pairs, kept_apart, together_findings
from engine.webs import bridge_minimum_mm, web_minimum_mm
from seed_demo.fleet import cutters_file, machine_files

METRIC = TravelMetric(
    max_speed=np.full(2, 40.0),
    max_acceleration=np.full(2, 200.0),
    period=np.full(2, np.inf),
    home=np.zeros(2),
)


def _points(*places):
    return [PassPoses(f"p{i}", np.array([place], float), True) for i, place in enumerate(places)]


def _together(order, apart):
    pairs = {frozenset(p) for p in apart}
    return sum(frozenset(p) in pairs for p in pairwise(order))


def _best(passes, after, apart):
    """Return the fewest pairs together, and the least travel with them, of all orders and entries."""
    found = []
    for order in permutations(range(len(passes))):
        if any(order.index(j) > order.index(i) for i in order for j in after[i]):
            continue
        for taken in product(*(passes[i].axes for i in order)):
            stops = np.array([METRIC.home, *taken, METRIC.home])
            links = [travel_times(METRIC, a[None], b[None])[0, 0] for a, b in pairwise(stops)]
            found.append((_together(order, apart), sum(links)))
    return min(found, key=lambda pair: (pair[0], round(pair[1], 9)))


@pytest.mark.parametrize("seed", range(6))
def test_small_jobs_are_cut_in_the_best_order_that_keeps_them_apart(seed):
    """Of all orders with the fewest pairs together, the one of least travel: gone through one by one."""
    rng = np.random.default_rng(seed)
    n = int(rng.integers(3, 6))
    passes = [PassPoses(f"p{i}", rng.uniform(-90, 90, (2, 2)), True) for i in range(n)]
    rank = rng.permutation(n)
    after = [[j for j in range(n) if rank[j] < rank[i] and rng.random() < 0.2] for i in range(n)]
    apart = [(i, j) for i in range(n) for j in range(i) if rng.random() < 0.4]
    order = order_passes(passes, METRIC, after=after, apart=apart)
    together, travel = _best(passes, after, apart)
    assert len(order.together) == together
    assert order.travel_s == pytest.approx(travel, abs=1e-9)
    assert check_order(order, passes, METRIC, after=after, apart=apart) == ()


@pytest.mark.parametrize("seed", range(10))
def test_neighbours_are_kept_apart_in_larger_jobs(seed):
    """Thirty places, each to be kept apart from its three nearest: none follows another, in three groups."""
    rng = np.random.default_rng(seed)
    places = rng.uniform(-90, 90, (30, 2))
    passes = _points(*places)
    gaps = np.linalg.norm(places[:, None] - places, axis=2)
    apart = {(i, int(j)) for i in range(30) for j in np.argsort(gaps[i])[1:4]}
    rules = {
        "groups": [int(g) for g in rng.integers(0, 3, 30)] if seed % 2 else None,
        "home_before": [1] if seed % 4 == 1 else [],
        "apart": apart,
    }
    order = order_passes(passes, METRIC, **rules)
    assert order.together == ()
    assert check_order(order, passes, METRIC, **rules) == ()
    freely = order_passes(passes, METRIC, groups=rules["groups"], home_before=rules["home_before"])
    assert _together(freely.sequence, apart) > 5
    assert freely.travel_s < order.travel_s


def test_two_passes_cannot_be_kept_apart_and_the_order_says_so():
    """With nothing to cut between them the rule is given up, and named; a third pass goes between."""
    order = order_passes(_points((1, 0), (2, 0)), METRIC, apart=[(0, 1)])
    assert [set(pair) for pair in order.together] == [{0, 1}]
    assert check_order(order, _points((1, 0), (2, 0)), METRIC, apart=[(0, 1)]) == ()
    order = order_passes(_points((1, 0), (2, 0), (80, 0)), METRIC, apart=[(0, 1)])
    assert order.together == ()
    assert order.sequence[1] == 2


def test_a_group_ends_so_that_the_next_one_can_keep_the_rules():
    """The second group can only be cut after pass 3, so the first one has to end with it."""
    rules = {
        "groups": [1, 1, 0, 0, 1, 1],
        "after": [[2, 5], [4], [], [], [2], []],
        "apart": [(1, 0), (4, 0), (4, 2), (5, 3)],
    }
    for seed in range(5):
        passes = _points(*np.random.default_rng(seed).uniform(-90, 90, (6, 2)))
        order = order_passes(passes, METRIC, **rules)
        assert order.together == ()
        assert check_order(order, passes, METRIC, **rules) == ()


def test_one_that_lies_beside_all_is_cut_first_or_last():
    """A middle with twelve petals: one pair must follow each other, and only one does."""
    turn = np.arange(12) * np.pi / 6
    places = [(0.0, 0.0), *(30 * np.stack([np.cos(turn), np.sin(turn)], axis=1))]
    apart = [(0, i) for i in range(1, 13)]
    order = order_passes(_points(*places), METRIC, apart=apart)
    assert len(order.together) == 1
    assert 0 in (order.sequence[0], order.sequence[-1])
    assert check_order(order, _points(*places), METRIC, apart=apart) == ()


def test_the_checker_sees_passes_that_are_not_kept_apart():
    """Not told, told but not so, and told though it need not be: each is a fault."""
    passes = _points((1, 0), (2, 0), (3, 0))
    free = order_passes(passes, METRIC)
    assert (
        "p1 follows pass p0" in check_order(free, passes, METRIC, apart=[(0, 1)])[0]
        or "p0 follows" in (check_order(free, passes, METRIC, apart=[(0, 1)])[0])
    )

    def told(order, together):
        return Order(order.sequence, order.entries, order.reversed, order.travel_s, 0.0, together=together)

    at = [int(i) for i in free.sequence]
    pair = next(p for p in pairwise(at) if set(p) == {0, 1})
    needless = check_order(told(free, (pair,)), passes, METRIC, apart=[(0, 1)])
    assert needless == ("1 pairs follow each other that must not; 0 are known to be needed",)
    good = order_passes(passes, METRIC, apart=[(0, 1)])
    assert "but it does not" in check_order(told(good, ((0, 1),)), passes, METRIC, apart=[(0, 1)])[0]


def test_pairs_that_are_not_there_are_refused():
    """A pass is kept apart from another pass of the job, not from itself or from nobody."""
    for pair in ((0, 0), (0, 9)):
        with pytest.raises(BadInput, match="kept apart"):
            order_passes(_points((1, 0), (2, 0)), METRIC, apart=[pair])


SPHERE = surface_of(lambda d: np.full(d.shape[:-1], 90.0))
WALL = uniform_wall(15)
RULES = Rules(kind="foam")


def _cut(*shapes):
    regions = tuple(Region(f"opening {n}", Treatment.OPENING, p) for n, p in enumerate(shapes, 1))
    layers = Layers("t", regions, None, 120, 80, "0")
    chart = own_mercator(SPHERE, Placement(0.0, 0.0))
    cutters, machine = read_cutters(cutters_file(), "c"), read_machine(machine_files()["Badger"], "Badger")
    passes = opening_passes(layers, chart, SPHERE, WALL, cutters, machine, RULES)[0]
    return kept_apart(passes, layers, chart, SPHERE, WALL, RULES)


def test_openings_across_a_weak_bridge_are_found_with_their_reason():
    """Weak is narrower than five quarters of what bridge and web must have, as measured on the skin."""
    needed = max(bridge_minimum_mm(20.0, 15.0, RULES), web_minimum_mm(15.0, RULES))
    for gap, weak in ((1.15 * needed, True), (1.35 * needed, False)):
        passes = _cut(box(-20, -10, 0, 10), box(gap, -10, gap + 20, 10), box(-60, -10, -40, 10))
        of = {p.region: p for p in passes}
        assert bool(of["opening 1"].apart) is weak
        assert of["opening 3"].apart == ()
        if weak:
            assert of["opening 1"].apart == (of["opening 2"].name,)
            assert of["opening 2"].apart == (of["opening 1"].name,)
            narrowest = gap * np.cos(
                np.arctan(np.sinh(10 / 90))
            )  # the sheet shrinks by the latitude's cosine
            assert f"only {narrowest:.1f} mm wide" in of["opening 1"].apart_reasons[0]
            index = {p.region: i for i, p in enumerate(passes)}
            assert apart_pairs(passes) == (tuple(sorted((index["opening 1"], index["opening 2"]))),)
            assert apart_pairs([p for p in passes if p.region != "opening 2"]) == ()


def test_what_could_not_be_kept_apart_is_told():
    """Two openings and a thin bridge: a note names both, for sheet and page."""
    passes = _cut(box(-20, -10, 0, 10), box(8, -10, 28, 10))
    order = Order([0, 1], [0, 0], [False, False], 1.0, 1.0, together=((0, 1),))
    (told,) = together_findings(order, passes)
    assert told.severity == "note"
    assert passes[0].name in told.text
    assert passes[1].name in told.text
