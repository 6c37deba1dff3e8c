"""Two runs at once, and readers beside a writer: one is told to wait, and what is read is of one moment."""

import subprocess
import sys
from datetime import date
from pathlib import Path
from types import ModuleType

import polars as pl
import pytest

from ingest import store as store_module
from ingest.forget_car import forget_car
from ingest.labels import read_labels
from ingest.many_logs import ingest_logs
from ingest.store import Moment, Store

TODAY = date(2026, 11, 25)
HOUSE = Path(__file__).parents[2]
Club = tuple[Path, Path, Path]


@pytest.fixture
def club(made_up: ModuleType, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Club:
    monkeypatch.setattr("ingest.log_files.BATCH_LOGS", 1)
    return made_up.club(tmp_path)


def test_two_ingests_at_once_one_works_and_one_is_told(club: Club) -> None:
    command = [sys.executable, "-m", "pumpcensus", "ingest", club[0], "--roster", club[1], "--store", club[2]]
    runs = [
        subprocess.Popen([*map(str, command)], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, cwd=HOUSE)
        for _ in range(2)
    ]
    said = [run.communicate(timeout=300) for run in runs]
    for run, (_, complaint) in zip(runs, said, strict=True):
        assert run.returncode == 0 or "another run is writing here. Wait until it has ended" in complaint
    assert 0 in [run.returncode for run in runs]
    assert ingest_logs(*club, today=TODAY).skipped == 4
    ledger = Store(club[2]).ledger().collect()
    assert ledger["source"].is_unique().all()
    assert ledger.height == 4


def fits(moment: Moment) -> None:
    kept = set(moment.ledger.filter(pl.col("verdict") == "kept")["log"])
    assert set(moment.cells["log"]) == set(moment.pulls["log"]) == kept
    assert set(moment.ledger["label"].drop_nulls()) <= set(moment.roster["label"])


def test_what_a_study_reads_while_logs_go_in_is_of_one_moment(club: Club) -> None:
    seen: list[int] = []

    def look(done: int, _: int) -> None:
        moment = Store(club[2]).at_once()
        fits(moment)
        seen.append(moment.ledger.height)

    ingest_logs(*club, today=TODAY, progress=look)
    assert seen == [0, 1, 2, 3, 4]


@pytest.mark.parametrize("at", ["cells", "pulls"])
def test_a_log_that_goes_in_between_two_tables_is_in_none_of_them(
    club: Club, made_up: ModuleType, monkeypatch: pytest.MonkeyPatch, at: str
) -> None:
    ingest_logs(*club, today=TODAY)
    real, ran = Store._table, []

    def table(self: Store, name: str, ledgers: pl.DataFrame) -> pl.LazyFrame:
        if name == at and not ran:
            ran.append(name)
            (club[0] / "anna/2026-07-01_01.csv").write_text(made_up.text(99, pulls=3), encoding="utf-8")
            (club[0] / "bert/2026-08-01.csv").write_text(made_up.text(98), encoding="utf-8")
            ingest_logs(*club, today=TODAY)
        return real(self, name, ledgers)

    monkeypatch.setattr(Store, "_table", table)
    moment = Store(club[2]).at_once()
    fits(moment)
    assert moment.ledger.height == 4
    assert moment.pulls.height == 6
    monkeypatch.undo()
    assert Store(club[2]).at_once().pulls.height == 6 + 2 + 2


def test_a_member_who_leaves_while_a_study_reads_is_in_none_of_its_tables(
    club: Club, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("ingest.log_files.BATCH_LOGS", 9)
    ingest_logs(*club, today=TODAY)
    label = read_labels(club[2])["anna"]
    real, ran = Store._table, []

    def table(self: Store, name: str, ledgers: pl.DataFrame) -> pl.LazyFrame:
        if not ran:
            ran.append(name)
            forget_car("anna", club[2])
        return real(self, name, ledgers)

    monkeypatch.setattr(Store, "_table", table)
    moment = Store(club[2]).at_once()
    fits(moment)
    assert label not in set(moment.ledger["label"]) | set(moment.cells["label"]) | set(moment.roster["label"])


def test_a_store_that_changes_all_the_time_is_told(club: Club, monkeypatch: pytest.MonkeyPatch) -> None:
    ingest_logs(*club, today=TODAY)
    stamps = iter(range(99))
    monkeypatch.setattr(Store, "_stamp", lambda _: next(stamps))
    with pytest.raises(store_module.InputError, match="changes it all the time"):
        Store(club[2]).at_once()


def test_the_order_of_what_is_read_does_not_depend_on_when_it_went_in(club: Club) -> None:
    later = club[0] / "anna/2026-07-01_01.csv"
    text = later.read_text()
    later.unlink()
    ingest_logs(*club, today=TODAY)
    later.write_text(text)
    ingest_logs(*club, today=TODAY)
    one = Store(club[2]).at_once()
    for path in (club[2] / "segments").iterdir():
        for file in path.iterdir():
            file.unlink()
        path.rmdir()
    ingest_logs(*club, today=TODAY)
    for name in ("cells", "pulls", "ledger"):
        assert getattr(Store(club[2]).at_once(), name).equals(getattr(one, name)), name
