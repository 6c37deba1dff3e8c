"""What each setup's cars do at each engine speed: quantiles over cars, each counting once."""

from collections.abc import Iterator

import polars as pl

from models.queries import run_query
from models.schemas import BASELINES


def car_medians(observations: pl.DataFrame) -> pl.DataFrame:
    """OBSERVATIONS with `saturated` and `in_quarter` -> one row a setup, band and car of the quarter.

    Without the car's label, and the setup as a category: of a large fleet there are a million rows.
    """
    table = observations.select("setup", "band_rpm", "label", *MEDIANS, "saturated", "in_quarter")
    return run_query("car_medians", observations=table).drop("label").cast({"setup": pl.Categorical})


CARS_AT_ONCE = 200_000


def _by_setups(cars: pl.DataFrame) -> Iterator[pl.DataFrame]:
    """Whole setups, some at a time, with their names."""
    sizes = cars.group_by("setup").len().sort("setup").with_columns(part=pl.col("len").cum_sum() // CARS_AT_ONCE)
    for part in sizes.partition_by("part", maintain_order=True) or [sizes]:
        yield cars.join(part, on="setup", how="semi").cast({"setup": pl.String})


MEDIANS = ("duty_pct", "demand", "ethanol_pct", "boost_kpa")


def baselines(cars: pl.DataFrame, expected: pl.DataFrame) -> pl.DataFrame:
    """Rows of `car_medians` -> BASELINES, by setup and band.

    expected: setup, band_rpm, expected_duty_pct: the regression's duty at the setup's median demand.
    """
    parts = [run_query("baselines", cars=part) for part in _by_setups(cars)]
    return (
        pl.concat(parts)
        .sort("setup", "band_rpm")
        .join(expected, on=["setup", "band_rpm"], how="left", maintain_order="left")
        .with_columns(pl.col("expected_duty_pct").round(3))
        .select(pl.col(name).cast(dtype) for name, dtype in BASELINES.items())
    )
