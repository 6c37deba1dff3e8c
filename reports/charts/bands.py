"""What a setup's cars need over the rev range: bands of their duty, with flagged cars drawn in."""

from collections.abc import Mapping

import polars as pl

from ingest.schemas import BAND_WIDTH_RPM
from reports.charts.chart import Chart
from reports.charts.encodings import WHOLE_DUTY_PCT, Ceiling, apart, ceiling_rows
from reports.tables import counted

HEIGHT_PX = 300
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
    return Chart("bands", data, HEADINGS, _sentence(baseline["setup"][0], rows, cars))


def _labels(rows: pl.DataFrame, cars: pl.DataFrame) -> pl.DataFrame:
    ends = cars.group_by("name", maintain_order=True).last()
    duties = [*cars["duty_pct"], *(value for name in FIGURES for value in rows[name] if value is not None)]
    low, high = (float(min(duties)), max(WHOLE_DUTY_PCT, *duties)) if duties else (0.0, WHOLE_DUTY_PCT)
    places = apart(ends["duty_pct"].to_list(), (high - low) * 16 / HEIGHT_PX, low, high)
    return ends.select("name", "rpm").with_columns(label_at=pl.Series(places, dtype=pl.Float64))


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
