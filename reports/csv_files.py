"""The tables that lie beside a report, one row a car, a change, a setup and band."""

from pathlib import Path

import polars as pl

from ingest.formula_guard import csv_text
from models.schemas import BASELINES, CARS, CHANGES, Study


def csv_files(study: Study) -> dict[str, str]:
    """File name -> CSV text, columns as declared in models.schemas, figures to four decimals."""
    frames = {
        "cars": (study.cars, CARS),
        "changes": (study.changes, CHANGES),
        "baselines": (study.baselines, BASELINES),
    }
    return {f"{name}.csv": _text(frame.select(list(schema))) for name, (frame, schema) in frames.items()}


def write_whole(path: Path, text: str) -> None:
    """Write a file so that a reader sees the old one or the new one, never half of it."""
    part = path.with_name(path.name + ".part")
    part.write_text(text, encoding="utf-8", newline="")
    part.replace(path)


def _text(frame: pl.DataFrame) -> str:
    return csv_text(frame.with_columns(pl.col(pl.Float64).round(4)))
