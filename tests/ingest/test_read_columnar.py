"""Parquet and Arrow: times, text and whole numbers as columns may hold them."""

import io
import random
from datetime import datetime, timedelta

import numpy as np
import polars as pl
import pyarrow as pa
import pyarrow.ipc
import pytest

from ingest import arrow_tables
from ingest.read_columnar import ColumnarError, open_columnar
from ingest.read_log import read_log

N = 40
COLUMNS = {
    "RPM [rpm]": pl.Series([1000 + 50 * i for i in range(N)], dtype=pl.Int32),
    "HPFP duty [%]": pl.Series([20 + i / 2 for i in range(N)], dtype=pl.Float32),
    "MAP [kPa]": pl.Series([60 + 2 * i for i in range(N)], dtype=pl.UInt16),
    "Note": pl.Series(["x"] * N),
}
START = datetime(2026, 7, 31, 23, 59, 58)
CLOCKS = {
    "seconds": pl.Series([i / 10 for i in range(N)]),
    "datetime": pl.Series([START + timedelta(milliseconds=100 * i) for i in range(N)]),
    "duration": pl.Series([timedelta(milliseconds=100 * i) for i in range(N)]),
    "time": pl.Series([(START + timedelta(milliseconds=100 * i)).time() for i in range(N)]),
    "text": pl.Series([(START + timedelta(milliseconds=100 * i)).isoformat() for i in range(N)]),
    "numbers as text": pl.Series([str(i / 10) for i in range(N)]),
}


def written(frame: pl.DataFrame, kind: str) -> bytes:
    whole = io.BytesIO()
    {"parquet": frame.write_parquet, "arrow": frame.write_ipc, "arrow stream": frame.write_ipc_stream}[kind](whole)
    return whole.getvalue()


KINDS = ["parquet", "arrow", "arrow stream"]


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("clock", CLOCKS)
def test_every_kind_of_clock(kind: str, clock: str) -> None:
    reading = read_log("a", written(pl.DataFrame({"time": CLOCKS[clock], **COLUMNS}), kind))
    assert reading.refused == "", reading.findings
    assert reading.dialect == kind
    assert reading.frame["time_s"].to_list() == pytest.approx([i / 10 for i in range(N)])
    assert reading.frame["engine_speed_rpm"].to_list() == COLUMNS["RPM [rpm]"].to_list()
    assert str(reading.date) == {"datetime": "2026-07-31", "text": "2026-07-31"}.get(clock, "None")


def test_nulls_and_what_is_no_number() -> None:
    frame = pl.DataFrame(
        {"time": CLOCKS["seconds"], **COLUMNS, "IAT [°C]": pl.Series(["31,5", "n/a", "warm"] + ["31,5"] * 37)}
    )
    frame = frame.with_columns(
        pl.when(pl.col("time") > 3.75).then(None).otherwise(pl.col("HPFP duty [%]")).alias("HPFP duty [%]")
    )
    reading = read_log("a", written(frame, "parquet"))
    assert (reading.rows_in, reading.frame.height, reading.dropped) == (N, 38, {"row_without_duty": 2})
    assert reading.frame["intake_air_c"].to_list() == [31.5] * 38
    assert [f.detail for f in reading.findings if f.code == "cells_not_numbers"] == ["warm"]


@pytest.mark.parametrize("kind", KINDS)
def test_a_file_too_large_is_refused_before_it_is_read(kind: str, monkeypatch: pytest.MonkeyPatch) -> None:
    content = written(pl.DataFrame({"time": CLOCKS["seconds"], **COLUMNS}), kind)
    monkeypatch.setattr(arrow_tables, "CELLS_MAX", 5 * N - 1)
    assert read_log("a", content).refused == "columnar_too_large"
    monkeypatch.setattr(arrow_tables, "CELLS_MAX", 5 * N)
    assert read_log("a", content).refused == ""


def test_a_small_file_of_many_rows_does_not_fill_the_memory() -> None:
    whole = io.BytesIO()
    pl.select(pl.repeat(1.0, 10_000_000, dtype=pl.Float64).alias("a")).write_parquet(whole)
    content = whole.getvalue()
    assert len(content) < 100_000
    assert read_log("a", content).refused in ("clock_missing", "channel_missing")


def test_streams_written_by_the_reference_library() -> None:
    table = pl.DataFrame({"time": CLOCKS["seconds"], **COLUMNS}).to_arrow()
    table = table.set_column(4, "Note", table["Note"].combine_chunks().dictionary_encode())
    for compression in (None, "lz4", "zstd"):
        whole = io.BytesIO()
        with pa.ipc.new_stream(whole, table.schema, options=pa.ipc.IpcWriteOptions(compression=compression)) as writer:
            writer.write_table(table, max_chunksize=7)
        reading = read_log("a", whole.getvalue())
        assert (reading.refused, reading.rows_in, reading.frame.height) == ("", N, N)
        assert reading.frame["engine_speed_rpm"].to_list() == COLUMNS["RPM [rpm]"].to_list()


@pytest.mark.parametrize("kind", KINDS)
def test_text_as_categories(kind: str) -> None:
    frame = pl.DataFrame({"time": CLOCKS["text"].cast(pl.Categorical), **COLUMNS})
    reading = read_log("a", written(frame, kind))
    assert reading.refused == "", reading.findings
    assert reading.frame["time_s"].to_list() == pytest.approx([i / 10 for i in range(N)])


def test_a_small_stream_of_many_rows_is_refused_before_it_fills_the_memory() -> None:
    column = pa.array(np.zeros(1 << 24))
    whole = io.BytesIO()
    options = pa.ipc.IpcWriteOptions(compression="zstd")
    with pa.ipc.new_stream(whole, pa.schema([("a", column.type)]), options=options) as writer:
        for _ in range(9):
            writer.write_batch(pa.record_batch([column], names=["a"]))
    content = whole.getvalue()
    assert len(content) < 1_000_000
    assert read_log("a", content).refused == "columnar_too_large"


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("end", [9, 100, 400, -9, -200])
def test_cut_short_is_broken(kind: str, end: int) -> None:
    content = written(pl.DataFrame({"time": CLOCKS["seconds"], **COLUMNS}), kind)
    assert read_log("a", content[:end]).refused == ("columnar_broken")


@pytest.mark.parametrize("kind", KINDS)
def test_no_damaged_byte_ends_the_program(kind: str) -> None:
    """Polars' own readers panic on some of these, and on some end the process."""
    content = written(pl.DataFrame({"time": CLOCKS["seconds"], **COLUMNS}), kind)
    rng = random.Random(20260731)
    for _ in range(400):
        damaged = bytearray(content)
        for _ in range(rng.choice((1, 1, 3))):
            damaged[rng.randrange(6, len(damaged))] = rng.randrange(256)
        reading = read_log("a", bytes(damaged))
        assert reading.refused != "reader_failed", reading.findings
        assert reading.rows_in == reading.frame.height + sum(reading.dropped.values())


def test_not_mine_is_not_broken() -> None:
    assert open_columnar(b"time,rpm\n0,900\n") is None
    with pytest.raises(ColumnarError):
        open_columnar(b"PAR1" + bytes(50))
