"""Parquet, Arrow files and Arrow streams by Arrow's own readers: Polars' panic, or end the program, on damaged ones."""

import struct

import polars as pl
import pyarrow as pa
import pyarrow.ipc
import pyarrow.parquet

from ingest.findings import Finding, UnreadableError

CELLS_MAX = 1 << 27  # a gigabyte of numbers
BROKEN = (pl.exceptions.PolarsError, pa.ArrowException, OSError, EOFError, ValueError, struct.error)
_MESSAGE = b"\xff\xff\xff\xff"  # stands before the length of each message


def read(kind: str, content: bytes) -> pl.DataFrame:
    """The whole table, categories as text; kind: parquet, arrow, arrow stream.

    Raises UnreadableError where it is too large, one of BROKEN where it is damaged.
    """
    table = _READERS[kind](content).replace_schema_metadata(None)
    table.validate(full=True)
    names = table.column_names  # raises where one is no text, at which Polars would panic
    return pl.DataFrame(table).select(names).cast({pl.Categorical: pl.String})


def _from_parquet(content: bytes) -> pa.Table:
    file = pa.parquet.ParquetFile(pa.BufferReader(content))
    _check_size(file.metadata.num_columns, file.metadata.num_rows)
    return file.read()


def _from_file(content: bytes) -> pa.Table:
    """An Arrow file is a stream with a mark before it and a footer behind it; Polars' has no schema before the rows,
    and its dictionaries behind them.

    Arrow's reader of files ends the program where the footer is damaged.
    """
    begin = next((i for i in range(8, len(content), 8) if content.startswith(_MESSAGE, i)), len(content))
    stream = content[begin:]
    if pa.ipc.read_message(stream).type == "schema":
        return _from_stream(stream)
    schema = pa.ipc.open_file(pa.BufferReader(content)).schema.serialize()
    messages = sorted(pa.ipc.MessageReader.open_stream(pa.BufferReader(stream)), key=lambda m: m.type != "dictionary")
    return _from_stream(b"".join([schema, *(message.serialize() for message in messages)]))


def _from_stream(content: bytes) -> pa.Table:
    _check_size(*_size_of_stream(content))
    return pa.ipc.open_stream(pa.BufferReader(content)).read_all()


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
