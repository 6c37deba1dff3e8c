"""Tails and quantiles of the distributions that the study asks for, by scipy's special functions.

`scipy.stats` gives the same numbers, but takes a second of every start to load.
"""

from typing import Any

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import betaincinv, gammainc, gammaincinv, log_ndtr, ndtri, stdtr, stdtrit


def normal_quantile(p: ArrayLike) -> Any:
    """What a standard normal stays below with probability `p`.

    >>> round(float(normal_quantile(0.975)), 4)
    1.96
    """
    return ndtri(p)


def normal_log_density(x: ArrayLike) -> Any:
    """Logarithm of a standard normal's density."""
    return -np.square(x) / 2 - np.log(2 * np.pi) / 2


def normal_log_tail(x: ArrayLike) -> Any:
    """Logarithm of a standard normal's probability beyond `x`, also where that itself is too small for a number."""
    return log_ndtr(-np.asarray(x))


def t_tail(x: ArrayLike, freedom: ArrayLike) -> Any:
    """Probability of Student's t beyond `x`."""
    return stdtr(freedom, -np.asarray(x))


def t_quantile(p: ArrayLike, freedom: ArrayLike) -> Any:
    """What Student's t stays below with probability `p`.

    >>> round(float(t_quantile(0.975, 10)), 3)
    2.228
    """
    return stdtrit(freedom, p)


def chi2_quantile(p: ArrayLike, freedom: ArrayLike) -> Any:
    """What chi squared stays below with probability `p`.

    >>> round(float(chi2_quantile(0.95, 1)), 3)
    3.841
    """
    return 2 * gammaincinv(np.asarray(freedom) / 2, p)


def beta_quantile(p: ArrayLike, a: ArrayLike, b: ArrayLike) -> Any:
    """What a beta of `a` and `b` stays below with probability `p`."""
    return betaincinv(a, b, p)


def poisson_tail(events: ArrayLike, mean: ArrayLike) -> Any:
    """Probability of `events` or more, where at least one.

    >>> round(float(poisson_tail(1, 1.0)), 4)
    0.6321
    """
    return gammainc(events, mean)
