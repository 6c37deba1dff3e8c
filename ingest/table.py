"""What a reader hands on: columns as the file has them, before anyone knows what they mean."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Protocol

import numpy as np
import polars as pl
from numpy.typing import NDArray

from ingest.findings import Finding

Values = NDArray[np.float64]


def finite(values: Values) -> Values:
    """The values that are there; a copy only where some are not."""
    known = np.isfinite(values)
    return values if known.all() else values[known]


def quantile(values: Values, share: float) -> float:
    """The value below which `share` of the finite `values` lie: one of them, the nearest rank.

    >>> quantile(np.array([4.0, 1.0, np.nan, 3.0, 2.0]), 0.5)
    3.0
    """
    known = finite(values)
    rank = round(share * (known.size - 1) + 1e-9)
    return float(np.partition(known, rank)[rank])


@dataclass(frozen=True)
class Table:
    """Data rows of one file.

    row: number of each data row in the file, from 1; rows that were dropped leave gaps.
    numbers: column index -> a value a row, NaN where missing.
    stamps: column index -> dates or times of day as text, null where missing.
    odd_cells: column index -> distinct cells that are neither a number nor a missing mark.
    rows_in: data rows of the file, counted independently of the parser: len(row) + all of dropped.
    dropped: finding code -> rows.
    ends: column index -> lowest and highest value, of columns without a missing one; where that is known already.
    """

    row: NDArray[np.int64]
    numbers: Mapping[int, Values]
    stamps: Mapping[int, pl.Series]
    odd_cells: Mapping[int, list[str]]
    rows_in: int
    dropped: Mapping[str, int]
    findings: tuple[Finding, ...]
    ends: Mapping[int, tuple[float, float]] = field(default_factory=dict)


class Source(Protocol):
    """An opened file: its columns are known, its rows are read when asked for."""

    @property
    def names(self) -> tuple[str, ...]:
        """A name a column, "" where there is none."""

    @property
    def units(self) -> tuple[str, ...]:
        """A unit a column as the file spells it, "" where there is none."""

    @property
    def stamp_columns(self) -> frozenset[int]:
        """Columns that hold dates or times of day."""

    @property
    def preamble(self) -> str:
        """Text above the header: searched for a date, never kept."""

    @property
    def findings(self) -> tuple[Finding, ...]:
        """What was found on opening."""

    def in_short(self) -> str:
        """The dialect, without any word of the file."""

    def table(self, wanted: frozenset[int]) -> Table:
        """The rows, only `wanted` columns."""
