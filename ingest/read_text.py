"""Delimited text of any dialect. A well-kept parser does the bulk; the lines are counted independently of it."""

import csv
from dataclasses import dataclass, replace
from functools import cached_property
from operator import methodcaller

import numpy as np
import polars as pl

from ingest.dialect import HEAD_BYTES, Dialect, holds_stamps, recognise
from ingest.encoding import Text, to_utf8
from ingest.findings import Finding
from ingest.number_format import number_format, to_numbers
from ingest.rows import sort_records
from ingest.table import Table, Values

_HEADER_WITHIN = 100  # lines; a known header further down is not looked for
_KNOWN_MAX = 512
_COMMON_MISSING = ["-", "--", "n/a", "N/A", "NaN", "nan", "ERR", "****", "null"]  # any other takes the careful road
_known: dict[bytes, tuple[Dialect, bytes]] = {}  # header line -> dialect, all lines from it to the data


def open_text(content: bytes) -> "TextSource | None":
    """A text file whose columns are known; None where it is no text or no table is found in it.

    Logs of one recorder share a header, so its dialect is remembered; each file is still checked against it.
    """
    text = to_utf8(content)
    if text is None:
        return None
    lines = _first_lines(text.body)
    for number, line in enumerate(lines):
        if line in _known and (dialect := _moved(*_known[line], lines, number)):
            return TextSource(text, dialect, remembered=True)
    dialect = _recognise(text.body)
    if dialect is None:
        return None
    _remember(dialect, lines)
    return TextSource(text, dialect)


def _remember(dialect: Dialect, lines: list[bytes]) -> None:
    if dialect.header_line >= 0 and dialect.data_line < len(lines) and len(_known) < _KNOWN_MAX:
        header = lines[dialect.header_line : dialect.data_line]
        _known[header[0]] = (dialect, b"\n".join(header))


def _first_lines(body: bytes) -> list[bytes]:
    return body[:HEAD_BYTES].split(b"\n", _HEADER_WITHIN)


def _moved(known: Dialect, header: bytes, lines: list[bytes], at: int) -> Dialect | None:
    """A known dialect for a header at line `at`; None where what follows has not the layout known."""
    data_line = at + known.data_line - known.header_line
    if data_line >= len(lines) or b"\n".join(lines[at:data_line]) != header:
        return None
    data = lines[data_line]
    if data.count(known.delimiter.encode()) != known.width - 1 or known.quoted != (b'"' in data):
        return None
    cells = data.decode("utf-8", errors="replace").split(known.delimiter)
    if any(not holds_stamps([cells[i].strip('" ')]) for i in known.stamps):
        return None
    return replace(known, header_line=at, data_line=data_line)


def _recognise(body: bytes) -> Dialect | None:
    head = body[:HEAD_BYTES]
    if len(body) > HEAD_BYTES:
        head = head[: head.rfind(b"\n") + 1] or head
    return recognise(head.decode("utf-8", errors="replace"))


