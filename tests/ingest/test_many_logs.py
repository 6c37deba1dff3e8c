"""A folder of logs to a store: nothing lost, nothing twice, nothing half said, and nobody named."""

import gzip
import os
import shutil
import stat
import zipfile
from datetime import date
from pathlib import Path
from types import ModuleType

import polars as pl
import pytest

from ingest import many_logs
from ingest.findings import InputError
from ingest.labels import read_labels
from ingest.many_logs import IngestResult, ingest_logs
from ingest.store import Store, one_writer

TODAY = date(2026, 11, 25)
Club = tuple[Path, Path, Path]


@pytest.fixture
def club(made_up: ModuleType, tmp_path: Path) -> Club:
    return made_up.club(tmp_path)


def run(club: Club, **how: object) -> IngestResult:
    return ingest_logs(*club, today=TODAY, **how)  # type: ignore[arg-type]


def counts(result: IngestResult) -> tuple[int, int, int, int]:
    return result.kept, result.refused, result.skipped, result.superseded


def ledger(club: Club) -> pl.DataFrame:
    return Store(club[2]).ledger().collect().sort("label", "date", "source")


def tables(store: Path) -> dict[str, pl.DataFrame]:
    home = Store(store)
    return {
        "samples": home.samples().collect(),
        "pulls": home.pulls().collect(),
        "cells": home.cells().collect(),
        "ledger": home.ledger().collect(),
    }


def rows_add_up(club: Club) -> None:
    for row in ledger(club).to_dicts():
        assert row["rows_in"] == row["rows_kept"] + sum(lost["rows"] for lost in row["dropped"]), row


def test_every_log_goes_in_with_its_rows_and_pulls(club: Club) -> None:
    assert counts(run(club)) == (4, 0, 0, 0)
    rows = ledger(club)
    assert rows["pulls"].to_list() == [1, 2, 1, 2]
    assert rows["date"].to_list() == [date(2026, 7, 1), date(2026, 7, 2)] * 2
    rows_add_up(club)
    made = tables(club[2])
    assert made["samples"].height == rows["rows_kept"].sum()
    assert made["pulls"].height == 6
    assert set(made["cells"]["label"]) == set(read_labels(club[2]).values())
    assert Store(club[2]).roster()["label"].to_list() == sorted(read_labels(club[2]).values())


def test_unchanged_logs_are_skipped_and_nothing_is_written(club: Club) -> None:
    run(club)
    before = sorted(path.name for path in club[2].rglob("*"))
    assert counts(run(club)) == (0, 0, 4, 0)
    assert sorted(path.name for path in club[2].rglob("*")) == before


def test_a_log_that_was_only_touched_is_skipped(club: Club) -> None:
    run(club)
    os.utime(club[0] / "anna/2026-07-01_01.csv", (1, 1))
    assert counts(run(club)) == (0, 0, 4, 0)
    assert counts(run(club)) == (0, 0, 4, 0)


def test_a_changed_log_supersedes_its_older_self(club: Club, made_up: ModuleType) -> None:
    run(club)
    (club[0] / "anna/2026-07-01_01.csv").write_text(made_up.text(99, pulls=3), encoding="utf-8")
    assert counts(run(club)) == (1, 0, 3, 1)
    rows = ledger(club)
    assert rows.height == 4
    label = read_labels(club[2])["anna"]
    assert rows.filter(pl.col("label") == label)["pulls"].to_list() == [3, 2]
    made = tables(club[2])
    assert made["samples"].height == rows["rows_kept"].sum()
    assert made["pulls"].height == 8
    assert set(made["cells"]["log"]) == set(rows["log"])


def test_a_new_log_joins(club: Club, made_up: ModuleType) -> None:
    run(club)
    (club[0] / "bert/more").mkdir()
    (club[0] / "bert/more/2026-08-01.csv").write_text(made_up.text(50, pulls=1), encoding="utf-8")
    assert counts(run(club)) == (1, 0, 4, 0)
    assert ledger(club).height == 5


