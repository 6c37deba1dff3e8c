"""Charts, pages and tables from a finished study.

`write_report` writes report.html and the CSV files beside it. A study goes through three steps: `sections`
says what the page tells, `charts` draws, `page` renders.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from reports.markdown import markdown_text
    from reports.page import render
    from reports.report_files import write_report
    from reports.single_cards import write_cards
    from reports.terminal import car_text, drill_text, signals_text

__all__ = ["car_text", "drill_text", "markdown_text", "render", "signals_text", "write_cards", "write_report"]
_FILE_OF = {
    "car_text": "terminal", "drill_text": "terminal", "markdown_text": "markdown", "render": "page",
    "signals_text": "terminal", "write_cards": "single_cards", "write_report": "report_files",
}  # fmt: skip


def __getattr__(name: str) -> Any:
    """Loaded when asked for: what tells of logs needs no charts, and these are a second's work to load."""
    if name not in _FILE_OF:
        raise AttributeError(f"reports has no {name!r}; it has {', '.join(_FILE_OF)}")
    return getattr(import_module(f"reports.{_FILE_OF[name]}"), name)
