"""What a setup's cars need over the rev range: bands of their duty, with flagged cars drawn in."""

from collections.abc import Mapping
from functools import cache

import altair as alt
import polars as pl

from ingest.schemas import BAND_WIDTH_RPM
from reports.charts.chart import Chart, Look, finished
from reports.charts.encodings import (
    FIT_WIDTH,
    WHOLE_DUTY_PCT,
    Ceiling,
    apart,
    ceiling_marks,
    ceiling_rows,
    signal_colour,
    signal_shape,
)
from reports.tables import counted
from reports.theme import BAND_NARROW, BAND_WIDE, BLUE, VERMILION

HEIGHT_PX = 300
CEILING_SHARE = 0.2  # of a band's samples, from which the band is marked
MIDDLE_RPM = pl.col("band_rpm") + BAND_WIDTH_RPM // 2
HEADINGS = {
    "rpm": "engine speed (1/min)",
    "cars": "cars",
    "pulls": "pulls",
    "duty_p10_pct": "10 % of cars need less than (% duty)",
    "duty_p25_pct": "25 % (% duty)",
    "duty_p50_pct": "half (% duty)",
    "duty_p75_pct": "75 % (% duty)",
    "duty_p90_pct": "90 % (% duty)",
    "expected_duty_pct": "expected by the model (% duty)",
    "ethanol_p50_pct": "ethanol (% by volume)",
    "boost_p50_kpa": "boost (kPa)",
    "saturated_share": "share of samples at the ceiling",
}
DASHES = [[1, 0], [9, 3], [4, 3], [9, 3, 2, 3], [2, 2]]  # of the cars drawn in, in turn
FIGURES = (
    "duty_p10_pct",
    "duty_p25_pct",
    "duty_p50_pct",
    "duty_p75_pct",
    "duty_p90_pct",
    "expected_duty_pct",
)


def draw(
    baseline: pl.DataFrame, flagged: pl.DataFrame, words: Mapping[str, str], ceiling: Ceiling | None = None
) -> Chart:
    """The bands of one setup.

    baseline: BASELINES of one setup.
    flagged: name, signal (code), band_rpm, duty_pct of cars to draw in; may be empty. ceiling: of its calibration.
    """
    rows = baseline.sort("band_rpm").select(
        MIDDLE_RPM.alias("rpm"), *FIGURES, "cars", "pulls", "ethanol_p50_pct", "boost_p50_kpa", "saturated_share"
    )
    cars = (
        flagged.drop_nulls("duty_pct")
        .sort("name", "band_rpm")
        .select("name", pl.col("signal").replace(words), MIDDLE_RPM.alias("rpm"), "duty_pct")
    )
    data = {"rows": rows, "cars": cars, "labels": _labels(rows, cars), "ceiling": ceiling_rows(ceiling)}
    return Chart("bands", _look(tuple(words.items())), data, HEADINGS, _sentence(baseline["setup"][0], rows, cars))


def _labels(rows: pl.DataFrame, cars: pl.DataFrame) -> pl.DataFrame:
    ends = cars.group_by("name", maintain_order=True).last()
    duties = [*cars["duty_pct"], *(value for name in FIGURES for value in rows[name] if value is not None)]
    low, high = (float(min(duties)), max(WHOLE_DUTY_PCT, *duties)) if duties else (0.0, WHOLE_DUTY_PCT)
    places = apart(ends["duty_pct"].to_list(), (high - low) * 16 / HEIGHT_PX, low, high)
    return ends.select("name", "rpm").with_columns(label_at=pl.Series(places, dtype=pl.Float64))


@cache
def _look(words: tuple[tuple[str, str], ...]) -> Look:
    names = dict(words)
    rows = alt.Chart(alt.NamedData("rows")).encode(
        x=alt.X(
            "rpm:Q",
            title="Engine speed (1/min)",
            scale=alt.Scale(zero=False, nice=False),
            axis=alt.Axis(format="d", tickCount=8),
        )
    )
    duty = alt.Y("duty_p10_pct:Q", title="Pump duty (%)", scale=alt.Scale(zero=False))
    wide = rows.mark_area(color=BAND_WIDE).encode(y=duty, y2="duty_p90_pct:Q")
    lower = [
        rows.mark_line(color=BLUE, strokeWidth=1).encode(y=f"{name}:Q")
        for name in ("duty_p10_pct", "duty_p90_pct", "duty_p25_pct", "duty_p75_pct")
    ]
    narrow = rows.mark_area(color=BAND_NARROW).encode(y="duty_p25_pct:Q", y2="duty_p75_pct:Q")
    middle = rows.mark_line(color=BLUE, strokeWidth=2.5).encode(y="duty_p50_pct:Q")
    expected = rows.mark_line(color="black", strokeDash=[2, 3], strokeWidth=1.5).encode(y="expected_duty_pct:Q")
    full = (
        rows.transform_filter(f"datum.saturated_share > {CEILING_SHARE}")
        .mark_point(shape="square", filled=True, size=60, color=VERMILION, opacity=1)
        .encode(y="duty_p50_pct:Q")
    )
    cars = alt.Chart(alt.NamedData("cars")).encode(
        x="rpm:Q",
        y="duty_pct:Q",
        detail="name:N",
        # only cars that need attention or watching are drawn in; each has a dash of its own beside its label
        color=signal_colour(names, alt.Legend(columns=2, values=[names["action"], names["warning"]])),
        tooltip=[
            alt.Tooltip("name:N", title="car"),
            alt.Tooltip("rpm:Q", title="engine speed (1/min)"),
            alt.Tooltip("duty_pct:Q", title="duty (%)", format=".1f"),
        ],
    )
    ends = (
        alt.Chart(alt.NamedData("labels"))
        .mark_text(align="left", dx=8)
        .encode(x="rpm:Q", y="label_at:Q", text="name:N")
    )
    dash = alt.StrokeDash("name:N", scale=alt.Scale(range=DASHES), legend=None)
    lines = cars.mark_line(strokeWidth=2).encode(strokeDash=dash)
    points = cars.mark_point(filled=True, size=40, opacity=1).encode(shape=signal_shape(names))
    return finished(
        alt.layer(wide, narrow, *lower, *ceiling_marks(), middle, expected, full, lines, points, ends).properties(
            width="container", autosize=FIT_WIDTH, height=HEIGHT_PX
        )
    )


def _sentence(setup: str, rows: pl.DataFrame, cars: pl.DataFrame) -> str:
    top = rows.drop_nulls("duty_p50_pct").sort("duty_p50_pct", descending=True)
    most = counted(int(rows["cars"].max() or 0), "car")  # type: ignore[arg-type]
    peak = (
        f" their median duty is highest, {top['duty_p50_pct'][0]:.0f} %, near {top['rpm'][0]} 1/min;"
        if top.height
        else ""
    )
    drawn = ", ".join(cars["name"].unique(maintain_order=True)) or "none"
    return f"Pump duty over engine speed of up to {most} of setup {setup}:{peak} flagged cars drawn in: {drawn}."
