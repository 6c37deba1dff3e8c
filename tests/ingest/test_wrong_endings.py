"""What a file is called says nothing about what it is: the same log comes out of every form under every ending."""

import gzip
import io
import zipfile
from collections.abc import Callable
from types import ModuleType

import polars as pl
import pyarrow as pa
import pytest
import xlsxwriter

from ingest.read_log import read_log


def text(frame: pl.DataFrame) -> bytes:
    return frame.write_csv().encode()


def parquet(frame: pl.DataFrame) -> bytes:
    whole = io.BytesIO()
    frame.write_parquet(whole)
    return whole.getvalue()


def arrow(frame: pl.DataFrame) -> bytes:
    whole = io.BytesIO()
    frame.write_ipc(whole)
    return whole.getvalue()


def workbook(frame: pl.DataFrame) -> bytes:
    whole = io.BytesIO()
    book = xlsxwriter.Workbook(whole, {"in_memory": True})
    sheet = book.add_worksheet()
    for row, cells in enumerate([frame.columns, *frame.rows()]):
        sheet.write_row(row, 0, cells)
    book.close()
    return whole.getvalue()


def plain(content: bytes) -> bytes:
    return content


def zstd(content: bytes) -> bytes:
    return pa.compress(content, "zstd", asbytes=True)


def zipped(content: bytes) -> bytes:
    whole = io.BytesIO()
    with zipfile.ZipFile(whole, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("log.dat", content)
    return whole.getvalue()


@pytest.mark.parametrize("packed", [plain, gzip.compress, zstd, zipped], ids=["plain", "gzip", "zstd", "zip"])
@pytest.mark.parametrize("form", [text, parquet, arrow, workbook])
def test_the_same_log(form: Callable, packed: Callable, made_up: ModuleType) -> None:
    frame = pl.read_csv(io.StringIO(made_up.text(1)), infer_schema_length=None)
    expected = read_log("2026-07-31.csv", text(frame))
    content = packed(form(frame))
    for ending in ("csv", "xls", "parquet", "txt", "gz", "zip", "log", ""):
        reading = read_log(f"2026-07-31.{ending}", content)
        assert reading.refused == "", (ending, reading.findings)
        assert reading.frame.equals(expected.frame)
