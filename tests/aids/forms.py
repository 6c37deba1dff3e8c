"""Tables and logs in forms that are not text, written by others' libraries; and many logs as one batch."""

import io
import zipfile
from collections.abc import Mapping

import numpy as np
import polars as pl
import xlsxwriter

from ingest.schemas import CHANNELS


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
    with xlsxwriter.Workbook(whole, {"in_memory": True}) as book:
        sheet = book.add_worksheet()
        for row, cells in enumerate([frame.columns, *frame.rows()]):
            sheet.write_row(row, 0, cells)
    return whole.getvalue()


def zipped(members: Mapping[str, bytes]) -> bytes:
    whole = io.BytesIO()
    with zipfile.ZipFile(whole, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in members.items():
            archive.writestr(name, content)
    return whole.getvalue()


def batch(*logs: Mapping[str, np.ndarray]) -> pl.DataFrame:
    """Logs below each other as a run of ingest holds them: `nr`, `row`, and every channel."""
    frames = [
        pl.DataFrame({"nr": np.full(len(log["time_s"]), nr), "row": np.arange(len(log["time_s"])) + 1, **log})
        for nr, log in enumerate(logs)
    ]
    whole = pl.concat(frames, how="diagonal")
    rest = [pl.lit(None, pl.Float64).alias(name) for name in CHANNELS if name not in whole.columns]
    return whole.with_columns(rest)
