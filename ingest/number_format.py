"""Cells of text to numbers: decimal and thousands marks, missing marks, units behind the number."""

import re
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl

_SPACES = r"['’\x{2009}\x{a0}\x{202f} ]"  # thousands marks that can be nothing else
_GROUPED = rf"^[+-]?\d{{1,3}}(?:{_SPACES}\d{{3}})+(?:[.,]\d*)?$"

# each with the decimal mark first: surely decimal, or perhaps a thousands mark (three digits behind it)
_SURELY = r"^[+-]?(?:\d*{d}(?:\d{{0,2}}|\d{{4,}})|0\d*{d}\d+|[\d{t}]*{t}\d{{3}}{d}\d+)(?:[eE][+-]?\d+)?$"
_PERHAPS = r"^[+-]?[1-9]\d{{0,2}}(?:{d}\d{{3}})+$"
_FEW = 1000  # cells that show a decimal comma if there is any


@dataclass(frozen=True)
class NumberFormat:
    """decimal: "." or ","; thousands: the other one where it is used as such, else ""."""

    decimal: str = "."
    thousands: str = ""


@cache
def marks() -> dict[str, Any]:
    """text_marks.toml."""
    return tomllib.loads(Path(__file__).with_name("text_marks.toml").read_text(encoding="utf-8"))


@cache
def _missing() -> frozenset[str]:
    return frozenset(marks()["missing"])


def is_missing(cell: str) -> bool:
    """Whether a cell says that there is no value.

    >>> [is_missing(cell) for cell in ("", " n/a", "****", "-.-", "-1", "0")]
    [True, True, True, True, False, False]
    """
    cell = cell.strip().casefold()
    return not cell.strip(marks()["missing_signs"]) or cell in _missing()


def number_format(columns: Sequence[pl.Series]) -> NumberFormat:
    """The decimal and thousands marks of a file, from all its cells.

    "3,500" alone may be either; then a column in which some cells have no comma counts them in thousands.

    >>> number_format([pl.Series(["0,5", "1.250,75"])])
    NumberFormat(decimal=',', thousands='.')
    >>> number_format([pl.Series(["850", "3,500"])])
    NumberFormat(decimal='.', thousands=',')
    """
    cells = pl.concat([column.rename("") for column in columns])
    if not cells.str.contains(",", literal=True).any():
        return NumberFormat()
    if not cells.str.contains(".", literal=True).any() and _count(cells.head(_FEW), _SURELY, ","):
        return NumberFormat(",")
    cells = _without_spaces(cells.str.strip_chars().unique())
    dot, comma = (_count(cells, _SURELY, mark) for mark in (".", ","))
    if comma > dot:
        return NumberFormat(",", "." if _count(cells, r"\d{d}\d{{3}}", ".") else "")
    if not _count(cells, _PERHAPS, ",") and dot >= comma:
        return NumberFormat(".", "," if _count(cells, r"\d{d}\d{{3}}", ",") else "")
    if dot or any(_some_without_comma(column) for column in columns):
        return NumberFormat(".", ",")
    return NumberFormat(",", "")


def _without_spaces(cells: pl.Series) -> pl.Series:
    """1 234,5 and 1'234.5 without their thousands marks."""
    grouped = cells.str.contains(_GROUPED).fill_null(False)
    return cells.str.replace_all(_SPACES, "").zip_with(grouped, cells) if grouped.any() else cells


def _count(cells: pl.Series, pattern: str, decimal: str) -> int:
    other = {".": ",", ",": "."}[decimal]
    regex = pattern.format(d=re.escape(decimal), t=re.escape(other))
    return int(cells.str.contains(regex).sum())


def _some_without_comma(column: pl.Series) -> bool:
    plain = column.str.contains(r"^\s*[+-]?\d+\s*$")
    return bool(plain.any()) and bool(column.str.contains(",", literal=True).any())


def to_numbers(cells: pl.Series, form: NumberFormat, unit: str = "") -> tuple[np.ndarray, list[str]]:
    """Values of a column, NaN where missing, and the distinct cells that are neither number nor missing mark.

    unit: taken off the end of each cell where it stands there.

    >>> values, odd = to_numbers(pl.Series(["1.000,5 bar", "-", "oops"]), NumberFormat(",", "."), "bar")
    >>> values.tolist(), odd
    ([1000.5, nan, nan], ['oops'])
    """
    numbers = _bare(cells, form, unit).cast(pl.Float64, strict=False)
    lost = cells.filter(numbers.is_null() & cells.is_not_null()).unique(maintain_order=True)
    return _finite(numbers), [cell for cell in lost if not is_missing(cell)]


def _bare(cells: pl.Series, form: NumberFormat, unit: str) -> pl.Series:
    """Cells without blanks, unit and thousands marks, with a decimal point."""
    bare = cells.str.strip_chars()
    if unit:
        bare = bare.str.strip_suffix(unit).str.strip_chars()
    bare = _without_spaces(bare)
    if form.thousands:
        bare = bare.str.replace_all(form.thousands, "", literal=True)
    return bare.str.replace(",", ".", literal=True) if form.decimal == "," else bare


def all_to_numbers(
    columns: Mapping[int, pl.Series], units: Sequence[str]
) -> tuple[dict[int, np.ndarray], dict[int, list[str]], str]:
    """Values of all columns, the odd cells of those that have any, and the decimal mark.

    units: one a column of the file, "" where no unit stands behind the numbers.

    >>> columns = {0: pl.Series(["0,5", "1"]), 2: pl.Series(["7", "oops"])}
    >>> numbers, odd, decimal = all_to_numbers(columns, ("", "", ""))
    >>> numbers[0].tolist(), numbers[2].tolist(), odd, decimal
    ([0.5, 1.0], [7.0, nan], {2: ['oops']}, ',')
    """
    if not columns:
        return {}, {}, "."
    form = number_format(list(columns.values()))
    cells = pl.DataFrame([column.rename(str(i)) for i, column in columns.items()])
    decimal = pl.all() if form.decimal == "." else pl.all().str.replace(",", ".", literal=True)
    plain = cells.select(
        decimal.cast(pl.Float64, strict=False)
    )  # all columns in one call: a call costs more than a row
    unread = columns if form.thousands else _unread(cells, plain)
    numbers, odd = {}, {}
    for i, column in columns.items():
        if i not in unread:
            numbers[i] = _finite(plain[str(i)])
            continue
        numbers[i], odd_cells = to_numbers(column, form, units[i])
        if odd_cells:
            odd[i] = odd_cells
    return numbers, odd, form.decimal


def _unread(cells: pl.DataFrame, numbers: pl.DataFrame) -> set[int]:
    """Columns in which a cell became no number though it is no missing mark."""
    lost = [
        pl.col(name).filter(numbers[name].is_null() & pl.col(name).is_not_null()).unique().implode()
        for name, before, after in zip(
            cells.columns, cells.null_count().row(0), numbers.null_count().row(0), strict=True
        )
        if after > before
    ]
    distinct = cells.select(lost).row(0, named=True) if lost else {}
    return {int(name) for name, texts in distinct.items() if not all(map(is_missing, texts))}


def _finite(numbers: pl.Series) -> np.ndarray:
    values = numbers.to_numpy().astype(np.float64)
    return np.where(np.isfinite(values), values, np.nan)
