"""What every chart of a report gives: how it looks, what it says in one sentence, the table behind it."""

import json
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import polars as pl
import vl_convert

from reports.charts.drawing import Drawing, draw
from reports.engine import VEGA_LITE
from reports.theme import CHART_CONFIG

# letters may be wider where the page is read than where the picture was measured
STILL_PADDING = {"left": 5, "top": 5, "bottom": 5, "right": 16}

Look = dict[str, Any]


@cache
def look(kind: str) -> Look:
    """How a kind of chart looks, in the theme, as a Vega-Lite object without numbers: its data are named."""
    text = Path(__file__).with_name("looks.json").read_text(encoding="utf-8")  # of reports.charts.declared
    return {"config": CHART_CONFIG, **json.loads(text)[kind]}


@cache
def _compiled(kind: str, width_px: int, height_px: int | None) -> Look:
    """A kind of still picture as Vega draws it, without numbers: once for all of one size."""
    spec = {**look(kind), "width": width_px, "padding": STILL_PADDING}
    if height_px:
        spec["height"] = height_px
    compiled: Look = vl_convert.vegalite_to_vega(spec, vl_version=VEGA_LITE)
    return compiled


@dataclass(frozen=True)
class Chart:
    """One chart, its words, and its numbers.

    kind: which look this is; a page keeps each look once, whatever the number of charts.
    data: name -> rows, the numbers that the look draws; "rows" is the main one.
    headings: columns of "rows" that stand in the table behind the chart -> heading with unit.
    height_px: where it follows from the number of rows and so is no part of the look.
    alternative: what the chart says, in one sentence, for readers who do not see it.
    """

    kind: str
    data: Mapping[str, pl.DataFrame]
    headings: Mapping[str, str]
    alternative: str
    height_px: int | None = None

    @property
    def table(self) -> pl.DataFrame:
        """The numbers as a reader wants them, headings with units."""
        return self.data["rows"].select(pl.col(name).alias(title) for name, title in self.headings.items())

    def fields(self) -> dict[str, list[str]]:
        """Names of the columns of each part of the data, the same for all charts of a kind."""
        return {name: frame.columns for name, frame in self.data.items()}

    def columns(self) -> dict[str, list[list[Any]]]:
        """The numbers column by column, in the order of `fields`: far shorter as JSON than row by row."""
        return {name: [column.to_list() for column in frame] for name, frame in self._plain().items()}

    def svg(self, width_px: int = 680) -> str:
        """Its drawing as SVG."""
        return draw(self.drawing(width_px))

    def drawing(self, width_px: int) -> Drawing:
        """The chart as Vega draws it once and for all, for paper and for readers without scripts."""
        rows = {name: frame.to_dicts() for name, frame in self._plain().items()}
        drawing = _compiled(self.kind, width_px, self.height_px)
        data = [{**part, "values": rows[part["name"]]} if part["name"] in rows else part for part in drawing["data"]]
        return {**drawing, "data": data}

    def _plain(self) -> dict[str, pl.DataFrame]:
        """Dates as text; figures as long as a reader needs them, those of smooth lines one digit longer."""
        figures = pl.col(pl.Float64, pl.Float32).cast(pl.Float64)
        finite = pl.when(figures.is_finite()).then(figures)  # JSON knows no other
        return {
            name: frame.with_columns(
                finite.round_sig_figs(3 if name == "rows" else 4), pl.col(pl.Date).dt.to_string("%Y-%m-%d")
            )
            for name, frame in self.data.items()
        }
