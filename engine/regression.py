"""What do touches say of the skin between them? Gaussian-process regression of radii over directions.

The radius is a constant plus a Gaussian process with a Matern 5/2 covariance of the chord between directions
(Rasmussen and Williams, *Gaussian Processes for Machine Learning*, 2006, eq. 4.17). A ribbed piece repeats
itself all round, though never exactly: where the touches show ribs, a second part is added that is periodic
in longitude and fades with distance along the skin (a decaying periodic covariance, eqs. 4.31 and 5.16) and
towards the poles::

    cov(u, v) = a2 ( M(chord / length) + share fade(u) fade(v) M(distance) ),   fade = cos(latitude)^2,
    distance2 = (2 sin(ribs (lon_u - lon_v) / 2) / 3)^2 + (chord / rib length)^2

Settings are those of greatest marginal likelihood (eq. 5.8; its gradient 5.9) with mean and amplitude solved
for; re-touches of one place enter exactly, by their mean with the noise of a mean and by their scatter.
Left-out residuals are eqs. 5.10 to 5.12.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cache

import numpy as np

from engine.records import Floats

_USUAL_NOISE_MM = 0.08  # of one touch of a home-built probe, common practice; a prior weak by a factor e
_RIB_WIDTH = 3.0  # chord of the rib's circle over which its shape changes; ribs are close to waves
_MOST_FITTED = 260  # touches from which the settings are taken; all touches count for the skin
_FEWEST_RIBS, _MOST_RIBS = 4, 20
_RIBBED_SHARE = 0.25  # of what a smooth body leaves over, explained by one number of ribs
_FEWEST_KNOWING = 8  # re-touches from which the noise is known well enough to look for a rough skin
_BLOCK = 96  # directions at a time: what is worked on stays in the fast memory
# Logs of length, noise share, rib share and rib length. Produce has local features (a dimple, a dent): no
# length makes a bare side certain, however well a smooth body fits, and no ribs explain the whole body.
_LOW = np.log([0.08, 1e-8, 1e-6, 0.15])
_HIGH = np.log([1.5, 7.0, 10.0, 10.0])
_RIBBED = float(np.log(0.3)), float(np.log(1.2))  # of the length, where ribs have a part of their own


@dataclass(frozen=True, slots=True)
class Settings:
    """What a covariance is made of, in lengths of chord on the unit sphere and shares of the amplitude."""

    length: float = 0.5  # chord [-]
    noise_share: float = 1e-3  # (noise / amplitude)^2
    ribs: int = 0  # 0 = none
    rib_share: float = 0.0  # (rib amplitude / amplitude)^2
    rib_length: float = 2.0  # chord over which a rib stays like itself and its neighbours


@dataclass(frozen=True, slots=True)
class Scatter:
    """How re-touches of one place lie about their mean: sum of squares [mm2] and degrees of freedom [-]."""

    square_mm2: float = 0.0
    freedom: int = 0


@dataclass(frozen=True, slots=True, eq=False)
class Regression:
    """Fitted radii: directions, weights and what is needed for the deviation."""

    unit: Floats  # (n, 3)
    radius: Floats  # (n,) [mm]
    repeats: Floats  # (n,) touches behind each radius
    settings: Settings
    mean: float  # [mm]
    amplitude: float  # [mm]
    noise: float  # of one touch [mm]
    weights: Floats  # (n,)
    factor: Floats  # (n, n) lower Cholesky factor of the covariance by amplitude squared
    left_out: Floats  # (n,) residual of each radius against all the others [mm]
    left_out_deviation: Floats  # (n,) [mm]


def regress(
    unit: Floats,
    radius: Floats,
    repeats: Floats | None = None,
    scatter: Scatter | None = None,
    settings: Settings | None = None,
) -> Regression:
    """Fit radii over directions.

    Parameters
    ----------
    unit : ndarray (n, 3)
        Unit directions [-].
    radius : ndarray (n,)
        Mean radius of the touches there [mm].
    repeats : ndarray (n,), optional
        How many touches each radius is the mean of; one when not given [-].
    scatter : Scatter, optional
        Of re-touches about their means.
    settings : Settings, optional
        Taken as they are; found by likelihood when not given.
    """
    repeats = np.ones(len(radius)) if repeats is None else np.asarray(repeats, float)
    scatter = scatter or Scatter()
    found = settings or _likeliest(unit, radius, repeats, scatter)
    return _with_settings(unit, radius, repeats, scatter, found)


def radius_in(fit: Regression, unit: Floats) -> Floats:
    """Return the expected radius [mm] in unit directions (n, 3)."""
    settings = fit.settings
    here, touched = (_places(u, settings.ribs).packed() for u in (unit, fit.unit))
    scales = np.array([5.0 / settings.length**2, 5.0 / settings.rib_length**2, 10.0 / _RIB_WIDTH**2])
    share = settings.rib_share if settings.ribs else 0.0
    return fit.mean + _compiled_sums()(here, touched, fit.weights, scales, share)


def slopes_in(fit: Regression, unit: Floats, east: Floats, north: Floats, step: float = 1e-3) -> Floats:
    """Return the slope of the radius along two tangents.

    Parameters
    ----------
    fit : Regression
        The fitted radii.
    unit, east, north : ndarray (n, 3)
        Unit directions and unit tangents [-].
    step : float
        Half the step of the central differences [rad].

    Returns
    -------
    ndarray (2, n)
        Along `east` and along `north` [mm/rad].
    """
    ways = np.concatenate([unit + step * east, unit - step * east, unit + step * north, unit - step * north])
    ways /= np.linalg.norm(ways, axis=1, keepdims=True)
    plus_east, minus_east, plus_north, minus_north = radius_in(fit, ways).reshape(4, -1)
    angle = 2 * np.arctan(step)
    return np.stack([(plus_east - minus_east) / angle, (plus_north - minus_north) / angle])


def deviation_in(fit: Regression, unit: Floats) -> Floats:
    """Return the posterior standard deviation [mm] of the radius in unit directions (n, 3)."""
    return np.asarray(np.sqrt(np.clip(_variance(fit, unit), 0.0, None)), np.float64)


def covariance_in(fit: Regression, unit: Floats, other: Floats) -> Floats:
    """Return the posterior covariance [mm2] between the radii in unit directions (n, 3) and (m, 3)."""
    from scipy.linalg import solve_triangular

    ribs = fit.settings.ribs
    touched, here, there = (_places(u, ribs) for u in (fit.unit, unit, other))
    one = solve_triangular(fit.factor, _correlation(touched, here, fit.settings), lower=True)
    two = solve_triangular(fit.factor, _correlation(touched, there, fit.settings), lower=True)
    found: Floats = fit.amplitude**2 * (_correlation(here, there, fit.settings) - one.T @ two)
    return found


def _variance(fit: Regression, unit: Floats) -> Floats:
    from scipy.linalg import solve_triangular

    ribs = fit.settings.ribs
    touched, here = _places(fit.unit, ribs), _places(unit, ribs)
    cover = np.empty((len(fit.unit), len(unit)))
    for i in range(0, len(unit), _BLOCK):
        part = _Places(here.unit[i : i + _BLOCK], here.wave[i : i + _BLOCK], here.fade[i : i + _BLOCK])
        cover[:, i : i + _BLOCK] = _correlation(part, touched, fit.settings).T
    explained = solve_triangular(fit.factor, cover, lower=True, overwrite_b=True, check_finite=False)
    own = 1.0 + fit.settings.rib_share * here.fade**2
    found: Floats = fit.amplitude**2 * (own - np.einsum("ij,ij->j", explained, explained))
    return found


# --- covariance ----------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False)
class _Places:
    """Directions as the covariance sees them."""

    unit: Floats  # (n, 3)
    wave: Floats  # (n, 2) the place on the rib's circle
    fade: Floats  # (n,) cos(latitude)^2

    def packed(self) -> Floats:
        """Return x, y, z, the two of the wave and the fade as rows (6, n), each in one run of memory."""
        return np.ascontiguousarray(np.vstack([self.unit.T, self.wave.T, self.fade]))


def _places(unit: Floats, ribs: int) -> _Places:
    if not ribs:
        return _Places(unit, np.zeros((len(unit), 2)), np.zeros(len(unit)))
    turn = ribs * np.arctan2(unit[:, 1], unit[:, 0])
    return _Places(unit, np.stack([np.cos(turn), np.sin(turn)], axis=1), 1.0 - unit[:, 2] ** 2)


def _correlation(one: _Places, other: _Places, settings: Settings) -> Floats:
    """Return the covariance by amplitude squared between two sets of places (n, m) [-]."""
    square = _chord_squares(one, other)
    if not settings.ribs or settings.rib_share <= 0.0:
        return _matern(5.0 / settings.length**2 * square)
    round_ = _rib_squares(one, other)
    round_ += 5.0 / settings.rib_length**2 * square
    ribbed = _matern(round_)
    ribbed *= settings.rib_share * one.fade[:, None] * other.fade
    square *= 5.0 / settings.length**2
    smooth = _matern(square)
    smooth += ribbed
    return smooth


def _chord_squares(one: _Places, other: _Places) -> Floats:
    square: Floats = one.unit @ (-2.0 * other.unit.T)
    square += 2.0
    np.maximum(square, 0.0, out=square)
    return square


def _rib_squares(one: _Places, other: _Places) -> Floats:
    """Return 5 times the square of the distance round the rib's circle, by its width."""
    scale = 10.0 / _RIB_WIDTH**2
    square: Floats = one.wave @ (-scale * other.wave.T)
    square += scale
    np.maximum(square, 0.0, out=square)
    return square


