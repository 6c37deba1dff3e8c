"""The cells of a roster: read from CSV or XLSX, written new, and rows added to a sheet that a person works on."""

import csv
import io
import os
import shutil
from collections.abc import Sequence
from pathlib import Path

from ingest.add_to_workbook import add_to_workbook
from ingest.findings import InputError
from ingest.formula_guard import guarded, unguarded
from ingest.unpack import ZIP

Rows = list[list[str]]

WORKBOOK_ENDINGS = (".xlsx", ".xlsm")
COLUMN_WIDTH = 16


def read_sheet(path: Path) -> Rows:
    """All cells as text, of CSV (comma, semicolon or tab) or the first sheet of XLSX.

    Raises InputError for a workbook that cannot be opened.
    """
    return _rows_of(path.name, path.read_bytes())


def write_sheet(path: Path, rows: Sequence[Sequence[str]]) -> None:
    """Write a sheet, XLSX or CSV by the file's ending: whole or not at all. The first row is the header."""
    if path.suffix.lower() in WORKBOOK_ENDINGS:
        _replace(path, _new_workbook(rows))
    else:
        text = _csv_text(rows, ",", "\n")
        # a spreadsheet takes plain UTF-8 for its own code page; the mark tells it
        _replace(path, text.encode("utf-8" if text.isascii() else "utf-8-sig"))


def add_rows(path: Path, rows: Sequence[Sequence[str]]) -> None:
    """Add rows below those of a sheet. All that is there stays as it is, to the byte in a CSV file.

    rows: cells in the order of the sheet's columns.
    Raises InputError where that cannot be done without loss; then the file is as it was.
    """
    content = path.read_bytes()
    before = _rows_of(path.name, content)
    after = add_to_workbook(content, rows) if content.startswith(ZIP) else _add_to_text(path.name, content, rows)
    kept = [row for row in before if any(row)]
    read_back = [row for row in _rows_of(path.name, after) if any(row)] if after else []
    if _trimmed(read_back) != _trimmed([*kept, *map(list, rows)]):
        raise InputError(
            [f"{path.name}: rows cannot be added without loss. Save it anew as XLSX or CSV and run the command again."]
        )
    _replace(path, after)


def _trimmed(rows: Rows) -> Rows:
    """Rows without the empty cells at their ends, which a form may or may not keep."""
    return [row[: max((i for i, cell in enumerate(row, 1) if cell), default=0)] for row in rows]


def _rows_of(name: str, content: bytes) -> Rows:
    if content.startswith(ZIP):
        return _rows_of_workbook(name, content)
    text, _ = _decoded(content)
    return [[unguarded(cell) for cell in row] for row in csv.reader(io.StringIO(text, newline=""), _dialect(text))]


def _rows_of_workbook(name: str, content: bytes) -> Rows:
    import fastexcel  # loaded when a workbook comes: it is rare and large

    try:
        sheet = fastexcel.read_excel(content).load_sheet(0, header_row=None, dtypes="string").to_polars()
    except fastexcel.FastExcelError as problem:
        raise InputError([f"{name}: no readable workbook. Save it again as XLSX or CSV."]) from problem
    return [["" if cell is None else cell for cell in row] for row in sheet.iter_rows()]


def _decoded(content: bytes) -> tuple[str, str]:
    """(text, encoding for more of it)"""
    if content[:2] in (b"\xff\xfe", b"\xfe\xff"):
        return content.decode("utf-16"), "utf-16-le" if content[:2] == b"\xff\xfe" else "utf-16-be"
    try:
        return content.decode("utf-8-sig"), "utf-8"
    except UnicodeDecodeError:
        return content.decode("cp1252", errors="replace"), "cp1252"


def _delimiter(text: str) -> str:
    first = next(iter(text.splitlines()), "")
    return max(",;\t", key=first.count)


def _dialect(text: str) -> type[csv.Dialect]:
    class Found(csv.excel):
        delimiter = _delimiter(text)

    return Found


def _csv_text(rows: Sequence[Sequence[str]], delimiter: str, newline: str) -> str:
    text = io.StringIO()
    csv.writer(text, delimiter=delimiter, lineterminator=newline).writerows([map(guarded, row) for row in rows])
    return text.getvalue()


def _add_to_text(name: str, content: bytes, rows: Sequence[Sequence[str]]) -> bytes:
    text, encoding = _decoded(content)
    newline = "\r\n" if "\r\n" in text else "\r" if "\r" in text and "\n" not in text else "\n"
    start = "" if not text or text.endswith(("\n", "\r")) else newline
    more = start + _csv_text(rows, _delimiter(text), newline)
    try:
        return content + more.encode(encoding)
    except UnicodeEncodeError as problem:
        sign = problem.object[problem.start]
        raise InputError(
            [f"{name}: its code page has no {sign!r}, which a new car's name needs. Save it as UTF-8 and run again."]
        ) from problem


def _new_workbook(rows: Sequence[Sequence[str]]) -> bytes:
    import xlsxwriter

    whole = io.BytesIO()
    with xlsxwriter.Workbook(whole, {"in_memory": True}) as book:
        sheet = book.add_worksheet("roster")
        as_typed = book.add_format({"num_format": "@"})  # so that a car called 007 stays that
        sheet.set_column(0, len(rows[0]) - 1, COLUMN_WIDTH, as_typed)
        sheet.freeze_panes(1, 0)
        bold = book.add_format({"bold": True})
        for number, row in enumerate(rows):
            for column, text in enumerate(row):
                if text:
                    sheet.write_string(number, column, text, as_typed if number else bold)
    return whole.getvalue()


def _replace(path: Path, content: bytes) -> None:
    """Put a file's new content in its place at once, its mode kept."""
    target = path.resolve()
    part = target.with_name(target.name + ".part")
    try:
        with part.open("wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        if target.exists():
            shutil.copymode(target, part)
        part.replace(target)
    finally:
        part.unlink(missing_ok=True)
