"""Engine speed as the study reckons with it: scaled, as a spline, and as the shapes that cars differ in."""

import numpy as np
from numpy.typing import NDArray

from ingest.schemas import BAND_WIDTH_RPM

Array = NDArray[np.float64]

CENTRE_RPM = 4400.0
HALF_RANGE_RPM = 2200.0


def speed_curve(engine_speed_rpm: Array, knots: int = 10) -> Array:
    """Cubic B-spline basis of engine speed between 2,000 and 7,000 rpm; flat outside. (n, knots)

    >>> speed_curve(np.array([2000.0, 4400.0])).sum(axis=1).round(9).tolist()
    [1.0, 1.0]
    """
    from scipy.interpolate import BSpline  # a report asks for scales and shapes alone

    low, high = 2000.0, 7000.0
    inner = np.linspace(low, high, knots - 2)
    ends = np.r_[[low] * 3, inner, [high] * 3]
    inside = np.clip(np.asarray(engine_speed_rpm, dtype=float), low, high - 1e-6)
    return np.asarray(BSpline.design_matrix(inside, ends, 3).toarray())


def middle_rpm(band_rpm: NDArray[np.integer]) -> Array:
    """Engine speed in the middle of bands. band_rpm: their lower edges. (n,) [1/min]

    >>> middle_rpm(np.array([2000])).tolist()
    [2125.0]
    """
    return np.asarray(band_rpm + BAND_WIDTH_RPM / 2)


def scaled_speed(engine_speed_rpm: Array) -> Array:
    """Engine speed as z: -1 at 2,200 and 1 at 6,600 rpm. (n,)"""
    return np.asarray((engine_speed_rpm - CENTRE_RPM) / HALF_RANGE_RPM)


def car_basis(z: Array) -> Array:
    """Level, tilt and bow over scaled engine speed: what healthy cars, and setups, differ in. (..., 3)

    >>> car_basis(np.array([1.0])).round(2).tolist()
    [[1.0, 1.0, 0.67]]
    """
    return np.stack([np.ones_like(z), z, z**2 - 0.33], axis=-1)
