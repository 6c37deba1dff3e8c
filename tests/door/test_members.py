"""Commands about whose logs there are: several cars in one file, and a member who leaves."""

from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from typer.testing import CliRunner

import ingest
import pumpcensus
from ingest.findings import InputError

RESULT = SimpleNamespace(kept=1, refused=0, skipped=0, superseded=0, pulls=1, findings={}, problems=())


def run(*words: str | Path) -> Any:
    return CliRunner().invoke(pumpcensus.app, [str(word) for word in words])


def test_workers_and_a_car_column_are_handed_on(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[dict[str, Any]] = []
    monkeypatch.setattr(ingest, "ingest_logs", lambda *_, **options: asked.append(options) or RESULT)
    monkeypatch.setattr(ingest, "inspect_logs", lambda *_, **options: asked.append(options) or [])
    roster = tmp_path / "roster.csv"
    roster.touch()
    words = ("ingest", tmp_path, "--roster", roster, "--store", tmp_path / "store", "--car-column", "Driver")
    assert run(*words).exit_code == 0
    assert run(*words, "--workers", 3).exit_code == 0
    assert run(*words, "--workers", 0).exit_code == 2
    run("inspect", roster, "--car-column", "Driver")
    assert [one["car_column"] for one in asked] == ["Driver"] * 3
    assert [one.get("workers") for one in asked] == [None, 3, None]


def test_forget_says_what_is_left_to_do(monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[tuple[Any, ...]] = []
    monkeypatch.setattr(ingest, "forget_car", lambda *words: asked.append(words) or 4)
    result = run("forget", "car-7", "--store", "store")
    assert (result.exit_code, asked) == (0, [("car-7", Path("store"))])
    for part in ("4 logs removed", "roster", "reports"):
        assert part in result.stdout


def test_forget_of_an_unknown_car_removes_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    def unknown(*_: object) -> int:
        raise InputError(["car-9: no such car."])

    monkeypatch.setattr(ingest, "forget_car", unknown)
    result = run("forget", "car-9", "--store", "store")
    assert result.exit_code == 1
    assert "nothing was removed" in result.stderr
