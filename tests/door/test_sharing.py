"""`contribute` and `pool` at the front door: nothing leaves unseen or unasked."""

from datetime import date
from pathlib import Path
from typing import Any

import polars as pl
import pytest
from typer.testing import CliRunner

import pumpcensus
from ingest import pooled
from ingest.pooled import SOURCES, Pooled
from ingest.schemas import CONTRIBUTION
from models import study_files
from models.contribution import Contribution

ROW = dict.fromkeys(CONTRIBUTION) | {"club": "CAB0-0000", "quarter": "2026Q3", "car": "CAR0-0000", "engine": "E1"}
SETUP = {
    "engine": "E1", "pump": "P", "boost_hardware": "B", "calibration": "K", "port_injection": False, "cars": 12,
    "published_as": "E1 | P | B | K", "why": "",
}  # fmt: skip


def run(*words: str | Path) -> Any:
    return CliRunner().invoke(pumpcensus.app, [str(word) for word in words])


@pytest.fixture
def written(monkeypatch: pytest.MonkeyPatch) -> list[Any]:
    done: list[Any] = []
    cells = pl.DataFrame([ROW], schema=dict(CONTRIBUTION))
    made = Contribution("2026Q3", cells, pl.DataFrame([SETUP]), 1, date(2026, 10, 1))
    monkeypatch.setattr(study_files, "contribution_of_store", lambda *_: made)
    monkeypatch.setattr(pooled, "given_before", lambda _: {"2026Q3": "2026-10-04"})
    monkeypatch.setattr(pooled, "write_contribution", lambda *words: done.append(words))
    return done


def test_nothing_is_written_unasked(written: list[Any], tmp_path: Path) -> None:
    result = run("contribute", "--store", tmp_path, "--out", tmp_path / "x.parquet")
    assert result.exit_code == 1
    assert "add --yes" in result.stderr
    assert "nothing was given" in result.stderr
    assert not written


def test_all_that_leaves_is_shown_before(written: list[Any], tmp_path: Path) -> None:
    result = run("contribute", "--store", tmp_path, "--out", tmp_path / "x.parquet", "--yes")
    assert result.exit_code == 0
    assert len(written) == 1
    assert all(f"  {name} " in result.stdout for name in CONTRIBUTION)
    for told in ("1 row of 1 pull of 1 car", "E1 | P | B | K: 12 cars, as it is", "CAB0-0000", "given before", "learn"):
        assert told in result.stdout
    assert max(map(len, result.stdout.splitlines()[:-1])) <= 80


def test_files_and_a_withdrawal_are_handed_on(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    asked: list[Any] = []
    nothing = Pooled(pl.DataFrame(schema=SOURCES), pl.DataFrame(schema=SOURCES))
    monkeypatch.setattr(pooled, "pool_files", lambda *words: asked.append(words) or nothing)
    monkeypatch.setattr(pooled, "withdraw_club", lambda *words: asked.append(words) or nothing)
    file = tmp_path / "a.parquet"
    file.touch()
    assert run("pool", file, "--store", tmp_path).exit_code == 0
    assert run("pool", "--store", tmp_path, "--withdraw", "CAB0-0000").exit_code == 0
    assert "Nothing of other clubs is pooled here." in run("pool", "--store", tmp_path).stdout
    assert run("pool", file, "--store", tmp_path, "--withdraw", "CAB0-0000").exit_code == 2
    store = str(tmp_path)
    assert asked == [([file], store), ("CAB0-0000", store), ([], store)]
