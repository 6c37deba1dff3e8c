"""What a file is called says nothing about what it is: the same log comes out of every form under every ending."""

import gzip
import io
from collections.abc import Callable
from types import ModuleType

import polars as pl
import pyarrow as pa
import pytest
from forms import arrow, parquet, workbook, zipped

from ingest.read_log import read_log


def text(frame: pl.DataFrame) -> bytes:
    return frame.write_csv().encode()


def plain(content: bytes) -> bytes:
    return content


def zstd(content: bytes) -> bytes:
    return pa.compress(content, "zstd", asbytes=True)


def as_member(content: bytes) -> bytes:
    return zipped({"log.dat": content})


@pytest.mark.parametrize("packed", [plain, gzip.compress, zstd, as_member], ids=["plain", "gzip", "zstd", "zip"])
@pytest.mark.parametrize("form", [text, parquet, arrow, workbook])
def test_the_same_log(form: Callable, packed: Callable, made_up: ModuleType) -> None:
    frame = pl.read_csv(io.StringIO(made_up.text(1)), infer_schema_length=None)
    expected = read_log("2026-07-31.csv", text(frame))
    content = packed(form(frame))
    for ending in ("csv", "xls", "parquet", "txt", "gz", "zip", "log", ""):
        reading = read_log(f"2026-07-31.{ending}", content)
        assert reading.refused == "", (ending, reading.findings)
        assert reading.frame.equals(expected.frame)
