"""A zoo of input that cannot be used: each ends with its exit code and plain words, without a traceback."""

import json
import random
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

Run = Callable[..., Any]

ROSTER = "car,engine,pump\nanna,2.0 four,original\n"
LOG = "Time (s),Engine speed (rpm),High pressure pump duty (%),MAP (kPa)\n" + "".join(
    f"{row / 20:.2f},{2000 + 10 * row},{30 + row / 10:.1f},{150 + row / 10:.1f}\n" for row in range(300)
)


def refused(ending: Any, *parts: str, code: int = 1) -> None:
    """It ended with `code`, in words that hold `parts`, without a traceback and without an answer."""
    assert ending.returncode == code, ending.stdout + ending.stderr
    assert "Traceback" not in ending.stdout + ending.stderr
    assert "was not made for" not in ending.stderr, ending.stderr
    for part in parts:
        assert part in ending.stderr, ending.stderr


@pytest.fixture
def club_of_one(tmp_path: Path) -> Path:
    (tmp_path / "logs/anna").mkdir(parents=True)
    (tmp_path / "logs/anna/2026-07-04_01.csv").write_text(LOG)
    (tmp_path / "roster.csv").write_text(ROSTER)
    return tmp_path


def ingest(run: Run, folder: Path) -> Any:
    return run("ingest", "logs", "--roster", "roster.csv", "--store", "store", cwd=folder)


# ---- ingest


def test_no_logs_at_all(club_of_one: Path, at_once: Run) -> None:
    (club_of_one / "logs/anna/2026-07-04_01.csv").unlink()
    refused(ingest(at_once, club_of_one), "logs", "1 problem; nothing was ingested.")


def test_a_broken_roster_tells_all_its_problems_and_leaves_no_store(club_of_one: Path, at_once: Run) -> None:
    rows = "anna,2.0 four,,2026-02-30\n,2.0 four,original,2026-01-01\nanna,2.0 four,original,soon\n"
    (club_of_one / "roster.csv").write_text("car,engine,pump,since\n" + rows)
    ending = ingest(at_once, club_of_one)
    refused(ending, "row 2", "row 3", "row 4", "2026-02-30", "soon", "nothing was ingested.")
    assert len(ending.stderr.splitlines()) >= 5
    assert not (club_of_one / "store/segments").exists()


@pytest.mark.parametrize(
    ("content", "part"),
    [
        (b"", "roster.csv"),
        (b"\x00\xff\x00\xfe" * 99, "roster.csv"),
        (b"name;motor\nanna;2.0\n", "car"),
        (b"car,engine,pump\n", "roster.csv"),
        (b"PK\x03\x04 not a sheet", "roster.csv"),
    ],
    ids=["empty", "binary", "other columns", "no rows", "half a zip"],
)
def test_a_roster_that_is_none(club_of_one: Path, at_once: Run, content: bytes, part: str) -> None:
    (club_of_one / "roster.csv").write_bytes(content)
    refused(ingest(at_once, club_of_one), part, "nothing was ingested.")


def test_a_car_that_is_not_on_the_roster_is_told_and_kept_out(club_of_one: Path, at_once: Run) -> None:
    (club_of_one / "logs/anna").rename(club_of_one / "logs/berta")
    ending = ingest(at_once, club_of_one)
    refused(ending)
    assert "0 kept, 1 refused" in ending.stdout
    assert "berta" in ending.stdout


def test_logs_that_are_none_are_refused_one_by_one(club_of_one: Path, at_once: Run) -> None:
    chance = random.Random(1)
    for name, content in {
        "2026-07-01_01.csv": chance.randbytes(5000),
        "2026-07-02_01.csv": b"",
        "2026-07-03_01.csv": b"\n\n\n",
        "2026-07-04_01.csv": b"dear diary, today I drove\n" * 50,
        "2026-07-05_01.csv.gz": b"\x1f\x8b\x08" + chance.randbytes(300),
        "2026-07-06_01.parquet": b"PAR1" + chance.randbytes(300) + b"PAR1",
        "2026-07-07_01.xlsx": b"PK\x03\x04" + chance.randbytes(300),
    }.items():
        (club_of_one / "logs/anna" / name).write_bytes(content)
    ending = ingest(at_once, club_of_one)
    refused(ending)
    assert "0 kept, 7 refused" in ending.stdout
    for day in range(1, 8):
        assert f"2026-07-0{day}_01" in ending.stdout


