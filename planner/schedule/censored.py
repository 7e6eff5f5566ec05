"""Which line and spread fit lives of which some are not over yet? Many samples of one design at once.

``z = columns @ p`` with ``p[0] = 1 / sigma`` is standard normal: one whose life is over gives its density,
one still alive the chance of having lasted so long (right-censored maximum likelihood; Lawless 2003,
chapter 6, from memory). In this form the likelihood is concave (Olsen 1978, Econometrica 46:1211-1215, from
memory), so Newton's way, with steps halved where they go too far, finds its one top.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
_HALF_LOG_2PI = 0.5 * math.log(2 * math.pi)


def climb(columns: Floats, ended: Bools) -> tuple[Floats, Floats]:
    """Return the least minus log-likelihood of each sample, and where it is.

    Parameters
    ----------
    columns : ndarray, (b, n, p)
        Of b samples of n lives: ln T first, then what it is explained by [-].
    ended : ndarray, (b, n)
        Whether a life is over [-].

    Returns
    -------
    tuple of ndarray
        (b,) minus log-likelihoods, (b, p) places [-].
    """
    at = _start(columns, ended)
    now = _height(columns, ended, at)
    for _ in range(100):
        slope, bend = _slope_and_bend(columns, ended, at)
        step = np.linalg.solve(bend, slope[..., None])[..., 0]
        gain = np.sum(slope * step, axis=1)
        going = gain > 1e-12
        if not going.any():
            break
        share = np.where(going, 1.0, 0.0)
        for _ in range(40):
            reached = _height(columns, ended, at - share[:, None] * step)
            too_far = going & ~(reached <= now - 1e-4 * share * gain)
            if not too_far.any():
                break
            share[too_far] *= 0.5
        at = at - share[:, None] * step
        now = np.where(going, reached, now)
    return now, at


def _height(columns: Floats, ended: Bools, at: Floats) -> Floats:
    from scipy.special import log_ndtr

    z = np.einsum("bnp,bp->bn", columns, at)
    with np.errstate(invalid="ignore", divide="ignore"):
        known = np.where(ended, 0.5 * z**2 + _HALF_LOG_2PI, -log_ndtr(-z)).sum(axis=1)
        out = known - ended.sum(axis=1) * np.log(at[:, 0])
    return np.where(at[:, 0] > 0, out, np.inf)


def _slope_and_bend(columns: Floats, ended: Bools, at: Floats) -> tuple[Floats, Floats]:
    from scipy.special import log_ndtr

    z = np.einsum("bnp,bp->bn", columns, at)
    hazard = np.exp(-0.5 * z**2 - _HALF_LOG_2PI - log_ndtr(-z))
    pull = np.where(ended, z, hazard)
    weight = np.where(ended, 1.0, hazard * (hazard - z))
    slope = np.einsum("bnp,bn->bp", columns, pull)
    bend = np.swapaxes(columns * weight[..., None], 1, 2) @ columns
    over = ended.sum(axis=1)
    slope[:, 0] -= over / at[:, 0]
    bend[:, 0, 0] += over / at[:, 0] ** 2
    return slope, bend


def _start(columns: Floats, ended: Bools) -> Floats:
    """Return the least-squares lines of those that ended, in the same form."""
    life, rest = columns[..., 0], columns[..., 1:] * ended[..., None]
    line = np.zeros((len(columns), rest.shape[2]))
    if rest.shape[2]:
        square = np.swapaxes(rest, 1, 2) @ rest + 1e-12 * np.eye(rest.shape[2])
        line = np.linalg.solve(square, np.einsum("bnp,bn->bp", rest, life)[..., None])[..., 0]
    off = (life - np.einsum("bnp,bp->bn", columns[..., 1:], line)) * ended
    spread = np.maximum(np.sqrt(np.sum(off**2, axis=1) / np.maximum(ended.sum(axis=1), 1)), 1e-3)
    return np.asarray(np.concatenate([np.ones((len(columns), 1)), -line], axis=1) / spread[:, None])
