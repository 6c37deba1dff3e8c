"""What charts have in common: a ceiling's data, and room for labels that must not overlap."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

import polars as pl

WHOLE_DUTY_PCT = 100.0


@dataclass(frozen=True)
class Ceiling:
    """The highest duty a calibration commands. learned: from plateaus of these logs, not assumed."""

    duty_pct: float
    learned: bool


@cache
def ceiling_rows(ceiling: Ceiling | None) -> pl.DataFrame:
    """The ceiling as data of a chart, a row with nulls where none is known."""
    duty, learned = (ceiling.duty_pct, ceiling.learned) if ceiling else (None, False)
    return pl.DataFrame({"ceiling_pct": [duty], "learned": [learned]}, schema_overrides={"ceiling_pct": pl.Float64})


def apart(wanted: Sequence[float], gap: float, low: float, high: float) -> list[float]:
    """Places for labels: as near as may be to where they are wanted, never nearer than `gap` to each other.

    Labels that crowd are spread about their common middle (least squares, neighbours pooled). All stay between
    low and high as long as there is room for them.

    >>> apart([1.0, 1.5, 5.0], 1.0, 0.0, 10.0)
    [0.75, 1.75, 5.0]
    >>> apart([9.8, 9.9], 1.0, 0.0, 10.0)
    [9.0, 10.0]
    """
    order = sorted(range(len(wanted)), key=lambda i: wanted[i])
    groups: list[list[float]] = []  # mean of wanted places once gaps are taken out, number of labels
    for turn, i in enumerate(order):
        groups.append([wanted[i] - turn * gap, 1])
        while len(groups) > 1 and groups[-2][0] >= groups[-1][0]:
            (mean, count), (other, more) = groups[-2:]
            groups[-2:] = [[(mean * count + other * more) / (count + more), count + more]]
    room = max(low, high - (len(wanted) - 1) * gap)
    places = [min(max(mean, low), room) for mean, count in groups for _ in range(int(count))]
    result = [0.0] * len(wanted)
    for turn, i in enumerate(order):
        result[i] = places[turn] + turn * gap
    return result
