"""XLSX logs: the sheet with the longest table, read as a text log of the same cells would be."""

import io
import re
import zipfile
import zlib
from dataclasses import dataclass

import polars as pl

from ingest.findings import Finding, UnreadableError
from ingest.read_text import TextSource, open_text
from ingest.table import Table
from ingest.unpack import ZIP

_COMPOUND = bytes.fromhex("d0cf11e0a1b11ae1")  # workbooks before 2007, and those locked with a password
_TYPES = "[Content_Types].xml"
_PARTS = (
    "xl/worksheets/",
    "xl/chartsheets/",
    "xl/_rels/",
)  # sheets and how they are found; document properties stay outside
_SINGLE_PARTS = (_TYPES, "_rels/.rels", "xl/workbook.xml", "xl/sharedStrings.xml", "xl/styles.xml")
_DAY_OF_TIMES = r"^(?:1899-12-3[01]|190[0-4]-\d\d-\d\d) "  # what a cell with a time and no day is given as one

_PLACE = re.compile(rb'<(?:\w+:)?(?:c|row)\b[^>]*?\br="([A-Z]{0,3})(\d+)"')


@dataclass(frozen=True)
class WorkbookLimits:
    """Beyond these a workbook is no log, or one made to fill the memory."""

    unpacked_bytes: int = 1 << 29
    cells: int = 30_000_000  # of the rectangle that holds all filled cells of a sheet


@dataclass(frozen=True)
class WorkbookSource:
    """A sheet of a workbook; a `table.Source`."""

    cells: TextSource
    other_sheets: int

    @property
    def names(self) -> tuple[str, ...]:
        return self.cells.names

    @property
    def units(self) -> tuple[str, ...]:
        return self.cells.units

    @property
    def stamp_columns(self) -> frozenset[int]:
        return self.cells.stamp_columns

    @property
    def preamble(self) -> str:
        return self.cells.preamble

    @property
    def findings(self) -> tuple[Finding, ...]:
        others = (Finding("other_sheets", detail=f"{self.other_sheets} more"),) if self.other_sheets else ()
        return (*self.cells.findings, *others)

    def in_short(self) -> str:
        where = self.cells.dialect.units_in
        return f"xlsx, units in {where}" if where else "xlsx"

    def table(self, wanted: frozenset[int]) -> Table:
        return self.cells.table(wanted)


def open_workbook(content: bytes, limits: WorkbookLimits = WorkbookLimits()) -> WorkbookSource | None:
    """A workbook's longest table; None where the file is no workbook, or none of its sheets holds a table.

    Preamble, header and row of units are found as in text. Raises UnreadableError for a workbook of another
    form, a broken one, or one too large.
    """
    if content.startswith(_COMPOUND):
        raise UnreadableError(Finding("workbook_of_other_form"))
    if not content.startswith(ZIP):
        return None
    try:
        parts = _needed_parts(content, limits)
    except (OSError, EOFError, zlib.error, zipfile.BadZipFile, RuntimeError, NotImplementedError) as error:
        raise UnreadableError(Finding("workbook_broken", detail=str(error))) from error
    tables = [source for sheet in _sheets(parts) if (source := open_text(_as_text(sheet)))]
    if not tables:
        return None
    logs = [source for source in tables if not source.dialect.of_words]
    best = max(logs or tables, key=lambda source: (any(source.names), _rows(source)))
    return WorkbookSource(best, max(0, len(logs) - 1))


def _needed_parts(content: bytes, limits: WorkbookLimits) -> bytes:
    """The workbook anew, with its sheets and nothing else, each part as long as it says it is."""
    whole = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(content)) as book, zipfile.ZipFile(whole, "w") as copy:
        names = set(book.namelist())
        if not {_TYPES, "xl/workbook.xml"} <= names:
            raise UnreadableError(Finding("workbook_of_other_form"))
        parts = [i for i in book.infolist() if i.filename.startswith(_PARTS) or i.filename in _SINGLE_PARTS]
        if sum(part.file_size for part in parts) > limits.unpacked_bytes:
            raise UnreadableError(Finding("workbook_too_large"))
        for part in parts:
            data = book.read(part)
            if part.filename.startswith("xl/worksheets/") and _rectangle(data) > limits.cells:
                raise UnreadableError(Finding("workbook_too_large"))
            copy.writestr(part.filename, data)
    return whole.getvalue()


def _rectangle(sheet: bytes) -> int:
    """Rows times columns of the rectangle that holds every filled cell: a single far cell spans it all.

    >>> _rectangle(b'<c r="B2"/><c r="AA10" s="1">')
    234
    """
    columns, rows = set(), set()
    for place in _PLACE.finditer(sheet):
        columns.add(place[1])
        rows.add(int(place[2]))
    numbers = [_column_number(column.decode()) for column in columns if column]
    if not numbers:
        return 0
    return (max(rows) - min(rows) + 1) * (max(numbers) - min(numbers) + 1)


def _column_number(letters: str) -> int:
    number = 0
    for letter in letters:
        number = 26 * number + ord(letter) - ord("A") + 1
    return number


def _sheets(book: bytes) -> list[pl.DataFrame]:
    """Every sheet that has cells, all of them as text."""
    import fastexcel  # loaded when a workbook comes: it is rare and large

    try:
        reader = fastexcel.read_excel(book)
        frames = [
            reader.load_sheet(number, header_row=None, dtypes="string").to_polars()
            for number in range(len(reader.sheet_names))
        ]
    except fastexcel.FastExcelError as error:
        raise UnreadableError(Finding("workbook_broken", detail=str(error).split("\n")[0])) from error
    return [frame for frame in frames if frame.height and frame.width > 1]


def _as_text(sheet: pl.DataFrame) -> bytes:
    """The cells as text with tabs. A line with a single filled cell, as in a preamble, has no tabs behind it."""
    cells = pl.all().fill_null("").str.replace_all(r'[\t\r\n"]', " ").str.replace(_DAY_OF_TIMES, "")
    lines = sheet.select(pl.concat_str(cells, separator="\t"))[:, 0]
    bare = lines.str.strip_chars("\t")
    lines = bare.zip_with(~bare.str.contains("\t", literal=True), lines)
    return ("\n".join(lines.to_list()) + "\n").encode()


def _rows(source: TextSource) -> int:
    return source.text.body.count(b"\n") - source.dialect.data_line
