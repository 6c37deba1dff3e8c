"""A car's excess in the low, middle and high third of the rev range: half of all troubles show in one of them only."""

import polars as pl

from models.engine_speed import CENTRE_RPM, HALF_RANGE_RPM
from reports.tables import percent

EDGES_RPM = tuple(CENTRE_RPM + third * HALF_RANGE_RPM for third in (-1 / 3, 1 / 3))


def thirds(rows: pl.DataFrame) -> str:
    """One sentence, each third the mean of its bands as measured; "" where no band has a figure.

    rows: rpm and excess_pct, a row a band.

    >>> bands = pl.DataFrame({"rpm": [2625, 4125, 6125, 6375], "excess_pct": [1.0, 2.0, 8.0, 9.0]})
    >>> thirds(bands).replace("\u00a0", " ")
    'As measured: +1.0 % below 3,667 1/min, +2.0 % up to 5,133, +8.5 % above.'
    """
    parts: list[list[float]] = [[], [], []]
    for rpm, excess in zip(rows["rpm"], rows["excess_pct"], strict=True):
        if excess is not None:
            parts[sum(rpm >= edge for edge in EDGES_RPM)].append(excess)
    low, high = (f"{edge:,.0f}" for edge in EDGES_RPM)
    places = (f"below {low} 1/min", f"up to {high}", "above")
    said = [f"{percent(sum(part) / len(part))} {place}" for part, place in zip(parts, places, strict=True) if part]
    return f"As measured: {', '.join(said)}." if said else ""
