"""Delimited text of any dialect. A well-kept parser does the bulk; the lines are counted independently of it."""

import csv
import io
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property, lru_cache

import numpy as np
import polars as pl

from ingest.dialect import HEAD_BYTES, Dialect, holds_stamps, is_data, recognise, recognise_words
from ingest.encoding import Text, to_utf8
from ingest.findings import Finding
from ingest.number_format import all_to_numbers
from ingest.records import Offsets, Records, count_if_plain, count_if_uniform, find_records, split_record
from ingest.respell import respelled
from ingest.rows import SortedRecords, sort_records
from ingest.table import Table, Values

_HEADER_WITHIN = 100  # lines; a known header further down is not looked for
_KNOWN_MAX = 512
_OF_NUMBERS = b'0123456789.,+-\n"'
_COMMON_MISSING = [
    "-",
    "--",
    "---",
    "n/a",
    "N/A",
    "NA",
    "NaN",
    "nan",
    "ERR",
    "****",
    "***",
    "null",
    "?",
]  # others: slowly
_RAGGED_MAX_SHARE = 0.1  # more, and the layout is not what it was taken for
_known: dict[bytes, tuple[Dialect, bytes]] = {}  # header line -> dialect, all lines from it to the data


def open_text(content: bytes) -> "TextSource | None":
    """A text file whose columns are known; None where it is no text or no table is found in it.

    A table without numbers is given too: its dialect says so.

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
    told = respelled(text.body) if dialect is None or dialect.header_line < 0 else None
    if told and (dialect is None or told.dialect.header_line >= 0):
        return TextSource(replace(text, body=told.body), told.dialect, spelling=told.spelling)
    if dialect is None:
        words = _recognise(text.body, recognise_words)
        return TextSource(text, words) if words else None
    _remember(dialect, lines)
    return TextSource(text, dialect)


def _remember(dialect: Dialect, lines: list[bytes]) -> None:
    units_above = dialect.units_in == "row" and dialect.data_line == dialect.header_line + 1
    if units_above or dialect.units_in == "cells":
        return  # the header does not say the units, and the next log's may be others
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
    data = lines[data_line].decode("utf-8", errors="replace")
    cells = _cells([data], known)[0]
    if len(cells) != known.width or known.quoted != ('"' in data) or not is_data(cells):
        return None
    if any(not holds_stamps([cells[i].strip()]) for i in known.stamps):
        return None
    moved = at != known.header_line
    return replace(known, header_line=at, data_line=data_line) if moved else known


def _recognise(body: bytes, how: Callable[[str], Dialect | None] = recognise) -> Dialect | None:
    head = body[:HEAD_BYTES]
    if len(body) > HEAD_BYTES:
        head = head[: head.rfind(b"\n") + 1] or head
    return how(head.decode("utf-8", errors="replace"))


@dataclass(frozen=True)
class TextSource:
    """A text file of a known dialect; a `table.Source`.

    remembered: the dialect is that of an earlier log with the same header.
    ahead: the wanted columns, where they were read together with those of other texts.
    spelling: of the file, where `text` is told anew in the usual one.
    """

    text: Text
    dialect: Dialect
    remembered: bool = False
    ahead: Table | None = None
    spelling: str = ""

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
            start = self.text.body.find(b"\n", start) + 1 or len(self.text.body)  # the header may end the file
        return start

    @property
    def has_rows(self) -> bool:
        return bool(self.text.body[self._data_start :].strip())

    @property
    def preamble(self) -> str:
        return self.text.body[: self._data_start].decode("utf-8", errors="replace")

    @property
    def findings(self) -> tuple[Finding, ...]:
        trailing = (Finding("trailing_delimiter"),) if self.dialect.trailing else ()
        return self.text.findings + trailing

    def in_short(self) -> str:
        return ", ".join(filter(None, ("text", self.text.encoding, self.spelling, self.dialect.in_short())))

    def table(self, wanted: frozenset[int]) -> Table:
        if self.ahead:
            return self.ahead
        if found := self._uniform_table(wanted):
            return found
        found, decimal = self._careful_table(wanted)
        if self.remembered and (decimal != self.dialect.decimal or found.odd_cells or mostly_ragged(found)):
            fresh = _recognise(self.text.body)
            if fresh and fresh != self.dialect and fresh.names == self.dialect.names:
                _remember(fresh, _first_lines(self.text.body))
                return TextSource(self.text, fresh).table(wanted)
        return found

    def _uniform_table(self, wanted: frozenset[int]) -> Table | None:
        """The quick road, for text in which every line is a row of plain numbers; None where it is not."""
        data, count, plain = self.uniform_rows()
        numbers = _numbers(data, count, wanted, self.dialect, plain) if count else None
        return _whole(count, *numbers, {}) if numbers else None

    def uniform_rows(self) -> tuple[bytes, int, bool]:
        """The text of the data rows, their number (0 where not every line looks like one), whether all is numbers."""
        data, delimiter = _ended(self.text.body[self._data_start :]), self.dialect.delimiter.encode()
        if count := count_if_plain(data, delimiter, self.dialect.width):
            return data, count, True
        return data, count_if_uniform(data, delimiter, self.dialect.width) or 0, False

    def _careful_table(self, wanted: frozenset[int]) -> tuple[Table, str]:
        """The road for everything else: each record is looked at, and every cell is text first.

        Gives the decimal mark too, for that is told from all cells.
        """
        records, sorted_out, dialect = self.sorted_records()
        rows, count = _rows(records, sorted_out.kept, dialect), len(sorted_out.kept)
        # where nothing was left out, the quick road has tried
        tried = count == len(records) and (records.cells == dialect.width).all() and dialect == self.dialect
        del records  # as large as the text itself
        if not tried and (plain := _numbers(rows, count, wanted, dialect)):
            numbers, texts = plain
            odd: dict[int, list[str]] = {}
            decimal = dialect.decimal
        else:
            columns = _as_text(rows, count, wanted, dialect)
            texts = {i: column for i, column in columns.items() if i in dialect.stamps}
            cells = {i: column for i, column in columns.items() if i not in texts}
            units = dialect.units if dialect.units_in == "cells" else ("",) * dialect.width
            numbers, odd, decimal = all_to_numbers(cells, units)
        places, dropped = sorted_out.places, sorted_out.dropped
        return Table(places, numbers, texts, odd, sorted_out.rows_in, dropped, sorted_out.findings), decimal

    def sorted_records(self) -> tuple[Records, SortedRecords, Dialect]:
        """The records below the header, what each is, and the dialect they are in now."""
        dialect = self.dialect
        data = self.text.body[self._data_start :]
        delimiter = dialect.delimiter.encode()
        records = find_records(_ended(data), delimiter) or find_records(_requoted(data, dialect), delimiter)
        assert records  # each quote encloses a whole cell now
        if dialect.decimal == dialect.delimiter and b"\t" not in data:  # the parser cannot tell the two apart
            records, dialect = records.with_delimiter(b"\t"), replace(dialect, delimiter="\t")
        header = self.preamble.split("\n")[max(0, dialect.header_line) : -1]
        # no line break at the end: the recorder may have stopped within the line
        return records, sort_records(records, _cells(header, dialect), dialect, not data.endswith(b"\n")), dialect


def read_together(sources: Sequence[TextSource], wanted: Sequence[frozenset[int]]) -> list[TextSource]:
    """The sources in their order, with their tables where several of one layout could be parsed in one call.

    wanted: of each source. A call of the parser costs as much as half of the rows of a log.
    """
    rows = [source.uniform_rows() for source in sources]
    alike: dict[tuple[Dialect, frozenset[int]], list[int]] = {}
    for i, source in enumerate(sources):
        if rows[i][1]:
            alike.setdefault((_layout(source.dialect), wanted[i]), []).append(i)
    read = list(sources)
    for (dialect, columns), own in alike.items():
        counts = [rows[i][1] for i in own]
        whole = b"".join(rows[i][0] for i in own)
        plain = all(rows[i][2] for i in own)
        found = _numbers(whole, sum(counts), columns, dialect, plain) if len(own) > 1 else None
        if found is None:
            continue
        numbers, texts = found
        starts = np.cumsum([0, *counts[:-1]])
        ends = {c: _ends(values, starts) for c, values in numbers.items()}
        for place, (i, count, start) in enumerate(zip(own, counts, starts.tolist(), strict=True)):
            part = slice(start, start + count)
            own_numbers = {column: values[part] for column, values in numbers.items()}
            own_texts = {column: values[part] for column, values in texts.items()}
            own_ends = {column: found[place] for column, found in ends.items() if found[place][0] == found[place][0]}
            read[i] = replace(sources[i], ahead=_whole(count, own_numbers, own_texts, own_ends))
    return read


def _ends(values: Values, starts: Offsets) -> list[tuple[float, float]]:
    """Lowest and highest value of each part that begins at `starts`; NaN where one is missing."""
    low, high = np.minimum.reduceat(values, starts), np.maximum.reduceat(values, starts)
    return list(zip(low.tolist(), high.tolist(), strict=True))


@lru_cache(maxsize=_KNOWN_MAX)
def _layout(dialect: Dialect) -> Dialect:
    """The dialect, wherever the header stands."""
    return replace(dialect, header_line=0, data_line=0)


def _whole(
    count: int, numbers: dict[int, Values], texts: dict[int, pl.Series], ends: dict[int, tuple[float, float]]
) -> Table:
    """A table of which no row is missing."""
    return Table(np.arange(1, count + 1), numbers, texts, {}, count, {}, (), ends)


def mostly_ragged(table: Table) -> bool:
    """Whether so many rows are of another width that the layout must be another one."""
    return table.dropped.get("row_ragged", 0) > _RAGGED_MAX_SHARE * table.rows_in


def _ended(text: bytes) -> bytes:
    return text if text.endswith(b"\n") else text + b"\n"


def _parsed(
    data: bytes,
    count: int,
    wanted: frozenset[int],
    dialect: Dialect,
    *,
    as_text: bool,
    missing: list[str] | None = None,
) -> dict[int, pl.Series] | None:
    """The wanted columns of `count` rows, as numbers (stamps apart) or all as text; None where they are not that."""
    kinds = {str(i): pl.String if as_text or i in dialect.stamps else pl.Float64 for i in range(dialect.width)}
    try:
        frame = pl.read_csv(
            data,
            has_header=False,
            schema=kinds,
            columns=sorted(wanted) if len(wanted) < dialect.width else None,
            separator=dialect.delimiter,
            quote_char='"' if b'"' in data else None,
            null_values=missing,
            decimal_comma=dialect.decimal == "," and dialect.delimiter != ",",
        )
    except pl.exceptions.PolarsError:
        return None
    return {i: frame[str(i)] for i in wanted} if frame.height == count else None


def _numbers(
    data: bytes, count: int, wanted: frozenset[int], dialect: Dialect, plain: bool = False
) -> tuple[dict[int, Values], dict[int, pl.Series]] | None:
    """Numbers, and stamps as text, of `count` rows in which every wanted cell is a plain number; None if not so.

    plain: nothing but numbers is in the text, that is known.
    """
    if dialect.decimal == "," and b"." in data:
        return None  # a thousands mark, perhaps
    looks_plain = plain or not data.translate(None, _OF_NUMBERS + dialect.delimiter.encode())
    columns = _parsed(data, count, wanted, dialect, as_text=False) if looks_plain else None
    columns = columns or _parsed(data, count, wanted, dialect, as_text=False, missing=_COMMON_MISSING)
    if columns is None:
        return None
    texts = {i: columns[i] for i in wanted & dialect.stamps}
    return {i: _finite(columns[i].to_numpy()) for i in sorted(wanted - dialect.stamps)}, texts


def _rows(records: Records, kept: Offsets, dialect: Dialect) -> bytes:
    """The text of the rows kept, each of full width."""
    if (lacking := dialect.width - records.cells[kept]).any():  # the delimiters behind it are missing here and there
        delimiter = dialect.delimiter.encode()
        rows = zip(kept.tolist(), lacking.tolist(), strict=True)
        return b"".join(records[i] + delimiter * cells + b"\n" for i, cells in rows)
    runs = np.split(kept, np.flatnonzero(np.diff(kept) != 1) + 1) if len(kept) else []
    return b"".join(records.between(run[0], run[-1]) for run in runs)


def _as_text(rows: bytes, count: int, wanted: frozenset[int], dialect: Dialect) -> dict[int, pl.Series]:
    """The wanted columns."""
    if columns := _parsed(rows, count, wanted, dialect, as_text=True):
        return columns
    cells = _cells(rows.decode("utf-8", errors="replace").removesuffix("\n").split("\n"), dialect)
    return {i: pl.Series([row[i] for row in cells], dtype=pl.String) for i in wanted}


def _cells(lines: list[str], dialect: Dialect) -> list[list[str]]:
    """Each record's cells; a quoted cell may hold delimiters and line breaks (RFC 4180)."""
    if not any('"' in line for line in lines):
        return [line.split(dialect.delimiter) for line in lines]
    try:
        return list(csv.reader((line + "\n" for line in lines), delimiter=dialect.delimiter, skipinitialspace=True))
    except csv.Error:
        return [line.split(dialect.delimiter) for line in lines]


def _requoted(data: bytes, dialect: Dialect) -> bytes:
    """Text with stray quotes put right, each line by itself, so that one stray quote spoils one line."""
    lines = data.decode("utf-8", errors="replace").removesuffix("\n").split("\n")
    whole = io.StringIO()
    writer = csv.writer(whole, delimiter=dialect.delimiter, lineterminator="\n")
    writer.writerows(split_record(line, dialect.delimiter) for line in lines)
    return whole.getvalue().encode("utf-8")


def _finite(values: Values) -> Values:
    finite = np.isfinite(values)
    return values if finite.all() else np.where(finite, values, np.nan)
