"""What a command prints beside its answer: progress on stderr, JSON on stdout."""

import json
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

import typer

from door.endings import is_quiet, remark

if TYPE_CHECKING:
    import polars as pl
    from _typeshed import DataclassInstance

    from models.schemas import Study


@contextmanager
def progress(what: str) -> Iterator[Callable[[int, int], None]]:
    """Gives a function of (done, total): a bar where a terminal watches, else a plain line each tenth; or nothing."""
    if is_quiet.get():
        yield lambda done, total: None
    elif sys.stderr.isatty():
        from rich.console import Console
        from rich.progress import Progress

        with Progress(console=Console(stderr=True)) as bar:
            task = bar.add_task(what, total=None)
            yield lambda done, total: bar.update(task, completed=done, total=total)
    else:
        tenths = set()

        def line(done: int, total: int) -> None:
            tenth = 10 * done // max(total, 1)
            if tenth not in tenths:
                tenths.add(tenth)
                remark(f"{what}: {done} of {total}")

        yield line


def print_json(value: object) -> None:
    """One JSON object, one line; dates as YYYY-MM-DD."""
    typer.echo(json.dumps(value, allow_nan=False, default=str))


def rows(frame: "pl.DataFrame") -> list[dict[str, Any]]:
    """A table's rows, ready for JSON: not-a-number becomes null."""
    import polars.selectors as cs

    return frame.with_columns(cs.float().fill_nan(None)).to_dicts()


def as_rows(answer: "DataclassInstance") -> dict[str, Any]:
    """An answer of named parts, ready for JSON: what it holds of its own kind becomes objects too."""
    return asdict(answer)


def study_json(study: "Study") -> dict[str, Any]:
    """summary.json, and the rows of cars.csv, changes.csv and what is to be logged next."""
    tables = {"cars": study.cars, "changes": study.changes, "next_logs": study.next_logs}
    return study.summary | {name: rows(table) for name, table in tables.items()}


def car_json(study: "Study", label: str) -> dict[str, Any]:
    """One car's rows of each table of a study, as `models.one_car` gives it."""
    tables = {"spells": study.cars, "curves": study.curves, "logs": study.car_logs, "next_logs": study.next_logs}
    return {"label": label, "quarter": study.quarter} | {name: rows(table) for name, table in tables.items()}
