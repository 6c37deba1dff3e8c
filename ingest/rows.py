"""Records of a text file sorted into data rows and what is none: blank lines, comments, repeats, a summary."""

import contextlib
import csv
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ingest.dialect import Dialect, is_data, is_value
from ingest.findings import Finding
from ingest.number_format import is_missing, marks
from ingest.records import Offsets, Records

_ROWS_JUDGED = 20
_DIGITS = np.frombuffer(b"0123456789", dtype=np.uint8)
_ROWS = ("data", "ragged", "cut")  # kinds that count as data rows

Kinds = NDArray[np.str_]


@dataclass(frozen=True)
class SortedRecords:
    """kept: index of each data row among the records; places: which data row of the file each is, from 1.

    rows_in = len(kept) + all of dropped.
    """

    kept: Offsets
    places: NDArray[np.int64]
    rows_in: int
    dropped: dict[str, int]
    findings: tuple[Finding, ...]


def sort_records(records: Records, header: Sequence[list[str]], dialect: Dialect, cut: bool) -> SortedRecords:
    """Sort `records`, all that follows the header.

    header: records from the header line to the data, which may stand among the data again after a restart.
    cut: the file does not end in a line break, so its last record may be half of one.
    """
    kinds = _kinds(records, {_key(cells) for cells in header if len(cells) > 1}, dialect)
    if cut and len(kinds) and kinds[-1] == "ragged":
        kinds[-1] = "cut"
    places = np.cumsum(np.isin(kinds, _ROWS), dtype=np.int64)
    rows_in = int(places[-1]) if len(places) else 0
    kept, ragged = np.flatnonzero(kinds == "data"), np.flatnonzero(kinds == "ragged")
    losses = {"row_ragged": len(ragged), "row_cut_short": _count(kinds, "cut")}
    first = {"row_ragged": int(places[ragged[0]]) if len(ragged) else None, "row_cut_short": rows_in}
    dropped = {code: count for code, count in losses.items() if count}
    lost = [Finding(code, row=first[code], rows=count) for code, count in dropped.items()]
    return SortedRecords(kept, places[kept], rows_in, dropped, (*lost, *_not_data(kinds)))


def _kinds(records: Records, repeats: set[tuple[str, ...]], dialect: Dialect) -> Kinds:
    """data, ragged, repeat, comment, text or blank: one a record. Only what is no plain row is looked at closely."""
    widths = (dialect.width, dialect.width - 1) if dialect.trailing else (dialect.width,)
    has_width = np.isin(records.cells, widths)
    judged = np.flatnonzero(has_width[:_ROWS_JUDGED]).tolist()
    begins_with_value = sum(is_value(_cells(records, i, dialect)[0]) for i in judged) > len(judged) / 2
    repeated_firsts = {key[0] for key in repeats}
    first = records.first_bytes()
    if begins_with_value:
        plain = has_width & np.isin(first, _DIGITS) & (not any(name[:1].isdigit() for name in repeated_firsts))
    else:
        plain = has_width & ~np.isin(first, [*(name.encode()[0] for name in repeated_firsts if name), *b' \n"'])
    kinds = np.full(len(records), "data", dtype="U7")
    for i in np.flatnonzero(~plain).tolist():
        cells = _cells(records, i, dialect)
        is_repeat = cells[0].strip() in repeated_firsts and _key(cells) in repeats
        kinds[i] = "repeat" if is_repeat else _kind(cells, bool(has_width[i]), begins_with_value)
    return _odd_settled(kinds, records, dialect)


def _kind(cells: Sequence[str], has_width: bool, begins_with_value: bool) -> str:
    first = cells[0].strip()
    is_text = begins_with_value and not first[:1].isdigit() and not is_missing(first) and not is_value(first)
    if len(cells) <= 1 and not first:
        return "blank"
    if has_width:
        return "odd" if is_text else "data"
    if first.startswith(tuple(marks()["comments"])):
        return "comment"
    return "text" if is_text else "ragged"


def _odd_settled(kinds: Kinds, records: Records, dialect: Dialect) -> Kinds:
    """Rows of full width that begin with a word: a summary where no data follow, else a row if it has values."""
    rows = np.flatnonzero(np.isin(kinds, _ROWS))
    last = rows[-1] if len(rows) else -1
    for i in np.flatnonzero(kinds == "odd").tolist():
        kinds[i] = "data" if i < last and is_data(_cells(records, i, dialect)) else "text"
    return kinds


def _not_data(kinds: Kinds) -> list[Finding]:
    """Notes on what stands among the data or after it."""
    rows = np.flatnonzero(np.isin(kinds, _ROWS))
    last = int(rows[-1]) if len(rows) else 0
    counts = {
        "header_repeated": _count(kinds, "repeat"),
        "text_between_rows": _count(kinds[:last], "text"),
        "summary_after_data": _count(kinds[last:], "text"),
    }
    return [Finding(code, rows=count) for code, count in counts.items() if count]


def _count(kinds: Kinds, kind: str) -> int:
    return int(np.count_nonzero(kinds == kind))


def _cells(records: Records, index: int, dialect: Dialect) -> list[str]:
    """Cells of one record; at least one."""
    text = records[index].decode("utf-8", errors="replace")
    if '"' in text:
        with contextlib.suppress(csv.Error):  # a cell without end, say
            return next(csv.reader([text + "\n"], delimiter=dialect.delimiter), [""])
    return text.split(dialect.delimiter)


def _key(cells: Sequence[str]) -> tuple[str, ...]:
    return tuple(cell.strip() for cell in cells)
