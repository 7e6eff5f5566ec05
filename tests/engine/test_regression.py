"""The regression foretells radii as its formulas say: against brute force, finite differences and draws.

Formulas: Rasmussen and Williams, *Gaussian Processes for Machine Learning*, 2006, eqs. 2.25 and 2.26 (mean
and variance), 4.17 (Matern 5/2), 5.8 and 5.9 (likelihood and its gradient), 5.10 to 5.12 (left-out
residuals). Numbers come from those formulas written out plainly, from leaving touches out one by one, or from
draws of known noise.
"""

import numpy as np
import pytest

import engine.regression as regression
from engine.frames import unit_of
from engine.regression import Scatter, Settings, covariance_in, deviation_in, radius_in, regress, rib_count


def fibonacci(count, lowest=-1.0, highest=1.0):
    """Return directions spread evenly between two heights on the sphere."""
    i = np.arange(count) + 0.5
    return unit_of(i * np.pi * (3 - np.sqrt(5)), np.arcsin(lowest + (highest - lowest) * i / count))


def correlation(one, other, settings):
    """Write the covariance out as the module's head states it, one pair at a time in effect."""

    def matern(s):
        return (1 + s + s * s / 3) * np.exp(-s)

    chord = np.linalg.norm(one[:, None] - other[None], axis=2)
    found = matern(np.sqrt(5) * chord / settings.length)
    if settings.ribs:
        lon = np.arctan2(one[:, 1], one[:, 0])[:, None] - np.arctan2(other[:, 1], other[:, 0])[None]
        wave = 2 * np.abs(np.sin(settings.ribs * lon / 2)) / 3.0
        distance = np.sqrt(wave**2 + (chord / settings.rib_length) ** 2)
        fade = (1 - one[:, 2] ** 2)[:, None] * (1 - other[:, 2] ** 2)[None]
        found = found + settings.rib_share * fade * matern(np.sqrt(5) * distance)
    return found


SETTINGS = [Settings(0.4, 1e-3), Settings(0.9, 4e-3, 7, 2.5, 1.7)]


@pytest.mark.parametrize("settings", SETTINGS)
def test_mean_and_deviation_are_the_plain_formulas(settings):
    """Mean, variance and covariance between places, with the inverse of the covariance taken as it stands."""
    rng = np.random.default_rng(0)
    unit, asked = fibonacci(60), fibonacci(25)[::-1]
    radius = 80 + rng.standard_normal(60)
    fit = regress(unit, radius, settings=settings)
    inverse = np.linalg.inv(correlation(unit, unit, settings) + settings.noise_share * np.eye(60))
    mean = inverse.sum(axis=0) @ radius / inverse.sum()
    cover = correlation(asked, unit, settings)
    np.testing.assert_allclose(radius_in(fit, asked), mean + cover @ inverse @ (radius - mean), atol=1e-9)
    amplitude2 = (radius - mean) @ inverse @ (radius - mean) / 60
    between = amplitude2 * (correlation(asked, asked, settings) - cover @ inverse @ cover.T)
    np.testing.assert_allclose(covariance_in(fit, asked, asked), between, atol=1e-9)
    np.testing.assert_allclose(deviation_in(fit, asked) ** 2, np.diag(between), atol=1e-9)
    assert fit.noise == pytest.approx(np.sqrt(amplitude2 * settings.noise_share))


def test_left_out_residuals_are_those_of_leaving_out():
    """Each touch against a fit of all the others with the same settings and mean."""
    rng = np.random.default_rng(1)
    unit = fibonacci(40)
    radius = 60 + rng.standard_normal(40)
    settings = SETTINGS[1]
    fit = regress(unit, radius, settings=settings)
    for k in (0, 13, 39):
        rest = np.arange(40) != k
        inverse = np.linalg.inv(
            correlation(unit[rest], unit[rest], settings) + settings.noise_share * np.eye(39)
        )
        foretold = fit.mean + correlation(unit[k : k + 1], unit[rest], settings) @ inverse @ (
            radius[rest] - fit.mean
        )
        assert fit.left_out[k] == pytest.approx(radius[k] - foretold[0], abs=1e-9)


@pytest.mark.parametrize(("ribs", "logs"), [(0, np.log([0.5, 1e-3])), (9, np.log([0.8, 3e-4, 1.0, 3.0]))])
def test_the_gradient_of_the_likelihood_is_its_difference(ribs, logs):
    """Central differences of the misfit, re-touches included."""
    rng = np.random.default_rng(2)
    unit = fibonacci(90)
    repeats = np.where(np.arange(90) < 5, 2.0, 1.0)
    radius = 90 + 2 * np.cos(9 * np.arctan2(unit[:, 1], unit[:, 0])) + 0.1 * rng.standard_normal(90)
    touched = regression._Touched(regression._places(unit, ribs), radius, repeats, Scatter(0.05, 5), ribs)
    _, gradient = regression._misfit(logs, touched)
    step = 1e-5
    for k, one in enumerate(np.eye(len(logs))):
        up, down = (regression._misfit(logs + sign * step * one, touched)[0] for sign in (1, -1))
        assert gradient[k] == pytest.approx((up - down) / (2 * step), rel=1e-5, abs=1e-5)


