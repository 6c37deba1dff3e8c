"""Log by log: each log's own excess, its exponentially weighted mean, and the day an excess is first seen."""

from datetime import date

import numpy as np
import polars as pl
from numpy.typing import NDArray

from models.design_matrix import Rows
from models.engine_speed import car_basis
from models.variances import Noise

Array = NDArray[np.float64]

EWMA_WEIGHT = 0.3


def ewma(values: Array, start: float, weight: float = EWMA_WEIGHT) -> Array:
    """Exponentially weighted moving average from `start`. (n,)

    Source: NIST/SEMATECH e-Handbook 6.3.2.4, doi 10.18434/M32189.

    >>> ewma(np.array([52.0, 47.0]), 50.0).round(2).tolist()
    [50.6, 49.52]
    """
    smooth = np.empty(len(values))
    for number, value in enumerate(values):
        start = weight * value + (1.0 - weight) * start
        smooth[number] = start
    return smooth


def ewma_sd(count: int, sd: float, weight: float = EWMA_WEIGHT) -> Array:
    """Standard deviation of the average after 1..count values: short histories are tighter than the asymptote.

    sd sqrt(w / (2 - w) (1 - (1 - w)^(2 i))). Source: Montgomery, Introduction to Statistical Quality Control.
    """
    i = np.arange(1, count + 1)
    return np.asarray(sd * np.sqrt(weight / (2 - weight) * (1 - (1 - weight) ** (2 * i))))


def first_seen(days: list[date], values: Array, log_sd: float, car_sd: float, limit: float = 1.645) -> date | None:
    """The day from which the average of the excess stays above what a healthy car's would reach. None: never.

    values: each log's excess [ln volume] in the order of `days`. log_sd: from log to log. car_sd: between healthy
    cars, common to all of a car's logs. limit: one-sided 95 %.
    """
    if not days:
        return None
    # a car's own share of the healthy spread is in all of its logs and builds up in the average as they do
    built_up = 1.0 - (1.0 - EWMA_WEIGHT) ** np.arange(1, len(days) + 1)
    bound = limit * np.sqrt(ewma_sd(len(days), log_sd) ** 2 + (car_sd * built_up) ** 2)
    below = np.flatnonzero(ewma(values, 0.0) <= bound)
    first = int(below[-1]) + 1 if len(below) else 0
    return days[first] if first < len(days) else None


LOG_EXCESS = {"log": pl.String, "excess": pl.Float64, "variance": pl.Float64}  # [ln volume] and its square


def log_table(
    rows: Rows, frame: pl.DataFrame, residual: Array, own_variance: Array, curves: Array, noise: Noise
) -> pl.DataFrame:
    """unit, log, date, in_quarter, excess, variance: one row a log. [ln volume]

    residual, own_variance: (rows,). curves: (units, 4) each car's four numbers: tilt and bow are taken out, so that
    logs covering different engine speeds compare. Saturated rows are left out: they only say "at least".
    """
    unit = np.repeat(np.arange(rows.units), np.diff(rows.starts))
    shape = (car_basis(rows.z)[:, 1:] * curves[unit, 1:3]).sum(axis=1)
    unlogged = rows.ethanol_sd**2 + rows.unlogged_sd**2
    table = pl.DataFrame(
        {
            "unit": unit, "log": frame["log"], "date": frame["date"], "in_quarter": rows.in_quarter,
            "flat": residual - shape, "saturated": rows.saturated, "own": own_variance + unlogged,
            "barometer": rows.barometer_sd**2, "pulls_of_log": rows.pulls_of_log, "cell": noise.cell**2 / rows.pulls,
        }
    ).filter(~pl.col("saturated"))  # fmt: skip
    return table.group_by("unit", "log", maintain_order=True).agg(
        pl.col("date", "in_quarter").first(),
        excess=pl.col("flat").mean(),
        variance=pl.col("own").mean()
        + pl.col("barometer").mean()
        + noise.log**2
        + noise.pull**2 / pl.col("pulls_of_log").first()
        + pl.col("cell").mean() / pl.len(),
    )
