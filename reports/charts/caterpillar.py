"""Every car's excess with its interval, one row a car, the highest first."""

from collections.abc import Mapping
from functools import cache

import altair as alt
import polars as pl

from reports.charts.chart import Chart, Look, finished
from reports.charts.encodings import FIT_WIDTH, signal_colour, signal_shape
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
TITLE = ["Excess of fuel volume", "against peers (%)"]  # short lines: a phone leaves little room beside the labels


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
            _look(tuple(words.items())),
            {"rows": part, "scale": scale},
            HEADINGS,
            _sentence(part),
            ROW_PX * part.height,
        )
        for part in parts
    ]


@cache
def _look(words: tuple[tuple[str, str], ...]) -> Look:
    names = dict(words)
    rows = alt.Chart(alt.NamedData("rows")).encode(
        y=alt.Y("name:N", sort=None, title=None, axis=alt.Axis(labelOverlap=False, ticks=False, domain=False)),
        tooltip=[
            alt.Tooltip("name:N", title="car"),
            alt.Tooltip("setup:N", title="setup"),
            alt.Tooltip("signal:N", title="signal"),
            alt.Tooltip("excess_pct:Q", title="excess (%)", format="+.1f"),
            alt.Tooltip("excess_low_pct:Q", title="at least (%)", format="+.1f"),
            alt.Tooltip("excess_high_pct:Q", title="at most (%)", format="+.1f"),
        ],
    )
    colour = signal_colour(names, alt.Legend(columns=1))
    span = rows.mark_rule(strokeWidth=2).encode(
        x=alt.X("excess_low_pct:Q", title=TITLE, axis=alt.Axis(orient="bottom")),
        x2="excess_high_pct:Q",
        color=colour,
    )
    point = rows.mark_point(size=70, filled=True, opacity=1).encode(
        x=alt.X("excess_pct:Q"), color=colour, shape=signal_shape(names)
    )
    edges = alt.Chart(alt.NamedData("scale")).mark_point(opacity=0).encode(x="edge:Q")
    zero = alt.Chart(alt.NamedData("scale")).mark_rule(strokeWidth=1.5).encode(x=alt.XDatum(0))
    return finished(
        alt.layer(edges, zero, span, point).properties(width="container", autosize=FIT_WIDTH, height=ROW_PX)
    )


def _sentence(rows: pl.DataFrame) -> str:
    first, last = rows.row(0, named=True), rows.row(rows.height - 1, named=True)
    above = rows.filter(pl.col("excess_low_pct") > 0).height
    return (
        f"Excess of {rows.height} cars with 95 % intervals, from {percent(first['excess_pct'])} "
        f"({first['name']}) down to {percent(last['excess_pct'])} ({last['name']}); "
        f"the whole interval of {above} lies above zero."
    )
