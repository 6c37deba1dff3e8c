"""A member leaves while a study is made, written or read: no step of it brings the label back into the store."""

import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from threading import Thread
from time import sleep
from typing import Any

import polars as pl
import pytest
from held_store import filled

from ingest.findings import InputError
from ingest.forget_car import forget_car
from ingest.labels import open_key, write_label_list
from models import study_files
from models.schemas import Study
from models.study import run_study
from models.study_files import read_study, study_of_store, write_study


@pytest.fixture
def leaving(store: Path, studied: Callable[..., Any]) -> str:
    """The label of a car of a filled store, with a study of two quarters, that is about to leave."""
    fleet = studied(12, 1).fleet
    filled(store, fleet)
    label: str = fleet.roster["label"][0]
    open_key(store)
    write_label_list(store, {"anna": label})
    write_study(replace(study_of_store(store, "2026Q3"), quarter="2026Q2"), store)
    study_of_store(store, "2026Q3")
    return label


def shows(folder: Path, label: str) -> bool:
    """Whether a label is in any byte of a folder, inside of Parquet's compression too."""
    files = [path for path in folder.rglob("*") if path.is_file()]
    tables = [pl.read_parquet(path) for path in files if path.suffix == ".parquet"]
    plain = b"".join(path.read_bytes() for path in files)
    return label in plain.decode("latin-1") or any(label in str(table.to_dicts()) for table in tables)


def test_a_study_that_runs_while_a_member_is_forgotten_brings_nothing_back(
    store: Path, leaving: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert shows(store, leaving)

    def slow(*words: Any, **named: Any) -> Study:
        made = run_study(*words, **named)
        assert leaving in made.cars["label"].to_list()
        assert leaving in made.changes["label"].to_list()
        forget_car(leaving, store)
        return made

    monkeypatch.setattr("models.study.run_study", slow)
    with pytest.raises(InputError, match=r"removed from it while it was made. Make it anew") as told:
        study_of_store(store, "2026Q3")
    assert leaving not in str(told.value)
    assert not shows(store, leaving)
    assert list((store / "studies").iterdir()) == []
    monkeypatch.undo()
    assert leaving not in study_of_store(store, "2026Q3").cars["label"]
    assert not shows(store, leaving)


def test_who_is_forgotten_while_a_study_is_written_is_not_in_it(
    store: Path, leaving: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    real, forgetting = study_files._write_tables, Thread(target=forget_car, args=(leaving, store))

    def slow(*words: Any) -> None:
        forgetting.start()
        while forgetting.is_alive() and not (store / "forgetting.json").exists():
            sleep(0.01)
        real(*words)

    monkeypatch.setattr(study_files, "_write_tables", slow)
    study_of_store(store, "2026Q3")
    forgetting.join()
    assert not shows(store, leaving)


def test_a_study_shows_nobody_who_is_being_removed(store: Path, leaving: str) -> None:
    """As a forgetting leaves it that was killed at its second step."""
    (store / "forgetting.json").write_text(json.dumps([leaving]))
    kept = read_study(store, "2026Q2")
    assert not any(leaving in getattr(kept, name)["label"] for name in ("cars", "changes", "curves", "car_logs"))
    assert kept.cars.height == read_study(store).cars.height > 0
    assert leaving not in study_of_store(store, "2026Q3").changes["label"]
