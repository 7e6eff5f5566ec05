"""The probe plan follows the ribs, and the next touches go where they help: against brute force."""

import numpy as np
import pytest

from engine.errors import BadInput
from engine.frames import unit_of
from engine.records import ProbeScan
from engine.regression import deviation_in, regress
from engine.surface import skin_of
from engine.touches import (
    Area,
    coverage,
    even_directions,
    probe_plan,
    repeatability,
    suggest_touches,
)


def fibonacci(count):
    i = np.arange(count) + 0.5
    return unit_of(i * np.pi * (3 - np.sqrt(5)), np.arcsin(1 - 2 * i / count))


def scan_of(unit, radius, tip_radius_mm=0.0):
    n = len(unit)
    return ProbeScan(radius[:, None] * unit, tip_radius_mm, np.arange(n), np.arange(n) + 2, "0")


def body(unit):
    x, y, z = unit.T
    return 90 - 8 * z**2 + 4 * x * y + 2 * np.sin(3 * x)


def bare(seed=0, wide=0.6):
    """Touches all over but for a bare patch about longitude 40 deg, latitude 10 deg."""
    unit = fibonacci(220)
    middle = unit_of(np.radians(40), np.radians(10))
    unit = unit[unit @ middle < np.cos(wide)]
    rng = np.random.default_rng(seed)
    return scan_of(unit, body(unit) + 0.05 * rng.standard_normal(len(unit))), middle


@pytest.mark.parametrize(("ribs", "relief", "meridians"), [(0, False, 12), (10, False, 30), (10, True, 60)])
def test_a_plan_follows_the_ribs(ribs, relief, meridians):
    """Three meridians to a rib for openings, six for a relief, twelve at least (the trade's own rule)."""
    plan = probe_plan(ribs, relief=relief)
    first = plan.longitude_deg[plan.latitude_deg == plan.latitude_deg[0]][:meridians]
    assert len(np.unique(first)) == meridians
    np.testing.assert_allclose(np.diff(np.sort(first)), 360 / meridians)
    assert plan.latitude_deg.min() == -55
    assert plan.latitude_deg.max() == 60


def test_a_plan_ends_where_it_began():
    """The first three places come again under their own numbers; four seconds a touch."""
    plan = probe_plan(8)
    assert plan.touch_numbers[-3:].tolist() == [1, 2, 3]
    np.testing.assert_array_equal(plan.longitude_deg[-3:], plan.longitude_deg[:3])
    assert plan.seconds == 4 * len(plan.touch_numbers)
    assert len(np.unique(plan.touch_numbers)) == len(plan.touch_numbers) - 3


def test_a_plan_is_dense_only_where_the_design_lies():
    """Away from the design a dozen meridians do: far fewer touches, all those under the design kept."""
    area = Area(-50, 50, -20, 40)
    whole, part = probe_plan(10, relief=True), probe_plan(10, relief=True, area=area)
    assert len(part.touch_numbers) < 0.5 * len(whole.touch_numbers)
    inside = [area.holds(p.longitude_deg[:-3], p.latitude_deg[:-3]).sum() for p in (whole, part)]
    assert inside[0] == inside[1]
    gaps = np.diff(np.sort(np.unique(np.round(part.longitude_deg, 6))))
    assert gaps.max() <= 30


def test_an_area_may_lie_across_the_back():
    """From 150 to 210 deg is a stretch of 60 deg, whichever way the longitudes are counted."""
    area = Area(150, 210, -10, 10)
    asked = np.array([180.0, -170.0, 155.0, 140.0, -140.0, 0.0])
    assert area.holds(asked, np.zeros(6)).tolist() == [True, True, True, False, False, False]


def test_the_first_touch_goes_into_the_bare_patch():
    """A patch of 0.6 rad is bare: the first touches all lie in it, and the very first near its middle."""
    scan, middle = bare()
    found = suggest_touches(scan, 5)
    unit = unit_of(np.radians(found.longitude_deg), np.radians(found.latitude_deg))
    angle = np.arccos(unit @ middle)
    assert angle[0] < 0.2
    assert angle.max() < 0.6
    assert (np.diff(found.rms_after_mm) < 0).all()
    assert found.rms_after_mm[0] < found.rms_before_mm


