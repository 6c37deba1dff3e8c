"""One car's excess log by log over the four quarters: is it new, steady, growing?"""

from functools import cache

import altair as alt
import polars as pl

from reports.charts.chart import Chart, Look, finished
from reports.charts.encodings import FIT_WIDTH
from reports.tables import percent
from reports.theme import BLACK, BLUE, INK_SOFT

HEIGHT_PX = 220
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
THIS_QUARTER, EARLIER = "log of this quarter", "earlier log"


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
    return Chart("trend", _look(), {"rows": rows}, HEADINGS, _sentence(rows))


@cache
def _look() -> Look:
    kinds = [THIS_QUARTER, EARLIER]
    kind = f"datum.in_quarter ? '{THIS_QUARTER}' : '{EARLIER}'"
    rows = (
        alt.Chart(alt.NamedData("rows"))
        .transform_calculate(kind=kind)
        .encode(
            x=alt.X(
                "date:T",
                title="Date of the log (day)",
                axis=alt.Axis(format="%-d %b %Y", tickCount=4, labelFlush=30, labelBound=True),
                scale=alt.Scale(type="utc", padding=14),  # a day is a day wherever the page is read
            ),
            color=alt.Color(
                "kind:N",
                scale=alt.Scale(domain=kinds, range=[BLACK, BLUE]),
                legend=alt.Legend(columns=2),
            ),
        )
    )
    zero = alt.Chart(alt.NamedData("rows")).mark_rule(color=INK_SOFT, strokeWidth=1.5).encode(y=alt.YDatum(0))
    span = rows.mark_rule(strokeWidth=1.5).encode(
        y=alt.Y("excess_low_pct:Q", title="Excess (% of fuel volume)"), y2="excess_high_pct:Q"
    )
    points = rows.mark_point(filled=True, size=80, opacity=1).encode(
        y="excess_pct:Q",
        shape=alt.Shape("kind:N", scale=alt.Scale(domain=kinds, range=["circle", "square"])),
        tooltip=[
            alt.Tooltip("utcyearmonthdate(date):T", title="date", format="%-d %b %Y"),
            alt.Tooltip("excess_pct:Q", title="excess (%)", format="+.1f"),
        ],
    )
    return finished(alt.layer(zero, span, points).properties(width="container", autosize=FIT_WIDTH, height=HEIGHT_PX))


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
