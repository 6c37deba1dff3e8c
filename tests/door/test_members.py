"""Commands about whose logs there are: several cars in one file, and a member who leaves."""

import json
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from typer.testing import CliRunner

import pumpcensus
from ingest.findings import InputError

RESULT = SimpleNamespace(kept=1, refused=0, skipped=0, superseded=0, pulls=1, findings={}, problems=())


def run(*words: str | Path) -> Any:
    return CliRunner().invoke(pumpcensus.app, [str(word) for word in words])


def test_workers_and_a_car_column_are_handed_on(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[dict[str, Any]] = []
    monkeypatch.setattr("ingest.many_logs.ingest_logs", lambda *_, **options: asked.append(options) or RESULT)
    monkeypatch.setattr("ingest.inspect_log.inspect_logs", lambda *_, **options: asked.append(options) or [])
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
    monkeypatch.setattr("ingest.forget_car.forget_car", lambda *words: asked.append(words) or 4)
    result = run("forget", "car-7", "--store", "store")
    assert (result.exit_code, asked) == (0, [("car-7", "store")])
    for part in ("4 logs removed", "roster", "reports"):
        assert part in result.stdout


def test_forget_of_an_unknown_car_removes_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    def unknown(*_: object) -> int:
        raise InputError(["car-9: no such car."])

    monkeypatch.setattr("ingest.forget_car.forget_car", unknown)
    result = run("forget", "car-9", "--store", "store")
    assert result.exit_code == 1
    assert "nothing was removed" in result.stderr


def test_labels_and_forget_for_programs(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("ingest.labels.read_labels", lambda store: {"zoe": "BBBB-BBBB", "anna": "AAAA-AAAA"})
    monkeypatch.setattr("ingest.forget_car.forget_car", lambda *words: 4)
    told = json.loads(run("labels", "--store", "store", "--json").stdout)
    assert told == {"labels": [{"car": "anna", "label": "AAAA-AAAA"}, {"car": "zoe", "label": "BBBB-BBBB"}]}
    assert json.loads(run("forget", "anna", "--store", "s", "--json").stdout) == {
        "car": "anna",
        "store": "s",
        "logs": 4,
    }


def test_a_slip_in_a_label_names_the_nearest_and_never_a_name(tmp_path: Path) -> None:
    logs = tmp_path / "logs/anna"
    logs.mkdir(parents=True)
    (logs / "2026-07-04_01.csv").write_text("a,b\n1,2\n")
    (tmp_path / "roster.csv").write_text("car,engine,pump\nanna,e,p\n")
    store = tmp_path / "store"
    run("ingest", logs.parent, "--roster", tmp_path / "roster.csv", "--store", store)
    label = run("labels", "--store", store).stdout.split()[0]
    slip = label[:-1] + ("A" if label[-1] != "A" else "B")
    for wrong, nearest in ((slip, f"Nearest label: {label}."), ("ann", "")):
        ending = run("forget", wrong, "--store", store)
        assert ending.exit_code == 1
        assert nearest in ending.stderr
        assert "anna" not in ending.stderr.replace(str(store), "")
