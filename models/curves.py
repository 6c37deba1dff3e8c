"""Each car's curve beside what its peers need for the same demand, and the regression's duty for a baseline."""

import numpy as np
import polars as pl
from numpy.typing import NDArray

from models.distributions import t_quantile
from models.duty_law import duty_for_share
from models.engine_speed import car_basis
from models.excess import shrink
from models.learning import Fleet, Learned
from models.schemas import CURVES

Array = NDArray[np.float64]


# without what the roster says of a spell, which joins at the end
CAR_CURVES = {"spell": pl.Int32} | {
    name: dtype for name, dtype in CURVES.items() if name not in ("label", "setup", "spell_since")
}


def car_curves(fleet: Fleet, learned: Learned, ceilings: pl.DataFrame, degrees: float) -> pl.DataFrame:
    """CAR_CURVES: one row a spell and band of the quarter's pulls, ordered by spell and band.

    Expected duty is what the duty law makes of the expectation at this car's own demand, at most its ceiling.
    The band of peers holds 95 % of healthy cars: their spread, and how well the expectation itself is known.
    """
    rows = learned.rows
    basis = car_basis(rows.z)
    healthy = np.einsum("ni,ij,nj->n", basis, learned.spread[:3, :3], basis)
    unlogged = rows.ethanol_sd**2 + rows.unlogged_sd**2
    cell_duty = np.bincount(fleet.cells.row, np.log(fleet.cells.duty_pct), len(rows.z))
    per_row = fleet.frame.select("spell", "calibration", "band_rpm", "cells").with_columns(
        in_quarter=pl.Series(rows.in_quarter),
        family=pl.Series(rows.family),
        ln_duty_sum=pl.Series(cell_duty),
        ln_share=pl.Series(learned.judged.expected + rows.ln_demand),
        residual=pl.Series(learned.judged.residual),
        variance=pl.Series(healthy + learned.judged.own_variance + unlogged),
        saturated=pl.Series(rows.saturated),
    )
    weight = pl.col("cells").cast(pl.Float64)
    mean = [((pl.col(name) * weight).sum() / weight.sum()).alias(name) for name in ("ln_share", "residual", "variance")]
    banded = (
        per_row.filter("in_quarter")
        .group_by("spell", "band_rpm")
        .agg(
            pl.col("calibration", "family").first(),
            pl.col("cells").sum().alias("pulls"),
            (pl.col("ln_duty_sum").sum() / weight.sum()).exp().alias("duty_pct"),
            *mean,
            saturated_share=(weight * pl.col("saturated")).sum() / weight.sum(),
        )
        .sort("spell", "band_rpm")
        .join(ceilings, on="calibration", how="left", maintain_order="left")
    )
    half = float(t_quantile(0.975, degrees)) * np.sqrt(banded["variance"].to_numpy())
    share, w = banded["ln_share"].to_numpy(), learned.law.values[banded["family"].to_numpy()]
    top = banded["ceiling_pct"].to_numpy()
    duty = [np.minimum(duty_for_share(np.exp(share + shift), w), top) for shift in (0.0, -half, half)]
    return banded.with_columns(
        expected_duty_pct=pl.Series(duty[0]),
        peers_low_duty_pct=pl.Series(duty[1]),
        peers_high_duty_pct=pl.Series(duty[2]),
        excess_pct=100 * (pl.col("residual").exp() - 1),
    ).select(pl.col(name).cast(dtype) for name, dtype in CAR_CURVES.items())


def setup_curves(fleet: Fleet, learned: Learned, ceilings: pl.DataFrame) -> pl.DataFrame:
    """setup, band_rpm, expected_duty_pct: the regression's duty at the setup's median demand."""
    predicted = fleet.design.X @ learned.expectation.coefficients
    frame = fleet.frame.select("setup", "calibration", "band_rpm").with_columns(
        mean=pl.Series(predicted), ln_demand=pl.Series(learned.rows.ln_demand), family=pl.Series(learned.rows.family),
        in_quarter=pl.Series(learned.rows.in_quarter),
    )  # fmt: skip
    setups = (
        frame.filter("in_quarter")
        .group_by("setup", "band_rpm")
        .agg(pl.col("mean", "ln_demand").median(), pl.col("family", "calibration").first())
        .sort("setup", "band_rpm")
        .join(ceilings, on="calibration", how="left", maintain_order="left")
    )
    share = np.exp(setups["mean"].to_numpy() + setups["ln_demand"].to_numpy())
    duty = duty_for_share(share, learned.law.values[setups["family"].to_numpy()])
    capped = np.minimum(duty, setups["ceiling_pct"].to_numpy())
    return setups.select("setup", "band_rpm").with_columns(expected_duty_pct=pl.Series(capped))


def calibration_figures(learned: Learned) -> dict[str, float]:
    """How well the expectation foretells a row of a car it has not seen: typical error, coverage of 80 and 95 %.

    Weighted by the probability of being healthy; saturated rows left out. [% of volume; 0..1]
    """
    rows, plain = learned.rows, ~learned.rows.saturated & learned.rows.in_quarter
    basis = car_basis(rows.z)
    noise = learned.noise
    variance = (
        np.einsum("ni,ij,nj->n", basis, learned.spread[:3, :3], basis)
        + learned.judged.own_variance + rows.ethanol_sd**2 + rows.unlogged_sd**2 + rows.barometer_sd**2
        + noise.log**2 + noise.pull**2 / rows.pulls_of_log + noise.cell**2 / rows.pulls
    )  # fmt: skip
    weight = np.repeat(learned.healthy, np.diff(rows.starts))[plain]
    residual = learned.judged.residual[plain]
    if not len(residual):
        return {}
    z = np.abs(residual) / np.sqrt(variance[plain])
    return {
        "cross_validated_error_pct": 100 * float(np.sqrt(np.average(residual**2, weights=weight))),
        "coverage_80": float(np.average(z <= 1.2816, weights=weight)),
        "coverage_95": float(np.average(z <= 1.95996, weights=weight)),
    }


def own_curves(learned: Learned) -> Array:
    """Each spell's shrunk level, tilt, bow, slope. (units, 4)"""
    numbers = learned.judged.numbers
    return shrink(numbers.values, numbers.covariance, learned.spread)[0]
