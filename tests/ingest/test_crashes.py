"""Runs killed, or out of disk, at every step of the store's file layer: nothing lost, nothing twice."""

import json
import shutil
from collections.abc import Callable
from datetime import date
from pathlib import Path
from types import ModuleType, SimpleNamespace

import polars as pl
import pytest
from held_store import content, is_sound, same

from ingest import labels, whole_files
from ingest.forget_car import forget_car
from ingest.labels import private_folder, read_labels
from ingest.many_logs import ingest_logs
from ingest.store import Store

TODAY = date(2026, 11, 25)
Club = tuple[Path, Path, Path]
KEY = "5e" * 32


@pytest.fixture
def club(made_up: ModuleType, dying_disk: ModuleType, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Club:
    """Two cars of one log each, a segment a log; all stores get one key, so that they can be compared."""
    monkeypatch.setattr("ingest.log_files.BATCH_LOGS", 1)
    monkeypatch.setattr(whole_files, "os", dying_disk.Disk())
    monkeypatch.setattr(labels, "secrets", SimpleNamespace(token_hex=lambda size: KEY[: 2 * size]))
    return made_up.club(tmp_path, logs=1)


def same_stores(one: Path, other: Path) -> None:
    same(content(one), content(other))
    lists = [sorted((private_folder(store) / "labels.csv").read_text().splitlines()) for store in (one, other)]
    assert lists[0] == lists[1]


def ingest(club: Club) -> None:
    ingest_logs(*club, today=TODAY)


def nothing_left_over(store: Path) -> None:
    for folder in (store, private_folder(store)):
        assert not [path for path in folder.rglob("*") if path.suffix == ".part" or path.name.startswith(".")]
    assert {path.name for path in (store / "segments").iterdir()} == {path.name for path in Store(store).segments()}


def each_step(
    disk: ModuleType,
    patch: pytest.MonkeyPatch,
    store: Path,
    act: Callable[[], object],
    then: Callable[[BaseException], None],
    kinds: tuple[tuple[str, int], ...] = (("killed", 1),),
) -> int:
    """Do `act` on a copy of what lies there now, ended at each of its steps in turn. How many there are.

    kinds: how it ends, and at each how-manieth step.
    """
    places = [store, private_folder(store)]
    before = [place.with_name(f"before {place.name}") for place in places]

    def put_back() -> None:
        for place, kept in zip(places, before, strict=True):
            shutil.rmtree(place, ignore_errors=True)
            if kept.exists():
                shutil.copytree(kept, place)

    for place, kept in zip(places, before, strict=True):
        if place.exists():
            shutil.copytree(place, kept)
    steps = disk.steps_of(act, patch)
    for kind, stride in kinds:
        for step in range(1, steps + 1, stride):
            put_back()
            try:
                end = disk.dies_at(step, act, patch, kind)
            except AssertionError:  # a full disk still lets files be removed and renamed
                assert kind == "ENOSPC"
                continue
            then(end)
    return steps


def test_a_first_run_ended_at_every_step(
    club: Club, tmp_path: Path, dying_disk: ModuleType, monkeypatch: pytest.MonkeyPatch
) -> None:
    whole = (club[0], club[1], tmp_path / "whole")
    ingest(whole)
    told: list[int] = []

    def act() -> None:
        told.clear()
        ingest_logs(*club, today=TODAY, progress=lambda done, _: told.append(done))

    def then(end: BaseException) -> None:
        done = told[-1] if told else 0
        if (club[2] / "version.json").exists():
            assert Store(club[2]).ledger().collect().height >= done
        is_sound(club[2], set())
        if isinstance(end, OSError):
            assert end.filename, "a full disk is told with the file"
            assert not list(club[2].rglob("*.part"))
        ingest(club)
        same_stores(club[2], whole[2])
        nothing_left_over(club[2])

    assert each_step(dying_disk, monkeypatch, club[2], act, then, (("killed", 1), ("ENOSPC", 5))) > 50


def test_a_run_over_a_changed_log_ended_at_every_step(
    club: Club, made_up: ModuleType, tmp_path: Path, dying_disk: ModuleType, monkeypatch: pytest.MonkeyPatch
) -> None:
    ingest(club)
    kept = set(content(club[2])["ledger"].filter(pl.col("label") == read_labels(club[2])["bert"])["log"])
    (club[0] / "anna/2026-07-01_01.csv").write_text(made_up.text(99, pulls=2), encoding="utf-8")
    club[1].write_text("car,engine,pump\nanna,2.0 four,larger\nbert,2.0 four,original\n")
    whole = (club[0], club[1], tmp_path / "whole")
    ingest(whole)

    def then(end: BaseException) -> None:
        is_sound(club[2], kept)
        assert Store(club[2]).ledger().collect().height == 2, "the old log or the new one, never both or none"
        ingest(club)
        same_stores(club[2], whole[2])
        nothing_left_over(club[2])

    each_step(dying_disk, monkeypatch, club[2], lambda: ingest(club), then)


def test_forgetting_ended_at_every_step(
    club: Club, tmp_path: Path, dying_disk: ModuleType, monkeypatch: pytest.MonkeyPatch
) -> None:
    only_bert = (club[0], tmp_path / "bert.csv", tmp_path / "whole")
    only_bert[1].write_text("car,engine,pump\nbert,2.0 four,original\n")
    shutil.copytree(club[0], tmp_path / "berts")
    shutil.rmtree(tmp_path / "berts/anna")
    ingest((tmp_path / "berts", only_bert[1], only_bert[2]))
    monkeypatch.setattr("ingest.log_files.BATCH_LOGS", 9)  # both cars in one segment
    ingest(club)
    label = read_labels(club[2])["anna"]
    log = content(club[2])["ledger"].filter(pl.col("label") == label)["log"].item()
    study = club[2] / "studies/2026Q3"
    study.mkdir(parents=True)
    (study / "cars.csv").write_text(f"label\n{label}\n")
    again: list[Callable[[], object]] = [lambda: forget_car("anna", club[2]), lambda: ingest(club)]

    def then(end: BaseException) -> None:
        is_sound(club[2], set())
        if (club[2] / "forgetting.json").exists():
            assert label not in set(content(club[2])["ledger"]["label"]), "gone for readers from the first step on"
        again.reverse()
        again[0]()  # either of them finishes it
        if not (private_folder(club[2]) / "forgotten.json").exists():
            forget_car("anna", club[2])  # it had not begun
        same_stores(club[2], only_bert[2])
        nothing_left_over(club[2])
        held = b"".join(path.read_bytes() for path in dying_disk.files_under(club[2]))
        assert label.encode() not in held
        assert log.encode() not in held
        assert not study.exists()

    each_step(dying_disk, monkeypatch, club[2], lambda: forget_car("anna", club[2]), then)


def test_bringing_up_an_older_store_ended_at_every_step(
    club: Club, tmp_path: Path, dying_disk: ModuleType, monkeypatch: pytest.MonkeyPatch
) -> None:
    whole = (club[0], club[1], tmp_path / "whole")
    ingest(whole)
    ingest(club)
    as_of_format_1(club[2])
    assert content(club[2])["cells"].equals(content(whole[2])["cells"]), "read as it is"

    def then(end: BaseException) -> None:
        is_sound(club[2], set(content(whole[2])["ledger"]["log"]))
        ingest(club)
        same_stores(club[2], whole[2])
        nothing_left_over(club[2])
        told = json.loads((club[2] / "version.json").read_text())
        assert told["format"] == 2
        assert labels.read_forgotten(club[2]) == ["0000-0000"]
        assert not (club[2] / "forgotten.json").exists()

    each_step(dying_disk, monkeypatch, club[2], lambda: ingest(club), then)


def as_of_format_1(store: Path) -> None:
    """Make a store what the first format was: no checksums, no key check, the forgotten in the store."""
    for path in store.rglob("checksums.json"):
        path.unlink()
    (store / "version.json").write_text('{"format": 1}\n')
    (store / "forgotten.json").write_text('["0000-0000"]\n')