def test_an_unknown_car_is_refused_and_tried_again_once_it_is_known(club: Club) -> None:
    (club[0] / "bert").rename(club[0] / "cleo")
    result = run(club)
    assert counts(result) == (2, 2, 0, 0)
    assert result.findings["car_unknown"] == 2
    assert all(problem.startswith("cleo/2026-07-0") for problem in result.problems)
    refused = ledger(club).filter(pl.col("verdict") == "refused")
    assert refused["label"].to_list() == [None, None]
    rows_add_up(club)
    assert counts(run(club)) == (0, 0, 4, 0)
    club[1].write_text(club[1].read_text() + "cleo,2.0 four,original\n")
    assert counts(run(club)) == (2, 0, 2, 2)
    assert set(ledger(club)["verdict"]) == {"kept"}


def test_junk_is_refused_one_by_one_and_the_others_go_in(club: Club) -> None:
    (club[0] / "anna/README.txt").write_text("Logs of July, third gear.\n")
    (club[0] / "anna/car.png").write_bytes(b"\x89PNG\r\n\x1a\n" + bytes(range(256)) * 20)
    (club[0] / "anna/empty.csv").write_bytes(b"")
    (club[0] / "anna/.hidden").write_bytes(b"x")
    (club[0] / "bert/half.csv.gz").write_bytes(gzip.compress(b"Time [s],RPM\n" * 999)[:-20])
    result = run(club)
    assert counts(result) == (4, 4, 0, 0)
    assert len(result.problems) == 4
    reasons = ledger(club).filter(pl.col("verdict") == "refused")["reason"].to_list()
    assert sorted(reasons) == sorted(["empty", "archive_broken", "not_a_log", "not_a_log"])
    rows_add_up(club)


def test_a_file_that_cannot_be_read_is_tried_again(club: Club, monkeypatch: pytest.MonkeyPatch) -> None:
    read = Path.read_bytes

    def forbidden(path: Path) -> bytes:
        if path.parent.name == "anna" and path.name == "2026-07-01_01.csv":
            raise PermissionError(13, "Permission denied")
        return read(path)

    monkeypatch.setattr(Path, "read_bytes", forbidden)
    result = run(club)
    assert counts(result) == (3, 1, 0, 0)
    assert result.findings["unreadable"] == 1
    assert "anna/2026-07-01_01.csv: The file cannot be read (Permission denied)" in result.problems[0]
    monkeypatch.undo()
    assert counts(run(club)) == (1, 0, 3, 1)


def test_the_same_log_twice_counts_once(club: Club) -> None:
    first = club[0] / "anna/2026-07-01_01.csv"
    shutil.copy(first, club[0] / "anna/copy_2026-07-01.csv")
    result = run(club)
    assert counts(result) == (4, 1, 0, 0)
    assert result.findings["log_twice"] == 1
    shutil.copy(first, club[0] / "anna/later_2026-07-01.csv")
    result = run(club)
    assert counts(result) == (0, 1, 5, 0)
    assert "anna/later_2026-07-01.csv" in result.problems[0]
    assert Store(club[2]).pulls().collect().height == 6
    assert ledger(club)["log"].n_unique() == 4
    rows_add_up(club)


def test_the_second_copy_counts_once_the_first_has_changed(club: Club, made_up: ModuleType) -> None:
    run(club)
    shutil.copy(club[0] / "anna/2026-07-01_01.csv", club[0] / "anna/zz.csv")
    assert counts(run(club)) == (0, 1, 4, 0)
    (club[0] / "anna/2026-07-01_01.csv").write_text(made_up.text(99), encoding="utf-8")
    run(club)
    run(club)
    assert set(ledger(club)["verdict"]) == {"kept"}
    assert Store(club[2]).pulls().collect().height == 6 - 1 + 2 + 1


def test_the_same_log_in_two_cars_folders_stays_two(club: Club) -> None:
    shutil.copy(club[0] / "anna/2026-07-01_01.csv", club[0] / "bert/2026-07-09_01.csv")
    assert counts(run(club)) == (5, 0, 0, 0)
    assert ledger(club)["log"].n_unique() == 5


def test_an_archive_holds_many_logs(club: Club, made_up: ModuleType) -> None:
    with zipfile.ZipFile(club[0] / "july.zip", "w") as archive:
        for car, day in (("anna", 11), ("bert", 12), ("zoe", 13)):
            archive.writestr(f"{car}/2026-07-{day}.csv", made_up.text(day, pulls=1))
    result = run(club)
    assert counts(result) == (6, 1, 0, 0)
    assert result.problems[0].startswith("july.zip/zoe/2026-07-13.csv")
    assert counts(run(club)) == (0, 0, 7, 0)
    os.utime(club[0] / "july.zip", (1, 1))
    assert counts(run(club)) == (0, 0, 7, 0)


