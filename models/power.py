"""What a study could have found: the smallest excess with 80 % power, and the logs that would decide."""

from dataclasses import fields, replace

import numpy as np
from numpy.typing import NDArray

from models.distributions import normal_quantile
from models.evidence import combine_p, directions, one_sided_p, template_z, templates
from models.excess import LEVEL, FourNumbers
from models.signals import TELLING_EXCESS_PCT

Array = NDArray[np.float64]

POWER = 0.80


def needed_level(numbers: FourNumbers, spread: Array, limit: float, freedom: float) -> Array:
    """Excess at all speeds that comes out at a combined p of `limit` or less in 80 % of cases. [ln volume] (units,)

    A car whose level is short of its true one by .84 standard deviations (one in five is) must still pass: the
    tests are worked out at that point and the excess found by bisection, since they share their evidence.
    """
    sd = np.sqrt(numbers.covariance[:, LEVEL, LEVEL] + spread[LEVEL, LEVEL])
    weights = np.array([shape.weight for shape in templates()])
    # z of each template for a car whose level alone is 1
    slopes = _template_zs(replace(numbers, values=np.tile([1.0, 0.0, 0.0, 0.0], (len(sd), 1))), spread)
    low, high = np.zeros(len(sd)), np.full(len(sd), 2.0)
    for _ in range(40):
        middle = (low + high) / 2
        passes = combine_p(one_sided_p(slopes * middle[:, None], freedom), weights) <= limit
        low, high = np.where(passes, low, middle), np.where(passes, middle, high)
    return (low + high) / 2 + float(normal_quantile(POWER)) * sd


def power(numbers: FourNumbers, spread: Array, shift: Array, limit: float, freedom: float, draws: int = 400) -> Array:
    """Probability that a quiet car which gets this fault comes out at a combined p of `limit` or less. (units,)

    shift: (units, 4) what the fault adds to the four numbers. Quiet: its p was above `limit` before. By simulation of
    the tests themselves on `draws` healthy cars; a fixed seed, since a figure in a report must repeat.
    """
    M = numbers.covariance + spread
    healthy = np.random.default_rng(0).standard_normal((draws, len(M), 4))
    before = np.einsum("uij,duj->dui", np.linalg.cholesky(M), healthy)
    quiet = _combined(numbers, before, spread, freedom) > limit
    found = _combined(numbers, before + shift, spread, freedom) <= limit
    return np.asarray((quiet & found).sum(axis=0) / np.maximum(quiet.sum(axis=0), 1))


def _combined(numbers: FourNumbers, values: Array, spread: Array, freedom: float) -> Array:
    """Combined p of many draws of the same cars' values, (draws, units, 4) -> (draws, units)."""
    draws, units, _ = values.shape
    repeated = {
        field.name: np.concatenate([getattr(numbers, field.name)] * draws)
        for field in fields(numbers)
        if field.name != "values"
    }
    z = _template_zs(FourNumbers(values=values.reshape(-1, 4), **repeated), spread)
    weights = np.array([shape.weight for shape in templates()])
    return combine_p(one_sided_p(z, freedom), weights).reshape(draws, units)


def _template_zs(numbers: FourNumbers, spread: Array) -> Array:
    """Each template's z, (units, templates)."""
    return np.column_stack([template_z(numbers, spread, directions(shape, numbers)) for shape in templates()])


def logs_needed(logs: Array, sampling: Array, variance: Array, needed: Array) -> Array:
    """More logs of the same kind until an excess of 10 % would be found; nan where the peers are the limit.

    logs: so far. sampling: (n,) the part of the level's `variance` that more logs shrink. needed: of `needed_level`,
    which grows with the standard deviation.
    """
    z = needed / np.sqrt(variance)
    allowed = (np.log1p(TELLING_EXCESS_PCT / 100) / z) ** 2 - (variance - sampling)
    wanted = np.ceil(logs * sampling / np.where(allowed > 0, allowed, np.nan) - logs - 1e-9)
    return np.asarray(np.maximum(wanted, 0.0))
