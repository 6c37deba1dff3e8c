"""What a car's own logs say of it, before its figure is drawn towards its peers'.

A study shows a shrunk excess: drawn towards nought as far as it could be a healthy car's (models.excess). A funnel
needs the figure as estimated, and its standard error: from the car's own noise, from what was not measured and from
the expectation. Both follow from the shrunk figure, its interval, the level's z and the spread between healthy cars.
"""

from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

SHRUNK_Z, UNSHRUNK_Z = 2.0, 3.0  # a level up to the one is shrunk in full, beyond the other not at all
TELLING_Z = 0.5  # below, rounding of the figures says more than the figures
FREEDOM_LEAST = 6.0

Array = NDArray[np.float64]


def as_estimated(cars: pl.DataFrame, tau_pct: float | None) -> pl.DataFrame:
    """CARS with estimate_pct and error_pct, both 100 ln(volume), null where they cannot be told.

    tau_pct: spread between healthy cars, as the study's summary gives it. [100 ln(volume)]
    """
    figures = cars.select("excess_pct", "excess_low_pct", "excess_high_pct").cast(pl.Float64)
    level = 100 * np.log1p(figures.to_numpy() / 100)
    z = cars["level_z"].to_numpy().astype(np.float64)
    if not tau_pct or not len(z):
        nothing = pl.lit(None, pl.Float64)
        return cars.with_columns(estimate_pct=nothing, error_pct=nothing)
    half, spread = (level[:, 2] - level[:, 1]) / 2, tau_pct**2
    with np.errstate(invalid="ignore", divide="ignore"):
        variance = sampling_variance((half / _width(level[:, 0], half, z, spread)) ** 2, z, spread)
        estimate = z * np.sqrt(variance + spread)
    return cars.with_columns(
        pl.Series("estimate_pct", estimate, nan_to_null=True),
        pl.Series("error_pct", np.sqrt(variance), nan_to_null=True),
    )


def sampling_variance(shrunk: Any, z: Any, spread: float) -> Array:
    """Variance of the estimate from that of the shrunk figure; nan where the figure's own is no smaller than `spread`.

    The shrunk figure's is gain * S with gain = G / (S + G), G the spread; between both limits of z the gain rises to 1.

    >>> sampling_variance([2.0, 2.0], [0.0, 5.0], 4.0)
    array([4., 2.])
    """
    shrunk, z = np.asarray(shrunk, np.float64), np.abs(np.asarray(z, np.float64))
    apart = np.clip((z - SHRUNK_Z) / (UNSHRUNK_Z - SHRUNK_Z), 0.0, 1.0)
    rest = spread - shrunk
    with np.errstate(invalid="ignore", divide="ignore"):
        plain = np.where(rest > 0, shrunk * spread / rest, np.nan)
        blended = (np.sqrt(rest**2 + 4 * apart * shrunk * spread) - rest) / (2 * apart)
    return np.where(apart > 0, blended, plain)


def _width(level: Array, half: Array, z: Array, spread: float) -> float:
    """How many standard errors the study's intervals reach to each side.

    It is the study's own quantile of Student's t; cars shrunk in full or not at all give it twice over.
    """
    whole = np.where(np.abs(z) >= UNSHRUNK_Z, (level / z) ** 2, (z * spread / level) ** 2)
    sampling = whole - spread
    shrunk = np.where(np.abs(z) >= UNSHRUNK_Z, sampling, sampling * spread / whole)
    usable = ((np.abs(z) >= TELLING_Z) & (np.abs(z) < SHRUNK_Z)) | (np.abs(z) >= UNSHRUNK_Z)
    usable &= np.isfinite(half) & (half > 0) & (shrunk > 0)
    if not usable.any():
        from models.distributions import t_quantile  # loads scipy, for this rare case only

        return float(t_quantile(0.975, max(FREEDOM_LEAST, np.isfinite(half).sum())))
    return float(np.median(half[usable] / np.sqrt(shrunk[usable])))