def test_a_re_touch_counts_as_two_touches():
    """A place touched twice, given as its mean and scatter, has the likelihood of both touches apart.

    The likelihood of all touches is that of the means times that of the scatter about them: with mean and
    amplitude solved for, both differ by a constant alone, whatever the settings.
    """
    rng = np.random.default_rng(3)
    unit = fibonacci(30)
    twice = np.concatenate([unit, unit[:6]])
    radius = 70 + 0.3 * rng.standard_normal(36)
    mean = radius[:30].copy()
    mean[:6] = (radius[:6] + radius[30:]) / 2
    square = float(np.sum((radius[:6] - radius[30:]) ** 2) / 2)
    apart = regression._Touched(regression._places(twice, 0), radius, np.ones(36), Scatter(), 0)
    repeats = np.where(np.arange(30) < 6, 2.0, 1.0)
    merged = regression._Touched(regression._places(unit, 0), mean, repeats, Scatter(square, 6), 0)
    gaps = [
        regression._misfit(logs, apart)[0] - regression._misfit(logs, merged)[0]
        for logs in (np.log([0.5, 1e-2]), np.log([0.3, 0.4]), np.log([1.1, 0.05]))
    ]
    assert np.ptp(gaps) < 1e-6


@pytest.mark.parametrize("ribs", [0, 5, 8, 10, 12])
def test_ribs_are_counted(ribs):
    """On a flattened, leaning body with a dimple, from touches three and a half to a rib, with noise."""
    rng = np.random.default_rng(ribs)
    meridians = 36
    row, place = np.divmod(np.arange(252), meridians)
    unit = unit_of(2 * np.pi * (place + 0.5 * (row % 2)) / meridians, np.radians(-50 + 16 * row))
    x, _, z = unit.T
    radius = 120 - 14 * z**2 + 2 * x * z - 6 * np.exp((z - 1) / 0.06) + 0.1 * rng.standard_normal(252)
    if ribs:
        radius += 2 * np.cos(ribs * np.arctan2(unit[:, 1], unit[:, 0]) + 0.4) * (1 - z**2) ** 1.5
    assert rib_count(unit, radius) == ribs


@pytest.mark.parametrize("noise_mm", [0.05, 0.1, 0.3])
@pytest.mark.parametrize("seed", range(3))
def test_the_noise_of_a_touch_is_found(noise_mm, seed):
    """On a ribbed piece within a third of the true one; a body taken for rougher would swallow it."""
    rng = np.random.default_rng(seed)
    unit = fibonacci(432, -0.87, 0.9)
    lon, z = np.arctan2(unit[:, 1], unit[:, 0]), unit[:, 2]
    valley = (0.5 + 0.5 * np.cos(10 * lon)) ** 1.5
    true = 130 - 12 * z**2 - 4.5 * valley * (1 - z**2) ** 1.25
    fit = regress(unit, true + noise_mm * rng.standard_normal(432))
    assert fit.settings.ribs == 10
    assert fit.noise == pytest.approx(noise_mm, rel=1 / 3)


def test_the_deviation_tells_the_error():
    """Over three draws the error is within two deviations for at least 90 % of directions.

    For a normal error it would be 95.4 %; half the deviation would make it 68 %.
    """
    share = []
    for seed in range(3):
        rng = np.random.default_rng(10 + seed)
        unit = fibonacci(300, -0.8, 0.9)

        def body(u):
            lon, z = np.arctan2(u[:, 1], u[:, 0]), u[:, 2]
            return 110 - 9 * z**2 + 3 * z * u[:, 0] - 2 * np.cos(9 * lon + 1) * (1 - z**2) ** 1.5

        fit = regress(unit, body(unit) + 0.1 * rng.standard_normal(300))
        asked = fibonacci(2000, -0.75, 0.85)
        error = np.abs(radius_in(fit, asked) - body(asked))
        share.append(np.mean(error < 2 * deviation_in(fit, asked)))
    assert np.mean(share) > 0.9


def test_settings_do_not_depend_on_order_or_turn():
    """The touches from which settings are taken are the same ones in any order and however the piece lies."""
    rng = np.random.default_rng(5)
    unit = fibonacci(400, -0.85, 0.9)
    lon = np.arctan2(unit[:, 1], unit[:, 0])
    radius = 100 + 2 * np.cos(11 * lon) * (1 - unit[:, 2] ** 2) + 0.1 * rng.standard_normal(400)
    mixed = rng.permutation(400)
    turned = unit_of(lon + 0.7, np.arcsin(unit[:, 2]))
    one = regress(unit, radius)
    for u, r in ((unit[mixed], radius[mixed]), (turned, radius)):
        other = regress(u, r)
        assert other.settings.length == pytest.approx(one.settings.length, rel=1e-3)
        assert other.noise == pytest.approx(one.noise, rel=1e-3)


def test_places_too_alike_are_still_fitted():
    """Two touches in one direction without any noise share do not break the factorisation."""
    unit = np.concatenate([fibonacci(30), fibonacci(30)[:1]])
    radius = np.concatenate([np.full(30, 50.0), [50.4]])
    fit = regress(unit, radius, settings=Settings(0.5, 0.0))
    assert np.isfinite(radius_in(fit, unit)).all()
