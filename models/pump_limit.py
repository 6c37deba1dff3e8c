"""Whether a pump is at the end of what it can deliver: observed, not compared, since all peers may be."""

from dataclasses import dataclass

import polars as pl

from models.queries import run_query


@dataclass(frozen=True)
class LimitRule:
    """lean_s_min: a mixture this long at or above lambda 0.98 under boost at full load is short of fuel.

    saturated_pulls_min: pulls in which one band is saturated.
    """

    lean_s_min: float = 0.2
    saturated_pulls_min: int = 2


def counted_events(pulls: pl.DataFrame, rule: LimitRule = LimitRule()) -> pl.DataFrame:
    """The rows of events.sql. pulls: the columns in use, with spell and in_quarter."""
    return run_query("events", pulls=pulls, rule=pl.DataFrame([rule]))


def pump_limit(events: pl.DataFrame, saturated_pulls: pl.DataFrame, rule: LimitRule = LimitRule()) -> pl.DataFrame:
    """spell, pump_limit: one row a spell of `events`, in its order.

    events: of events.sql. saturated_pulls: spell, saturated_pulls: the most pulls in which one band is saturated.
    rail_short: rail under its target, a dropout with the rail collapsing, or lean at full load. reached: one band
    saturated in two pulls. unknown: no rail pressure logged, and nothing else seen. none: none of these.
    """
    short = (
        (pl.col("rail_deficits").fill_null(0) > 0)
        | (pl.col("dropouts_collapsing").fill_null(0) > 0)
        | (pl.col("lean_s").fill_null(0.0) >= rule.lean_s_min)
    )
    reached = pl.col("saturated_pulls").fill_null(0) >= rule.saturated_pulls_min
    return events.join(saturated_pulls, on="spell", how="left", maintain_order="left").select(
        "spell",
        pump_limit=pl.when(short)
        .then(pl.lit("rail_short"))
        .when(reached)
        .then(pl.lit("reached"))
        .when(pl.col("pulls_with_rail") == 0)
        .then(pl.lit("unknown"))
        .otherwise(pl.lit("none")),
    )
