"""A roster whose setups carry markup, formulas and control characters, through the whole job: shown, never run."""

import csv
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

Run = Callable[..., Any]

LOG = "Time (s),Engine speed (rpm),High pressure pump duty (%),MAP (kPa)\n" + "".join(
    f"{row / 20:.2f},{2000 + 10 * row},{30 + row / 10:.1f},{150 + row / 10:.1f}\n" for row in range(300)
)
# OWASP's page on CSV injection names = + - @, tab and carriage return (from memory)
SETUPS = {
    "anna": ('=HYPERLINK("http://x.test";"2.0")', "+original", "-big", "@map"),
    "bert": ("<script>alert(1)</script>", "</script><script>alert(2)</script>", "<img src=x onerror=alert(3)>", "&lt;"),
    "cleo": ("{{ 7 * 191 }}", "{% raw %}", "]]><!--", "\u202egnp.exe"),
    "dora": ("\x1b[31mred\x1b[0m", "\x07bell", "\x00null", "\x9b31m"),
}


@pytest.fixture(scope="module")
def club(tmp_path_factory: pytest.TempPathFactory, at_once: Run) -> tuple[Path, str]:
    """The folder, and all that was printed."""
    folder = tmp_path_factory.mktemp("hostile")
    with (folder / "roster.csv").open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(("car", "engine", "pump", "boost_hardware", "calibration"))
        writer.writerows((car, *setup) for car, setup in SETUPS.items())
    for number, car in enumerate(SETUPS):
        (folder / "logs" / car).mkdir(parents=True)
        for day in (1, 2):
            log = LOG.replace("150.", f"15{number}.{day}")
            (folder / "logs" / car / f"2026-07-0{day}.csv").write_text(log)
    (folder / "logs/anna/\x1b[2Jwipe.csv").write_text("no log")
    said = ""
    for words in (
        ("roster", "logs", "--check", "roster.csv"),
        ("ingest", "logs", "--roster", "roster.csv", "--store", "store"),
        ("study", "--store", "store"),
        ("report", "--store", "store", "--out", "report"),
        ("labels", "--store", "store"),
    ):
        ending = at_once(*words, cwd=folder)
        said += ending.stdout + ending.stderr
    for line in (folder / "report/cars.csv").read_text(encoding="utf-8").splitlines()[1:]:
        said += at_once("car", line.split(",")[0], "--store", "store", cwd=folder).stdout
    return folder, said


def test_no_sign_that_steers_a_terminal_is_printed(club: tuple[Path, str]) -> None:
    _, said = club
    assert "8 kept" in said
    assert sorted(sign for sign in set(said) if not sign.isprintable() and sign != "\n") == []


def test_no_cell_of_a_csv_file_is_a_formula(club: tuple[Path, str]) -> None:
    folder, _ = club
    files = sorted(folder.glob("report/*.csv")) + sorted(folder.glob("store*/**/*.csv"))
    assert len(files) >= 7
    for path in files:
        with path.open(encoding="utf-8", newline="") as file:
            for row in csv.reader(file):
                for cell in row:
                    assert cell[:1] not in {"=", "+", "@", "\t", "\r"}, (path.name, cell)
                    assert not cell.startswith("-") or re.fullmatch(r"-[\d.e+-]+", cell), (path.name, cell)


def test_the_page_holds_the_setups_as_text_only(club: tuple[Path, str]) -> None:
    folder, _ = club
    page = (folder / "report/report.html").read_text(encoding="utf-8")
    for setup in SETUPS["bert"][:3]:
        assert setup not in page, setup
    assert "alert(1)" in page, "the setups are shown"
    assert "{{ 7 * 191 }}" in page
    assert not re.search(r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f]", page.replace("\r", ""))
    assert len(re.findall(r"<script\b", page)) == len(re.findall(r"</script>", page))
