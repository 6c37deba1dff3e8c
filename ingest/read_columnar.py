"""Parquet and Arrow IPC: columns are already columns, only their names need reading."""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import polars as pl

from ingest.dialect import split_brackets
from ingest.findings import Finding
from ingest.number_format import number_format, to_numbers
from ingest.table import Table, Values

_KINDS = {  # the last stands before the length of each message of a stream, since Arrow 0.15
    b"PAR1": "parquet",
    b"ARROW1": "arrow",
    b"\xff\xff\xff\xff": "arrow stream",
}


class ColumnarError(Exception):
    """The file says that it is columnar, and cannot be read."""


def open_columnar(content: bytes) -> "ColumnarSource | None":
    """A Parquet or Arrow file, or an Arrow stream; None where it is neither.

    Raises ColumnarError where it is broken, UnreadableError where it is too large: a constant column packs a billion
    rows into nothing.
    """
    kind = next((kind for magic, kind in _KINDS.items() if content.startswith(magic)), "")
    if not kind:
        return None
    from ingest import arrow_tables  # loads Arrow, for such a file only

    try:
        return ColumnarSource(kind, arrow_tables.read(kind, content))
    except arrow_tables.BROKEN as error:
        raise ColumnarError(str(error)) from error


@dataclass(frozen=True)
class ColumnarSource:
    """A columnar file; a `table.Source`."""

    kind: str
    frame: pl.DataFrame
    preamble: str = ""
    findings: tuple[Finding, ...] = ()

    @cached_property
    def _split(self) -> tuple[tuple[str, str], ...]:
        return tuple(split_brackets(name) for name in self.frame.columns)

    @property
    def names(self) -> tuple[str, ...]:
        return tuple(name for name, _ in self._split)

    @property
    def units(self) -> tuple[str, ...]:
        return tuple(unit for _, unit in self._split)

    @property
    def stamp_columns(self) -> frozenset[int]:
        kinds = (pl.String, pl.Datetime, pl.Time)
        return frozenset(i for i, dtype in enumerate(self.frame.dtypes) if dtype.base_type() in kinds)

    def in_short(self) -> str:
        return self.kind

    def table(self, wanted: frozenset[int]) -> Table:
        numbers: dict[int, Values] = {}
        stamps: dict[int, pl.Series] = {}
        odd: dict[int, list[str]] = {}
        for i in sorted(wanted):
            column = self.frame.to_series(i)
            if column.dtype == pl.String:
                stamps[i] = column
                numbers[i], odd_cells = to_numbers(column, number_format([column]))
                if odd_cells:
                    odd[i] = odd_cells
            elif column.dtype.base_type() == pl.Datetime:
                stamps[i] = column.cast(pl.String)
            elif column.dtype == pl.Time:
                stamps[i] = column.dt.to_string("%H:%M:%S%.6f")  # a cast would lose the fraction
            elif column.dtype.base_type() == pl.Duration:
                numbers[i] = column.dt.total_microseconds().cast(pl.Float64).to_numpy() * 1e-6
            elif column.dtype.is_numeric() or column.dtype == pl.Boolean:
                values = column.cast(pl.Float64).to_numpy().astype(np.float64)
                numbers[i] = np.where(np.isfinite(values), values, np.nan)
        rows = self.frame.height
        return Table(np.arange(1, rows + 1), numbers, stamps, odd, rows, {}, ())
