"""Every command in the documents, run as it stands there, on invented logs that have the documents' names.

The tour's folder holds `logs` and nothing else, as a newcomer's does; the other pages' has been through the tour.
"""

import csv
import re
import shlex
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from by_path import load

import pumpcensus

ROOT = Path(pumpcensus.__file__).parent
CARS = 14
OTHER_MACHINES = ("--cluster", "s3://")  # tests/test_past_one_machine.py has some
LABEL = "7K3M-Q2XW"  # the documents' example
CAR = "car-7"
SETUP = {"engine": "2.0 four", "pump": "larger", "boost_hardware": "original", "calibration": "club map 2"}
# car-7's logs lie on both sides of the day on which its pump changed
DAYS = ["2026-07-04_01", "2026-05-03_01", "2026-05-10_01", "2026-05-17_01", "2026-06-07_01", "2026-06-14_01"]
PAGES = [page for page in sorted((ROOT / "docs").glob("*.md")) if "\npumpcensus " in page.read_text(encoding="utf-8")]


def lines_of(text: str) -> Iterator[list[str]]:
    """The words of each pumpcensus command in the shell blocks of a text."""
    for block in re.findall(r"^ *```sh\n(.*?)^ *```", text, flags=re.DOTALL | re.MULTILINE):
        for line in block.splitlines():
            if line.strip().startswith("pumpcensus "):
                yield shlex.split(line)[1:]


def parts_of_readme() -> tuple[str, str]:
    """The tour of five steps, and what comes after it."""
    whole = (ROOT / "README.md").read_text(encoding="utf-8").partition("## With your own logs")[2]
    tour, heading, rest = whole.partition("## When a log is refused")
    return tour, heading + rest


def run_all(text: str, club: Path, at_once: Any) -> list[list[str]]:
    """Run each command of a text in a club's folder; the label shown stands for car-7's."""
    ran = []
    for words in lines_of(text):
        if any(word.startswith(OTHER_MACHINES) for word in words):
            continue
        words = [label_of_car_7(club) if word == LABEL else word for word in words]
        target = words[words.index(">") + 1] if ">" in words else None
        ending = at_once(*words[: words.index(">")] if target else words, cwd=club)
        assert ending.returncode == 0, f"{shlex.join(words)}\n{ending.stdout[-500:]}\n{ending.stderr}"
        assert (ending.stdout + ending.stderr).strip(), f"{shlex.join(words)} says nothing"
        if target:
            (club / target).write_text(ending.stdout, encoding="utf-8")
        if words[:2] == ["roster", "logs"] and "--out" in words:  # the draft is the organiser's to fill in
            fill_in(club / "roster.csv")
        ran.append(words)
    return ran


def label_of_car_7(club: Path) -> str:
    with (club / "store.private/labels.csv").open(encoding="utf-8") as file:
        return next(row["label"] for row in csv.DictReader(file) if row["car"] == CAR)


def fill_in(roster: Path) -> None:
    """As an organiser would: what each car is, and a second row for the one whose pump was changed."""
    with roster.open(encoding="utf-8-sig", newline="") as file:
        rows = [row | SETUP for row in csv.DictReader(file)]
    seven = next(row for row in rows if row["car"] == CAR)
    rows.append(dict(seven))
    seven |= {"pump": "original", "until": "2026-05-31"}
    rows[-1]["since"] = "2026-06-01"
    with roster.open("w", encoding="utf-8", newline="") as file:
        sheet = csv.DictWriter(file, rows[0].keys())
        sheet.writeheader()
        sheet.writerows(rows)


@pytest.fixture(scope="module")
def newcomer(tmp_path_factory: pytest.TempPathFactory, at_once: Any) -> Path:
    """A folder with logs in folders of cars, and nothing else."""
    folder = tmp_path_factory.mktemp("newcomer")
    at_once("synthesize", folder / "fleet", "--cars", CARS, "--seed", 3)
    club = folder / "club"
    club.mkdir()
    shutil.move(folder / "fleet/logs", club / "logs")
    cars = sorted((club / "logs").iterdir(), key=lambda car: len(list(car.iterdir())))
    seven = cars[-1].rename(club / "logs" / CAR)
    given = sorted(seven.iterdir())
    assert len(given) >= len(DAYS)
    for number, log in enumerate(given):
        log.rename(log.with_name(f"{DAYS[number]}.csv")) if number < len(DAYS) else log.unlink()
    return club


@pytest.fixture(scope="module")
def toured(newcomer: Path, tmp_path_factory: pytest.TempPathFactory, at_once: Any) -> tuple[Path, list[list[str]]]:
    """The same after the tour, and the commands that were run."""
    club = tmp_path_factory.mktemp("toured") / "club"
    shutil.copytree(newcomer, club)
    ran = run_all(parts_of_readme()[0], club, at_once)
    return club, ran


@pytest.fixture(scope="module")
def theirs(toured: tuple[Path, list[list[str]]], tmp_path_factory: pytest.TempPathFactory, at_once: Any) -> Path:
    """What another club gave: the same logs under another key."""
    folder = tmp_path_factory.mktemp("theirs")
    at_once("ingest", "logs", "--roster", "roster.csv", "--store", folder / "store", cwd=toured[0])
    given = at_once("contribute", "--store", folder / "store", "--out", folder / "theirs.parquet", "--yes")
    assert given.returncode == 0, given.stderr
    return folder / "theirs.parquet"


@pytest.fixture
def club(toured: tuple[Path, list[list[str]]], theirs: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A copy of the toured club, with another club's file, and a file of several cars."""
    copy = tmp_path / "club"
    shutil.copytree(toured[0], copy)
    shutil.copy(theirs, copy)
    monkeypatch.setattr("door.sharing.agreed", lambda *_: True)  # who sits at the keyboard says yes
    made_up = load(ROOT / "tests/ingest/made_up_logs.py")
    header, *rows = made_up.text(1, pulls=2).splitlines()
    evening = [f"{header},Driver", *(f"{row},{CAR}" for row in rows)]
    (copy / "logs/evening.csv").write_text("\n".join(evening) + "\n", encoding="utf-8")
    return copy


@pytest.mark.slow
def test_the_tour_leads_from_a_folder_of_logs_to_a_report_in_five_steps(toured: tuple[Path, list[list[str]]]) -> None:
    club, ran = toured
    assert [words[0] for words in ran] == ["inspect", "roster", "roster", "ingest", "labels", "study", "report"]
    assert re.findall(r"^(\d)\. ", parts_of_readme()[0], flags=re.MULTILINE) == list("12345")
    assert "<html" in (club / "report/report.html").read_text(encoding="utf-8")[:500]


@pytest.mark.slow
def test_the_rest_of_the_readme_does_what_it_says(club: Path, at_once: Any) -> None:
    ran = run_all(parts_of_readme()[1], club, at_once)
    assert {words[0] for words in ran} >= {"car", "drill", "compare", "headroom", "forget", "contribute", "pool"}
    assert (club / "report.md").read_text(encoding="utf-8").startswith("# Fuel pump census 2026Q3")
    assert list((club / "cards").glob("*.html"))


@pytest.mark.slow
@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_the_commands_of_each_page_run(page: Path, club: Path, at_once: Any) -> None:
    assert run_all(page.read_text(encoding="utf-8"), club, at_once)
