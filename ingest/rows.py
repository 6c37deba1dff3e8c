"""Records of a text file sorted into data rows and what is none: blank lines, comments, repeats, a summary."""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

from ingest.dialect import Dialect, is_data, is_value
from ingest.findings import Finding
from ingest.number_format import is_missing, marks
from ingest.own_clocks import borders
from ingest.records import Offsets, Records, split_record

_ROWS_JUDGED = 20
_DIGITS = np.frombuffer(b"0123456789", dtype=np.uint8)


class Kind(IntEnum):
    """What a record is; data, ragged and cut ones are data rows of the file."""

    DATA = 0
    RAGGED = 1
    CUT = 2
    ODD = 3  # of full width, but begins with a word: settled last
    REPEAT = 4
    COMMENT = 5
    TEXT = 6
    BLANK = 7


Kinds = NDArray[np.uint8]


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
    kinds = _kinds(records, {_key(cells) for cells in header if len(cells) > 1}, dialect, cut)
    if cut and len(kinds) and kinds[-1] == Kind.RAGGED:
        kinds[-1] = Kind.CUT
    places = np.cumsum(kinds <= Kind.CUT, dtype=np.int64)
    rows_in = int(places[-1]) if len(places) else 0
    kept, ragged = np.flatnonzero(kinds == Kind.DATA), np.flatnonzero(kinds == Kind.RAGGED)
    losses = {"row_ragged": len(ragged), "row_cut_short": _count(kinds, Kind.CUT)}
    first = {"row_ragged": int(places[ragged[0]]) if len(ragged) else None, "row_cut_short": rows_in}
    dropped = {code: count for code, count in losses.items() if count}
    lost = [Finding(code, row=first[code], rows=count) for code, count in dropped.items()]
    return SortedRecords(kept, places[kept], rows_in, dropped, (*lost, *_not_data(kinds)))


def _kinds(records: Records, repeats: set[tuple[str, ...]], dialect: Dialect, cut: bool) -> Kinds:
    """One a record. Only what is no plain row is looked at closely."""
    has_width = _has_width(records.cells, dialect, cut)
    judged = np.flatnonzero(has_width[:_ROWS_JUDGED]).tolist()
    begins_with_value = sum(is_value(cells_of(records, i, dialect)[0]) for i in judged) > len(judged) / 2
    repeated_firsts = {key[0] for key in repeats}
    first = records.first_bytes()
    if begins_with_value:
        plain = has_width & np.isin(first, _DIGITS) & (not any(name[:1].isdigit() for name in repeated_firsts))
    else:
        plain = has_width & ~np.isin(first, [*(name.encode()[0] for name in repeated_firsts if name), *b' \n"'])
    kinds = np.full(len(records), Kind.DATA, dtype=np.uint8)
    for i in np.flatnonzero(~plain).tolist():
        cells = cells_of(records, i, dialect)
        is_repeat = cells[0].strip() in repeated_firsts and _key(cells) in repeats
        kinds[i] = Kind.REPEAT if is_repeat else _kind(cells, bool(has_width[i]), begins_with_value)
    return _odd_settled(kinds, records, dialect)


def _has_width(cells: Offsets, dialect: Dialect, cut: bool) -> NDArray[np.bool_]:
    """Whether a record is as wide as a row; where channels have clocks of their own, also less the last ones' cells,
    if no record below has them: they have ended."""
    widths = (dialect.width, dialect.width - 1) if dialect.trailing else (dialect.width,)
    has_width = np.isin(cells, widths)
    if (ends := borders(dialect.names, dialect.units)) and not has_width.all():
        below = np.maximum.accumulate(cells[::-1])[::-1]
        has_ended = np.isin(cells, ends) & (cells == below)
        if cut and len(cells) > 1:
            has_ended[-1] &= cells[-1] == cells[-2]
        has_width |= has_ended
    return has_width


def _kind(cells: Sequence[str], has_width: bool, begins_with_value: bool) -> Kind:
    first = cells[0].strip()
    is_text = begins_with_value and not first[:1].isdigit() and not is_missing(first) and not is_value(first)
    if len(cells) <= 1 and not first:
        return Kind.BLANK
    if has_width:
        return Kind.ODD if is_text else Kind.DATA
    if first.startswith(tuple(marks()["comments"])):
        return Kind.COMMENT
    return Kind.TEXT if is_text else Kind.RAGGED


def _odd_settled(kinds: Kinds, records: Records, dialect: Dialect) -> Kinds:
    """Rows of full width that begin with a word: a summary where no data follow, else a row if it has values."""
    rows = np.flatnonzero(kinds <= Kind.CUT)
    last = rows[-1] if len(rows) else -1
    for i in np.flatnonzero(kinds == Kind.ODD).tolist():
        kinds[i] = Kind.DATA if i < last and is_data(cells_of(records, i, dialect)) else Kind.TEXT
    return kinds


def _not_data(kinds: Kinds) -> list[Finding]:
    """Notes on what stands among the data or after it."""
    rows = np.flatnonzero(kinds <= Kind.CUT)
    last = int(rows[-1]) if len(rows) else 0
    counts = {
        "header_repeated": _count(kinds, Kind.REPEAT),
        "text_between_rows": _count(kinds[:last], Kind.TEXT),
        "summary_after_data": _count(kinds[last:], Kind.TEXT),
    }
    return [Finding(code, rows=count) for code, count in counts.items() if count]


def _count(kinds: Kinds, kind: Kind) -> int:
    return int(np.count_nonzero(kinds == kind))


def cells_of(records: Records, index: int, dialect: Dialect) -> list[str]:
    """Cells of one record; at least one."""
    return split_record(records[index].decode("utf-8", errors="replace"), dialect.delimiter)


def _key(cells: Sequence[str]) -> tuple[str, ...]:
    return tuple(cell.strip() for cell in cells)
