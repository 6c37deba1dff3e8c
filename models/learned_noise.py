"""How far logs, pulls and cells stray within a car, learned from the residuals of a fleet."""

from collections.abc import Callable, Sequence
from dataclasses import astuple, dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize

from models.design_matrix import Rows
from models.engine_speed import car_basis
from models.log_sums import add_up, apart, common_covariance, log_batches, patterns, roots
from models.variances import Noise

Array = NDArray[np.float64]
Ints = NDArray[np.int64]


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
    chosen = np.asarray(units, dtype=np.int64)
    batches = [batch_of(rows, unit, index, residual) for unit, index in log_batches(rows, chosen)]
    K, centre = common_covariance(spread), np.log(astuple(around)[:3])

    def loss(theta: Array) -> float:
        fits = log_likelihoods(rows, batches, K, _from(theta, around))[chosen]
        return float(-fits @ weights[chosen] + ((theta[:3] - centre) ** 2).sum() / (2 * 0.7**2) + theta[3] ** 2 / 8)

    first = np.r_[np.log(astuple(start)[:3]), _logit(start.neighbour)]
    best = _minimize(loss, first)
    return _from(best, around)


@dataclass(frozen=True)
class Batch:
    """Logs of one length. unit: (logs,). pattern, which: of `patterns`. columns: (logs, length, 6) level, tilt, bow,
    ethanol, unlogged and residual.
    """

    unit: Ints
    pattern: Ints
    which: Ints
    columns: Array


def batch_of(rows: Rows, unit: Ints, index: Ints, residual: Array) -> Batch:
    """unit, index: as of `log_batches`. residual: (rows,)."""
    spell = np.stack([rows.ethanol_sd[index], rows.unlogged_sd[index], residual[index]], axis=-1)
    return Batch(unit, *patterns(rows, index), np.concatenate([car_basis(rows.z[index]), spell], axis=-1))


def log_likelihoods(rows: Rows, batches: list[Batch], K: Array, noise: Noise) -> Array:
    """Of each spell's normal residuals, constants left out; 0 for spells without a batch. (units,)

    K: (5, 5) covariance of what is common to a spell.
    """
    sums, ln_det = np.zeros((rows.units, 6, 6)), np.zeros(rows.units)
    for batch in batches:
        root = roots(rows, batch.pattern, noise)
        white = root[batch.which] @ batch.columns
        add_up(batch.unit, white.swapaxes(-1, -2) @ white, sums)
        ln_root = np.log(np.diagonal(root, axis1=-2, axis2=-1)).sum(axis=-1)
        add_up(batch.unit, -2.0 * ln_root[batch.which], ln_det)
    common = np.arange(5)
    ln_det += np.linalg.slogdet(np.eye(5) + K @ sums[:, :5, :5])[1]
    return np.asarray(-0.5 * (apart(sums, np.array([5]), common, K)[:, 0, 0] + ln_det))


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
