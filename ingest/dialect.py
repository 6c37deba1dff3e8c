"""How a text file says things: from its first 64 KiB to a Dialect."""

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import polars as pl

from ingest.number_format import is_missing, marks, number_format
from ingest.records import find_records, split_record
from ingest.units import unit_of

HEAD_BYTES = 64 * 1024
_SAID = {",": "comma", ";": "semicolon", "\t": "tab", "|": "bar"}
_ROWS_JUDGED = 60  # data rows looked at for what each column holds
_HEADER_DISTINCT = 0.8  # share of names that differ: a row of types ("float;float") is no header

_NUMBER = re.compile(r"[+-]?(?:\d[\d.,'’\u2009\u00a0\u202f ]*|[.,]\d+)(?:[eE][+-]?\d+)?")
_STAMP = re.compile(
    r"(?:\d{1,2}[-. ]?[A-Za-zä]{3,9}\.?[-, ]+\d{4}|\d{4}[-/.]\d\d?[-/.]\d\d?|\d\d?[./-]\d\d?[./-]\d{2,4})?[T ]*"
    r"(?:\d{1,2}:\d\d(?::\d\d(?:[.,:]\d+)?)?)?(?:\s*[AaPp]\.?[Mm]\.?)?\s*(?:Z|[+-]\d\d:?\d\d)?"
)
_BRACKETS = re.compile(r"^(.*)[\[({<]\s*([^\[\](){}<>]*(?:\([a-zü. ]+\))?[^\[\](){}<>]*)\s*[\])}>]\s*$", re.DOTALL)
_TIME_NAME = re.compile(r"(time|timestamp|zeit|zeitstempel|uhrzeit|t)\b", re.IGNORECASE)
_ANY_TIME = re.compile(r"(?:^|[\W_])(?:time|timestamp|zeit|zeitstempel|uhrzeit|t)(?:[\W_\d]|$)", re.IGNORECASE)
_BETWEEN = r"[\s_,/:|-]+"


@dataclass(frozen=True)
class Dialect:
    """How one text file is laid out.

    header_line, data_line: indices of lines, from 0. width: cells a data row has.
    names, units: one a column, "" where there is none. units_in: name, row, cells, or "" for nowhere.
    quoted: the first data row has quotes. stamps: columns that hold dates or times of day rather than plain numbers.
    trailing: rows end in a delimiter. of_words: no rows of numbers are below the header: words, or none at all.
    """

    delimiter: str
    quoted: bool
    decimal: str
    header_line: int
    data_line: int
    width: int
    names: tuple[str, ...]
    units: tuple[str, ...]
    units_in: str
    stamps: frozenset[int]
    trailing: bool
    of_words: bool = False

    def in_short(self) -> str:
        """Without any word of the file.

        >>> Dialect(";", False, ",", 0, 1, 2, ("t", "n"), ("", ""), "", frozenset(), False).in_short()
        'semicolon, decimal comma'
        """
        words = [_SAID.get(self.delimiter, self.delimiter)]
        if self.decimal == ",":
            words.append("decimal comma")
        if self.units_in:
            words.append(f"units in {self.units_in}")
        return ", ".join(words)


@dataclass(frozen=True)
class _Record:
    line: int
    cells: list[str]


def recognise(head: str) -> Dialect | None:
    """The dialect of a text that begins with `head`; None where no table of numbers is found.

    >>> d = recognise("Pull 3\\nZeit [s];Drehzahl [1/min]\\n0,0;2000\\n0,1;2050\\n")
    >>> d.delimiter, d.decimal, d.names, d.units, d.data_line
    (';', ',', ('Zeit', 'Drehzahl'), ('s', '1/min'), 2)
    """
    lines = head.split("\n")
    tables = [_table(lines, delimiter) for delimiter in marks()["delimiters"] if delimiter in head]
    table = max(tables, key=lambda table: table.score, default=None)
    if table is None or not table.score:
        return None
    first = next((i for i, r in enumerate(table.records) if len(r.cells) == table.width and is_data(r.cells)), None)
    return _described(table, first, '"' in lines[table.records[first].line]) if first is not None else None