def test_archives_larger_than_a_batch(club: Club, made_up: ModuleType, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("ingest.log_files.BATCH_LOGS", 3)
    with zipfile.ZipFile(club[0] / "anna/all.zip", "w") as archive:
        for day in range(10, 18):
            archive.writestr(f"2026-07-{day}.csv", made_up.text(day, pulls=1))
    assert counts(run(club)) == (12, 0, 0, 0)
    assert len(Store(club[2]).segments()) == 5
    rows_add_up(club)


def test_a_changed_mapping_file_reads_the_logs_again(club: Club, tmp_path: Path) -> None:
    mapping = tmp_path / "mine.toml"
    mapping.write_text('[pump_duty_pct]\ncolumn = "Boost pump"\n')
    for path in club[0].rglob("*.csv"):
        path.write_text(path.read_text().replace("HPFP duty", "Valve 7"))
    assert counts(run(club)) == (0, 4, 0, 0)
    assert counts(run(club, channels=mapping)) == (0, 4, 0, 4)
    mapping.write_text('[pump_duty_pct]\ncolumn = "Valve 7"\nunit = "%"\n')
    assert counts(run(club, channels=mapping)) == (4, 0, 0, 4)


@pytest.mark.parametrize("step", ["write_tables", "seen", "commit", "commit_half"])
def test_a_killed_run_leaves_nothing_half_said(
    club: Club, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, step: str
) -> None:
    monkeypatch.setattr("ingest.log_files.BATCH_LOGS", 1)
    reference = (club[0], club[1], tmp_path / "reference")
    run(reference)

    class KilledError(BaseException):
        pass

    real_commit, real_tables, done = many_logs.commit, many_logs.write_tables, []

    def commit(segment: Path, table: pl.DataFrame, sums: dict[str, str]) -> None:
        done.append(segment)
        if len(done) < 3:
            real_commit(segment, table, sums)
        elif step == "commit_half":
            (segment / "ledger.parquet.part").write_bytes(b"PAR1 half")
            raise KilledError
        elif step in ("commit", "seen"):
            raise KilledError

    def write_tables(segment: Path, made: dict[str, pl.DataFrame]) -> dict[str, str]:
        if len(done) == 2:
            segment.mkdir()
            (segment / "samples.parquet.part").write_bytes(b"PAR1 half")
            raise KilledError
        return real_tables(segment, made)

    monkeypatch.setattr(many_logs, "commit", commit)
    if step == "write_tables":
        monkeypatch.setattr("ingest.log_files.write_tables", write_tables)
    with pytest.raises(KilledError):
        run(club)
    if step == "seen":  # the list of paths torn in the middle of a line
        paths = club[2].with_name("store.private") / "paths.csv"
        paths.write_text(paths.read_text()[:-25])
    assert Store(club[2]).ledger().collect().height == 2
    assert Store(club[2]).samples().collect()["log"].n_unique() == 2
    monkeypatch.undo()
    monkeypatch.setattr("ingest.log_files.BATCH_LOGS", 1)
    assert counts(run(club)) == (2, 0, 2, 0)
    one, other = tables(club[2]), tables(reference[2])
    for name in ("samples", "pulls", "cells"):
        columns = [column for column in one[name].columns if column not in ("log", "label")]
        assert one[name].select(columns).equals(other[name].select(columns)), name
    assert not list(club[2].rglob("*.part"))


def test_one_writes_others_are_told_to_wait_and_readers_go_on(club: Club) -> None:
    run(club)
    with one_writer(club[2]):
        with pytest.raises(InputError, match=r"another run is writing here\. Wait"):
            run(club)
        assert Store(club[2]).pulls().collect().height == 6
    assert counts(run(club)) == (0, 0, 4, 0)


def test_progress_is_told(club: Club) -> None:
    told: list[tuple[int, int]] = []
    run(club, progress=lambda done, total: told.append((done, total)))
    assert told[0] == (0, 4)
    assert told[-1] == (4, 4)


def test_all_that_is_wrong_with_the_input_is_said_at_once(club: Club, tmp_path: Path) -> None:
    club[1].write_text("car,engine,pump\nanna,,p\n,e,p\n")
    mapping = tmp_path / "mine.toml"
    mapping.write_text("nonsense = 1\n")
    (club[2]).mkdir()
    (club[2] / "version.json").write_text('{"format": 999}')
    with pytest.raises(InputError) as error:
        ingest_logs(tmp_path / "nowhere", club[1], club[2], channels=mapping)
    told = "\n".join(error.value.problems)
    for part in ("format 999", "row 2, engine", "row 3, car", "mine.toml", "nowhere: no folder"):
        assert part in told
    assert not (club[2] / "segments").exists()
    assert not club[2].with_name("store.private").exists()


def test_an_empty_folder(club: Club) -> None:
    shutil.rmtree(club[0])
    club[0].mkdir()
    with pytest.raises(InputError, match="logs: no files in it"):
        run(club)


@pytest.mark.skipif(os.name != "posix", reason="file modes are of POSIX systems")
def test_private_files_are_the_owners_alone(club: Club) -> None:
    old = os.umask(0)
    try:
        run(club)
    finally:
        os.umask(old)
    private = club[2].with_name("store.private")
    assert stat.S_IMODE(private.stat().st_mode) == 0o700
    assert {path.name for path in private.iterdir()} == {"key", "labels.csv", "paths.csv"}
    assert {stat.S_IMODE(path.stat().st_mode) for path in private.iterdir()} == {0o600}
    (private / "key").chmod(0o640)
    with pytest.raises(InputError, match="chmod 600"):
        run(club)
    (private / "key").chmod(0o600)
    private.chmod(0o755)
    with pytest.raises(InputError, match="chmod 700"):
        run(club)


def test_a_lost_key_is_not_replaced(club: Club) -> None:
    run(club)
    (club[2].with_name("store.private") / "key").unlink()
    with pytest.raises(InputError, match="key: missing"):
        run(club)


def test_a_broken_key_is_said(club: Club) -> None:
    run(club)
    (club[2].with_name("store.private") / "key").write_text("not a key")
    with pytest.raises(InputError, match="key: broken"):
        run(club)


def test_nothing_that_names_anyone_enters_the_store(club: Club) -> None:
    for path in (club[0] / "anna").iterdir():
        path.write_text("# Anna Secretname, VIN WVWZZZ1JZXW000001, 48.137,11.575\n" + path.read_text())
    assert run(club).kept == 4
    held = b"".join(path.read_bytes() for path in club[2].rglob("*") if path.is_file())
    held += str({name: table.to_dicts() for name, table in tables(club[2]).items()}).encode()
    for word in (b"anna", b"bert", b"Secretname", b"WVWZZZ", b"48.137", b"2026-07-01_01", b"HPFP", b"roster.csv"):
        assert word not in held
    for table in tables(club[2]).values():
        assert pl.Datetime not in table.dtypes
        assert pl.Time not in table.dtypes


def test_labels_keep_from_run_to_run_and_differ_from_club_to_club(club: Club, tmp_path: Path) -> None:
    run(club)
    first = read_labels(club[2])
    club[1].write_text("car,engine,pump\nAnna ,2.0 four,original\ncleo,2.0 four,original\n")
    run(club)
    second = read_labels(club[2])
    assert second["Anna"] == first["anna"]
    assert second["bert"] == first["bert"]  # left the roster, not the list
    other = (club[0], club[1], tmp_path / "other")
    run(other)
    assert not set(read_labels(other[2]).values()) & set(second.values())


def test_a_rosters_notes_are_told(club: Club) -> None:
    club[1].write_text("car,engine,pump,ethanol_pct\nanna,e,p,E85\nbert,e,P,\n")
    problems = "\n".join(run(club).problems)
    assert "'E85' is a station's label" in problems
    assert "'p' taken as 'P'" in problems or "'P' taken as 'p'" in problems


def test_logs_of_the_roster_itself_and_of_the_store_are_left_out(club: Club) -> None:
    roster, store = club[0] / "roster.csv", club[0] / "store"
    shutil.copy(club[1], roster)
    inside = (club[0], roster, store)
    assert counts(run(inside)) == (4, 0, 0, 0)
    assert counts(run(inside)) == (0, 0, 4, 0)
