"""Quarters of a year: names and days."""

import re
from datetime import date


def quarter_of(day: date) -> str:
    """
    >>> quarter_of(date(2026, 9, 30))
    '2026Q3'
    """
    return f"{day.year}Q{(day.month + 2) // 3}"


def first_day(quarter: str) -> date:
    """First day of a quarter. Raises ValueError with the way to write one.

    >>> first_day("2026Q3")
    datetime.date(2026, 7, 1)
    """
    match = re.fullmatch(r"(\d{4})Q([1-4])", quarter)
    if not match:
        raise ValueError(f"quarter: {quarter!r} is none. Write it as year and quarter, like 2026Q3.")
    return date(int(match[1]), 3 * int(match[2]) - 2, 1)


def shifted(quarter: str, by: int) -> str:
    """The quarter `by` quarters later.

    >>> shifted("2026Q1", -1)
    '2025Q4'
    """
    start = first_day(quarter)
    months = start.year * 12 + start.month - 1 + 3 * by
    return quarter_of(date(months // 12, months % 12 + 1, 1))