@dataclass(frozen=True)
class TextSource:
    """A text file of a known dialect; a `table.Source`.

    remembered: the dialect is that of an earlier log with the same header.
    """

    text: Text
    dialect: Dialect
    remembered: bool = False

    @property
    def names(self) -> tuple[str, ...]:
        return self.dialect.names

    @property
    def units(self) -> tuple[str, ...]:
        return self.dialect.units

    @property
    def stamp_columns(self) -> frozenset[int]:
        return self.dialect.stamps

    @cached_property
    def _data_start(self) -> int:
        start = 0
        for _ in range(self.dialect.data_line):
            start = self.text.body.index(b"\n", start) + 1
        return start

    @property
    def preamble(self) -> str:
        return self.text.body[: self._data_start].decode("utf-8", errors="replace")

    @property
    def findings(self) -> tuple[Finding, ...]:
        trailing = (Finding("trailing_delimiter"),) if self.dialect.trailing else ()
        return self.text.findings + trailing

    def in_short(self) -> str:
        return f"text {self.text.encoding} {self.dialect.in_short()}"

    def table(self, wanted: frozenset[int]) -> Table:
        if found := self._clean_table(wanted):
            return found
        fresh = _recognise(self.text.body) if self.remembered else None
        if fresh and fresh != self.dialect and fresh.names == self.dialect.names:
            _remember(fresh, _first_lines(self.text.body))
            return TextSource(self.text, fresh).table(wanted)
        return self._careful_table(wanted)

    def _clean_table(self, wanted: frozenset[int]) -> Table | None:
        """The quick road, for text in which every line is a row of plain numbers; None where it is not."""
        body = self.text.body[self._data_start :]
        delimiter = self.dialect.delimiter
        lines = body.split(b"\n")
        if not lines[-1]:
            lines.pop()
        if set(map(methodcaller("count", delimiter.encode()), lines)) != {self.dialect.width - 1}:
            return None
        if self.dialect.decimal == "," and b"." in body:
            return None  # a thousands mark, perhaps
        stamps = self.dialect.stamps
        columns = {str(i): pl.String if i in stamps else pl.Float64 for i in range(self.dialect.width)}
        order = sorted(wanted)
        try:
            frame = pl.read_csv(
                body,
                has_header=False,
                schema=columns,
                columns=order,
                separator=delimiter,
                quote_char='"' if b'"' in body else None,
                null_values=_COMMON_MISSING,
                decimal_comma=self.dialect.decimal == "," and delimiter != ",",
            )
        except pl.exceptions.PolarsError:
            return None
        if frame.height != len(lines):
            return None
        numbers = {i: _finite(frame[str(i)].to_numpy()) for i in order if i not in stamps}
        texts = {i: frame[str(i)] for i in order if i in stamps}
        row = np.arange(1, frame.height + 1)
        return Table(row, numbers, texts, {}, frame.height, {}, ())

    def _careful_table(self, wanted: frozenset[int]) -> Table:
        """The road for everything else: each line is looked at, and every cell is text first."""
        dialect = self.dialect
        lines = self.text.body.decode("utf-8", errors="replace").split("\n")
        cut = bool(lines[-1])  # no line break at the end: the recorder may have stopped within the line
        header = lines[max(0, dialect.header_line) : dialect.data_line]
        data = lines[dialect.data_line :]
        sorted_out = sort_records(_cells(data, dialect), _cells(header, dialect), dialect, cut)
        columns = {i: pl.Series([cells[i] for cells in sorted_out.rows], dtype=pl.String) for i in sorted(wanted)}
        texts = {i: column for i, column in columns.items() if i in dialect.stamps}
        form = number_format([column for i, column in columns.items() if i not in texts] or [pl.Series([""])])
        numbers: dict[int, Values] = {}
        odd: dict[int, list[str]] = {}
        for i in columns.keys() - texts.keys():
            unit = dialect.units[i] if dialect.units_in == "cells" else ""
            numbers[i], odd_cells = to_numbers(columns[i], form, unit)
            if odd_cells:
                odd[i] = odd_cells
        return Table(
            np.array(sorted_out.places, dtype=np.int64),
            numbers,
            texts,
            odd,
            sorted_out.rows_in,
            sorted_out.dropped,
            sorted_out.findings,
        )


def _cells(lines: list[str], dialect: Dialect) -> list[list[str]]:
    """Each record's cells; a quoted cell may hold delimiters and line breaks (RFC 4180)."""
    if not any('"' in line for line in lines):
        return [line.split(dialect.delimiter) for line in lines]
    try:
        return list(csv.reader((line + "\n" for line in lines), delimiter=dialect.delimiter))
    except csv.Error:
        return [line.split(dialect.delimiter) for line in lines]


def _finite(values: Values) -> Values:
    finite = np.isfinite(values)
    return values if finite.all() else np.where(finite, values, np.nan)