def _matern(square: Floats) -> Floats:
    """Return the Matern 5/2 correlation for 5 times the squared distance by length [-]; `square` is used."""
    s = np.sqrt(square)
    square *= 1.0 / 3.0
    square += s
    square += 1.0
    np.negative(s, out=s)
    np.exp(s, out=s)
    square *= s
    return square


@cache
def _compiled_sums() -> Callable[[Floats, Floats, Floats, Floats, float], Floats]:
    """Compile `_sums` when it is first needed, so that importing this module stays cheap."""
    from numba import njit, types

    rows, line = types.float64[:, ::1], types.float64[::1]
    compiled: Callable[[Floats, Floats, Floats, Floats, float], Floats] = njit(
        line(rows, rows, line, line, types.float64), cache=True, fastmath=True
    )(_sums)
    return compiled


def _sums(here: Floats, touched: Floats, weights: Floats, scales: Floats, share: float) -> Floats:
    """Return the sum of weight times correlation for each place of `here` (6, n) and `touched` (6, m).

    exp(-s) is exp(-s / 64)^64 with nine terms of its series: plain arithmetic, which the compiler turns into
    work on several numbers at once. Its relative error is below 1e-13 for s up to 9 and 1e-7 at s = 32.
    """
    x, y, z, wave_x, wave_y, fade = touched[0], touched[1], touched[2], touched[3], touched[4], touched[5]
    near, far, wave = scales[0], scales[1], scales[2]
    found = np.empty(here.shape[1])
    for i in range(here.shape[1]):
        hx, hy, hz, wx, wy = here[0, i], here[1, i], here[2, i], here[3, i], here[4, i]
        own = share * here[5, i]
        total = 0.0
        for j in range(weights.size):
            chord = max(2.0 - 2.0 * (hx * x[j] + hy * y[j] + hz * z[j]), 0.0)
            s = min(np.sqrt(near * chord), 60.0)
            h = s * (-1.0 / 64.0)
            e = 1 + h / 5 * (1 + h / 6 * (1 + h / 7 * (1 + h / 8 * (1 + h / 9))))
            e = 1 + h * (1 + h / 2 * (1 + h / 3 * (1 + h / 4 * e)))
            e *= e
            e *= e
            e *= e
            e *= e
            e *= e
            e *= e
            k = (1.0 + s + s * s / 3.0) * e
            if own > 0.0:
                square = max(wave - wave * (wx * wave_x[j] + wy * wave_y[j]), 0.0) + far * chord
                s = min(np.sqrt(square), 60.0)
                h = s * (-1.0 / 64.0)
                e = 1 + h / 5 * (1 + h / 6 * (1 + h / 7 * (1 + h / 8 * (1 + h / 9))))
                e = 1 + h * (1 + h / 2 * (1 + h / 3 * (1 + h / 4 * e)))
                e *= e
                e *= e
                e *= e
                e *= e
                e *= e
                e *= e
                k += own * fade[j] * (1.0 + s + s * s / 3.0) * e
            total += weights[j] * k
        found[i] = total
    return found


