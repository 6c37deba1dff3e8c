"""Several cars in one file, told apart by a column; several in one archive, told apart by its folders."""

import io
from collections.abc import Callable
from datetime import date
from pathlib import Path
from types import ModuleType
from typing import Any

import polars as pl
import pytest
from forms import arrow, parquet, workbook, zipped

from ingest.forget_car import forget_car
from ingest.inspect_log import inspect_logs
from ingest.many_logs import IngestResult, ingest_logs
from ingest.read_log import read_cars, read_log
from ingest.store import Store

TODAY = date(2026, 11, 25)


def table(made_up: ModuleType, *cars: str) -> pl.DataFrame:
    """The logs of several cars one below the other, the car's name in a column."""
    parts = []
    for number, car in enumerate(cars):
        frame = pl.read_csv(io.StringIO(made_up.text(number, pulls=2)), infer_schema_length=None)
        parts.append(frame.with_columns(pl.lit(car).alias("Car")))
    return pl.concat(parts)


def as_text(frame: pl.DataFrame) -> bytes:
    return frame.write_csv(separator=";").encode()


def categories(frame: pl.DataFrame) -> bytes:
    return arrow(frame.with_columns(pl.col("Car").cast(pl.Categorical)))


@pytest.mark.parametrize("written", [as_text, parquet, categories, workbook])
def test_each_car_reads_as_its_own_log_does(made_up: ModuleType, written: Callable[[pl.DataFrame], bytes]) -> None:
    both = table(made_up, "anna", "bert")
    readings = dict(read_cars("2026-07-31.csv", written(both), "car"))
    assert list(readings) == ["anna", "bert"]
    for number, (car, reading) in enumerate(readings.items()):
        alone = read_log("2026-07-31.csv", made_up.text(number, pulls=2).encode())
        assert reading.refused == "", (car, reading.findings)
        assert reading.rows_in == reading.frame.height == alone.rows_in
        assert reading.frame.drop("row").equals(alone.frame.drop("row"))
    assert readings["bert"].frame["row"][0] == readings["anna"].rows_in + 1


def test_rows_that_name_no_car_are_accounted_for(made_up: ModuleType) -> None:
    lines = as_text(table(made_up, "anna", "bert")).decode().splitlines()
    lines[5] = lines[5].removesuffix("anna")
    lines[6] += ";too many"
    readings = dict(read_cars("a.csv", "\n".join(lines).encode() + b"\n", "Car"))
    assert (readings[""].refused, readings[""].rows_in) == ("rows_without_car", 2)
    assert sum(reading.rows_in for reading in readings.values()) == len(lines) - 1
    assert all(r.rows_in == r.frame.height + sum(r.dropped.values()) for r in readings.values())


def test_a_file_without_the_column_is_one_log(made_up: ModuleType) -> None:
    ((car, reading),) = read_cars("a.csv", made_up.text(1).encode(), "Car")
    assert (car, reading.refused) == (None, "")
    assert reading.findings[-1].code == "car_column_missing"


@pytest.mark.parametrize("content", [b"", b"dear diary\n" * 50, b"PAR1" + bytes(50), b"\x00" * 999])
def test_what_is_no_log_is_refused(content: bytes) -> None:
    ((_, reading),) = read_cars("a.csv", content, "Car")
    assert reading.refused


def ingest(club: tuple[Path, Path, Path], **how: Any) -> IngestResult:
    return ingest_logs(*club, today=TODAY, **how)


def ledger(store: Path) -> pl.DataFrame:
    return Store(store).ledger().collect()


def test_a_ledger_row_a_car_skipped_when_unchanged_superseded_when_changed(made_up: ModuleType, tmp_path: Path) -> None:
    club = made_up.club(tmp_path, cars=2, logs=0)
    file = club[0] / "2026-07-31_evening.csv"
    file.write_bytes(as_text(table(made_up, "Anna", "bert", "zoe")))
    first = ingest(club, car_column="Car")
    assert (first.kept, first.refused, first.pulls) == (2, 1, 4)
    rows = ledger(club[2])
    assert rows["source"].n_unique() == rows["log"].n_unique() == 3
    assert rows.filter(verdict="refused")["reason"].to_list() == ["car_unknown"]
    assert rows.filter(verdict="kept")["label"].n_unique() == 2
    assert any("zoe" in problem for problem in first.problems)
    assert ingest(club, car_column=" car").skipped == 3
    file.write_bytes(as_text(table(made_up, "bert", "anna")))
    third = ingest(club, car_column="Car")
    assert (third.kept, third.superseded) == (2, 3)
    assert set(ledger(club[2])["reason"].to_list()) == {None, "log_gone"}
    assert ingest(club, car_column="Car").skipped == 2


