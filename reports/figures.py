"""A chart's place on the page: its name there, and whether it is also drawn for paper."""

from collections.abc import Iterable
from dataclasses import dataclass

from reports.charts.chart import Chart
from reports.charts.drawing import DrawAll, draw_each
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


def stills(figures: Iterable[Figure], draw_all: DrawAll = draw_each) -> dict[str, str]:
    """Name -> the SVG for paper and for readers without scripts, of those that have one."""
    wanted = {figure.name: figure for figure in figures if figure.on_paper}
    drawn = draw_all([figure.chart.drawing(figure.still_px) for figure in wanted.values()])
    return dict(zip(wanted, drawn, strict=True))