def test_the_promise_is_what_a_fit_with_those_touches_gives():
    """Deviations after three suggested touches are those of the regression that holds them too.

    The reading does not matter for the deviation, given the settings and the amplitude.
    """
    scan, _ = bare()
    found = suggest_touches(scan, 3)
    fit, _, _, _ = skin_of(scan)
    more = unit_of(np.radians(found.longitude_deg), np.radians(found.latitude_deg))
    both = np.concatenate([fit.unit, more])
    later = regress(both, np.concatenate([fit.radius, np.full(3, fit.mean)]), settings=fit.settings)
    asked = unit_of(np.radians(np.linspace(0, 350, 36)), np.radians(np.linspace(-50, 55, 36)))
    scale = fit.amplitude / later.amplitude
    without, with_them = deviation_in(fit, asked), scale * deviation_in(later, asked)
    assert (with_them <= without + 1e-9).all()
    rms_before, worst = coverage(scan)
    assert rms_before == pytest.approx(found.rms_before_mm)
    assert worst >= rms_before
    area = even_directions(1400, np.sin(np.radians(-55)), np.sin(np.radians(60)))
    promised = scale * deviation_in(later, area)
    assert np.sqrt(np.mean(promised**2)) == pytest.approx(found.rms_after_mm[2], rel=1e-6)


def test_no_other_first_touch_is_better():
    """Against every single candidate tried out: none leaves a smaller deviation over the area."""
    scan, _ = bare(wide=0.4)
    area = Area(-40, 120, -50, 60)
    found = suggest_touches(scan, 1, area=area)
    fit, _, _, _ = skin_of(scan)
    rng = np.random.default_rng(0)
    asked = unit_of(np.radians(rng.uniform(-40, 120, 300)), np.arcsin(rng.uniform(-0.76, 0.86, 300)))

    def left(direction):
        later = regress(
            np.concatenate([fit.unit, direction[None]]),
            np.append(fit.radius, fit.mean),
            settings=fit.settings,
        )
        return np.mean((deviation_in(later, asked) * fit.amplitude / later.amplitude) ** 2)

    best = unit_of(np.radians(found.longitude_deg[0]), np.radians(found.latitude_deg[0]))
    others = unit_of(np.radians(rng.uniform(-40, 120, 25)), np.arcsin(rng.uniform(-0.7, 0.8, 25)))
    assert left(best) <= 1.02 * min(left(one) for one in others)


def test_the_expected_tip_centre_touches_the_skin():
    """The tip's centre is one tip radius off the expected skin, and the probe comes in against its normal."""
    unit = fibonacci(150)
    scan = scan_of(unit, np.full(150, 81.5), tip_radius_mm=1.5)
    found = suggest_touches(scan, 4)
    np.testing.assert_allclose(np.linalg.norm(found.centres_seat_mm, axis=1), 81.5, atol=0.01)
    along = -found.centres_seat_mm / np.linalg.norm(found.centres_seat_mm, axis=1)[:, None]
    np.testing.assert_allclose(np.sum(along * found.ways, axis=1), 1, atol=1e-4)


def test_suggestions_stay_between_base_and_stem():
    """Where nobody carves, nobody needs to know the skin."""
    unit = fibonacci(120)
    unit = unit[np.abs(unit[:, 2]) < 0.7]
    found = suggest_touches(scan_of(unit, body(unit)), 12)
    assert found.latitude_deg.min() >= -55
    assert found.latitude_deg.max() <= 60


@pytest.mark.parametrize(
    ("call", "says"),
    [
        (lambda s: suggest_touches(s, 0), "0 touches: 1 to 60"),
        (lambda s: suggest_touches(s, 2, area=Area(10, 5, 0, 20)), "west before east"),
        (lambda s: suggest_touches(s, 2, area=Area(0, 5, 0, 89)), "at most 85"),
        (lambda s: probe_plan(-1), "-1 ribs: 0 to 40"),
    ],
)
def test_what_makes_no_sense_is_refused(call, says):
    """In one line with the value and what was expected."""
    with pytest.raises(BadInput, match=says):
        call(bare()[0])


@pytest.mark.parametrize(
    ("count", "hole_deg"), [(50, 22.1324), (100, 15.6414), (200, 11.0566), (500, 6.9914), (1000, 4.9433)]
)
def test_no_hole_among_even_directions(count, hole_deg):
    """The largest empty cap, from the corners of the convex hull: recomputed figures, to 0.001 deg."""
    from scipy.spatial import ConvexHull

    unit = even_directions(count)
    hull = ConvexHull(unit)
    # a face's plane n x + d = 0 cuts off a cap of acos(-d) with no point inside
    assert np.degrees(np.arccos(-hull.equations[:, 3])).max() == pytest.approx(hole_deg, abs=1e-3)


def test_a_probe_s_repeatability():
    """10.01, 10.03, 9.99, 10.02, 10.00: s = 0.0158114 mm, limit 2.8 s = 0.0442719 mm (ISO 5725-6)."""
    deviation, limit = repeatability([10.01, 10.03, 9.99, 10.02, 10.00])
    assert deviation == pytest.approx(0.0158114, abs=1e-6)
    assert limit == pytest.approx(0.0442719, abs=1e-6)
    with pytest.raises(BadInput, match="2 readings"):
        repeatability([1.0, 1.1])
