"""Text in a spelling seldom met, told anew in the usual one: apostrophes for quotes, blanks for delimiters."""

import csv
import io
import re
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from contextlib import suppress
from dataclasses import dataclass

from ingest.dialect import HEAD_BYTES, Dialect, is_data, recognise
from ingest.records import find_records, split_record

_SWAPPED = str.maketrans("\"'", "'\"")
_BEFORE_UNIT, _BEHIND_UNIT = re.compile(r" +(?=[\[(])"), re.compile(r"(?<=[\])]) +")
_WIDE = re.compile(r" {2,}")
_GROUP = re.compile(r"\d{3}(?:[.,]\d*)?")  # behind a blank that may be a thousands mark

Cells = list[str]


@dataclass(frozen=True)
class Respelled:
    """body: UTF-8 in the usual spelling, line by line as the file. spelling: the file's own, in short."""

    body: bytes
    dialect: Dialect
    spelling: str


def respelled(body: bytes) -> Respelled | None:
    """A text with the usual quotes and delimiters, where rows of numbers are in it then.

    >>> respelled(b"Time [s]  RPM   MAP\\n  0.0     900    40\\n  0.1    1000    41\\n").body
    b'Time [s]\\tRPM\\tMAP\\n0.0\\t900\\t40\\n0.1\\t1000\\t41\\n'
    >>> respelled(b"RPM\\n1 050\\n1 100\\n") is None  # one column with thousands marks
    True
    """
    lines = body.decode("utf-8", errors="replace").removesuffix("\n").split("\n")
    head = body[:HEAD_BYTES].decode("utf-8", errors="replace").split("\n")[:-1] or lines
    for spelling, tell in (("apostrophes", _without_apostrophes), ("blanks", _without_blanks)):
        if (told := tell(lines, head)) is None:
            continue
        dialect = recognise(told[:HEAD_BYTES])
        if dialect and (dialect.delimiter == "\t" or spelling != "blanks"):
            return Respelled(told.removesuffix("" if body.endswith(b"\n") else "\n").encode(), dialect, spelling)
    return None


def _without_apostrophes(lines: Sequence[str], head: Sequence[str]) -> str | None:
    """Cells enclosed in apostrophes, enclosed in quotes instead."""
    if not any("'" in line for line in head):
        return None
    dialect = recognise("\n".join(head).translate(_SWAPPED))
    if dialect is None or not dialect.quoted:
        return None
    texts = [line.translate(_SWAPPED) for line in lines]
    whole = find_records("\n".join([*texts, ""]).encode(), dialect.delimiter.encode())
    if whole:  # else each line by itself, as with stray quotes
        texts = [whole[i].decode() for i in range(len(whole))]
    rows = (split_record(text, dialect.delimiter) for text in texts)
    return _written(([cell.translate(_SWAPPED) for cell in row] for row in rows), dialect.delimiter)


def _without_blanks(lines: Sequence[str], head: Sequence[str]) -> str | None:
    """Columns parted by one blank, or by as many as make them stand below each other, parted by tabs instead."""
    if any("\t" in line for line in head):
        return None
    ways = (_at_blanks, _at_each_blank) if any("  " in line for line in head) else (_at_each_blank,)
    parted = [(split, *_usual_width(map(split, head))) for split in ways]
    split, width, count = max(parted, key=lambda way: way[2])  # the first where both part as many rows alike
    rows = [row for row in map(split, head) if is_data(row)]
    alike = [row for row in rows if len(row) == width]
    if 2 * count <= len(rows) or (width == 2 and all(_GROUP.fullmatch(second) for _, second in alike)):
        return None
    return _written(_of_width(line, split, width) for line in lines)


def _usual_width(rows: Iterable[Cells]) -> tuple[int, int]:
    """(cells, rows) of the width that most rows of values have; (0, 0) where there is none."""
    return max(Counter(len(row) for row in rows if is_data(row)).items(), key=lambda item: item[1], default=(0, 0))


def _at_blanks(line: str) -> Cells:
    return _parted(line.strip(), at_each=False)


def _at_each_blank(line: str) -> Cells:
    return _parted(line, at_each=True)


def _parted(line: str, *, at_each: bool) -> Cells:
    with suppress(csv.Error):  # a cell without end, say
        return next(csv.reader([line], delimiter=" ", skipinitialspace=not at_each), [])
    return line.split(" ")


def _of_width(line: str, split: Callable[[str], Cells], width: int) -> Cells:
    """The cells of a line: of a header, whose names may have blanks within, parted so that they fit."""
    bare = line.strip()
    ways = (split(line), _WIDE.split(bare), split(_BEFORE_UNIT.sub("", line)), _BEHIND_UNIT.split(bare))
    return next((cells for cells in ways if len(cells) == width), ways[0])


def _written(rows: Iterable[Cells], delimiter: str = "\t") -> str:
    whole = io.StringIO()
    csv.writer(whole, delimiter=delimiter, lineterminator="\n").writerows(rows)
    return whole.getvalue()