@pytest.mark.parametrize("version", ['{"format": 999}', "{", "[]", ""])
def test_a_store_of_another_version_or_a_broken_one(club_of_one: Path, at_once: Run, version: str) -> None:
    (club_of_one / "store").mkdir()
    (club_of_one / "store/version.json").write_text(version)
    refused(ingest(at_once, club_of_one), "version.json", "nothing was ingested.")
    refused(at_once("study", "--store", "store", cwd=club_of_one), "version.json", "nothing was studied.")


def test_a_store_that_is_a_file_or_holds_other_things(club_of_one: Path, at_once: Run) -> None:
    (club_of_one / "store").write_text("mine")
    refused(ingest(at_once, club_of_one), "store")
    assert (club_of_one / "store").read_text() == "mine"
    (club_of_one / "store").unlink()
    (club_of_one / "store").mkdir()
    (club_of_one / "store/holiday.jpg").write_text("mine")
    refused(ingest(at_once, club_of_one), "store", "not empty")


@pytest.mark.parametrize("content", ["not = [toml", "nonsense = 1\n", "\x00"])
def test_a_broken_file_of_channel_names(club_of_one: Path, at_once: Run, content: str) -> None:
    (club_of_one / "mine.toml").write_text(content)
    words = ("ingest", "logs", "--roster", "roster.csv", "--store", "store", "--channels", "mine.toml")
    refused(at_once(*words, cwd=club_of_one), "mine.toml", "nothing was ingested.")


# ---- everything else


@pytest.mark.parametrize(
    "words",
    [
        ("study", "--store"),
        ("report", "--out", "out", "--store"),
        ("car", "7K3M-Q2XW", "--store"),
        ("compare", "7K3M-Q2XW", "--store"),
        ("labels", "--store"),
    ],
    ids=lambda words: words[0],
)
def test_no_store_there(tmp_path: Path, at_once: Run, words: tuple[str, ...]) -> None:
    ending = at_once(*words, "nowhere", cwd=tmp_path)
    refused(ending, "nowhere", "1 problem; nothing was")
    assert not (tmp_path / "out").exists()


def test_a_store_without_a_full_load_pull_gives_no_study(club_of_one: Path, at_once: Run) -> None:
    log = club_of_one / "logs/anna/2026-07-04_01.csv"
    log.write_text(re.sub(r"(?m)^(\d+\.\d+),\d+,", r"\1,2500,", LOG))
    ingest(at_once, club_of_one)
    refused(at_once("study", "--store", "store", cwd=club_of_one), "nothing was studied.")


def test_a_quarter_nobody_drove_in(club: Any, at_once: Run, tmp_path: Path) -> None:
    refused(at_once("study", "--store", club.store, "--quarter", "2019Q1"), "2019Q1")
    refused(at_once("report", "--store", club.store, "--quarter", "2019Q1", "--out", tmp_path), "2019Q1")
    refused(at_once("car", "7K3M-Q2XW", "--store", club.store, "--quarter", "2019Q1"), "2019Q1")
    assert not (club.store / "studies/2019Q1").exists()


def test_a_label_nobody_has(club: Any, at_once: Run) -> None:
    refused(at_once("car", "0000-0000", "--store", club.store), "0000-0000", "nothing was shown.")


def test_a_report_where_a_file_is(club: Any, at_once: Run, tmp_path: Path) -> None:
    (tmp_path / "out").write_text("mine")
    refused(at_once("report", "--store", club.store, "--out", tmp_path / "out"), code=2)
    assert (tmp_path / "out").read_text() == "mine"


def test_inspect_of_what_is_no_log_says_so_and_ends_with_1(tmp_path: Path, at_once: Run) -> None:
    (tmp_path / "a.csv").write_bytes(random.Random(2).randbytes(4000))
    (tmp_path / "b.csv").write_text("dear diary\n")
    ending = at_once("inspect", "a.csv", "b.csv", cwd=tmp_path)
    refused(ending)
    assert ending.stdout.count("refused") >= 2
    lines = at_once("inspect", "a.csv", "b.csv", "--json", cwd=tmp_path).stdout.splitlines()
    assert [json.loads(line)["verdict"] for line in lines] == ["refused", "refused"]


def test_a_mistyped_command_is_a_usage_error(at_once: Run) -> None:
    for words in (
        ("synthesize", "x", "--cars", "0", "--seed", "1"),
        ("synthesize", "x", "--cars", "many", "--seed", "1"),
        ("study",),
        ("study", "--store", "s", "--quarter", "third"),
        ("car", "Anna's car", "--store", "s"),
        ("nonsense",),
    ):
        assert at_once(*words).returncode == 2
