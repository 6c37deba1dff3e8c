"""What charts have in common: a signal's colour and shape, and room for labels that must not overlap."""

from collections.abc import Mapping, Sequence

import altair as alt

from reports.theme import SIGNALS

FIT_WIDTH = alt.AutoSizeParams(type="fit-x", contains="padding")


def signal_colour(words: Mapping[str, str], legend: alt.Legend | None = None) -> alt.Color:
    """Colour by the column `signal`, its words in the legend."""
    return alt.Color(
        "signal:N",
        scale=alt.Scale(domain=list(words.values()), range=[SIGNALS[code].colour for code in words]),
        legend=legend or alt.Legend(),
    )


def signal_shape(words: Mapping[str, str]) -> alt.Shape:
    """Shape by the column `signal`, its words in the legend."""
    return alt.Shape(
        "signal:N",
        scale=alt.Scale(domain=list(words.values()), range=[SIGNALS[code].shape for code in words]),
    )


def apart(wanted: Sequence[float], gap: float, low: float, high: float) -> list[float]:
    """Places for labels: as near as may be to where they are wanted, never nearer than `gap` to each other.

    All stay between low and high as long as there is room for them.

    >>> apart([1.0, 1.1, 5.0], 1.0, 0.0, 10.0)
    [1.0, 2.0, 5.0]
    >>> apart([9.8, 9.9], 1.0, 0.0, 10.0)
    [9.0, 10.0]
    """
    order = sorted(range(len(wanted)), key=lambda i: wanted[i])
    placed: list[float] = []
    for i in order:
        floor = placed[-1] + gap if placed else low
        placed.append(max(wanted[i], floor))
    ceiling = high
    for k in reversed(range(len(placed))):
        placed[k] = min(placed[k], ceiling)
        ceiling = placed[k] - gap
    result = [0.0] * len(placed)
    for place, i in zip(placed, order, strict=True):
        result[i] = place
    return result
