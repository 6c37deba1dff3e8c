"""Colours, shapes and line styles of page and charts.

Colours are those of Okabe and Ito (2002) that reach 3:1 on white, black with them. Nothing is told by colour
alone: each signal has its own shape, each line its own dash.
"""

from dataclasses import dataclass
from typing import Any

BLACK = "#000000"
BLUE = "#0072B2"
VERMILION = "#D55E00"
GREEN = "#009E73"
PURPLE = "#CC79A7"
LINES = (BLACK, BLUE, VERMILION, GREEN, PURPLE)  # anything that must be told apart in a chart

PAPER = "#FFFFFF"
INK = "#1B1B1B"
INK_SOFT = "#595959"  # text of less weight; 7:1 on white
GRID = "#E4E4E4"  # helps the eye only, carries nothing
BAND_WIDE = "#D6E6F1"  # fillings are decoration: a line in BLUE marks every edge
BAND_NARROW = "#A9CBE2"

FONT = "sans-serif"  # what every reader has; widths measured elsewhere then still fit


@dataclass(frozen=True)
class Mark:
    """How one signal looks: colour and shape in charts (a Vega symbol), and the sign beside its word."""

    colour: str
    shape: str
    sign: str
    dash: tuple[int, ...]


SIGNALS: dict[str, Mark] = {
    "action": Mark(VERMILION, "triangle-up", "▲", (1, 0)),
    "warning": Mark(PURPLE, "diamond", "◆", (7, 3)),
    "clear": Mark(BLUE, "circle", "●", (1, 0)),
    "undecided": Mark(BLACK, "cross", "✚", (2, 2)),
}

CHART_CONFIG: dict[str, Any] = {
    "background": PAPER,
    "aria": False,  # the figure itself has its sentence; marks would only be noise
    "font": FONT,
    "view": {"stroke": None},
    "axis": {
        "labelFontSize": 12,
        "titleFontSize": 12,
        "titleFontWeight": "normal",
        "labelColor": INK,
        "titleColor": INK,
        "gridColor": GRID,
        "domainColor": INK_SOFT,
        "tickColor": INK_SOFT,
        "labelOverlap": "greedy",
        "labelSeparation": 10,
        "labelLimit": 0,  # none of ours is too long, and to look costs a quarter of a drawing
    },
    "legend": {
        "labelFontSize": 12,
        "labelColor": INK,
        "labelLimit": 0,
        "symbolSize": 110,
        "symbolStrokeWidth": 2,
        "orient": "top",
        "title": None,
    },
    "text": {"fontSize": 12, "color": INK},
}
