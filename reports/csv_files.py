"""The tables that lie beside a report, one row a car, a change, a setup and band."""

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


def _text(frame: pl.DataFrame) -> str:
    return csv_text(frame.with_columns(pl.col(pl.Float64).round(4)))
