"""Frames into tables of text: figures with their sign, dates, a dash where nothing is known."""

from dataclasses import dataclass
from datetime import date
from math import isfinite
from typing import Any

import polars as pl

UNKNOWN = "–"


@dataclass(frozen=True)
class Table:
    """A table ready for a page. rows hold text; right: which columns hold figures, set flush right."""

    caption: str
    headings: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    right: tuple[bool, ...]


def table(frame: pl.DataFrame, caption: str) -> Table:
    """A frame as text, its column names as headings.

    >>> table(pl.DataFrame({"duty (%)": [61.23, None]}), "made up").rows
    (('61.2',), ('–',))
    """
    return Table(
        caption,
        tuple(frame.columns),
        tuple(tuple(cell(value) for value in row) for row in frame.iter_rows()),
        tuple(dtype.is_numeric() for dtype in frame.dtypes),
    )


def cell(value: Any) -> str:
    """One value as text."""
    if value is None:
        return UNKNOWN
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return figure(value)
    return str(value)


def figure(value: float | None, digits: int = 1) -> str:
    """A figure with a real minus sign.

    >>> figure(-3.14159), figure(None), figure(float("nan")), figure(61.0, 0)
    ('−3.1', '–', '–', '61')
    """
    if value is None or not isfinite(value):
        return UNKNOWN
    text = f"{value:.{digits}f}"
    return ("−" + text[1:] if float(text) < 0 else text.lstrip("-")) if text.startswith("-") else text


def signed(value: float | None, digits: int = 1) -> str:
    """A difference: always with its sign.

    >>> signed(4.0), signed(-4.0)
    ('+4.0', '−4.0')
    """
    if value is None or not value >= 0:
        return figure(value, digits)
    return "+" + figure(value, digits)


def interval(low: float | None, high: float | None) -> str:
    """Both ends of an interval.

    >>> interval(-1.0, 4.0)
    '−1.0 to +4.0'
    """
    return UNKNOWN if low is None or high is None else f"{signed(low)} to {signed(high)}"


def day(value: date | None) -> str:
    """ISO 8601, or a dash.

    >>> day(date(2026, 7, 1))
    '2026-07-01'
    """
    return UNKNOWN if value is None else value.isoformat()


def counted(number: int | None, one: str, many: str = "") -> str:
    """A number with its noun.

    >>> counted(1, "car"), counted(2, "car"), counted(None, "log")
    ('1 car', '2 cars', 'no logs')
    """
    noun = one if number == 1 else many or one + "s"
    return f"{number or 'no'} {noun}"


def percent(value: float | None, digits: int = 1) -> str:
    """A difference in per cent that no line break tears from its sign.

    >>> percent(4.0) == "+4.0\\u00a0%"
    True
    """
    return UNKNOWN if value is None else f"{signed(value, digits)}\u00a0%"
