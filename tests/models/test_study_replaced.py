"""A study that is replaced: readers, and whoever comes after a kill, see the old one or the new one, whole."""

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from ingest import whole_files
from ingest.far_files import place_of
from ingest.findings import InputError
from ingest.store import create_store
from models import study_files
from models.schemas import Study
from models.study_files import TABLES, read_study, write_study


class KilledError(BaseException):
    """The process is dead."""


@pytest.fixture
def old(studied: Callable[..., Any]) -> Study:
    found: Study = studied(12, 1).study
    return found


@pytest.fixture
def new(old: Study) -> Study:
    """The same with tables half as long, so that a mixture would show."""
    halves = {name: getattr(old, name).head(len(getattr(old, name)) // 2) for name in TABLES}
    return replace(old, **halves)


def is_one_of(found: Study, *studies: Study) -> bool:
    return any(all(getattr(found, name).equals(getattr(study, name)) for name in TABLES) for study in studies)


@pytest.mark.parametrize("step", range(1, 60, 6))
def test_a_run_that_is_killed_while_it_replaces_a_study(
    old: Study, new: Study, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, step: int
) -> None:
    store = create_store(tmp_path / "store").path
    write_study(old, store)
    steps = 0

    def dying(name: str) -> Callable[..., Any]:
        real = getattr(whole_files.os, name)

        def act(*given: Any) -> Any:
            nonlocal steps
            steps += 1
            if steps >= step:
                raise KilledError
            return real(*given)

        return act

    with monkeypatch.context() as patch:
        for name in ("fsync", "replace", "mkdir", "unlink", "rmdir"):
            patch.setattr(whole_files.os, name, dying(name))
        try:
            write_study(new, store)
        except KilledError:
            steps = -1
    assert is_one_of(read_study(store), old, new)
    write_study(new, store)
    assert is_one_of(read_study(store), new)
    assert [path.name for path in (store / "studies").iterdir()] == [new.quarter]


@pytest.mark.parametrize("step", range(1, 68, 6))
def test_the_same_in_an_object_store(
    old: Study, new: Study, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, step: int
) -> None:
    # fsspec's own memory file system; each request that changes something is a step
    pytest.importorskip("upath")
    monkeypatch.setenv("PUMPCENSUS_PRIVATE", str(tmp_path))
    store = create_store(place_of(f"memory://{tmp_path.name}/store")).path
    system: Any = store.fs  # type: ignore[attr-defined]
    write_study(old, store)
    steps = 0

    def dying(name: str) -> Callable[..., Any]:
        real = getattr(system, name)

        def act(*given: Any, **named: Any) -> Any:
            nonlocal steps
            steps += 1
            if steps >= step:
                raise KilledError
            return real(*given, **named)

        return act

    with monkeypatch.context() as patch:
        for name in ("pipe_file", "rm_file"):
            patch.setattr(system, name, dying(name))
        with pytest.raises(KilledError):
            write_study(new, store)
    assert is_one_of(read_study(store), old, new)
    write_study(new, store)
    assert is_one_of(read_study(store), new)
    assert {name.split("/")[4] for name in system.store if f"{tmp_path.name}/store/studies/" in name} == {new.quarter}
    system.rm(f"/{tmp_path.name}", recursive=True)


def test_a_report_made_while_the_study_is_replaced_mixes_nothing(
    old: Study, new: Study, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    store = create_store(tmp_path / "store").path
    write_study(old, store)
    real, ran = study_files.pl.read_parquet, []

    def read(path: Path) -> Any:
        table = real(path)
        if path.name == "changes.parquet" and not ran:
            ran.append(path)
            write_study(new, store)
        return table

    monkeypatch.setattr(study_files.pl, "read_parquet", read)
    assert is_one_of(read_study(store), new)
    assert ran


@pytest.mark.parametrize("name", ["cars.parquet", "summary.json"])
def test_a_damaged_study_is_told_with_what_to_do(old: Study, tmp_path: Path, name: str) -> None:
    store = create_store(tmp_path / "store").path
    file = write_study(old, store) / name
    file.write_bytes(file.read_bytes()[:-9])
    with pytest.raises(InputError, match=r"2026Q3: damaged. Make it anew: pumpcensus study --quarter 2026Q3"):
        read_study(store)
