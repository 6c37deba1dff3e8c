"""What other clubs gave, as observations that teach the expectation and are judged by nobody; who gives odd cars
teaches less."""

from dataclasses import dataclass
from datetime import timedelta

import numpy as np
import polars as pl
from numpy.typing import NDArray

from ingest.labels import plain_name
from models.demand import fuel_factor_slope
from models.design_matrix import Columns, Rows
from models.expected_duty import normal_equations
from models.log_sums import LogSums
from models.observations import OBSERVATIONS, observe, spells
from models.quarters import first_day, shifted

Array = NDArray[np.float64]

OWN = ""  # the source of a club's own cars
WORDS = ("engine", "pump", "boost_hardware", "calibration")
ETHANOL_STEP_SD = 5.0 / 12**0.5  # points: what a contribution's ethanol content is rounded to


def borrowed(pooled: pl.DataFrame, roster: pl.DataFrame, quarter: str) -> pl.DataFrame:
    """CONTRIBUTION of the four quarters that end with `quarter` -> OBSERVATIONS with saturated, in_quarter and source.

    roster: the club's own, whose spelling of a setup's words is taken, and whose spells are counted on from.
    Without days, so that they count as the quarter's: a borrowed car has a level and a shape, and no trend.
    """
    quarters = [shifted(quarter, -back) for back in range(4)]
    cells = pooled.filter(pl.col("quarter").is_in(quarters)).with_columns(_spelled_as(roster, name) for name in WORDS)
    cells = cells.with_columns(
        label=pl.concat_str("club", "quarter", "car", separator=" "),
        date=pl.lit(first_day(quarter) + timedelta(days=45), pl.Date),
    ).with_columns(log=pl.concat_str("label", pl.col("log").cast(pl.String), separator=" "))
    cars = cells.group_by("label", *WORDS, "port_injection").agg(
        ethanol_pct=pl.col("ethanol_pct").median(), source=pl.col("club").first()
    )
    table = spells(cars.with_columns(since=pl.lit(None, pl.Date), until=pl.lit(None, pl.Date)).sort("label"))
    measured = pl.when("ethanol_measured").then("ethanol_pct")
    unknown = {name: pl.lit(None, pl.Float64) for name in ("boost_kpa", "duty_max_pct", "duty_top_share")}
    seen = observe(cells.with_columns(ethanol_pct=measured, samples=pl.lit(None, pl.Int32), **unknown), table)
    flags = cells.select("log", "pull", "band_rpm", "saturated")
    rounding = ETHANOL_STEP_SD * pl.Series(fuel_factor_slope(seen["ethanol_pct"].to_numpy()))
    return (
        seen.with_columns(ethanol_sd=(pl.col("ethanol_sd") ** 2 + rounding**2).sqrt())
        .join(flags, on=["log", "pull", "band_rpm"], maintain_order="left")
        .join(table.select("spell", "source"), on="spell", maintain_order="left")
        .with_columns(
            spell=pl.col("spell") + roster.height, ceiling_pct=pl.lit(None, pl.Float64), in_quarter=pl.lit(True)
        )
        .select(*OBSERVATIONS, "ceiling_pct", "saturated", "in_quarter", "source")
    )


def _spelled_as(roster: pl.DataFrame, column: str) -> pl.Expr:
    """A word of a setup as this club's roster writes it, where the two differ in case or blanks only."""
    own = {plain_name(word): word for word in roster[column].drop_nulls().unique().sort()}
    plain = pl.col(column).map_elements(lambda word: own.get(plain_name(word), word), return_dtype=pl.String)
    return plain.alias(column)


@dataclass(frozen=True)
class SourceRule:
    """freedom: of the t distribution that sources' effects are taken to come from: the fewer, the sooner an odd one
    loses its say.
    """

    freedom: float = 2.0
    weight_min: float = 1e-4


def source_weights(
    rows: Rows,
    X: Columns,
    sums: LogSums,
    spread: Array,
    weights: Array,
    A: Array,
    b: Array,
    sources: NDArray[np.int64],
    columns: list[NDArray[np.int64]],
    prior_sd: Array,
    start_sd: Array,
    rule: SourceRule = SourceRule(),
) -> Array:
    """How far each source is believed, from how far its cars lie from what all others say of them. (sources,) 0..1

    sources: (units,) number of each spell's; 0 the club's own. columns: of each source, its own effects. prior_sd:
    (k,) in A. start_sd: (k,) of a source that is believed. Weight of a multivariate t: (f + n) / (f + d2), at most 1,
    d2 the squared distance in n directions. Source: Lange, Little & Taylor 1989, J Am Stat Assoc 84:881.
    """
    found = np.ones(len(columns))
    for source in range(1, len(columns)):
        own = columns[source]
        taught, b_taught, _ = normal_equations(rows, X, sums, spread, np.where(sources == source, weights, 0.0))
        rest = A - taught
        rest[own, own] += start_sd[own] ** -2.0 - prior_sd[own] ** -2.0
        covariance = np.linalg.inv(rest)
        surprise = (b_taught[:, 0] - taught @ (covariance @ (b - b_taught[:, 0])))[own]
        expected = (taught + taught @ covariance @ taught)[np.ix_(own, own)]
        sizes, directions = np.linalg.eigh(expected)
        known = sizes > 1e-8 * sizes.max()
        distance = float(((directions[:, known].T @ surprise) ** 2 / sizes[known]).sum())
        found[source] = min(1.0, (rule.freedom + known.sum()) / (rule.freedom + distance))
    return np.maximum(found, rule.weight_min)
