"""Several cars in one file: a column names the car of each row."""

from dataclasses import replace

import numpy as np
import polars as pl

from ingest.labels import plain_name
from ingest.number_format import is_missing
from ingest.read_columnar import ColumnarSource
from ingest.read_text import TextSource
from ingest.read_workbook import WorkbookSource
from ingest.table import Source, Table


def car_column(source: Source, name: str) -> int | None:
    """The column that is called `name`, with or without its brackets; None where there is none."""
    wanted = plain_name(name)
    for column, (own, unit) in enumerate(zip(source.names, source.units, strict=True)):
        if wanted in (plain_name(own), plain_name(f"{own} [{unit}]"), plain_name(f"{own} ({unit})")):
            return column
    return None


def with_text(source: Source, column: int) -> Source:
    """The same source, whose tables have the cells of a column as text, among their stamps."""
    if isinstance(source, WorkbookSource):
        return replace(source, cells=_with_text(source.cells, column))
    if isinstance(source, TextSource):
        return _with_text(source, column)
    if isinstance(source, ColumnarSource):
        name = source.frame.columns[column]
        return replace(source, frame=source.frame.with_columns(pl.col(name).cast(pl.String)))
    return source


def _with_text(source: TextSource, column: int) -> TextSource:
    dialect = replace(source.dialect, stamps=source.dialect.stamps | {column})
    return replace(source, dialect=dialect, remembered=False, ahead=None)


def by_car(table: Table, column: int) -> tuple[dict[str, Table], int]:
    """(car as first written -> its rows, rows without a car).

    Rows that were lost while reading name no car either, unless the file has one car only.
    """
    cells = table.stamps.get(column)
    texts = [] if cells is None else [("" if cell is None else cell.strip().strip('"')) for cell in cells]
    plain = ["" if is_missing(text) else plain_name(text) for text in texts]
    spelled = {name: text for name, text in reversed(list(zip(plain, texts, strict=True))) if name}
    cars = dict.fromkeys(name for name in plain if name)
    if len(cars) == 1 and "" not in plain:
        return {spelled[name]: table for name in cars}, 0
    names = np.array(plain, dtype=object)
    tables = {spelled[name]: _rows(table, names == name) for name in cars}
    return tables, plain.count("") + sum(table.dropped.values())


def _rows(table: Table, wanted: np.ndarray) -> Table:
    return replace(
        table,
        row=table.row[wanted],
        numbers={column: values[wanted] for column, values in table.numbers.items()},
        stamps={column: cells.filter(pl.Series(wanted)) for column, cells in table.stamps.items()},
        rows_in=int(wanted.sum()),
        dropped={},
        findings=(),
    )
