"""Charts, pages and tables from a finished study.

`write_report` writes report.html and the CSV files beside it. A study goes through three steps: `sections`
says what the page tells, `charts` draws, `page` renders.
"""

from reports.markdown import markdown_text
from reports.page import render
from reports.report_files import write_report
from reports.single_cards import write_cards
from reports.terminal import car_text, drill_text, signals_text

__all__ = ["car_text", "drill_text", "markdown_text", "render", "signals_text", "write_cards", "write_report"]
