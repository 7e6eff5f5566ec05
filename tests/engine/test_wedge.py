"""The wedge's fit by closed forms of the straight line, and the two laws of turbid matter by published forms.

Diffusion slab: figures worked out from the formula with the extrapolated boundary (Paasschens, de Jong,
Beenakker, arXiv:0807.1623). Kubelka and Munk: J. Opt. Soc. Am. 38, 448 (1948), figures from the formula.
"""

import numpy as np
import pytest

from engine.errors import BadInput
from engine.wedge import (
    back_from_thick,
    diffusion_slab,
    effective_per_mm,
    fit_wedge,
    kubelka_munk,
    tones_told_apart,
)

STEPS = np.array([4.0, 6.0, 8.0, 11.0, 14.0, 17.0])


def test_an_exact_wedge_gives_its_own_k():
    """Readings 900 exp(-0.23 t) over a dark reading of 12: k, I0 and no error at all."""
    found = fit_wedge(STEPS, 900 * np.exp(-0.23 * STEPS) + 12, dark=12)
    assert found.light_per_mm == pytest.approx(0.23, rel=1e-9)
    assert found.full_light == pytest.approx(900, rel=1e-9)
    assert found.sigma_per_mm < 1e-9
    np.testing.assert_allclose(found.residuals, 0, atol=1e-9)


def test_the_line_s_slope_and_its_deviation():
    """Three steps by hand: logs 3, 2.1, 0.9 at 0, 4, 8 mm.

    Slope = sum(d y) / sum(d2) = (-4 3 + 4 0.9) / 32 = -0.2625; the line goes through the mean, 2.0 at 4 mm,
    so the rests are -0.05, 0.1, -0.05; s2 = sum(rest2) / (3 - 2) / 32.
    """
    logs = np.array([3.0, 2.1, 0.9])
    found = fit_wedge(np.array([0.0, 4.0, 8.0]), np.exp(logs))
    assert found.light_per_mm == pytest.approx(0.2625)
    rest = logs - (2.0 - 0.2625 * np.array([-4, 0, 4]))
    assert rest == pytest.approx([-0.05, 0.1, -0.05])
    assert found.sigma_per_mm == pytest.approx(np.sqrt(0.015 / 32))


def test_the_deviation_is_that_of_many_wedges():
    """Over 400 wedges with 5 % of noise the scatter of k is what each of them says of itself, on the mean."""
    rng = np.random.default_rng(0)
    fits = [fit_wedge(STEPS, np.exp(-0.25 * STEPS + 0.05 * rng.standard_normal(6))) for _ in range(400)]
    k = np.array([f.light_per_mm for f in fits])
    said = np.sqrt(np.mean([f.sigma_per_mm**2 for f in fits]))
    assert k.mean() == pytest.approx(0.25, abs=3 * said / 20)
    assert k.std() == pytest.approx(said, rel=0.12)


def test_two_steps_do_not_know_their_error():
    """Two points are met exactly; the error is not a number rather than nought."""
    found = fit_wedge([5.0, 10.0], [1.0, 0.25])
    assert found.light_per_mm == pytest.approx(np.log(4) / 5)
    assert np.isnan(found.sigma_per_mm)


@pytest.mark.parametrize(
    ("thickness", "light", "says"),
    [
        ([5.0], [1.0], "1 thicknesses and 1 readings"),
        ([5.0, 5.0], [1.0, 0.9], "all steps are 5 mm"),
        ([5.0, 9.0], [1.0, 0.0], "readings above the dark one"),
        ([5.0, 9.0], [0.5, 1.0], "falls off by -0.173 per mm"),
    ],
)
def test_wedges_that_make_no_sense(thickness, light, says):
    """Refused with the value and what was expected."""
    with pytest.raises(BadInput, match=says):
        fit_wedge(thickness, light)


@pytest.mark.parametrize(("range_mm", "sigma", "tones"), [(12, 0.7, 9.571), (12, 1.0, 7), (6, 1.0, 4)])
def test_tones_that_can_be_told_apart(range_mm, sigma, tones):
    """12 mm at 0.7 mm: 9 tones; at 1 mm: 7; 6 mm at 1 mm: 4 (the trade's own figures), whatever the flesh."""
    assert tones_told_apart(range_mm, sigma) == pytest.approx(tones, abs=1e-3)


@pytest.mark.parametrize(
    ("absorbed", "scattered", "thick", "mismatch", "through"),
    [
        (0, 1, 10, 1, 0.147058824), (0.01, 1, 5, 1, 0.219430867), (0.01, 1, 10, 1, 0.083338535),
        (0.03, 1, 5, 1, 0.157247036), (0.03, 1, 10, 1, 0.033603548), (0.03, 1, 15, 1, 0.007325166),
        (0.03, 1, 20, 1, 0.001598292), (0.03, 1, 10, 2.5, 0.034866987),
    ],
)  # fmt: skip
def test_diffusion_through_a_slab(absorbed, scattered, thick, mismatch, through):
    """Share of light through, to 1e-8."""
    assert diffusion_slab(absorbed, scattered, thick, mismatch) == pytest.approx(through, abs=1e-8)


def test_thick_walls_follow_the_exponential():
    """Deep in the slab light falls by exp(-sqrt(3 ma (ma + ms')) d): one k serves a wedge of thick steps.

    Pear flesh, 500 to 1000 nm: ma 0.010 to 0.061, ms' 1.25 to 0.95 per mm (Hu, Fu, Ying 2017, abstract),
    which makes k 0.194 to 0.430.
    """
    assert effective_per_mm(0.010, 1.25) == pytest.approx(0.194, abs=5e-4)
    assert effective_per_mm(0.061, 0.95) == pytest.approx(0.430, abs=5e-4)
    k = effective_per_mm(0.03, 1.0)
    ratio = diffusion_slab(0.03, 1, 18, 1) / diffusion_slab(0.03, 1, 14, 1)
    assert ratio == pytest.approx(np.exp(-k * 4), rel=2e-3)


@pytest.mark.parametrize(
    ("absorbed", "thick", "through", "back"),
    [
        (0.0, 4, 1 / 3, 2 / 3), (0.05, 2, 0.445284, 0.461034), (0.05, 5, 0.195178, 0.601909),
        (0.05, 10, 0.0597365, 0.637865), (0.05, 15, 0.0189254, 0.641352), (0.25, 4, 0.0914370, 0.378233),
    ],
)  # fmt: skip
def test_kubelka_and_munk(absorbed, thick, through, back):
    """S = 0.5 per mm: through and back over black, to 1e-6."""
    assert kubelka_munk(absorbed, 0.5, thick) == pytest.approx((through, back), abs=1e-6)


@pytest.mark.parametrize(
    ("ratio", "back"), [(0.01, 0.868226), (0.1, 0.641742), (0.5, 0.381966), (1, 0.267949)]
)
def test_back_from_thick_flesh(ratio, back):
    """R of an endless layer by K / S, to 1e-6."""
    assert back_from_thick(ratio) == pytest.approx(back, abs=1e-6)
