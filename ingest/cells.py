"""Pulls and bands of engine speed to rows: one row a pull, one row a pull and band."""

from dataclasses import dataclass

import numpy as np
import polars as pl

from ingest.events import Events
from ingest.pulls import Pulls
from ingest.schemas import BAND_WIDTH_RPM, CELLS, PULLS

MEANS = (
    "engine_speed_rpm",
    "boost_kpa",
    "boost_target_kpa",
    "intake_air_c",
    "fuel_c",
    "ethanol_pct",
    "rail_pressure_bar",
    "rail_target_bar",
    "feed_pressure_bar",
    "battery_v",
)
_PULL = 1 << 20  # more than any band: pull and band make one number, which is quicker to group by
GEOMETRIC_MEANS = ("manifold_pressure_kpa", "lambda_ratio")  # as the duty: the demand is their product


@dataclass(frozen=True)
class CellRule:
    """What makes a cell."""

    tip_in_s: float = 0.3  # left out: the rail and the duty lag
    samples_min: int = 2
    top_within_pct: float = 0.3  # of the cell's highest duty


def pull_rows(batch: pl.DataFrame, logs: pl.DataFrame, pulls: Pulls, events: Events) -> pl.DataFrame:
    """PULLS; logs: a row a log of the batch, its columns `nr`, `log`, `label`, `date`."""
    rows, count = events.rows, len(pulls.log)
    duty = batch["pump_duty_pct"].to_numpy()[rows]
    engine = batch["engine_speed_rpm"].to_numpy()[rows]
    per_pull = (
        pl.DataFrame(
            {
                "at": events.pull,
                "time_s": batch["time_s"].to_numpy()[rows],
                "engine": engine,
                "duty": duty,
                "feed": batch["feed_pressure_bar"].gather(rows),
            }
        )
        .group_by("at", maintain_order=True)
        .agg(
            pl.col("time_s").first().alias("start_s"),
            pl.col("time_s").last().alias("end_s"),
            pl.len().cast(pl.Int32).alias("samples"),
            pl.col("engine").min().alias("speed_low_rpm"),
            pl.col("engine").max().alias("speed_high_rpm"),
            pl.col("duty").max().alias("duty_max_pct"),
            pl.col("engine").get(pl.col("duty").arg_max()).alias("duty_max_rpm"),
            pl.col("feed").min().alias("feed_pressure_min_bar"),
        )
    )
    return (
        per_pull.with_columns(
            pl.Series("nr", pulls.log),
            pl.Series("gear", pulls.gear).replace(0, None),
            pl.Series("dropouts", events.dropouts),
            pl.Series("dropouts_collapsing", events.collapsing),
            pl.Series("dropout_rpm", events.dropout_rpm),
            pl.Series("rail_deficits", events.rail_deficits),
            pl.Series("rail_deficit_s", events.rail_deficit_s),
            pl.Series("rail_deficit_rpm", events.rail_deficit_rpm),
            pl.Series("lean_s", events.lean_s),
            pl.Series("pull", _number_within_log(pulls, count)),
        )
        .with_columns(pl.col(pl.Float64).fill_nan(None))
        .join(logs, on="nr", how="left", maintain_order="left")
        .select(pl.col(name).cast(dtype) for name, dtype in PULLS.items())
    )


def _number_within_log(pulls: Pulls, count: int) -> np.ndarray:
    first = np.searchsorted(pulls.log, pulls.log)  # pulls lie in the order of their logs
    return np.arange(count) - first + 1


def cell_rows(
    batch: pl.DataFrame, logs: pl.DataFrame, pulls: Pulls, events: Events, rule: CellRule | None = None
) -> pl.DataFrame:
    """CELLS; logs: as for `pull_rows`, with `barometer_assumed`."""
    rule = rule or CellRule()
    samples = batch.select("pump_duty_pct", *MEANS, *GEOMETRIC_MEANS)[events.rows].with_columns(
        pl.Series("dip", events.dip),
        pl.Series("counts", ~events.dip & ~events.settling & _loaded(batch, events)),
        (
            pl.Series(events.pull * _PULL)
            + (pl.col("engine_speed_rpm") // BAND_WIDTH_RPM * BAND_WIDTH_RPM).cast(pl.Int64)
        ).alias("cell"),
    )
    dips = samples.filter("dip").group_by("cell").agg(pl.len().cast(pl.Int32).alias("dropout_samples"))
    duty, pressure = pl.col("pump_duty_pct"), pl.col("manifold_pressure_kpa")
    highest = duty.max().over("cell")
    cells = (
        samples.filter("counts")
        .with_columns((duty >= highest - rule.top_within_pct).alias("at_top"))
        .group_by("cell")
        .agg(
            pl.len().cast(pl.Int32).alias("samples"),
            duty.log().mean().exp().alias("duty_pct"),
            duty.max().alias("duty_max_pct"),
            pl.col("at_top").mean().alias("duty_top_share"),
            pressure.log().std(ddof=0).alias("pressure_log_sd"),
            *(pl.col(name).log().mean().exp() for name in GEOMETRIC_MEANS),
            *(pl.col(name).mean() for name in MEANS),
        )
        .filter(pl.col("samples") >= rule.samples_min)
        .sort("cell")
        .join(dips, on="cell", how="left", maintain_order="left")
        .with_columns(
            pl.col("dropout_samples").fill_null(0),
            (pl.col("cell") // _PULL).alias("at"),
            (pl.col("cell") % _PULL).alias("band_rpm"),
        )
    )
    of_pull = pl.DataFrame({"at": np.arange(len(pulls.log)), "nr": pulls.log}).with_columns(
        pl.Series("pull", _number_within_log(pulls, len(pulls.log)))
    )
    return (
        cells.join(of_pull, on="at", how="left", maintain_order="left")
        .join(logs, on="nr", how="left", maintain_order="left")
        .select(pl.col(name).cast(dtype) for name, dtype in CELLS.items())
    )


def _loaded(batch: pl.DataFrame, events: Events) -> np.ndarray:
    """True where duty and pressure are above nothing: a geometric mean needs that."""
    duty = batch["pump_duty_pct"].to_numpy()[events.rows]
    pressure = batch["manifold_pressure_kpa"].to_numpy()[events.rows]
    return (duty > 0) & (pressure > 0)
