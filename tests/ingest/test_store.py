"""What a reader of a store sees, and what leaves it when a member does."""

import os
import signal
import subprocess
import sys
from datetime import date
from pathlib import Path
from types import ModuleType

import polars as pl
import pytest

from ingest.findings import InputError
from ingest.forget_car import forget_car
from ingest.labels import private_folder, read_forgotten, read_labels
from ingest.many_logs import ingest_logs
from ingest.schemas import CELLS, LEDGER, PULLS, ROSTER, SAMPLES, check_columns
from ingest.store import Store, commit, create_store, write_tables

TODAY = date(2026, 11, 25)
Club = tuple[Path, Path, Path]


@pytest.fixture
def club(made_up: ModuleType, tmp_path: Path) -> Club:
    paths = made_up.club(tmp_path)
    ingest_logs(*paths, today=TODAY)
    return paths


def test_a_new_store_is_empty_and_well_formed(tmp_path: Path) -> None:
    store = create_store(tmp_path / "store")
    check_columns(store.samples(), SAMPLES, "samples")
    check_columns(store.pulls(), PULLS, "pulls")
    check_columns(store.cells(), CELLS, "cells")
    check_columns(store.ledger(), LEDGER, "ledger")
    check_columns(store.roster(), ROSTER, "roster")
    assert store.studies == tmp_path / "store/studies"


@pytest.mark.parametrize(
    ("version", "part"),
    [
        (None, "no store here"),
        ('{"format": 3}', "format 3, this pumpcensus uses format 2. Ingest the logs into a new store, or use"),
        ('{"format": 0}', "format 0, this pumpcensus uses format 2"),
        ("{", "broken"),
        ("[]", "broken"),
    ],
)
def test_opening_what_is_no_store(tmp_path: Path, version: str | None, part: str) -> None:
    if version:
        (tmp_path / "version.json").write_text(version)
    with pytest.raises(InputError, match=part):
        Store(tmp_path)


def test_a_folder_with_other_things_in_it_is_not_taken_over(tmp_path: Path) -> None:
    (tmp_path / "holiday.jpg").write_bytes(b"x")
    with pytest.raises(InputError, match="not a store, but not empty"):
        create_store(tmp_path)
    assert [path.name for path in tmp_path.iterdir()] == ["holiday.jpg"]


def test_tables_of_another_shape_are_not_written(tmp_path: Path) -> None:
    store = create_store(tmp_path / "store")
    segment = store.path / "segments/00000001-0000"
    with pytest.raises(ValueError, match="cells, column label: missing"):
        write_tables(segment, {"cells": pl.DataFrame({"log": ["a"]})})
    with pytest.raises(ValueError, match="ledger, column log: missing"):
        commit(segment, pl.DataFrame(), {})
    assert store.segments() == []


def test_anyone_can_open_the_tables(club: Club) -> None:
    # with DuckDB, an engine that has never seen this project
    duckdb = pytest.importorskip("duckdb")
    pattern = str(club[2] / "segments/*/cells.parquet")
    rows = duckdb.sql(f"select count(*), count(distinct label) from read_parquet('{pattern}')").fetchall()
    assert rows == [(Store(club[2]).cells().collect().height, 2)]


def test_forgetting_a_car_removes_its_logs_for_good(club: Club) -> None:
    label = read_labels(club[2])["anna"]
    logs = set(Store(club[2]).ledger().filter(pl.col("label") == label).collect()["log"])
    assert forget_car("Anna", club[2]) == 2
    store = Store(club[2])
    for table in (store.pulls(), store.cells(), store.ledger()):
        assert label not in set(table.collect()["label"])
    assert not logs & set(store.samples().collect()["log"])
    held = b"".join(path.read_bytes() for path in club[2].glob("segments/*/*"))
    assert not [log for log in logs if log.encode() in held]
    assert store.roster()["label"].to_list() == [read_labels(club[2])["bert"]]
    private = b"".join(path.read_bytes() for path in private_folder(club[2]).iterdir())
    assert b"anna" not in private
    result = ingest_logs(*club, today=TODAY)  # the roster still lists her and her logs still lie there
    assert (result.kept, result.skipped) == (0, 2)
    assert result.problems == ("2 logs of forgotten cars passed over.",)
    private = b"".join(path.read_bytes() for path in private_folder(club[2]).iterdir())
    assert b"anna" not in private, "nor is her name on a list again"
    assert store.roster()["label"].to_list() == [read_labels(club[2])["bert"]]


def test_forgetting_by_label_and_again(club: Club) -> None:
    label = read_labels(club[2])["bert"]
    assert forget_car(label.replace("-", "").lower(), club[2]) == 2
    assert forget_car("bert", club[2]) == 0
    assert read_forgotten(club[2]) == [label]


def test_forgetting_nobody(club: Club) -> None:
    with pytest.raises(InputError, match="zoe: no such car"):
        forget_car("zoe", club[2])


def test_forgetting_does_not_bring_back_an_older_version(club: Club) -> None:
    # anna's log is moved to bert by a pattern in the roster, then bert leaves
    club[1].write_text("car,engine,pump,logs\nanna,e,p,\nbert,e,p,anna/2026-07-01*\n")
    assert ingest_logs(*club, today=TODAY).superseded == 1
    forget_car("bert", club[2])
    rows = Store(club[2]).ledger().collect()
    assert rows["date"].to_list() == [date(2026, 7, 2)]
    assert Store(club[2]).samples().collect()["log"].unique().to_list() == rows["log"].to_list()


KILLED = """
import os, signal, sys
from pathlib import Path
import ingest.log_files
from ingest.many_logs import ingest_logs
ingest.log_files.BATCH_LOGS = 1
stop = lambda done, total: os.kill(os.getpid(), signal.SIGKILL) if done == 2 else None
ingest_logs(*map(Path, sys.argv[1:]), progress=stop)
"""


@pytest.mark.skipif(os.name != "posix", reason="needs a signal that cannot be caught")
def test_a_run_that_is_killed_outright(made_up: ModuleType, tmp_path: Path) -> None:
    paths = made_up.club(tmp_path)
    ended = subprocess.run([sys.executable, "-c", KILLED, *map(str, paths)], check=False, cwd=Path.cwd())
    assert ended.returncode == -signal.SIGKILL
    assert Store(paths[2]).ledger().collect().height == 2
    result = ingest_logs(*paths, today=TODAY)
    assert (result.kept, result.skipped, result.superseded) == (2, 2, 0)
