"""Runs a named .sql file on given tables; a failure shows the file, its tables and the whole text."""

from functools import cache
from importlib.resources import files

import duckdb
import polars as pl


@cache
def text_of(name: str) -> str:
    """The SQL of models/sql/NAME.sql. Its first line says what a row is; it ends in `order by`."""
    return files("models.sql").joinpath(f"{name}.sql").read_text(encoding="utf-8")


@cache
def _database() -> duckdb.DuckDBPyConnection:
    """Empty, in memory; to open one takes longer than most queries."""
    return duckdb.connect(config={"threads": 1})


def run_query(name: str, **tables: pl.DataFrame | pl.LazyFrame | duckdb.DuckDBPyRelation) -> pl.DataFrame:
    """Run models/sql/NAME.sql with `tables` visible under their names; rows in the query's own order.

    Raises RuntimeError with file, tables and SQL if the query fails. Single thread: sums keep their order, so
    that the same tables give the same bytes.
    """
    with _database().cursor() as connection:
        for table, rows in tables.items():
            connection.register(table, rows)
        try:
            return connection.sql(text_of(name)).pl()
        except duckdb.Error as error:
            listed = ", ".join(sorted(tables))
            raise RuntimeError(f"sql/{name}.sql on {listed}: {error}\n{text_of(name)}") from error