# --- settings by likelihood ----------------------------------------------------------------------------


def _likeliest(unit: Floats, radius: Floats, repeats: Floats, scatter: Scatter) -> Settings:
    """Return the settings of greatest marginal likelihood, without ribs and with the likeliest number."""
    if np.std(radius) < 1e-7:  # a sphere to within rounding: nothing to learn
        return Settings()
    some = _some_of(radius)
    part = unit[some], radius[some], repeats[some]
    ribs = rib_count(unit, radius)
    return _climbed(*part, scatter, ribs)


def _some_of(radius: Floats) -> np.typing.NDArray[np.int64]:
    """Return the touches that the settings are taken from: all, or some, whatever their order and turn."""
    n = len(radius)
    if n <= _MOST_FITTED:
        return np.arange(n)
    by_radius = np.argsort(radius, kind="stable")
    return by_radius[np.linspace(0, n - 1, _MOST_FITTED).round().astype(np.int64)]


def rib_count(unit: Floats, radius: Floats) -> int:
    """Return how many ribs the touches show, 0 if none.

    A smooth body of low order is taken off first; what it leaves is compared with one wave round the piece,
    cos(latitude)^2 high, for each number of ribs. On a near tie the smaller number counts, as the larger may
    be its echo in touches that are as far apart as the ribs.

    Parameters
    ----------
    unit : ndarray (n, 3)
        Unit directions [-].
    radius : ndarray (n,)
        Radii there [mm].
    """
    if len(radius) < 40:
        return 0
    x, y, z = unit.T
    low = np.stack(
        [
            np.ones_like(x), x, y, z, x * y, x * z, y * z, x * x - y * y, z * z, z**3, z**4,
            x * (x * x - 3 * y * y), y * (3 * x * x - y * y), x * z * z, y * z * z, z * x * y,
            z * (x * x - y * y), z**5, z**6,
        ],
        axis=1,
    )  # fmt: skip
    basis, _ = np.linalg.qr(low)
    rest = radius - basis @ (basis.T @ radius)
    total = float(rest @ rest)
    if total < 1e-4 * len(radius):  # less than 0.01 mm is left over
        return 0
    lon, fade = np.arctan2(y, x), 1.0 - z * z
    share = {}
    for ribs in range(_FEWEST_RIBS, _MOST_RIBS + 1):
        wave = fade[:, None] * np.stack([np.cos(ribs * lon), np.sin(ribs * lon)], axis=1)
        wave -= basis @ (basis.T @ wave)
        solved, _, _, _ = np.linalg.lstsq(wave, rest, rcond=1e-6)
        share[ribs] = float(rest @ (wave @ solved)) / total
    best = max(share.values())
    if best < _RIBBED_SHARE:
        return 0
    return min(ribs for ribs, part in share.items() if part > 0.95 * best)


