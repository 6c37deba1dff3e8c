"""Files that lead away, are huge, vanish or change while read, and names that a spreadsheet would run."""

import csv
import os
from datetime import date
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

from ingest import log_files
from ingest.labels import private_folder, read_labels
from ingest.log_files import LogFile, files_under
from ingest.many_logs import IngestResult, ingest_logs
from ingest.store import Store

TODAY = date(2026, 11, 25)
Club = tuple[Path, Path, Path]


@pytest.fixture
def club(made_up: ModuleType, tmp_path: Path) -> Club:
    return made_up.club(tmp_path, logs=1)


def run(club: Club) -> IngestResult:
    return ingest_logs(*club, today=TODAY)


@pytest.mark.skipif(os.name != "posix", reason="links need a right of their own on other systems")
def test_links_are_followed_within_the_logs_only(club: Club, made_up: ModuleType, tmp_path: Path) -> None:
    (tmp_path / "elsewhere").mkdir()
    (tmp_path / "elsewhere/private.csv").write_text(made_up.text(77), encoding="utf-8")
    anna = club[0] / "anna"
    (anna / "out.csv").symlink_to(tmp_path / "elsewhere/private.csv")
    (anna / "folder").symlink_to(tmp_path / "elsewhere")
    (anna / "round").symlink_to(club[0])
    (anna / "nowhere.csv").symlink_to(tmp_path / "nowhere.csv")
    (anna / "again.csv").symlink_to(anna / "2026-07-01_01.csv")
    os.mkfifo(anna / "pipe.csv")
    result = run(club)
    assert (result.kept, result.refused) == (2, 4)
    assert result.findings["link_out"] == 3
    assert result.findings["log_twice"] == 1, "a link within is the log once more"
    told = "\n".join(result.problems)
    for place in ("anna/out.csv", "anna/folder", "anna/round"):
        assert f"{place}: A symbolic link that leads out of the folder of logs" in told
    assert (run(club).skipped, run(club).problems) == (6, ())


def test_a_huge_file_is_refused_unread(club: Club) -> None:
    with (club[0] / "anna/huge.csv").open("wb") as file:
        file.truncate(1 << 42)  # 4 TB, of which nothing is on the disk
    result = run(club)
    assert (result.kept, result.refused, result.findings["file_too_large"]) == (2, 1, 1)
    assert "anna/huge.csv: The file is larger than a log may be (1 GB) (4398.0 GB)" in result.problems[0]


def test_a_file_that_vanishes_between_looking_and_reading(club: Club, monkeypatch: pytest.MonkeyPatch) -> None:
    run(club)
    path = club[0] / "anna/2026-07-01_01.csv"
    before = Store(club[2]).samples().collect()
    os.utime(path, (1, 1))
    read = Path.read_bytes

    def vanishing(self: Path) -> bytes:
        if self == path:
            path.unlink(missing_ok=True)
        return read(self)

    monkeypatch.setattr(Path, "read_bytes", vanishing)
    (told,) = run(club).problems
    assert "cannot be read (No such file or directory)" in told
    assert "What was read earlier is kept." in told
    assert Store(club[2]).samples().collect().equals(before)


def test_a_file_that_vanishes_while_the_folder_is_walked(club: Club, monkeypatch: pytest.MonkeyPatch) -> None:
    stat = os.stat

    def vanished(path: str | Path, **how: Any) -> os.stat_result:
        if Path(path).parent.name == "anna":
            raise FileNotFoundError
        return stat(path, **how)

    monkeypatch.setattr(os, "stat", vanished)
    assert [file.place for file in files_under(club[0], [])] == ["bert/2026-07-01_01.csv"]


def test_a_folder_that_cannot_be_read_is_told(club: Club, monkeypatch: pytest.MonkeyPatch) -> None:
    walk = os.walk

    def closed(top: Path, onerror: object) -> object:
        for folder, names, files in walk(top):
            if Path(folder).name == "anna":
                onerror(PermissionError(13, "Permission denied", folder))  # type: ignore[operator]
            else:
                yield folder, names, files

    monkeypatch.setattr(log_files.os, "walk", closed)
    result = run(club)
    assert (result.kept, result.findings["folder_unreadable"]) == (1, 1)
    assert result.problems[0].startswith("anna: The folder cannot be read, so its logs were not looked for.")


def test_a_log_that_grows_while_it_is_read_is_read_again(
    club: Club, made_up: ModuleType, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = club[0] / "anna/2026-07-01_01.csv"
    whole, read = path.read_bytes(), Path.read_bytes

    def growing(self: Path) -> bytes:
        if self != path:
            return read(self)
        path.write_bytes(whole)
        os.utime(path, (2, 2))
        return whole[: len(whole) // 2]  # what was there when it was opened

    monkeypatch.setattr(Path, "read_bytes", growing)
    run(club)
    half = Store(club[2]).samples().collect().height
    monkeypatch.undo()
    assert run(club).superseded == 1
    assert Store(club[2]).samples().collect().height > 1.2 * half


@pytest.mark.parametrize("name", ['=HYPERLINK("x")', "+49 170", "-7", "@home"])
def test_names_that_a_spreadsheet_would_run_come_back_from_the_private_lists(club: Club, name: str) -> None:
    (club[0] / "anna").rename(club[0] / name)
    club[1].write_text("car,engine,pump\n" + f'"{name.replace(chr(34), chr(34) * 2)}",2.0 four,original\n')
    assert run(club).kept == 1
    assert name in read_labels(club[2])
    assert run(club).skipped == 2
    for listed in ("labels.csv", "paths.csv"):
        with (private_folder(club[2]) / listed).open(encoding="utf-8", newline="") as file:
            assert not [cell for row in csv.reader(file) for cell in row if cell[:1] in set("=+-@\t\r")], listed


@pytest.mark.slow
def test_a_folder_of_ten_thousand_files_that_are_no_logs(club: Club) -> None:
    (club[0] / "anna/junk").mkdir()
    kinds = (
        b"",
        b"dear diary\n" * 9,
        bytes(range(256)) * 2,
        b"a,b\n1,x\n",
        b"\x1f\x8b\x08no",
        b"PAR1no",
        b"PK\x03\x04no",
    )
    for number in range(10_000):
        (club[0] / f"anna/junk/{number:05d}.csv").write_bytes(kinds[number % len(kinds)])
    result = run(club)
    assert (result.kept, result.refused) == (2, 10_000)
    assert (run(club).skipped, run(club).problems) == (10_002, ())


def test_a_file_at_the_top_has_the_logs_for_its_folder(tmp_path: Path) -> None:
    (tmp_path / "a.csv").write_text("x")
    (file,) = files_under(tmp_path, [])
    assert isinstance(file, LogFile)
    log_files._may_be_read(file)
