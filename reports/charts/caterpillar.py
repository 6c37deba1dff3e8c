"""Every car's excess with its interval, one row a car, the highest first."""

from collections.abc import Mapping

import polars as pl

from reports.charts.chart import Chart
from reports.tables import percent

ROWS_A_CHART = 60  # what one sheet of A4 holds, a row a car
ROW_PX = 15
HEADINGS = {
    "name": "car",
    "setup": "setup",
    "signal": "signal",
    "excess_pct": "excess (% of volume)",
    "excess_low_pct": "at least (%)",
    "excess_high_pct": "at most (%)",
}


def draw(cars: pl.DataFrame, words: Mapping[str, str]) -> list[Chart]:
    """One chart for every ROWS_A_CHART cars, all on one scale.

    cars: name, setup, signal (code), excess_pct, excess_low_pct, excess_high_pct; rows without a figure
        are left out.
    words: signal code -> what readers see.
    """
    known = cars.drop_nulls(["excess_pct", "excess_low_pct", "excess_high_pct"]).sort(
        ["excess_pct", "name"], descending=[True, False]
    )
    if known.is_empty():
        return []
    low, high = known["excess_low_pct"].min(), known["excess_high_pct"].max()
    rows = known.select(
        "name", "setup", pl.col("signal").replace(words), "excess_pct", "excess_low_pct", "excess_high_pct"
    )
    parts = [rows.slice(at, ROWS_A_CHART) for at in range(0, rows.height, ROWS_A_CHART)]
    scale = pl.DataFrame({"edge": [min(float(low), 0.0), max(float(high), 0.0)]})  # type: ignore[arg-type]
    return [
        Chart(
            "caterpillar",
            {"rows": part, "scale": scale},
            HEADINGS,
            _sentence(part),
            ROW_PX * part.height,
        )
        for part in parts
    ]


def _sentence(rows: pl.DataFrame) -> str:
    first, last = rows.row(0, named=True), rows.row(rows.height - 1, named=True)
    above = rows.filter(pl.col("excess_low_pct") > 0).height
    return (
        f"Excess of {rows.height} cars with 95 % intervals, from {percent(first['excess_pct'])} "
        f"({first['name']}) down to {percent(last['excess_pct'])} ({last['name']}); "
        f"the whole interval of {above} lies above zero."
    )
