"""Logs read in two processes, of which this one is the first."""

import shutil
from datetime import date
from pathlib import Path
from types import ModuleType

import polars as pl
import pytest

from ingest import log_files
from ingest.labels import private_folder
from ingest.many_logs import ingest_logs
from ingest.store import Store

TODAY = date(2026, 11, 25)


def tables(store: Path) -> list[pl.DataFrame]:
    home = Store(store)
    return [table.collect() for table in (home.samples(), home.pulls(), home.cells(), home.ledger())]


@pytest.mark.slow
def test_both_read_and_the_tables_are_those_of_one(
    made_up: ModuleType, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    logs, roster, store = made_up.club(tmp_path)
    monkeypatch.setattr(log_files, "BATCH_LOGS", 1)
    shutil.copy(logs / "anna/2026-07-01_01.csv", logs / "anna/zz.csv")
    ingest_logs(logs, roster, store, today=TODAY)
    two = tmp_path / "two"
    shutil.copytree(private_folder(store), private_folder(two))
    (private_folder(two) / "paths.csv").unlink()
    own: list[str] = []
    write = log_files.write_tables

    def write_tables(segment: Path, made: dict[str, pl.DataFrame]) -> dict[str, str]:
        own.append(segment.name)
        return write(segment, made)

    monkeypatch.setattr(log_files, "write_tables", write_tables)  # of this process, not of the other
    result = ingest_logs(logs, roster, two, today=TODAY, workers=2)
    assert (result.kept, result.refused) == (4, 1)
    assert 0 < len(own) < 5, "both have read"
    assert all(one.equals(other) for one, other in zip(tables(store), tables(two), strict=True))