def _climbed(unit: Floats, radius: Floats, repeats: Floats, scatter: Scatter, ribs: int) -> Settings:
    """Climb to the greatest likelihood from a usual start, and from a rough skin where re-touches tell.

    A rough skin and a noisy probe are two hills with a valley between; only re-touches tell which is higher.
    """
    touched = _Touched(_places(unit, ribs), radius, repeats, scatter, ribs)
    start = np.log([0.8, 1e-3, 1.0, 2.0]) if ribs else np.log([0.5, 1e-3])
    best, value = _climb(touched, start)
    if scatter.freedom >= _FEWEST_KNOWING:
        share = scatter.square_mm2 / scatter.freedom / max(float(np.var(radius)), 1e-9)
        rough = start.copy()
        rough[0], rough[1] = np.log(0.3 if ribs else 0.12), np.log(np.clip(share, 1e-6, 1.0))
        other, lower = _climb(touched, rough)
        best = other if lower < value else best
    return _settings_of(best, ribs)


def _climb(touched: _Touched, start: Floats) -> tuple[Floats, float]:
    from scipy.optimize import minimize

    bounds = list(zip(_LOW.tolist(), _HIGH.tolist(), strict=True))[: len(start)]
    if touched.ribs:
        bounds[0] = _RIBBED
    found = minimize(
        _misfit,
        start,
        args=(touched,),
        method="L-BFGS-B",
        jac=True,
        bounds=bounds,
        options={"maxiter": 25, "maxfun": 32, "ftol": 1e-5, "gtol": 0.05},
    )
    return np.asarray(found.x, float), float(found.fun)


@dataclass(frozen=True, slots=True, eq=False)
class _Touched:
    places: _Places
    radius: Floats
    repeats: Floats
    scatter: Scatter
    ribs: int


def _settings_of(logs: Floats, ribs: int) -> Settings:
    values = np.exp(logs).tolist()
    if not ribs:
        return Settings(values[0], values[1])
    return Settings(values[0], values[1], ribs, values[2], values[3])


