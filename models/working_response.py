"""An observation known only to be at least so high, as a plain one that says as much."""

import numpy as np
from numpy.typing import NDArray

from models.distributions import normal_log_density, normal_log_tail

Array = NDArray[np.float64]


def working_response(mean: Array, sd: Array, bound: Array) -> tuple[Array, Array]:
    """A censored observation (at least `bound`) as an equivalent plain one: value and its precision.

    mean, sd: of the response, in its unit. The log-likelihood ln(1 - Phi(a)), a = (bound - mean) / sd, has slope
    h / sd and curvature -h (h - a) / sd^2 in `mean`, h the hazard phi(a) / (1 - Phi(a)); the plain observation with
    the same two is what Newton's method would regress on. Where the mean lies far above the bound it says nothing.

    >>> value, precision = working_response(np.array([0.0]), np.array([1.0]), np.array([0.0]))
    >>> value.round(4).tolist(), precision.round(4).tolist()
    ([1.2533], [0.6366])
    """
    a = (np.asarray(bound) - mean) / sd
    hazard = np.exp(normal_log_density(a) - normal_log_tail(a))
    # 1 / (1 + a^2) bounds the curvature away from rounding where a is very negative
    curvature = np.maximum(hazard * (hazard - a), 1e-12)
    return mean + sd * hazard / curvature, curvature / sd**2
