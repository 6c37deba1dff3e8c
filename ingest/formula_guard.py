"""Text in the cells of CSV files that no spreadsheet takes for a formula."""

import re

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
    return text[1:] if _MARKED.match(text) else text
