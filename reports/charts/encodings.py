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