def recognise_words(head: str) -> Dialect | None:
    """The dialect of a text in which no table of numbers is found: of a table of words, or of a header alone.

    >>> d = recognise_words("Name;Town\\nDoe, John;Riverside\\n")
    >>> d.delimiter, d.names, d.data_line
    (';', ('Name', 'Town'), 1)
    """
    lines = head.removesuffix("\n").split("\n")
    tables = [_words_table(lines, delimiter) for delimiter in marks()["delimiters"] if delimiter in head]
    table = max(tables, key=lambda table: table.score, default=None)
    if table is None or not table.score:
        return None
    first = next(i for i, record in enumerate(table.records) if len(record.cells) == table.width)
    names = table.records[first]
    below = table.records[first + 1 : first + 2]
    has_units = bool(below) and _is_unit_row(below[0].cells)
    begin = first + (2 if has_units else 1)
    dialect = Dialect(
        delimiter=table.delimiter,
        quoted='"' in head,
        decimal=".",
        header_line=names.line,
        data_line=table.records[begin].line if begin < len(table.records) else len(lines),
        width=table.width,
        names=tuple(name.strip() for name in names.cells),
        units=("",) * table.width,
        units_in="",
        stamps=frozenset(),
        trailing=False,
        of_words=True,
    )
    return _with_units(dialect, below[0].cells if has_units else [], [()] * table.width)


def _words_table(lines: Sequence[str], delimiter: str) -> "_Table":
    """The more records of one width there are, and the fewer cells hold another delimiter, the better."""
    records = _records(lines, delimiter)
    filled = [record.cells for record in records if any(cell.strip() for cell in record.cells)]
    width, count = max(Counter(map(len, filled)).items(), key=lambda item: (item[1], item[0]), default=(0, 0))
    if width < 2:
        return _Table(0.0, 0, delimiter, records)
    others = [sign for sign in marks()["delimiters"] if sign != delimiter]
    rows = _spread([cells for cells in filled if len(cells) == width])
    bare = sum(not any(sign in cell for sign in others) for cells in rows for cell in cells)
    return _Table(count / len(filled) * bare / (width * len(rows)), width, delimiter, records)


def _described(table: "_Table", first: int, quoted: bool) -> Dialect:
    """The dialect of a table whose first data row is record `first`."""
    header, unit_row = _header(table.records[:first], table.width)
    begin = _begin(table.records[:first], header, first)
    judged = _spread([r.cells for r in table.records[first:] if len(r.cells) == table.width])
    columns = [[row[i].strip() for row in judged] for i in range(table.width)]
    names = [name.strip() for name in header.cells] if header else [""] * table.width
    trailing = len(names) == table.width - 1 or (not names[-1] and not any(columns[-1]))
    names += [""] * (table.width - len(names))
    names[0] = names[0].lstrip("".join(marks()["comments"])).strip()
    numbers = [pl.Series(column) for column in columns if any(_NUMBER.fullmatch(cell) for cell in column)]
    dialect = Dialect(
        delimiter=table.delimiter,
        quoted=quoted,
        decimal=number_format(numbers).decimal if numbers else ".",
        header_line=header.line if header else -1,
        data_line=table.records[begin].line,
        width=table.width,
        names=tuple(names),
        units=("",) * table.width,
        units_in="",
        stamps=frozenset(i for i, column in enumerate(columns) if holds_stamps(column)),
        trailing=trailing,
    )
    return _with_units(dialect, unit_row, columns)


@dataclass(frozen=True)
class _Table:
    """The text as one delimiter would have it; the higher the score, the more it looks like a table."""

    score: float
    width: int
    delimiter: str
    records: list[_Record]


