"""Records of a text file sorted into data rows and what is none: blank lines, comments, repeats, a summary."""

from collections.abc import Sequence
from dataclasses import dataclass

from ingest.dialect import Dialect, is_data, is_value
from ingest.findings import Finding
from ingest.number_format import is_missing, marks

_ROWS_JUDGED = 20


@dataclass(frozen=True)
class SortedRecords:
    """rows: cells of the kept data rows; places: which data row of the file each is, from 1.

    rows_in = len(rows) + all of dropped.
    """

    rows: list[list[str]]
    places: list[int]
    rows_in: int
    dropped: dict[str, int]
    findings: tuple[Finding, ...]


def sort_records(
    records: Sequence[list[str]], header: Sequence[list[str]], dialect: Dialect, cut: bool
) -> SortedRecords:
    """Sort `records`, all that follows the header.

    header: records from the header line to the data, which may stand among the data again after a restart.
    cut: the file does not end in a line break, so its last record may be half of one.
    """
    kinds = _kinds(records, {_key(cells) for cells in header if len(cells) > 1}, dialect)
    if cut and kinds and kinds[-1] == "ragged":
        kinds[-1] = "cut"
    rows, places, ragged = [], [], []
    place = 0
    for cells, kind in zip(records, kinds, strict=True):
        place += kind in ("data", "ragged", "cut")
        if kind == "data":
            rows.append(cells if len(cells) == dialect.width else [*cells, ""])
            places.append(place)
        elif kind == "ragged":
            ragged.append(place)
    losses = {"row_ragged": len(ragged), "row_cut_short": kinds.count("cut")}
    first = {"row_ragged": ragged[0] if ragged else None, "row_cut_short": place}
    dropped = {code: count for code, count in losses.items() if count}
    lost = [Finding(code, row=first[code], rows=count) for code, count in dropped.items()]
    return SortedRecords(rows, places, place, dropped, (*lost, *_not_data(kinds)))


def _kinds(records: Sequence[list[str]], repeats: set[tuple[str, ...]], dialect: Dialect) -> list[str]:
    """data, ragged, repeat, comment, text or blank: one a record."""
    widths = (dialect.width, dialect.width - 1) if dialect.trailing else (dialect.width,)
    first_cells = [cells[0] for cells in records[:_ROWS_JUDGED] if len(cells) in widths]
    begins_with_value = sum(map(is_value, first_cells)) > len(first_cells) / 2
    comments = tuple(marks()["comments"])
    repeated_firsts = {key[0] for key in repeats}
    kinds = []
    for cells in records:
        first = cells[0].strip() if cells else ""
        is_text = begins_with_value and not first[:1].isdigit() and not is_missing(first) and not is_value(first)
        if len(cells) <= 1 and not first:
            kinds.append("blank")
        elif first in repeated_firsts and _key(cells) in repeats:
            kinds.append("repeat")
        elif len(cells) in widths:
            kinds.append("odd" if is_text else "data")
        elif first.startswith(comments):
            kinds.append("comment")
        else:
            kinds.append("text" if is_text else "ragged")
    return _odd_settled(kinds, records)


def _odd_settled(kinds: list[str], records: Sequence[list[str]]) -> list[str]:
    """Rows of full width that begin with a word: a summary where no data follow, else a row if it has values."""
    last = max((i for i, kind in enumerate(kinds) if kind in ("data", "ragged")), default=-1)
    return [
        kind if kind != "odd" else "data" if i < last and is_data(records[i]) else "text"
        for i, kind in enumerate(kinds)
    ]


def _not_data(kinds: Sequence[str]) -> list[Finding]:
    """Notes on what stands among the data or after it."""
    last = max((i for i, kind in enumerate(kinds) if kind in ("data", "ragged", "cut")), default=-1)
    counts = {
        "header_repeated": kinds.count("repeat"),
        "text_between_rows": kinds[:last].count("text"),
        "summary_after_data": kinds[last + 1 :].count("text"),
    }
    return [Finding(code, rows=count) for code, count in counts.items() if count]


def _key(cells: Sequence[str]) -> tuple[str, ...]:
    return tuple(cell.strip() for cell in cells)
