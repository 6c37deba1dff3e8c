"""Rows added to the first sheet of an XLSX workbook; everything else in it stays as it is.

Layout after ECMA-376, part 1: clauses 18.3.1.73 (row), 18.3.1.80 (sheetData) and 18.3.1.53 (is, inline text).
"""

import io
import posixpath
import re
import zipfile
from collections.abc import Iterator, Sequence
from xml.sax.saxutils import escape

_FIRST_SHEET = re.compile(r"<(?:\w+:)?sheet\b[^>]*?\br:id=\"([^\"]+)\"")
_RELATION = re.compile(r"<(?:\w+:)?Relationship\b[^>]*>")
_ATTRIBUTE = re.compile(r"\b(\w+)=\"([^\"]*)\"")
_ROW = re.compile(r"<((?:\w+:)?)row\b([^>]*?)(?:/>|>(.*?)</\1row>)", re.DOTALL)
_EMPTY_DATA = re.compile(r"<((?:\w+:)?)sheetData\s*/>")
_DATA_ENDS = re.compile(r"</(?:\w+:)?sheetData>")
_DIMENSION = re.compile(r"<(?:\w+:)?dimension\b[^>]*/>")  # a hint that need not be there, and would be wrong
_FILLED = re.compile(r"<(?:\w+:)?(?:v|is|f)\b")
_NO_XML = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f\ufffe\uffff]")


def add_to_workbook(content: bytes, rows: Sequence[Sequence[str]]) -> bytes:
    """The workbook with `rows` of text below the last row that holds anything; b"" where its layout is not known.

    Rows that were empty but formatted give way, for some programs write a thousand of them.
    """
    with zipfile.ZipFile(io.BytesIO(content)) as old:
        try:
            part = _part_of_first_sheet(old)
            sheet = old.read(part).decode("utf-8")
        except (KeyError, AttributeError, UnicodeDecodeError):
            return b""
        whole = io.BytesIO()
        with zipfile.ZipFile(whole, "w", zipfile.ZIP_DEFLATED) as new:
            for info in old.infolist():
                new.writestr(info, _with_rows(sheet, rows) if info.filename == part else old.read(info))
    return whole.getvalue()


def _part_of_first_sheet(book: zipfile.ZipFile) -> str:
    first = _FIRST_SHEET.search(book.read("xl/workbook.xml").decode("utf-8"))
    for relation in _RELATION.findall(book.read("xl/_rels/workbook.xml.rels").decode("utf-8")):
        told = dict(_ATTRIBUTE.findall(relation))
        if first and told.get("Id") == first[1]:
            return posixpath.normpath(posixpath.join("/xl", told["Target"])).lstrip("/")
    raise KeyError("no first sheet")


def _with_rows(sheet: str, rows: Sequence[Sequence[str]]) -> str:
    sheet = _EMPTY_DATA.sub(r"<\1sheetData></\1sheetData>", _DIMENSION.sub("", sheet, count=1), count=1)
    end = _DATA_ENDS.search(sheet)
    if end is None:
        return sheet
    prefix = end[0][2:-1].removesuffix("sheetData")
    last, cut, rest = 0, end.start(), end.start()
    for number, row in _numbered(sheet):
        if _FILLED.search(row[3] or ""):
            last, cut, rest = number, row.end(), row.end()
        elif number <= last + len(rows):
            rest = row.end()
    return sheet[:cut] + "".join(_row(prefix, last + i, row) for i, row in enumerate(rows, 1)) + sheet[rest:]


def _numbered(sheet: str) -> Iterator[tuple[int, re.Match[str]]]:
    number = 0
    for row in _ROW.finditer(sheet):
        told = dict(_ATTRIBUTE.findall(row[2])).get("r")
        number = int(told) if told else number + 1
        yield number, row


def _row(prefix: str, number: int, cells: Sequence[str]) -> str:
    made = "".join(
        f'<{prefix}c r="{_letters(column)}{number}" t="inlineStr"><{prefix}is><{prefix}t xml:space="preserve">'
        f"{escape(_NO_XML.sub('?', text))}</{prefix}t></{prefix}is></{prefix}c>"
        for column, text in enumerate(cells)
        if text
    )
    return f'<{prefix}row r="{number}">{made}</{prefix}row>'


def _letters(column: int) -> str:
    """
    >>> _letters(0), _letters(25), _letters(26), _letters(701)
    ('A', 'Z', 'AA', 'ZZ')
    """
    text = ""
    column += 1
    while column:
        column, place = divmod(column - 1, 26)
        text = chr(65 + place) + text
    return text