def _table(lines: Sequence[str], delimiter: str) -> _Table:
    """The more cells read as numbers, in the more rows of one width, the better."""
    records = _records(lines, delimiter)
    widths = Counter(len(record.cells) for record in records if len(record.cells) > 1)
    best, best_width = 0.0, 0
    for width, count in widths.most_common(3):
        judged = _spread([record.cells for record in records if len(record.cells) == width])
        filled = [[cell for cell in row if not is_missing(cell)] for row in judged]
        values = [sum(map(is_value, row)) for row in filled]
        score = count * sum(n * n / max(1, len(row)) for n, row in zip(values, filled, strict=True)) / len(judged)
        if score > best:
            best, best_width = score, width
    return _Table(best, _with_ended(records, best_width), delimiter, records)


def _with_ended(records: Sequence[_Record], width: int) -> int:
    """The width of most rows; of the first ones where the header has clocks and later rows lack the last channels."""
    for header, row in pairwise(records):
        if len(header.cells) == len(row.cells) > width and is_data(row.cells) and not is_data(header.cells):
            clocks = sum(bool(_ANY_TIME.search(name)) for name in header.cells)
            return len(row.cells) if clocks > 1 else width
    return width


def _spread(rows: Sequence[list[str]]) -> Sequence[list[str]]:
    """At most some sixty rows, from all over."""
    return rows[:: max(1, len(rows) // _ROWS_JUDGED)]


def _records(lines: Sequence[str], delimiter: str) -> list[_Record]:
    if not any('"' in line for line in lines):
        return [_Record(i, line.split(delimiter)) for i, line in enumerate(lines)]
    found = find_records("\n".join([*lines, ""]).encode("utf-8"), delimiter.encode())
    if found is None:  # stray quotes: each line by itself, so that one spoils its own line only
        return [_Record(i, split_record(line, delimiter)) for i, line in enumerate(lines)]
    records, start = [], 0
    for index in range(len(found)):
        text = found[index].decode("utf-8")
        records.append(_Record(start, split_record(text, delimiter)))
        start += text.count("\n") + 1
    return records


def is_value(cell: str) -> bool:
    """Whether a cell holds a number, a number with its unit, a date or a time of day."""
    cell = cell.strip()
    plain = bool(cell) and bool(_NUMBER.fullmatch(cell) or _STAMP.fullmatch(cell))
    return plain or _number_with_unit(cell) is not None


def _number_with_unit(cell: str) -> str | None:
    """The unit behind a number in a cell, or None."""
    before, _, last = cell.rpartition(" ")
    if _NUMBER.fullmatch(before.strip()) and unit_of(last) and not _NUMBER.fullmatch(last):
        return last  # "960 1/min", where a blank within the number is possible too
    number = _NUMBER.match(cell)
    tail = cell[number.end() :].strip() if number else ""
    return tail if tail and unit_of(tail) else None


def is_data(cells: Sequence[str]) -> bool:
    """Whether most of a row's filled cells are values, and at least two."""
    filled = [cell for cell in cells if not is_missing(cell)]
    return len(filled) >= 2 and sum(map(is_value, filled)) > len(filled) / 2


def holds_stamps(cells: Sequence[str]) -> bool:
    """Whether most of a column's filled cells are dates or times of day rather than plain numbers."""
    filled = [cell for cell in cells if not is_missing(cell)]
    stamps = sum(bool(_STAMP.fullmatch(cell)) and not _NUMBER.fullmatch(cell) for cell in filled)
    return stamps > len(filled) / 2


def _header(above: Sequence[_Record], width: int) -> tuple[_Record | None, list[str]]:
    """(the record with the names, the cells of the row of units or []), both above the data."""
    unit_row: list[str] = []
    for record in reversed(above):
        cells = [cell.strip() for cell in record.cells]
        filled = [cell for cell in cells if cell]
        if len(cells) not in (width, width - 1) or not filled:
            continue
        if not unit_row and _is_unit_row(cells):  # asked first: "1/min" begins like a damaged row
            unit_row = cells
        elif _is_damaged_row(cells):
            continue
        elif len(set(filled)) >= _HEADER_DISTINCT * len(filled) or _is_alternating(filled):
            return record, unit_row or _unit_row_above(above, record)
    return None, unit_row


def _begin(above: Sequence[_Record], header: _Record | None, first: int) -> int:
    """The first record of the data: `first`, or a damaged or nearly empty one between the header and that one."""
    below = above.index(header) + 1 if header else first
    own = (i for i in range(below, first) if _is_damaged_row(above[i].cells) and not _is_unit_row(above[i].cells))
    return next(own, first)


def _is_damaged_row(cells: Sequence[str]) -> bool:
    """Whether a row above the first whole one is of the data itself, and no header."""
    return cells[0].strip()[:1].isdigit() or _holds_values(cells)


def _holds_values(cells: Sequence[str]) -> bool:
    """Whether more of a row's cells are values than names would be."""
    return sum(map(is_value, cells)) > max(1, len(cells) / 4)


def _unit_row_above(above: Sequence[_Record], header: _Record) -> list[str]:
    """Units that stand over the names instead of under them."""
    place = above.index(header)
    cells = [cell.strip() for cell in above[place - 1].cells] if place else []
    return cells if len(cells) == len(header.cells) and _is_unit_row(cells) else []


def _is_alternating(names: Sequence[str]) -> bool:
    """Whether every other name is the same, or one that means time stands several times: a clock a channel."""
    if len(set(names[::2])) == 1 and len(set(names[1::2])) > 1:
        return True
    clock = Counter(names).most_common(1)[0][0]
    others = [name for name in names if name != clock]
    is_distinct = len(others) > 1 and len(set(others)) >= _HEADER_DISTINCT * len(others)
    return is_distinct and bool(_TIME_NAME.match(clock))


def _is_unit_row(cells: Sequence[str]) -> bool:
    filled = [cell.strip("[](){} ") for cell in cells if not is_missing(cell)]
    return len(filled) >= 2 and sum(_is_unit(cell) for cell in filled) > 0.7 * len(filled)


def _is_unit(cell: str) -> bool:
    return unit_of(cell) is not None and not _NUMBER.fullmatch(cell)


def _with_units(dialect: Dialect, unit_row: Sequence[str], columns: Sequence[Sequence[str]]) -> Dialect:
    """Units from their own row, else from the names' brackets, else from behind the numbers."""
    if unit_row:
        in_row = [cell.strip("[](){} ") for cell in unit_row] + [""] * (dialect.width - len(unit_row))
        return replace(dialect, units=tuple(in_row), units_in="row")
    split = [split_brackets(name) for name in dialect.names]
    if any(unit for _, unit in split):
        names, in_names = zip(*split, strict=True)
        return replace(dialect, names=tuple(names), units=tuple(in_names), units_in="name")
    behind = [Counter(filter(None, map(_number_with_unit, column))).most_common(1) for column in columns]
    if any(behind):
        in_cells = [found[0][0] if found else "" for found in behind]
        return replace(dialect, units=tuple(in_cells), units_in="cells")
    return dialect


def split_brackets(name: str) -> tuple[str, str]:
    """Name and unit, where a name ends in brackets that hold a unit; else the name and "".

    >>> split_brackets("Boost (gauge) [kPa]"), split_brackets("Lambda (bank 1)"), split_brackets("p (bar(g))")
    (('Boost (gauge)', 'kPa'), ('Lambda (bank 1)', ''), ('p', 'bar(g)'))
    """
    found = _BRACKETS.match(name)
    if not found:
        return name, ""
    before, inside = found[1].strip(), found[2].strip()
    square = name.rstrip().endswith("]")
    return (before, inside) if before and (square or unit_of(inside)) else (name, "")


def split_tail(name: str) -> tuple[str, str] | None:
    """Name and unit, where the last word or two of a name may be a unit; None where not.

    >>> split_tail("rail_pressure_bar"), split_tail("air_mass_g_s"), split_tail("Gear")
    (('rail_pressure', 'bar'), ('air_mass', 'g/s'), None)
    """
    words = re.split(_BETWEEN, name.strip())
    for count in (2, 1):
        tail = _BETWEEN.join(map(re.escape, words[-count:]))
        found = re.fullmatch(f"(.+?){_BETWEEN}({tail})", name.strip())
        if found and unit_of(unit := found[2].replace("_", "/")):
            return found[1], unit
    return None
