"""Does the fit find Taylor's law again, with two in five cutters still alive?"""

from __future__ import annotations

import math

import numpy as np
import pytest

from planner.schedule.taylor import TaylorFit, fit_taylor

EXPONENT, CONSTANT, SPREAD = 0.25, 400.0, 0.3


def _change_outs(seed: int, count: int = 60) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return minutes, speeds and which are worn; each is looked at when two in five of its like still cut."""
    rng = np.random.default_rng(seed)
    speed = rng.choice([150.0, 190.0, 240.0], count)
    middle = (math.log(CONSTANT) - np.log(speed)) / EXPONENT
    life = np.exp(middle + SPREAD * rng.standard_normal(count))
    looked = np.exp(middle + 0.075994 + 0.02 * rng.standard_normal(count))  # Phi(0.2533) = 0.6
    return np.minimum(life, looked), speed, life <= looked


def test_least_squares_where_all_are_worn():
    """Groover's points (160, 5), (130, 12), (100, 41), each twice: the published line has n = 0.222735.

    That line is of ln v on ln T; ours, of ln T on ln v, has an exponent larger by 1 / r^2 (both regressions).
    """
    life, speed = [5, 12, 41] * 2, [160, 130, 100] * 2
    r = np.corrcoef(np.log(life), np.log(speed))[0, 1]
    found = fit_taylor(life, speed, [True] * 6)
    assert found.exponent * r**2 == pytest.approx(0.222735, abs=1e-6)


def test_interval_of_a_line_is_students():
    """Without censoring the interval of 1 / n is the textbook's for a slope: slope -+ t s / sqrt(Sxx)."""
    from scipy import stats

    rng = np.random.default_rng(5)
    speed = np.repeat([100.0, 130.0, 160.0], 4)
    life = np.exp((math.log(230) - np.log(speed)) / 0.223 + 0.2 * rng.standard_normal(12))
    line = stats.linregress(np.log(speed), np.log(life))
    half = stats.t.ppf(0.95, 10) * line.stderr
    found = fit_taylor(life, speed, [True] * 12)
    assert found.exponent_90 == pytest.approx((1 / (-line.slope + half), 1 / (-line.slope - half)), rel=1e-3)


@pytest.mark.parametrize("seed", range(4))
def test_known_law_is_found_again(seed: int):
    """The true values lie within twice the half-widths of the intervals; the alive are about two in five."""
    minutes, speed, worn = _change_outs(seed)
    found = fit_taylor(minutes, speed, worn)
    assert 0.2 < found.alive / 60 < 0.6
    for true, middle, (low, high) in (
        (EXPONENT, found.exponent, found.exponent_90),
        (CONSTANT, found.constant_m_per_min, found.constant_90),
    ):
        assert low < middle < high
        assert middle - 2 * (middle - low) < true < middle + 2 * (high - middle)


def test_leaving_out_those_alive_would_be_wrong():
    """Thirty at one speed of which many still cut: the fit's median is longer than that of the worn alone."""
    minutes, speed, worn = _change_outs(3, 400)
    full, part = fit_taylor(minutes, speed, worn), fit_taylor(minutes[worn], speed[worn], worn[worn])
    true = (CONSTANT / 190.0) ** (1 / EXPONENT)
    assert abs(full.life_min(190) - true) < abs(part.life_min(190) - true)
    assert full.life_min(190) == pytest.approx(true, rel=0.08)


def test_life_at_a_speed():
    """Groover's law n = 0.2233715, C = 229.2187 lasts 12.667 min at 130 m/min; a tenth does not reach
    exp(-1.2816 x spread) of that.
    """
    law = TaylorFit(0.2233715, 229.2187, 0.3, (0, 1), (0, 1), 9, 0)
    assert law.life_min(130) == pytest.approx(12.667, abs=1e-3)
    assert law.life_min(130, 0.1) == pytest.approx(12.667 * math.exp(-1.2815516 * 0.3), rel=1e-4)


