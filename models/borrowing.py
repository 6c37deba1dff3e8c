"""What other clubs gave, as observations that teach the expectation and are judged by nobody; who gives odd cars
teaches less."""

from dataclasses import dataclass
from datetime import timedelta

import numpy as np
import polars as pl
from numpy.typing import NDArray

from ingest.labels import plain_name
from ingest.schemas import CELLS, SETUP, SETUP_WORDS
from models.columns import Columns
from models.demand import fuel_factor_slope
from models.design_matrix import Rows
from models.expected_duty import normal_equations
from models.log_sums import LogSums
from models.observations import OBSERVATIONS, observe, spells
from models.quarters import first_day, shifted

Array = NDArray[np.float64]

OWN = ""  # the source of a club's own cars
ETHANOL_STEP_SD = 5.0 / 12**0.5  # points: what a contribution's ethanol content is rounded to


@dataclass(frozen=True)
class LenderRule:
    """clubs_min: clubs that must know a setup before other clubs' cars of it teach: what fewer say of it cannot be held
    against anybody. own_cars_min: cars of it by which this club knows it, one of them judged by the rest.
    """

    clubs_min: int = 3
    own_cars_min: int = 3


def borrowed(
    pooled: pl.DataFrame,
    roster: pl.DataFrame,
    quarter: str,
    driven: pl.DataFrame,
    rule: LenderRule = LenderRule(),
) -> pl.DataFrame:
    """CONTRIBUTION of the four quarters that end with `quarter` -> OBSERVATIONS with saturated, in_quarter and source.

    roster: the club's own, whose spelling of a setup's words is taken, and whose spells are counted on from.
    driven: the spells of it with usable cells.
    Without days, so that they count as the quarter's: a borrowed car has a level and a shape, and no trend.
    """
    quarters = [shifted(quarter, -back) for back in range(4)]
    cells = pooled.filter(pl.col("quarter").is_in(quarters)).with_columns(
        _spelled_as(roster, name) for name in SETUP_WORDS
    )
    cells = (
        cells.join(_known(cells, driven, rule), on=SETUP, how="semi")
        .with_columns(
            label=pl.concat_str("club", "quarter", "car", separator=" "),
            date=pl.lit(first_day(quarter) + timedelta(days=45), pl.Date),
        )
        .with_columns(log=pl.concat_str("label", pl.col("log").cast(pl.String), separator=" "))
    )
    cars = cells.group_by("label", *SETUP).agg(
        ethanol_pct=pl.col("ethanol_pct").median(), source=pl.col("club").first()
    )
    table = spells(cars.with_columns(since=pl.lit(None, pl.Date), until=pl.lit(None, pl.Date)).sort("label"))
    measured = pl.when("ethanol_measured").then("ethanol_pct")
    unknown = {name: pl.lit(None, dtype) for name, dtype in CELLS.items() if name not in cells.columns}
    seen = observe(cells.with_columns(ethanol_pct=measured, **unknown), table)
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


def _known(cells: pl.DataFrame, driven: pl.DataFrame, rule: LenderRule) -> pl.DataFrame:
    """SETUP, a row a setup that enough clubs know."""
    others = cells.group_by(SETUP).agg(pl.col("club").n_unique())
    own = driven.group_by(SETUP).agg(pl.col("label").n_unique())
    both = others.join(own, on=SETUP, how="left")
    knows_it = (pl.col("label") >= rule.own_cars_min).fill_null(False)
    return both.filter(pl.col("club") + knows_it.cast(pl.UInt32) >= rule.clubs_min).select(SETUP)


def _spelled_as(roster: pl.DataFrame, column: str) -> pl.Expr:
    """A word of a setup as this club's roster writes it, where the two differ in case or blanks only."""
    own = {plain_name(word): word for word in roster[column].drop_nulls().unique().sort()}
    plain = pl.col(column).map_elements(lambda word: own.get(plain_name(word), word), return_dtype=pl.String)
    return plain.alias(column)


@dataclass(frozen=True)
class SourceRule:
    """freedom: of the t distribution that sources' effects are taken to come from: the fewer, the sooner an odd one
    loses its say. misfit: how many times the noise of the club's own cars a source's may have. weight_min: the least.
    """

    freedom: float = 2.0
    misfit: float = 1.5
    weight_min: float = 1e-4


@dataclass(frozen=True)
class Sources:
    """of: (units,) number of the club behind each spell, 0 the own one. effects: of each source, the columns of the
    expectation that are its own. start_sd: (columns,) prior of a source that is believed.
    """

    of: NDArray[np.int64]
    effects: list[NDArray[np.int64]]
    start_sd: Array

    @property
    def lent(self) -> bool:
        return len(self.effects) > 1

    def widened(self, trust: Array) -> Array:
        """Prior of the columns: what an odd source's cars have in common is its own affair. (columns,)"""
        sd = self.start_sd.copy()
        for columns, weight in zip(self.effects, trust, strict=True):
            sd[columns] = self.start_sd[columns] / np.sqrt(weight)
        return sd


def believed(
    rows: Rows,
    X: Columns,
    sums: LogSums,
    spread: Array,
    A: Array,
    b: Array,
    prior_sd: Array,
    weights: Array,
    trust: Array,
    sources: Sources,
    rule: SourceRule = SourceRule(),
) -> Array:
    """How far each source is believed: how far its cars lie from what all others say of them, and how they scatter.

    A, b: of `fit` with prior_sd and each source's weights times its trust squared. weights: (units,) without that.
    (sources,) 0..1, the first 1. Weight of a multivariate t: (f + n) / (f + d2), at most 1, d2 the squared distance
    in n directions. Source: Lange, Little & Taylor 1989, J Am Stat Assoc 84:881.
    """
    found, length = np.ones(len(trust)), np.diff(rows.starts)
    coefficients = np.linalg.solve(A, b)
    for source in range(1, len(trust)):
        own, share = sources.effects[source], np.where(sources.of == source, weights, 0.0)
        taught, told, square = normal_equations(rows, X, sums, spread, share)
        told = told[:, 0]
        rest = A - trust[source] ** 2 * taught
        rest[own, own] += sources.start_sd[own] ** -2.0 - prior_sd[own] ** -2.0
        covariance = np.linalg.inv(rest)
        surprise = (told - taught @ (covariance @ (b - trust[source] ** 2 * told)))[own]
        expected = (taught + taught @ covariance @ taught)[np.ix_(own, own)]
        sizes, directions = np.linalg.eigh(expected)
        known = sizes > 1e-8 * sizes.max()
        distance = float(((directions[:, known].T @ surprise) ** 2 / sizes[known]).sum())
        left = float(square[0] - 2 * coefficients @ told + coefficients @ taught @ coefficients)
        scatter = left / max(float(share @ length), 1e-9)
        found[source] = (
            (rule.freedom + known.sum()) / (rule.freedom + distance) * min(1.0, rule.misfit / max(scatter, 1e-9))
        )
    return np.clip(found, rule.weight_min, 1.0)