def _misfit(logs: Floats, touched: _Touched) -> tuple[float, Floats]:
    """Return minus the log likelihood, mean and amplitude solved for, and its gradient by the logs."""
    from scipy.linalg import lapack

    settings = _settings_of(logs, touched.ribs)
    covariance, slopes = _with_slopes(touched.places, settings)
    n = len(touched.radius)
    noise = settings.noise_share / touched.repeats
    covariance[np.diag_indices(n)] += noise
    factor, failed = lapack.dpotrf(covariance, lower=1, clean=0)
    if failed:
        return 1e9, np.zeros(len(logs))
    half_log = float(np.log(np.diag(factor)).sum())
    inverse = lapack.dpotri(factor, lower=1)[0]
    inverse = np.tril(inverse) + np.tril(inverse, -1).T
    pull = inverse.sum(axis=1)
    mean = float(pull @ touched.radius / pull.sum())
    weights = inverse @ (touched.radius - mean)
    freedom = n + touched.scatter.freedom
    own = touched.scatter.square_mm2 / settings.noise_share
    square = float((touched.radius - mean) @ weights) + own + 1e-12 * n
    amplitude2 = square / freedom
    unusual = 0.5 * np.log(settings.noise_share * amplitude2 / _USUAL_NOISE_MM**2)
    value = 0.5 * freedom * np.log(amplitude2) + half_log
    value += 0.5 * touched.scatter.freedom * np.log(settings.noise_share) + 0.5 * unusual**2
    gradient = np.zeros(len(logs))
    for k, slope in slopes.items():
        trace = float(np.einsum("ij,ij->", inverse, slope))
        change = -float(weights @ slope @ weights)
        gradient[k] = 0.5 * trace + 0.5 * change / amplitude2 + 0.5 * unusual * change / square
    change = -float(weights @ (noise * weights)) - own
    gradient[1] = 0.5 * float(np.diag(inverse) @ noise) + 0.5 * change / amplitude2
    gradient[1] += 0.5 * touched.scatter.freedom + 0.5 * unusual * (1.0 + change / square)
    return float(value), gradient


def _with_slopes(places: _Places, settings: Settings) -> tuple[Floats, dict[int, Floats]]:
    """Return the covariance of places with themselves, and its slope by the log of each setting.

    For k = (1 + s + s^2 / 3) exp(-s) with s^2 = sum of parts, k changes by -(1 + s) exp(-s) / 6 for each unit
    of s^2; each part falls with twice the log of its length.
    """
    chord = _chord_squares(places, places)
    near = 5.0 / settings.length**2 * chord
    s = np.sqrt(near)
    fall = np.exp(-s)
    grade = (1.0 + s) * fall / 3.0
    covariance = (1.0 + s + near / 3.0) * fall
    slopes = {0: near * grade}
    if settings.ribs:
        far = 5.0 / settings.rib_length**2 * chord
        apart = _rib_squares(places, places) + far
        s = np.sqrt(apart)
        fall = settings.rib_share * places.fade[:, None] * places.fade * np.exp(-s)
        ribbed = (1.0 + s + apart / 3.0) * fall
        covariance += ribbed
        slopes[2] = ribbed
        slopes[3] = far * (1.0 + s) * fall / 3.0
    return covariance, slopes


def _with_settings(
    unit: Floats, radius: Floats, repeats: Floats, scatter: Scatter, settings: Settings
) -> Regression:
    from scipy.linalg import lapack

    places = _places(unit, settings.ribs)
    covariance = _correlation(places, places, settings)
    n = len(radius)
    covariance[np.diag_indices(n)] += settings.noise_share / repeats
    factor, failed = lapack.dpotrf(covariance, lower=1, clean=1)
    if failed:  # places too alike for the noise share: a little more noise parts them
        more = replace(settings, noise_share=max(10 * settings.noise_share, 1e-10))
        return _with_settings(unit, radius, repeats, scatter, more)
    inverse = lapack.dpotri(factor, lower=1)[0]
    inverse = np.tril(inverse) + np.tril(inverse, -1).T
    pull = inverse.sum(axis=1)
    mean = float(pull @ radius / pull.sum())
    weights = inverse @ (radius - mean)
    square = float((radius - mean) @ weights) + scatter.square_mm2 / max(settings.noise_share, 1e-12)
    amplitude = float(np.sqrt(max(square / (n + scatter.freedom), 0.0)))
    sharpness = np.diag(inverse)
    return Regression(
        unit=unit,
        radius=radius,
        repeats=repeats,
        settings=settings,
        mean=mean,
        amplitude=amplitude,
        noise=amplitude * float(np.sqrt(settings.noise_share)),
        weights=weights,
        factor=factor,
        left_out=weights / sharpness,
        left_out_deviation=amplitude / np.sqrt(sharpness),
    )