@pytest.mark.parametrize(
    ("minutes", "speed", "worn", "words"),
    [
        ([1, 2], [100, 200], [True, True], "expected 4 at least"),
        ([1, 2, 3, 4], [100] * 4, [True] * 4, "two at least"),
        ([1, 2, 3, -4], [100, 120, 100, 100], [True] * 4, "above 0"),
    ],
)
def test_too_little_is_refused(minutes: list[float], speed: list[float], worn: list[bool], words: str):
    """Too few worn, one speed, no life: a line that says so."""
    with pytest.raises(ValueError, match=words):
        fit_taylor(minutes, speed, worn)


def test_censored_fit_is_that_of_another_optimizer() -> None:
    """The top of the likelihood, written down with scipy's own normal law and found without derivatives.

    An independent route: `scipy.stats.norm` gives density and survival, Nelder-Mead climbs in ln C, n, ln s.
    """
    from scipy import optimize, stats

    minutes, speed, worn = _change_outs(7)
    found = fit_taylor(minutes, speed, worn)

    def minus_log_likelihood(p: np.ndarray) -> float:
        z = (np.log(minutes) - (p[0] - np.log(speed)) / p[1]) / math.exp(p[2])
        return float(-np.sum(np.where(worn, stats.norm.logpdf(z) - p[2], stats.norm.logsf(z))))

    best = optimize.minimize(
        minus_log_likelihood, [5.5, 0.3, -1.0], method="Nelder-Mead",
        options={"xatol": 1e-9, "fatol": 1e-12, "maxiter": 4000, "maxfev": 4000},
    )  # fmt: skip
    assert best.success
    assert found.exponent == pytest.approx(best.x[1], rel=1e-5)
    assert found.constant_m_per_min == pytest.approx(math.exp(best.x[0]), rel=1e-5)
    assert found.spread == pytest.approx(math.exp(best.x[2]), rel=1e-5)


@pytest.mark.parametrize("seed", [0, 1])
def test_the_pair_lies_about_the_fit_and_not_far_away(seed: int) -> None:
    """The fit itself is in the region of the pair; a steeper law with the same constant is not."""
    found = fit_taylor(*_change_outs(seed))
    assert found.holds(found.exponent, found.constant_m_per_min)
    assert not found.holds(found.exponent * 1.3, found.constant_m_per_min)


def test_region_of_a_line_is_that_of_f() -> None:
    """Without censoring: (b - b0)' X'X (b - b0) / (2 s^2) <= F(2, n - 2), the ellipse of the textbooks."""
    from scipy import stats

    rng = np.random.default_rng(5)
    speed = np.repeat([100.0, 130.0, 160.0], 4)
    life = np.exp((math.log(230) - np.log(speed)) / 0.223 + 0.2 * rng.standard_normal(12))
    found = fit_taylor(life, speed, [True] * 12)
    x = np.column_stack([np.ones(12), np.log(speed)])
    b, rest, *_ = np.linalg.lstsq(x, np.log(life), rcond=None)
    s2, limit = rest[0] / 10, stats.f.ppf(0.9, 2, 10)
    for away in (0.98, 1.02):
        step = np.linalg.cholesky(np.linalg.inv(x.T @ x)) @ np.array([0.6, 0.8])
        at = b + away * math.sqrt(2 * s2 * limit) * step
        n = -1.0 / at[1]
        assert found.holds(n, math.exp(at[0] * n)) == (away < 1)


@pytest.mark.filterwarnings("default")  # of the other package and what it stands on
def test_censored_fit_is_that_of_lifelines() -> None:
    """The lognormal life regression of the lifelines package gives the same: slope -1/n, ln C / n, spread."""
    pytest.importorskip("lifelines")
    import lifelines
    import pandas

    minutes, speed, worn = _change_outs(11)
    found = fit_taylor(minutes, speed, worn)
    frame = pandas.DataFrame({"minutes": minutes, "log_speed": np.log(speed), "worn": worn.astype(int)})
    theirs = lifelines.LogNormalAFTFitter().fit(frame, duration_col="minutes", event_col="worn").params_
    slope, level = theirs["mu_", "log_speed"], theirs["mu_", "Intercept"]
    assert found.exponent == pytest.approx(-1 / slope, rel=1e-3)
    assert found.constant_m_per_min == pytest.approx(math.exp(-level / slope), rel=1e-3)
    assert found.spread == pytest.approx(math.exp(theirs["sigma_", "Intercept"]), rel=1e-3)
