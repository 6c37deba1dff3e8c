"""Tables to and from Parquet, wherever the file lies."""

import io
from pathlib import Path

import polars as pl

from ingest.far_files import is_far

ROWS_A_GROUP = 50_000


def parquet(table: pl.DataFrame, rows_a_group: int = ROWS_A_GROUP) -> bytes:
    """A table as a Parquet file, in groups of so many rows: whoever wants some rows can pass other groups over."""
    content = io.BytesIO()
    table.write_parquet(content, compression="zstd", compression_level=1, row_group_size=rows_a_group)
    return content.getvalue()


def read_parquet(file: Path) -> pl.DataFrame:
    """The table in a Parquet file."""
    return pl.read_parquet(io.BytesIO(file.read_bytes()) if is_far(file) else file)
