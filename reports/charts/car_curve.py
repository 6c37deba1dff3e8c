"""One car's duty over the rev range, against what its peers need for the same demand."""

import polars as pl

from ingest.schemas import BAND_WIDTH_RPM
from reports.charts.chart import Chart
from reports.charts.encodings import Ceiling, ceiling_rows
from reports.tables import counted, percent

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
    return Chart("car_curve", data, HEADINGS, _sentence(rows))


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
