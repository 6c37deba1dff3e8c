"""How the fleet went over four quarters, and whose excess rises or falls from log to log."""

from dataclasses import dataclass

import polars as pl

from models.schemas import Study
from reports.cards import SPELL, Spell
from reports.tables import Table, cell, figure, signed

HEADINGS = {
    "quarter": "quarter",
    "cars": "cars",
    "logs": "logs",
    "middle": "excess of the middle car (%)",
    "range": "middle half of cars (%)",
    "dropouts": "logs with dropouts",
    "deficits": "logs short of rail pressure",
}


@dataclass(frozen=True)
class Trends:
    """fleet: a row a quarter. moving: setup spells that change over time, the fastest risers first.

    dated: how many spells have logs far enough apart for a trend to be told.
    """

    fleet: Table
    moving: tuple[Spell, ...]
    dated: int


def trends(study: Study, every: list[Spell]) -> Trends:
    """every: the spells of the study as the page shows them."""
    known = study.cars.drop_nulls("trend_z")
    return Trends(
        fleet_by_quarter(study.car_logs),
        tuple(sorted((spell for spell in every if spell.trending), key=lambda spell: -spell.trend_z)),
        known.height,
    )


def fleet_by_quarter(logs: pl.DataFrame) -> Table:
    """CAR_LOGS -> a row a quarter, every car counting once by the median of its logs."""
    quarter = pl.format("{}Q{}", pl.col("date").dt.year(), pl.col("date").dt.quarter()).alias("quarter")
    each = (
        logs.drop_nulls("date")
        .group_by(quarter, *SPELL)
        .agg(
            pl.len().alias("logs"),
            pl.col("excess_pct").median(),
            (pl.col("dropouts") > 0).sum(),
            (pl.col("rail_deficits") > 0).sum().alias("deficits"),
        )
    )
    rows = each.group_by("quarter").agg(
        pl.col("label").n_unique().alias("cars"),
        pl.col("logs", "dropouts", "deficits").sum(),
        pl.col("excess_pct").median(),
        pl.col("excess_pct").quantile(0.25, "linear").alias("low"),
        pl.col("excess_pct").quantile(0.75, "linear").alias("high"),
    )
    lines = []
    for row in rows.sort("quarter").iter_rows(named=True):
        between = f"{signed(row['low'])} to {signed(row['high'])}" if row["low"] is not None else figure(None)
        counts = (cell(row[name]) for name in ("dropouts", "deficits"))
        lines.append(
            (row["quarter"], cell(row["cars"]), cell(row["logs"]), signed(row["excess_pct"]), between, *counts)
        )
    return Table("The fleet by quarter", tuple(HEADINGS.values()), tuple(lines), (False, *(True,) * 6))
