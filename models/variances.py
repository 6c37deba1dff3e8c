"""How far a healthy car's cells stray from the expectation, and together: the covariance of one car's rows."""

from collections.abc import Callable, Sequence
from dataclasses import astuple, dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import cho_solve, cholesky
from scipy.optimize import minimize

from models.design_matrix import Rows, car_basis

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Noise:
    """Standard deviations of ln(volume) within a car. [1]

    log: common to a log's rows (fuel, weather, sensors that day). pull: common to a pull. cell: of one cell, whose
    neighbours in engine speed correlate by `neighbour`.
    """

    log: float = 0.010
    pull: float = 0.008
    cell: float = 0.012
    neighbour: float = 0.3


def within(rows: Rows, unit: slice, noise: Noise) -> Array:
    """Covariance of one spell's rows for one car with its own curve known: logs, pulls, cells. (n, n)"""
    same_log = rows.log[unit, None] == rows.log[None, unit]
    apart = np.abs(rows.band[unit, None] - rows.band[None, unit])
    fading = noise.cell**2 * noise.neighbour ** np.arange(apart.max(initial=0) + 1)  # by distance in bands
    root = 1.0 / np.sqrt(rows.pulls[unit])
    V = fading[apart] * (root[:, None] * root[None, :])
    V += noise.log**2 + noise.pull**2 / rows.pulls_of_log[unit, None]
    V += rows.barometer_sd[unit, None] * rows.barometer_sd[None, unit]
    V *= same_log
    # a ridge far below any real noise keeps the matrix invertible where neighbours correlate fully
    V[np.diag_indices_from(V)] += rows.extra_variance[unit] + 1e-8
    return np.asarray(V)


def unmeasured(rows: Rows, unit: slice) -> Array:
    """Covariance from what was not measured, common to a spell: ethanol, lambda, intake temperature. (n, n)"""
    ethanol, unlogged = rows.ethanol_sd[unit], rows.unlogged_sd[unit]
    return np.asarray(np.outer(ethanol, ethanol) + np.outer(unlogged, unlogged))


def log_likelihood(residual: Array, covariance: Array) -> float:
    """Of a normal residual, constants left out."""
    lower = cholesky(covariance, lower=True, check_finite=False)
    white = cho_solve((lower, True), residual, check_finite=False)
    return float(-0.5 * residual @ white - np.log(np.diag(lower)).sum())


def learn_noise(
    rows: Rows,
    residual: Array,
    spread: Array,
    weights: Array,
    start: Noise,
    units: Sequence[int],
    around: Noise = Noise(),
) -> Noise:
    """Noise by maximum likelihood over the given spells, the most likely under a broad prior for tiny fleets.

    residual: ln(volume) minus the expectation, a value a row. spread: (3, 3) of healthy curves. weights: (units,)
    probability that each spell is healthy. around: centre of the log-normal prior, whose standard deviation of .7
    (a factor of two) yields to a few dozen logs.
    """
    chosen = [(rows.of(unit), weights[unit]) for unit in units]
    fixed = [
        car_basis(rows.z[part]) @ spread @ car_basis(rows.z[part]).T + unmeasured(rows, part) for part, _ in chosen
    ]
    centre = np.log(astuple(around)[:3])

    def loss(theta: Array) -> float:
        noise = _from(theta, around)
        fit = sum(
            w * log_likelihood(residual[part], extra + within(rows, part, noise))
            for (part, w), extra in zip(chosen, fixed, strict=True)
        )
        return float(-fit + ((theta[:3] - centre) ** 2).sum() / (2 * 0.7**2) + theta[3] ** 2 / 8)

    first = np.r_[np.log(astuple(start)[:3]), _logit(start.neighbour)]
    best = _minimize(loss, first)
    return _from(best, around)


def _minimize(loss: Callable[[Array], float], first: Array) -> Array:
    options = {"xatol": 0.02, "fatol": 0.05, "maxfev": 200, "initial_simplex": _simplex(first)}
    return np.asarray(minimize(loss, first, method="Nelder-Mead", options=options).x)


def _simplex(first: Array) -> Array:
    return np.vstack([first, first + 0.4 * np.eye(len(first))])


def _logit(share: float) -> float:
    return float(np.log(share / (0.9 - share)))


def _from(theta: Array, around: Noise) -> Noise:
    log, pull, cell = np.exp(np.clip(theta[:3], -9, 0)).tolist()
    return replace(around, log=log, pull=pull, cell=cell, neighbour=float(0.9 / (1 + np.exp(-theta[3]))))
