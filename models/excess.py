"""A car's four numbers (level, tilt, bow, slope), how healthy cars spread in them, and its shrunk excess."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.linalg import cho_factor, cho_solve

from models.design_matrix import Rows
from models.distributions import t_quantile
from models.engine_speed import car_basis

Array = NDArray[np.float64]

LEVEL, TILT, BOW, SLOPE = range(4)
QUARTER_DAYS = 91.0


@dataclass(frozen=True)
class FourNumbers:
    """One row a spell. values: (units, 4) level, tilt, bow [ln volume] and slope [ln volume a quarter].

    covariance: (units, 4, 4) from sampling, from what was not measured, and from the expectation itself.
    judged: (units,) has rows in the quarter. dated: (units,) has logs on days far enough apart for a slope.
    passed: (units,) mean share of the quarter that had passed at its logs. 0..1
    """

    values: Array
    covariance: Array
    judged: NDArray[np.bool_]
    dated: NDArray[np.bool_]
    passed: Array

    def of(self, units: slice) -> "FourNumbers":
        return FourNumbers(
            self.values[units], self.covariance[units], self.judged[units], self.dated[units], self.passed[units]
        )


@dataclass(frozen=True)
class SlopeRule:
    """days_min: first and last log at least this far apart. unknown_sd: stands for 'no slope known'."""

    days_min: float = 7.0
    unknown_sd: float = 1.0

    @property
    def nothing_known(self) -> Array:
        """Covariance of the four numbers of a spell without rows in the quarter. (4, 4)"""
        return np.diag([4.0, 0.04, 0.04, self.unknown_sd**2])


@dataclass(frozen=True)
class Estimate:
    """One spell's four numbers; fields as in `FourNumbers`. sampling: the level's variance from the car's own noise."""

    values: Array
    covariance: Array
    sampling: float = 0.0
    judged: bool = False
    dated: bool = False
    passed: float = 0.5


def estimate(
    rows: Rows, unit: slice, residual: Array, within: Array, beyond: Array, rule: SlopeRule = SlopeRule()
) -> Estimate:
    """One spell's four numbers by generalised least squares of its residuals.

    residual: (n,) ln(volume / demand) minus the expectation. within: (n, n) covariance of logs, pulls and cells.
    beyond: (n, n) of what was not measured and of the expectation. Level, tilt and bow come from the quarter's
    rows, the slope from all; both are linear in the residuals, so that their covariance is exact.
    """
    now = rows.in_quarter[unit]
    if not now.any():
        return Estimate(np.zeros(4), rule.nothing_known)
    z, day, covariance = rows.z[unit], rows.day[unit], within + beyond
    centre = float(day[now].mean())
    maps = np.zeros((4, len(z)))
    maps[:3, now] = _gls(car_basis(z[now]), covariance[np.ix_(now, now)])
    dated = float(day.max() - day.min()) >= rule.days_min
    if dated:
        basis = np.column_stack([car_basis(z), (day - centre) / QUARTER_DAYS])
        maps[SLOPE] = _gls(basis, covariance)[3]
    S = maps @ covariance @ maps.T
    if not dated:
        S[SLOPE, SLOPE] = rule.unknown_sd**2
    passed = float(passed_share(centre))
    return Estimate(maps @ residual, S, float(maps[0] @ within @ maps[0]), True, dated, passed)


def passed_share(day: ArrayLike) -> Array:
    """Share of the quarter that has passed. day: from its start. 0..1"""
    return np.clip(np.asarray(day, dtype=np.float64) / QUARTER_DAYS, 0.0, 1.0)


def _gls(basis: Array, covariance: Array) -> Array:
    """The linear map from residuals to coefficients, (columns, n)."""
    factor = cho_factor(covariance, check_finite=False)
    white = cho_solve(factor, basis, check_finite=False)
    return np.asarray(np.linalg.solve(basis.T @ white + held(basis.shape[1]), white.T))


def held(columns: int) -> Array:
    """Precision that weakly holds tilt, bow and slope at nought, where bands or days are few. (columns, columns)"""
    return np.diag([0.0, 0.2**-2, 0.2**-2, 0.5**-2][:columns])


@dataclass(frozen=True)
class SpreadPrior:
    """What is assumed of healthy cars before a fleet has spoken, worth `cars` cars. [ln volume; slope a quarter]"""

    level: float = 0.030
    tilt: float = 0.010
    bow: float = 0.010
    slope: float = 0.012
    cars: float = 8.0

    @property
    def covariance(self) -> Array:
        return np.diag(np.array([self.level, self.tilt, self.bow, self.slope]) ** 2)


def healthy_spread(numbers: FourNumbers, spread: Array, healthy: Array, prior: SpreadPrior = SpreadPrior()) -> Array:
    """One step of expectation-maximisation for the healthy cars' covariance G. (4, 4)

    G = (sum of h (shrunk shrunk' + its variance) + n0 G0) / (sum h + n0); the slope is kept apart from the curve.
    healthy: (units,) probability h. Source: Laird & Ware 1982, Biometrics 38:963, with a conjugate prior.
    """
    total, weight = prior.cars * prior.covariance, prior.cars
    judged = numbers.judged
    mean, variance = shrink(numbers.values[judged], numbers.covariance[judged], spread)
    squares = mean[:, :, None] * mean[:, None, :] + variance
    total = total + (healthy[judged, None, None] * squares).sum(axis=0)
    G = total / (weight + healthy[judged].sum())
    G = (G + G.T) / 2
    G[SLOPE, :3] = G[:3, SLOPE] = 0.0
    return np.asarray(G)


def shrink(values: Array, covariance: Array, spread: Array) -> tuple[Array, Array]:
    """Best linear prediction of a healthy car's numbers, and its variance: G (G + S)^-1 values, G - G (G + S)^-1 G.

    values: (..., m). covariance: (..., m, m). spread: (m, m).

    >>> mean, variance = shrink(np.array([2.0]), np.eye(1), np.eye(1))
    >>> float(mean[0]), float(variance[0, 0])
    (1.0, 0.5)
    """
    gain = np.linalg.solve(spread + covariance, np.broadcast_to(spread, covariance.shape)).swapaxes(-1, -2)
    return (gain @ values[..., None])[..., 0], spread - gain @ spread


def excess_interval(
    value: ArrayLike, variance: ArrayLike, spread: ArrayLike, freedom: float, unshrunk_beyond: float = 3.0
) -> tuple[Array, Array, Array]:
    """Excess and its 95 % interval. [ln volume]

    Shrunk towards the peers where it could be a healthy car's; where it is more than `unshrunk_beyond` standard
    deviations away it belongs to no healthy population and stands as measured. Between 2 and that the two blend,
    so that the figure never jumps. freedom: degrees of freedom of the spread. All broadcast.
    """
    value, variance, spread = (np.asarray(given, dtype=np.float64) for given in (value, variance, spread))
    total = variance + spread
    gain = spread / total
    z = np.abs(value) / np.sqrt(total)
    apart = np.clip((z - 2.0) / (unshrunk_beyond - 2.0), 0.0, 1.0)
    gain = gain + apart * (1.0 - gain)
    half = float(t_quantile(0.975, freedom)) * np.sqrt(gain * variance)
    return gain * value, gain * value - half, gain * value + half
