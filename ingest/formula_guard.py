"""Text in the cells of CSV files that no spreadsheet takes for a formula."""

import re

import polars as pl

# a cell that begins so is run as a formula when a spreadsheet opens the CSV file; the mark in front is not
FORMULA = r"^'*[=+\-@\t\r]"
_FORMULA = re.compile(FORMULA)
_MARKED = re.compile(r"'+[=+\-@\t\r]")


def guarded(text: str) -> str:
    """Text that no spreadsheet runs as a formula when it opens a CSV file.

    >>> guarded("=1+1"), guarded("car-7")
    ("'=1+1", 'car-7')
    """
    return f"'{text}" if _FORMULA.match(text) else text


def unguarded(text: str) -> str:
    """What `guarded` was given.

    >>> unguarded("'=1+1"), unguarded("car-7"), unguarded(guarded("'@home"))
    ('=1+1', 'car-7', "'@home")
    """
    return text[1:] if text.startswith("'") and _MARKED.match(text) else text


def csv_text(table: pl.DataFrame) -> str:
    """A table as CSV, its texts guarded.

    >>> csv_text(pl.DataFrame({"engine": ["=1+1", "2.0 four"], "excess_pct": [-1.5, 2.0]}))
    "engine,excess_pct\\n'=1+1,-1.5\\n2.0 four,2.0\\n"
    """
    return table.with_columns(pl.col(pl.String).str.replace(f"({FORMULA})", "'$1")).write_csv()
