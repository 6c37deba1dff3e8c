"""A chart's place on the page: its name there, and whether it is also drawn for paper."""

from dataclasses import dataclass

from reports.charts.chart import Chart
from reports.tables import Table, table


@dataclass(frozen=True)
class Figure:
    """One chart on the page.

    name: unique on the page. on_paper: drawn as still picture too, with its table written out. still_px: how wide.
    """

    name: str
    chart: Chart
    on_paper: bool = False
    still_px: int = 680

    @property
    def table(self) -> Table:
        return table(self.chart.table, "Numbers behind this chart")

    def still(self) -> str:
        """The SVG for paper and for readers without scripts; "" where there is none."""
        return self.chart.svg(self.still_px) if self.on_paper else ""
