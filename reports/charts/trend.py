"""One car's excess log by log over the four quarters: is it new, steady, growing?"""

import polars as pl

from reports.charts.chart import Chart
from reports.tables import percent

HEADINGS = {
    "date": "date",
    "in_quarter": "in this quarter",
    "pulls": "pulls",
    "excess_pct": "excess (% of volume)",
    "excess_low_pct": "at least (%)",
    "excess_high_pct": "at most (%)",
    "dropouts": "dropouts",
    "rail_deficits": "rail deficits",
}


def draw(logs: pl.DataFrame) -> Chart:
    """logs: CAR_LOGS of one spell; logs without a figure are left out."""
    rows = (
        logs.lazy()
        .drop_nulls(["excess_pct", "date"])
        .sort("date", "log")
        .select(
            "date",
            "in_quarter",
            *(f"excess_{part}pct" for part in ("", "low_", "high_")),
            "pulls",
            "dropouts",
            "rail_deficits",
        )
        .collect()
    )
    return Chart("trend", {"rows": rows}, HEADINGS, _sentence(rows))


def _sentence(rows: pl.DataFrame) -> str:
    if rows.is_empty():
        return "No log of this car has a figure yet."
    first, last = rows.row(0, named=True), rows.row(rows.height - 1, named=True)
    if rows.height == 1:
        return f"Excess of this car's one log, {first['date']}: {percent(first['excess_pct'])}."
    return (
        f"Excess of {rows.height} logs of this car, each with its 95 % interval: first "
        f"{percent(first['excess_pct'])} on {first['date']}, last {percent(last['excess_pct'])} on {last['date']}."
    )
