"""Decimal and thousands marks, missing marks."""

import math

import numpy as np
import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest.number_format import NumberFormat, is_missing, number_format, to_numbers


@pytest.mark.parametrize(
    ("columns", "decimal", "thousands"),
    [
        ([["1.5", "2.25"]], ".", ""),
        ([["1,5", "2,25"]], ",", ""),
        ([["1,234.5", "950.25"]], ".", ","),
        ([["1.234,5", "950,25"]], ",", "."),
        ([["850", "3,500"]], ".", ","),  # thousands: the smaller one has no comma
        ([["0,100", "0,200"]], ",", ""),  # no thousands mark follows a zero
        ([["1,100", "1,200"]], ",", ""),  # every cell has one: three decimals
        ([["3.125", "3"]], ".", ""),
        ([["1000", "2000"]], ".", ""),
        ([["2.500", "3.500"], ["0,85", "0,86"]], ",", "."),
        ([["2,500", "3,500"], ["0.85", "0.86"]], ".", ","),
        ([["1,5e3"]], ",", ""),
        ([["-12,5", "+3,0"]], ",", ""),
    ],
)
def test_marks(columns: list[list[str]], decimal: str, thousands: str) -> None:
    assert number_format([pl.Series(column) for column in columns]) == NumberFormat(decimal, thousands)


@pytest.mark.parametrize(
    "cell", ["", " ", "-", "--", "n/a", "N/A", "NaN", "ERR", "****", "###", "null", "k.A.", "?", "-.-"]
)
def test_missing_marks(cell: str) -> None:
    assert is_missing(cell)
    values, odd = to_numbers(pl.Series([cell, "1"]), NumberFormat())
    assert math.isnan(values[0])
    assert values[1] == 1.0
    assert odd == []


@given(
    st.lists(st.floats(-1e6, 1e6).map(lambda x: round(x, 2)), min_size=1),
    st.sampled_from([(".", ""), (",", ""), (".", ","), (",", "."), (".", "'"), (",", "\u202f")]),
)
def test_written_and_read_back(values: list[float], marks: tuple[str, str]) -> None:
    decimal, thousands = marks
    cells = [f"{x:,.2f}".replace(",", "T").replace(".", decimal).replace("T", thousands) for x in values]
    found, odd = to_numbers(pl.Series(cells), number_format([pl.Series(cells)]))
    assert np.array_equal(found, values)
    assert odd == []


def test_text_among_numbers_is_named() -> None:
    values, odd = to_numbers(pl.Series(["1.5", "lap 2", "lap 2", "inf"]), NumberFormat())
    assert odd == ["lap 2"]
    assert np.isnan(values[1:]).all()
