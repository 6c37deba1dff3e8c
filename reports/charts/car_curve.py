"""One car's duty over the rev range, against what its peers need for the same demand."""

from functools import cache

import altair as alt
import polars as pl

from ingest.schemas import BAND_WIDTH_RPM
from reports.charts.chart import Chart, Look, finished
from reports.charts.encodings import FIT_WIDTH, Ceiling, ceiling_marks, ceiling_rows
from reports.tables import counted, percent
from reports.theme import BAND_WIDE, BLACK, BLUE, VERMILION

HEIGHT_PX = 260
CAR, PEERS, CEILING = "this car", "what peers need (band: 95 of 100 peers)", "at its ceiling"
CEILING_SHARE = 0.2  # of a band's samples, from which the band is marked
HEADINGS = {
    "rpm": "engine speed (1/min)",
    "duty_pct": "this car's duty (%)",
    "expected_duty_pct": "peers need (%)",
    "peers_low_duty_pct": "peers from (%)",
    "peers_high_duty_pct": "peers to (%)",
    "excess_pct": "excess (% of volume)",
    "saturated_share": "share of samples at the ceiling",
}
DRAWN = ("duty_pct", "expected_duty_pct", "peers_low_duty_pct", "peers_high_duty_pct")


def draw(curve: pl.DataFrame, ceiling: Ceiling | None = None) -> Chart:
    """curve: CURVES of one spell; bands without the car's duty are left out. ceiling: of its calibration."""
    rows = (
        curve.lazy()  # one pass: a page draws hundreds of these
        .drop_nulls("duty_pct")
        .sort("band_rpm")
        .select(
            (pl.col("band_rpm") + BAND_WIDTH_RPM // 2).alias("rpm"),
            *DRAWN,
            "excess_pct",
            "saturated_share",
        )
        .collect()
    )
    data = {"rows": rows, "ceiling": ceiling_rows(ceiling)}
    return Chart("car_curve", _look(), data, HEADINGS, _sentence(rows))


@cache
def _look() -> Look:
    rows = alt.Chart(alt.NamedData("rows")).encode(
        x=alt.X(
            "rpm:Q",
            title="Engine speed (1/min)",
            scale=alt.Scale(zero=False, nice=False, padding=6),
            axis=alt.Axis(format="d", tickCount=8),
        )
    )
    duty = alt.Y("peers_low_duty_pct:Q", title="Pump duty (%)", scale=alt.Scale(zero=False))
    styles = {
        CAR: (BLACK, [1, 0], "circle"),
        PEERS: (BLUE, [6, 3], "stroke"),
        CEILING: (VERMILION, [1, 0], "square"),
    }
    colour, dash, shape = zip(*styles.values(), strict=True)
    as_colour = alt.Color(
        "kind:N", scale=alt.Scale(domain=list(styles), range=list(colour)), legend=alt.Legend(columns=1)
    )
    as_dash = alt.StrokeDash("kind:N", scale=alt.Scale(domain=list(styles), range=list(dash)))
    as_shape = alt.Shape("kind:N", scale=alt.Scale(domain=list(styles), range=list(shape)))
    tips = [
        alt.Tooltip("rpm:Q", title="engine speed (1/min)"),
        alt.Tooltip("duty_pct:Q", title="duty (%)", format=".1f"),
        alt.Tooltip("expected_duty_pct:Q", title="peers need (%)", format=".1f"),
        alt.Tooltip("excess_pct:Q", title="excess (% of volume)", format="+.1f"),
    ]
    band = rows.mark_area(color=BAND_WIDE).encode(y=duty, y2="peers_high_duty_pct:Q")
    edges = [rows.mark_line(color=BLUE, strokeWidth=1).encode(y=f"peers_{side}_duty_pct:Q") for side in ("low", "high")]
    peers = rows.transform_calculate(kind=f"'{PEERS}'")
    expected = peers.mark_line(strokeWidth=2).encode(y="expected_duty_pct:Q", color=as_colour, strokeDash=as_dash)
    car = rows.transform_calculate(kind=f"'{CAR}'").encode(y="duty_pct:Q", color=as_colour)
    top = rows.transform_filter(f"datum.saturated_share > {CEILING_SHARE}").transform_calculate(kind=f"'{CEILING}'")
    line = car.mark_line(strokeWidth=2.5).encode(strokeDash=as_dash)
    points = car.mark_point(filled=True, size=45, opacity=1).encode(shape=as_shape, tooltip=tips)
    ceiling = top.mark_point(filled=True, size=90, opacity=1).encode(
        y="duty_pct:Q", color=as_colour, shape=as_shape, tooltip=tips
    )
    return finished(
        alt.layer(band, *edges, *ceiling_marks(), expected, line, points, ceiling).properties(
            width="container", autosize=FIT_WIDTH, height=HEIGHT_PX
        )
    )


def _sentence(rows: pl.DataFrame) -> str:
    if rows.is_empty():
        return "No full-load figures of this car in the quarter."
    bands = rows.to_dicts()  # plain rows: a page draws hundreds of these
    text = f"This car's duty from {bands[0]['rpm']} to {bands[-1]['rpm']} 1/min: "
    high = [one["rpm"] for one in bands if _beyond(one, "duty_pct", "peers_high_duty_pct")]
    low = sum(_beyond(one, "peers_low_duty_pct", "duty_pct") for one in bands)
    if not high and low:
        where = "everywhere" if low == len(bands) else f"in {low} of {len(bands)} bands of engine speed"
        text += f"nowhere above the band of its peers, {where} below it"
    elif not high:
        text += "nowhere above the band of its peers"
    elif len(high) == len(bands):
        text += "everywhere above the band of its peers"
    else:
        text += f"above the band of its peers in {len(high)} of {len(bands)} bands of engine speed"
        text += f", from {high[0]} to {high[-1]} 1/min"
    worst = most_excess(rows)
    if worst:
        text += f"; its excess is largest near {worst[0]} 1/min, {percent(worst[1])} of volume"
    top = sum((one["saturated_share"] or 0.0) > CEILING_SHARE for one in bands)
    return text + (f"; at its ceiling in {counted(top, 'band')}." if top else "; nowhere at its ceiling.")


def _beyond(band: dict[str, float | None], more: str, less: str) -> bool:
    upper, lower = band[more], band[less]
    return upper is not None and lower is not None and upper > lower


def most_excess(rows: pl.DataFrame) -> tuple[int, float] | None:
    """Engine speed and size of the largest excess of a band. [1/min, % of volume]

    rows: of this chart.
    """
    known = [(rpm, value) for rpm, value in zip(rows["rpm"], rows["excess_pct"], strict=True) if value is not None]
    return max(known, key=lambda one: one[1], default=None)