def test_a_log_read_without_the_column_first_counts_once(made_up: ModuleType, tmp_path: Path) -> None:
    club = made_up.club(tmp_path, cars=2, logs=0)
    (club[0] / "anna/2026-07-31.csv").write_bytes(as_text(table(made_up, "anna", "bert")))
    assert ingest(club).kept == 1
    assert ingest(club, car_column="Car").kept == 2
    kept = ledger(club[2]).filter(verdict="kept")
    assert kept["label"].n_unique() == kept.height == 2
    assert ingest(club).kept == 1
    assert ledger(club[2]).filter(verdict="kept").height == 1


def test_a_forgotten_car_is_passed_over_and_the_others_of_its_file_stay(made_up: ModuleType, tmp_path: Path) -> None:
    club = made_up.club(tmp_path, cars=2, logs=0)
    (club[0] / "all.csv").write_bytes(as_text(table(made_up, "anna", "bert")))
    assert ingest(club, car_column="Car").kept == 2
    assert forget_car("anna", club[2]) == 1
    assert ledger(club[2]).height == 1
    again = ingest(club, car_column="Car")
    assert again.problems == ("1 log of forgotten cars passed over.",)
    assert ledger(club[2]).filter(verdict="kept").height == ledger(club[2]).height == 1


def test_no_name_enters_the_store(made_up: ModuleType, tmp_path: Path) -> None:
    club = made_up.club(tmp_path, cars=2, logs=0)
    (club[0] / "all.csv").write_bytes(as_text(table(made_up, "anna", "Zoe Quux")))
    ingest(club, car_column="Car")
    files = list(club[2].rglob("*.parquet"))
    assert {"samples.parquet", "ledger.parquet", "roster.parquet"} <= {path.name for path in files}
    for path in files:
        assert not {"anna", "zoe quux"} & set(str(pl.read_parquet(path).to_dicts()).casefold().split("'"))
        assert b"quux" not in path.read_bytes().lower()


def test_inspect_shows_each_car(made_up: ModuleType, tmp_path: Path) -> None:
    path = tmp_path / "all.csv"
    path.write_bytes(as_text(table(made_up, "anna", "bert")))
    seen = inspect_logs(path, car_column="Car", today=TODAY)
    assert [one.told["log"] for one in seen] == [f"{path}, car anna", f"{path}, car bert"]
    assert [one.told["pulls"] for one in seen] == [2, 2]


# ---- archives of folders


def test_a_log_in_an_archive_is_the_cars_whose_folder_it_lies_in(made_up: ModuleType, tmp_path: Path) -> None:
    club = made_up.club(tmp_path, cars=3, logs=0)
    inside = {"club/Anna/2026-07-01.csv": made_up.text(1).encode(), "bert/2026-07-01.csv": made_up.text(2).encode()}
    (club[0] / "season.zip").write_bytes(zipped(inside))
    (club[0] / "cleo" / "more.csv").write_bytes(zipped({"2026-07-02.csv": made_up.text(3).encode()}))
    (club[0] / "cleo" / "swapped.zip").write_bytes(zipped({"anna/2026-07-03.csv": made_up.text(4).encode()}))
    assert ingest(club).kept == 4
    names = dict(pl.read_csv(tmp_path / "store.private/labels.csv").select("label", "car").iter_rows())
    cars = [names[label] for label in ledger(club[2])["label"]]
    assert sorted(cars) == ["anna", "anna", "bert", "cleo"]


def test_a_member_taken_out_of_an_archive_does_not_count_any_more(made_up: ModuleType, tmp_path: Path) -> None:
    club = made_up.club(tmp_path, cars=2, logs=0)
    logs = {name: made_up.text(number).encode() for number, name in enumerate(("anna/a.csv", "bert/b.csv"))}
    (club[0] / "season.zip").write_bytes(zipped(logs))
    assert ingest(club).kept == 2
    (club[0] / "season.zip").write_bytes(zipped({"anna/a.csv": logs["anna/a.csv"]}))
    second = ingest(club)
    assert (second.kept, second.skipped, second.superseded) == (0, 1, 1)
    assert ledger(club[2]).filter(verdict="kept").height == 1
    (club[0] / "season.zip").write_bytes(b"PK\x03\x04 damaged on the way")
    ingest(club)
    assert ledger(club[2]).filter(verdict="kept").height == 1, "a damaged copy takes nothing away"
