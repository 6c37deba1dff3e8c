"""From pump duty to delivered volume: one monotone law a family, between the straight line and the round lobe.

Where duty is the closed share of a round lobe's up-stroke, delivered volume is (1 - cos(pi d)) / 2 of the full
stroke; where the control unit has straightened it, volume is d itself. The law is their mixture with
`round_share` w: V(d) = (1 - w) d + w (1 - cos(pi d)) / 2.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]


def delivered_share(duty_pct: ArrayLike, round_share: ArrayLike) -> Array:
    """Share of the full stroke that is delivered. [0..1]

    duty_pct: [%]  round_share: 0 straight, 1 round lobe. Both broadcast.

    >>> delivered_share([50, 90], 1.0).round(3).tolist()
    [0.5, 0.976]
    """
    d = np.asarray(duty_pct, dtype=np.float64) / 100.0
    w = np.asarray(round_share, dtype=np.float64)
    return np.asarray((1.0 - w) * d + w * (1.0 - np.cos(np.pi * d)) / 2.0)


def delivered_slope(duty_pct: ArrayLike, round_share: ArrayLike) -> Array:
    """Derivative of `delivered_share` by duty as a share, dV/dd. [1]

    >>> float(delivered_slope(50.0, 0.0))
    1.0
    """
    d = np.asarray(duty_pct, dtype=np.float64) / 100.0
    w = np.asarray(round_share, dtype=np.float64)
    return np.asarray((1.0 - w) + w * np.pi * np.sin(np.pi * d) / 2.0)


def duty_for_share(share: ArrayLike, round_share: ArrayLike) -> Array:
    """Duty that delivers `share` of the full stroke, the inverse of `delivered_share`. [%]

    More than the full stroke gives 100. By bisection: 40 halvings, exact to 1e-9 points.

    >>> duty_for_share(delivered_share([30.0, 88.0], 0.6), 0.6).round(6).tolist()
    [30.0, 88.0]
    """
    share, w = np.broadcast_arrays(np.asarray(share, dtype=np.float64), np.asarray(round_share, float))
    low, high = np.zeros(share.shape), np.full(share.shape, 100.0)
    for _ in range(40):
        middle = (low + high) / 2.0
        below = delivered_share(middle, w) < share
        low, high = np.where(below, middle, low), np.where(below, high, middle)
    return (low + high) / 2.0


@dataclass(frozen=True)
class RoundShares:
    """The law of each family. family: names; values, low, high: round_share and its 95 % interval."""

    family: tuple[str, ...]
    values: Array
    low: Array
    high: Array


def choose_round_share(log_likelihoods: Array, grid: Array, prior_sd: float = 0.15) -> tuple[Array, Array, Array]:
    """The most likely round_share of each family and its 95 % interval, families shrunk to their common mean.

    log_likelihoods: (families, grid) profile log-likelihood, Jacobian included. grid: (grid,) round shares.
    Normal prior around the families' mean, as in partial pooling; the interval is where the penalised
    log-likelihood lies within 1.92 of its top (chi-square, 1 degree of freedom).
    Source: Box & Cox 1964, J R Stat Soc B 26:211, for the profile likelihood of a transformation.

    >>> grid = np.linspace(0, 1, 5)
    >>> peak = -200 * (grid - 0.5) ** 2
    >>> [float(v[0]) for v in choose_round_share(peak[None, :], grid)][0]
    0.5
    """
    fine = np.linspace(grid[0], grid[-1], 20 * (len(grid) - 1) + 1)
    curves = np.array([_smooth(grid, row, fine) for row in log_likelihoods])
    common = fine[np.argmax(curves.sum(axis=0))]
    for _ in range(10):
        penalised = curves - (fine - common) ** 2 / (2.0 * prior_sd**2)
        best = fine[np.argmax(penalised, axis=1)]
        common = best.mean()
    top = penalised.max(axis=1, keepdims=True)
    inside = penalised > top - 1.92
    low = np.array([fine[row][0] for row in inside])
    high = np.array([fine[row][-1] for row in inside])
    return best, low, high


def _smooth(grid: Array, values: Array, fine: Array) -> Array:
    from scipy.interpolate import CubicSpline

    return np.asarray(CubicSpline(grid, values)(fine))
