"""Parquet and Arrow IPC: columns are already columns, only their names need reading."""

import struct
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import polars as pl
import pyarrow as pa
import pyarrow.ipc
import pyarrow.parquet

from ingest.dialect import split_brackets
from ingest.findings import Finding, UnreadableError
from ingest.number_format import number_format, to_numbers
from ingest.table import Table, Values

CELLS_MAX = 1 << 27  # a gigabyte of numbers


class ColumnarError(Exception):
    """The file says that it is columnar, and cannot be read."""


def open_columnar(content: bytes) -> "ColumnarSource | None":
    """A Parquet or Arrow file, or an Arrow stream; None where it is neither.

    By Arrow's own reader: Polars panics, or ends the program, where such a file is damaged.
    Raises ColumnarError where it is broken, UnreadableError where it is too large: a constant column packs a billion
    rows into nothing.
    """
    kind = next((kind for magic, kind in _KINDS.items() if content.startswith(magic)), "")
    if not kind:
        return None
    try:
        table = _READERS[kind](content).replace_schema_metadata(None)
        table.validate(full=True)
        names = table.column_names  # raises where one is no text, at which Polars would panic
        return ColumnarSource(kind, pl.DataFrame(table).select(names))
    except (pl.exceptions.PolarsError, pa.ArrowException, OSError, EOFError, ValueError, struct.error) as error:
        raise ColumnarError(str(error)) from error


def _from_parquet(content: bytes) -> pa.Table:
    file = pa.parquet.ParquetFile(pa.BufferReader(content))
    _check_size(file.metadata.num_columns, file.metadata.num_rows)
    return file.read()


def _from_file(content: bytes) -> pa.Table:
    """An Arrow file is a stream with a mark before it and a footer behind it, or one without its schema (Polars').

    Arrow's reader of files ends the program where the footer is damaged.
    """
    begin = next((i for i in range(8, len(content), 8) if content.startswith(_MESSAGE, i)), len(content))
    stream = content[begin:]
    if pa.ipc.read_message(stream).type == "schema":
        return _from_stream(stream)
    return _from_stream(pa.ipc.open_file(pa.BufferReader(content)).schema.serialize().to_pybytes() + stream)


def _from_stream(content: bytes) -> pa.Table:
    _check_size(*_size_of_stream(content))
    return pa.ipc.open_stream(pa.BufferReader(content)).read_all()


_MESSAGE = b"\xff\xff\xff\xff"  # stands before the length of each message, since Arrow 0.15
_KINDS = {b"PAR1": "parquet", b"ARROW1": "arrow", _MESSAGE: "arrow stream"}
_READERS = {"parquet": _from_parquet, "arrow": _from_file, "arrow stream": _from_stream}


def _check_size(width: int, rows: int) -> None:
    if width * rows > CELLS_MAX:
        raise UnreadableError(Finding("columnar_too_large"))


def _size_of_stream(stream: bytes) -> tuple[int, int]:
    """Columns and rows that the messages of an Arrow stream announce, those of dictionaries counted too."""
    schema = pa.ipc.read_schema(pa.BufferReader(stream))
    rows = 0
    for message in pa.ipc.MessageReader.open_stream(pa.BufferReader(stream)):
        if message.type != "schema":
            data = message.metadata.to_pybytes()
            header = _field(data, struct.unpack_from("<I", data)[0], 2)
            table = header + struct.unpack_from("<I", data, header)[0]
            if message.type == "dictionary":
                inner = _field(data, table, 1)
                table = inner + struct.unpack_from("<I", data, inner)[0]
            length = _field(data, table, 0)
            rows += struct.unpack_from("<q", data, length)[0] if length else 0
    return len(schema), rows


def _field(data: bytes, table: int, number: int) -> int:
    """Where a field of a table of FlatBuffers stands, 0 where it has its default; of Arrow's Message.fbs here."""
    fields = table - struct.unpack_from("<i", data, table)[0]
    size = struct.unpack_from("<H", data, fields)[0]
    offset = struct.unpack_from("<H", data, fields + 4 + 2 * number)[0] if 4 + 2 * number < size else 0
    return table + offset if offset else 0


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
