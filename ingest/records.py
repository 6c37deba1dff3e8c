"""Where the records of a delimited text begin and end, counted apart from any parser."""

import contextlib
import csv
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

_QUOTE, _LINE_FEED = b'"\n'
_OF_NUMBERS = b"0123456789+-.,"
_EVERY_BYTE = bytes(range(256))

Offsets = NDArray[np.intp]


@dataclass(frozen=True)
class Records:
    """Records of a text, in its order; an entry a record. One may hold line breaks within quotes (RFC 4180).

    start, end: offsets of its first byte and of the line feed behind it. cells: how many it has.
    delimiter: the sign that parts them.
    """

    text: bytes
    start: Offsets
    end: Offsets
    cells: Offsets
    delimiter: bytes

    def __len__(self) -> int:
        return len(self.start)

    def __getitem__(self, index: int) -> bytes:
        return self.text[self.start[index] : self.end[index]]

    def between(self, first: int, last: int) -> bytes:
        """The text of all records from `first` to `last`, line feeds and all."""
        return self.text[self.start[first] : self.end[last] + 1]

    def with_delimiter(self, delimiter: bytes) -> "Records":
        """The same records, parted by another sign, which no cell may hold."""
        signs = np.frombuffer(self.text, dtype=np.uint8).copy()
        parts = signs == self.delimiter[0]
        signs[parts & _outside_quotes(signs == _QUOTE)] = delimiter[0]
        return replace(self, text=signs.tobytes(), delimiter=delimiter)

    def first_bytes(self) -> NDArray[np.uint8]:
        """The first byte of each record, an opening quote left out; a line feed or a quote where it is empty."""
        text = np.frombuffer(self.text + b"\n\n", dtype=np.uint8)
        first = text[self.start]
        return np.where(first == _QUOTE, text[self.start + 1], first)


def split_record(text: str, delimiter: str) -> list[str]:
    """The cells of one record, at least one; quotes as in RFC 4180, blanks before a cell left out.

    >>> split_record('1, "a,b",c', ",")
    ['1', 'a,b', 'c']
    """
    if '"' in text:
        with contextlib.suppress(csv.Error):  # a cell without end, say
            return next(csv.reader([text + "\n"], delimiter=delimiter, skipinitialspace=True), [""])
    return text.split(delimiter)


def count_if_uniform(text: bytes, delimiter: bytes, width: int) -> int | None:
    """Records of a text of which each has `width` cells and ends in a line feed; None where it is not so.

    >>> count_if_uniform(b"1,2\\n3,4\\n", b",", 2), count_if_uniform(b"1,2\\n3\\n", b",", 2)
    (2, None)
    """
    marks = text.translate(None, _EVERY_BYTE.translate(None, delimiter + b"\n"))
    count = len(marks) // width
    return count if marks == (delimiter * (width - 1) + b"\n") * count else None


def count_if_plain(text: bytes, delimiter: bytes, width: int) -> int | None:
    """The same where no cell holds anything but digits, signs and decimal marks; None else.

    >>> count_if_plain(b"1,-2.5\\n,4\\n", b",", 2), count_if_plain(b"1,x\\n", b",", 2)
    (2, None)
    """
    marks = text.translate(None, _OF_NUMBERS.replace(delimiter, b""))
    count = len(marks) // width
    return count if marks == (delimiter * (width - 1) + b"\n") * count else None


def find_records(text: bytes, delimiter: bytes) -> Records | None:
    """Records of a text that ends in a line feed; None where its quotes do not enclose whole cells.

    >>> found = find_records(b'1,"a\\n,b"\\n2,c,d\\n', b",")
    >>> [found[i] for i in range(len(found))], found.cells.tolist()
    ([b'1,"a\\n,b"', b'2,c,d'], [2, 3])
    """
    signs = np.frombuffer(text, dtype=np.uint8)
    is_end, is_delimiter = signs == _LINE_FEED, signs == delimiter[0]
    if b'"' in text:
        is_quote = signs == _QUOTE
        if not _enclose_cells(signs, np.flatnonzero(is_quote), delimiter):
            return None
        outside = _outside_quotes(is_quote)
        is_end &= outside
        is_delimiter &= outside
    end = np.flatnonzero(is_end)
    start = np.concatenate(([0], end[:-1] + 1)) if len(end) else end
    cells = np.diff(np.searchsorted(np.flatnonzero(is_delimiter), end), prepend=0) + 1
    return Records(text, start, end, cells, delimiter)


def _outside_quotes(is_quote: NDArray[np.bool_]) -> NDArray[np.bool_]:
    return np.cumsum(is_quote, dtype=np.uint8) % 2 == 0


def _enclose_cells(signs: NDArray[np.uint8], quotes: Offsets, delimiter: bytes) -> bool:
    """Whether each quote opens a cell, closes one, or is one of a pair within one."""
    if len(quotes) % 2:
        return False
    opens, closes = quotes[::2], quotes[1::2]
    edges = [_QUOTE, _LINE_FEED, delimiter[0]]
    is_opened = np.isin(signs[opens - 1], edges) | (opens == 0)
    return bool(is_opened.all() and np.isin(signs[closes + 1], edges).all())
