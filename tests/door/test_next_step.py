"""`pumpcensus` with no argument: what it says of a folder, and that its commands lead from logs to a report."""

import os
import shlex
import shutil
from pathlib import Path
from typing import Any

import pytest

from door.next_step import look, next_step


def commands(folder: Path) -> list[list[str]]:
    """The command lines that are suggested, as words."""
    return [shlex.split(line)[1:] for line in next_step(folder).splitlines() if line.startswith("  pumpcensus ")]


def touch(path: Path) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.touch()


def test_in_an_empty_folder_it_says_what_this_is_and_offers_the_demo(tmp_path: Path) -> None:
    text = next_step(tmp_path)
    assert text.startswith("pumpcensus pools the logs of many cars")
    assert "no logs, no roster and no store" in text
    assert commands(tmp_path)[-1] == ["demo"]
    touch(tmp_path / "demo/report/report.html")
    assert f"The demo's report is {Path('demo/report/report.html')}." in next_step(tmp_path)


@pytest.mark.slow
def test_the_commands_it_names_lead_from_a_folder_of_logs_to_a_report(tmp_path: Path, at_once: Any) -> None:
    at_once("synthesize", tmp_path / "fleet", "--cars", 12, "--seed", 5)
    here = tmp_path / "our club"
    here.mkdir()
    shutil.move(tmp_path / "fleet/logs", here / "logs of July")
    names = []
    for _ in range(6):
        for words in commands(here):
            ending = at_once(*words, cwd=here)
            assert ending.returncode == 0, ending.stderr
            names.append(words[0])
        if "roster" in names and names.count("roster") == 1:  # the draft is the organiser's to fill in
            shutil.copy(tmp_path / "fleet/roster.csv", here / "roster.csv")
        if "drill" in names or look(here).report:
            break
    assert names == ["inspect", "roster", "roster", "ingest", "study", "report"]
    assert "report.html in a browser" in next_step(here)
    assert [words[0] for words in commands(here)] == ["drill", "ingest"]


def test_a_report_older_than_the_study_is_to_be_made_anew(tmp_path: Path) -> None:
    touch(tmp_path / "s/segments/1/ledger.parquet")
    assert commands(tmp_path) == [["study", "--store", "s"]]
    (tmp_path / "s/studies/2026Q3").mkdir(parents=True)
    assert commands(tmp_path) == [["report", "--store", "s", "--out", "report"]]
    touch(tmp_path / "page/report.html")
    os.utime(tmp_path / "page/report.html", (1, 1))
    assert commands(tmp_path) == [["report", "--store", "s", "--out", "page"]]
    assert "newer than the report" in next_step(tmp_path)


def test_what_pumpcensus_wrote_and_what_is_hidden_is_not_taken_for_logs(tmp_path: Path) -> None:
    for name in ("report/cars.csv", "report/report.html", "s/segments/1.csv", "s.private/labels.csv", ".cache/a.csv",
                 "demo/truth.csv", "demo/logs/car-1/a.csv", "project/.git/a", "project/a.csv"):  # fmt: skip
        touch(tmp_path / name)
    assert look(tmp_path).logs is None
    assert look(tmp_path / "s").logs is None
    assert "cd .." in next_step(tmp_path / "s")
    touch(tmp_path / "2026/car-1/a.csv")
    assert look(tmp_path).logs == tmp_path / "2026"
    touch(tmp_path / "Logs/car-1/a.csv")
    assert look(tmp_path).logs == tmp_path / "Logs"


@pytest.mark.skipif(os.name == "nt", reason="such names cannot be there")
def test_a_hostile_name_is_neither_shown_nor_typed(tmp_path: Path) -> None:
    touch(tmp_path / "logs\x1b[31m/car/a.csv")
    assert "\x1b" not in next_step(tmp_path)
    touch(tmp_path / "logs; rm -rf x/car/a.csv")
    assert commands(tmp_path)[1] == ["roster", "logs; rm -rf x", "--out", "roster.csv"]


def test_a_folder_that_may_not_be_read_is_passed_over(tmp_path: Path) -> None:
    assert "no logs" in next_step(tmp_path / "gone")
