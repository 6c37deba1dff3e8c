"""Tables to and from Parquet, wherever the file lies."""

import io
from pathlib import Path

import polars as pl

from ingest.far_files import is_far


def parquet(table: pl.DataFrame) -> bytes:
    """A table as a Parquet file."""
    content = io.BytesIO()
    table.write_parquet(content, compression="zstd", compression_level=1)
    return content.getvalue()


def read_parquet(file: Path) -> pl.DataFrame:
    """The table in a Parquet file."""
    return pl.read_parquet(io.BytesIO(file.read_bytes()) if is_far(file) else file)
