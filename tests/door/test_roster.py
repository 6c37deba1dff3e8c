"""The command that drafts a roster or checks one: which file it is about, and what it ends with."""

import json
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

import pumpcensus


def run(*words: str | Path) -> Any:
    return CliRunner().invoke(pumpcensus.app, [str(word) for word in words])


@pytest.fixture
def logs(tmp_path: Path) -> Path:
    (tmp_path / "logs/anna").mkdir(parents=True)
    (tmp_path / "logs/anna/2026-07-04_01.csv").write_text("a log")
    return tmp_path / "logs"


def test_a_roster_is_drafted_filled_in_and_fits(logs: Path, tmp_path: Path) -> None:
    roster = tmp_path / "roster.csv"
    drafted = run("roster", logs, "--out", roster)
    assert drafted.exit_code == 0
    assert "added anna" in drafted.stdout
    assert "- row 2, engine: empty." in drafted.stdout
    checked = run("roster", logs, "--check", roster)
    assert checked.exit_code == 1
    assert "2 problems:" in checked.stdout
    roster.write_text(roster.read_text().replace("anna,,,", "anna,2.0 four,original,"))
    assert run("roster", logs, "--check", roster).exit_code == 0


def test_the_file_to_check_may_be_named_in_either_way(logs: Path, tmp_path: Path) -> None:
    roster = tmp_path / "roster.csv"
    roster.write_text("car,engine,pump\nanna,2.0 four,original\n")
    for words in (("--check", roster), (roster, "--check"), ("--check", "--out", roster), ("--out", roster, "--check")):
        told = run("roster", logs, *words, "--json")
        assert told.exit_code == 0
        assert json.loads(told.stdout) == {
            "roster": str(roster), "rows": 1, "cars": 1, "logs": 1, "undated": 0, "problems": [], "questions": [],
        }  # fmt: skip
    assert roster.read_text() == "car,engine,pump\nanna,2.0 four,original\n"


def test_a_draft_for_programs(logs: Path, tmp_path: Path) -> None:
    told = json.loads(run("roster", logs, "--out", tmp_path / "r.xlsx", "--json").stdout)
    assert (told["rows"], told["new"], told["questions"]) == (1, ["anna"], [])
    assert told["missing"][0] == {
        "sheet": "r.xlsx", "row": 2, "column": "engine", "what": "empty. A setup needs engine and pump.",
    }  # fmt: skip


def test_no_file_or_two_or_one_that_is_not_there_is_a_usage_error(logs: Path, tmp_path: Path) -> None:
    roster = tmp_path / "roster.csv"
    for words in ((), ("--check",), (roster,), ("--check", roster, "--out", roster), ("--check", roster)):
        ending = run("roster", logs, *words)
        assert ending.exit_code == 2
        assert "--out" in ending.stderr
    assert not roster.exists()


def test_a_roster_that_cannot_be_added_to_is_refused(logs: Path, tmp_path: Path) -> None:
    roster = tmp_path / "roster.csv"
    roster.write_text("name,motor\n")
    ending = run("roster", logs, "--out", roster)
    assert ending.exit_code == 1
    assert ending.stderr.splitlines()[-1] == "3 problems; nothing was written."
    assert roster.read_text() == "name,motor\n"
