"""Other clubs' cells in the store: all files or none, a club's once, taken out again, apart from the club's own."""

import os
from datetime import date
from pathlib import Path
from types import ModuleType
from typing import Any

import polars as pl
import pytest
from by_path import load

from ingest import pooled
from ingest.findings import InputError
from ingest.labels import open_key, private_folder
from ingest.pooled import given_before, pool_files, pooled_cells, withdraw_club, write_contribution
from ingest.store import Store, create_store

TODAY = date(2026, 11, 25)
A, B = "CAB0-0000", "CAB1-0000"


@pytest.fixture(scope="module")
def made_up() -> ModuleType:
    return load(Path(__file__).with_name("test_contribution.py"))


@pytest.fixture
def store(tmp_path: Path) -> Path:
    home = create_store(tmp_path / "store")
    open_key(home.path)
    return home.path


def file(table: pl.DataFrame, folder: Path, name: str) -> Path:
    table.write_parquet(folder / name)
    return folder / name


def test_pooled_and_withdrawn(made_up: ModuleType, store: Path, tmp_path: Path) -> None:
    a = file(made_up.contribution(A), tmp_path, "a.parquet")
    b = file(made_up.contribution(B, seed=1), tmp_path, "b.parquet")
    later = file(made_up.contribution(A, seed=2, quarter="2026Q2"), tmp_path, "c.parquet")
    found = pool_files([a, b, later], store, today=TODAY)
    assert found.added.rows() == [(A, "2026Q2", 11, 22, 1), (A, "2026Q3", 11, 22, 1), (B, "2026Q3", 11, 22, 1)]
    assert pooled_cells(Store(store)).height == 3 * 396
    assert Store(store).cells().collect().is_empty()  # never among the club's own
    assert withdraw_club(A.lower().replace("-", ""), store).sources["club"].to_list() == [B]
    assert set(pooled_cells(Store(store))["club"]) == {B}
    assert pool_files([a], store, today=TODAY).added["club"].to_list() == [A]


def test_all_or_none(made_up: ModuleType, store: Path, tmp_path: Path) -> None:
    good = file(made_up.contribution(A), tmp_path, "a.parquet")
    bad = file(made_up.contribution(B).drop("log"), tmp_path, "b.parquet")
    with pytest.raises(InputError, match=r"b\.parquet"):
        pool_files([good, bad], store, today=TODAY)
    assert pool_files([], store).sources.is_empty()


def test_a_clubs_content_counts_once_under_whatever_name(made_up: ModuleType, store: Path, tmp_path: Path) -> None:
    a = file(made_up.contribution(A), tmp_path, "a.parquet")
    copy = file(made_up.contribution(B), tmp_path, "b.parquet")
    assert pool_files([a, copy], store, today=TODAY).known == ("b.parquet",)
    again = file(made_up.contribution(A, seed=5), tmp_path, "again.parquet")
    with pytest.raises(InputError, match=f"another contribution of {A} for 2026Q3 is here already"):
        pool_files([again], store, today=TODAY)


def test_the_clubs_own_is_not_taken(made_up: ModuleType, store: Path, tmp_path: Path) -> None:
    own = file(made_up.contribution(open_key(store).club()), tmp_path, "own.parquet")
    with pytest.raises(InputError, match="this club's own"):
        pool_files([own], store, today=TODAY)


@pytest.mark.parametrize("club", ["../../etc", "CAB7-0000", "\x1b[2J", "*"])
def test_a_club_that_gave_nothing_cannot_be_withdrawn(club: str, store: Path) -> None:
    with pytest.raises(InputError, match="nothing of this club") as told:
        withdraw_club(club, store)
    assert "\x1b" not in str(told.value)


def test_damage_is_told(made_up: ModuleType, store: Path, tmp_path: Path) -> None:
    pool_files([file(made_up.contribution(A), tmp_path, "a.parquet")], store, today=TODAY)
    path = next((store / "pooled").glob("*.parquet"))
    path.write_bytes(path.read_bytes()[:-9])
    with pytest.raises(InputError, match="damaged"):
        pooled_cells(Store(store))


def test_a_contribution_is_written_new_and_remembered(made_up: ModuleType, store: Path, tmp_path: Path) -> None:
    out = tmp_path / "ours.parquet"
    write_contribution(made_up.contribution(A), out, store, TODAY)
    assert given_before(store) == {"2026Q3": "2026-11-25"}
    with pytest.raises(InputError, match="is there already"):
        write_contribution(made_up.contribution(A), out, store, TODAY)


@pytest.mark.skipif(os.name != "posix", reason="file modes")
def test_nothing_is_taken_while_others_can_read_the_key(made_up: ModuleType, store: Path, tmp_path: Path) -> None:
    (private_folder(store) / "key").chmod(0o640)
    with pytest.raises(InputError, match=r"key: others can read it. Run: chmod 600"):
        pool_files([file(made_up.contribution(A), tmp_path, "a.parquet")], store, today=TODAY)
    assert not (store / "pooled").exists()


@pytest.mark.parametrize("step", ["damaged", "read_parquet"])
def test_a_study_that_reads_while_a_club_is_withdrawn_sees_the_others(
    made_up: ModuleType, store: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, step: str
) -> None:
    clubs = {"a.parquet": made_up.contribution(A), "b.parquet": made_up.contribution(B, seed=1)}
    pool_files([file(table, tmp_path, name) for name, table in clubs.items()], store, today=TODAY)
    real, ran = getattr(pooled, step), []

    def slow(*words: Any) -> Any:
        if not ran:
            ran.append(step)
            withdraw_club(A, store)
        return real(*words)

    monkeypatch.setattr(pooled, step, slow)
    assert set(pooled_cells(Store(store))["club"]) == {B}
    assert ran
