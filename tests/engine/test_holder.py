"""Holder and cutter against piece, stem and clamp: closed forms on a sphere, just clear and just not."""

from dataclasses import replace

import numpy as np
import pytest

from engine.files import read_cutters
from engine.frames import unit_of
from engine.holder import holder_findings, places_on, stack_of
from engine.records import CutPass, CutterForm, KeepOut, Phase, Rules, Severity, Toolpath
from engine.surface import surface_of
from seed_demo.fleet import cutters_file

R = 140.0
SPHERE = surface_of(lambda d: np.full(d.shape[:-1], R))
FLAT = replace(
    next(c for c in read_cutters(cutters_file(), "cutters") if c.name.startswith("6 mm flat")),
    stick_out_mm=50.0, holder_diameter_mm=30.0, holder_length_mm=60.0,
)  # fmt: skip
RULES = Rules()


def standing(depth_mm, lean_deg=0.0, longitude_deg=0.0, latitude_deg=0.0, cutting=True):
    """Return one place of the cutter, so deep under the skin, leaned towards the stem."""
    lon, lat, lean = np.radians([longitude_deg, latitude_deg, lean_deg])
    out = unit_of(lon, lat)
    up = unit_of(lon, lat + np.pi / 2)
    axis = np.cos(lean) * out + np.sin(lean) * up
    return Toolpath(
        tips_work_mm=((R - depth_mm) * out)[None],
        directions=axis[None],
        feeds_mm_per_min=[1000.0 if cutting else np.inf],
        pass_index=[0 if cutting else -1],
        cutter=[0],
    )


def a_pass():
    nothing = np.zeros((1, 3))
    return CutPass(
        "opening 1 outline",
        "opening 1",
        Phase.OPENING,
        0,
        True,
        False,
        nothing,
        nothing,
        nothing[None],
        [1.0],
    )


def judged(path, cutter=FLAT, keep_outs=(), rules=RULES):
    return holder_findings(path, [a_pass()], SPHERE, [cutter], keep_outs, rules)


@pytest.mark.parametrize(("depth", "hits"), [(49.9, False), (50.3, True)])
def test_square_to_the_skin_the_stick_out_is_the_limit(depth, hits):
    """The middle of the holder's face meets the skin first, when the depth is the stick-out."""
    found = judged(standing(depth))
    assert bool(found) is hits
    if hits:
        (one,) = found
        assert one.severity is Severity.REFUSE and one.rule == "holder" and one.place == "opening 1"
        assert "opening 1 outline" in one.text and one.fix and one.unit == "mm"
        # no place of the face but its middle is so near; half a radius out it stands h2 / 2R = 0.2 mm higher
        assert one.measured == pytest.approx(0.3 - 7.5**2 / (2 * R), abs=0.02)


@pytest.mark.parametrize("lean", [20.0, 35.0, 45.0])
def test_a_leaning_holder_meets_the_skin_with_its_edge(lean):
    """The lowest place of the face lies at tip + 50 d - 15 p, p across d in the plane of the lean.

    It is just clear where its distance from the middle is R: depth from
    |(R - t) o + 50 d - 15 p| = R, solved by bisection on the closed form.
    """

    def clear(depth):
        angle = np.radians(lean)
        d, p = np.array([np.cos(angle), np.sin(angle)]), np.array([np.sin(angle), -np.cos(angle)])
        edge = np.array([R - depth, 0.0]) + 50 * d + np.outer([-15, 15], p)
        return np.linalg.norm(edge, axis=1).min() - R

    low, high = 0.0, 60.0
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (middle, high) if clear(middle) > 0 else (low, middle)
    # twelve places round the face: the lowest of them may stand 15 (1 - cos 15 deg) = 0.5 mm aside
    assert judged(standing(low - 0.2, lean)) == ()
    (one,) = judged(standing(low + 1.0, lean))
    assert 0 < one.measured < 1.2


def test_a_longer_stick_out_helps():
    """What the finding advises is true."""
    assert judged(standing(52.0))
    assert judged(standing(52.0), replace(FLAT, stick_out_mm=55.0)) == ()


def test_a_stack_is_the_cutter_s_form():
    """Flat: shank and holder. Ball: its end lies one radius from its centre. Cone: along its side."""
    assert stack_of(FLAT) == ((0.0, 50.0, 3.0, 3.0), (50.0, 110.0, 15.0, 15.0))
    ball = places_on(stack_of(replace(FLAT, form=CutterForm.BALL))[:-2])
    on_rim = np.linalg.norm(ball - [0, 0, 3], axis=1)
    assert on_rim.max() == pytest.approx(3.0)
    (cone, *_) = stack_of(replace(FLAT, form=CutterForm.CONE, tip_angle_deg=90.0))
    assert cone == pytest.approx((0.0, 3.0, 0.0, 3.0))


STEM = KeepOut("stem", 0.0, np.pi / 2, 20.0, 15.0)


@pytest.mark.parametrize(("latitude", "hits"), [(80.0, True), (70.0, False)])
def test_a_holder_beside_the_stem(latitude, hits):
    """Square to the skin at 80 deg: at the stem's top, 60 mm out, the axis is 200 cot(80 deg) = 35.3 mm off.

    The holder's side is 15 nearer at the most: 20.3 there, and at its lower face, 26 mm out of the skin,
    166 cos(80) - 15 = 13.8: inside the stem's 20 mm. At 70 deg it is 166 cos(70) - 15 cos(20) = 42.
    """
    found = judged(standing(24.0, latitude_deg=latitude), keep_outs=[STEM])
    assert bool(found) is hits
    if hits:
        angle = np.radians(80)
        aside = 166 * np.cos(angle) - 15 * np.sin(angle)
        assert found[0].measured == pytest.approx(20 - aside, abs=0.4)
        assert "stem" in found[0].text


@pytest.mark.parametrize(("height", "hits"), [(30.0, True), (10.0, False)])
def test_travel_over_a_clamp(height, hits):
    """On the way, 15 mm outside the skin, a clamp that stands out 30 mm is met, one of 10 mm is not."""
    clamp = KeepOut("clamp", 0.0, 0.0, 12.0, 15.0)
    path = standing(-15.0, cutting=False)
    found = judged(path, keep_outs=[clamp], rules=Rules(clamp_height_mm=height))
    assert bool(found) is hits
    if hits:
        assert "clamp" in found[0].text and "home" in found[0].text
        assert found[0].measured == pytest.approx(12.0 - 1.5, abs=1.6)


def test_a_blemish_does_not_stand_out():
    """Nor does a base opening: only stem and clamps are solids."""
    soft = [KeepOut(kind, 0.0, 0.0, 12.0, 8.0) for kind in ("blemish", "base opening")]
    assert judged(standing(-15.0, cutting=False), keep_outs=soft) == ()
