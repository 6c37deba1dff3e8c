"""An invented fleet, whose truth is known, through the whole room: what was driven is what is found."""

from pathlib import Path

import polars as pl
import pytest

from ingest.labels import Key, open_key
from ingest.many_logs import IngestResult, ingest_logs
from ingest.store import Store
from synthetic_fleet import synthesize
from synthetic_fleet.recorders import file_name
from synthetic_fleet.write_fleet import synthesize_frames

CARS, SEED, FAULTY_SHARE = 14, 20260704, 0.6


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("fleet")
    synthesize(folder, CARS, SEED, faulty_share=FAULTY_SHARE)
    return folder


@pytest.fixture(scope="module")
def result(folder: Path) -> IngestResult:
    return ingest_logs(folder / "logs", folder / "roster.csv", folder / "store")


@pytest.fixture(scope="module")
def found(folder: Path, result: IngestResult) -> pl.DataFrame:
    """One row a log: pulls and interruptions made, pulls and dropouts found, and the pulls' ends."""
    assert result.kept
    store, key = Store(folder / "store"), open_key(folder / "store")
    pulls = store.pulls().collect().group_by("log").agg(pl.all().sort_by("pull"))
    logs = store.ledger().collect().join(pulls, on="log", how="left", suffix="_found")
    return _made(key).join(logs, on="source", how="left")


def _made(key: Key) -> pl.DataFrame:
    rows = []
    for car, log, _ in synthesize_frames(CARS, SEED, faulty_share=FAULTY_SHARE):
        place = f"{car.name}/{file_name(car.recorder, log.day, log.number)}"
        driven = log.frame.filter(pl.col("pull") > 0)
        ends = driven.group_by("pull", maintain_order=True).agg(
            pl.col("time_s").first().alias("start"), pl.col("time_s").last().alias("end")
        )
        stuck = driven.select((pl.col("stuck") & ~pl.col("stuck").shift(1, fill_value=False)).sum()).item()
        rows.append((key.source(place), log.day, ends["start"].to_list(), ends["end"].to_list(), stuck))
    return pl.DataFrame(rows, schema=["source", "day", "starts", "ends", "interruptions"], orient="row")


def test_every_log_is_kept_and_every_row_accounted_for(folder: Path, result: IngestResult, found: pl.DataFrame) -> None:
    files = [path for path in (folder / "logs").rglob("*") if path.is_file()]
    assert (result.kept, result.refused) == (len(files), 0)
    assert set(found["verdict"]) == {"kept"}
    lost = found["dropped"].list.eval(pl.element().struct.field("rows")).list.sum()
    assert (found["rows_in"] == found["rows_kept"] + lost).all()


def test_every_log_has_its_day(found: pl.DataFrame) -> None:
    assert found["date"].to_list() == found["day"].to_list()


def test_every_pull_is_found_and_nothing_else(found: pl.DataFrame) -> None:
    assert found["pulls"].to_list() == found["starts"].list.len().to_list()
    starts = found["start_s"].explode() - found["starts"].explode()
    ends = found["end_s"].explode() - found["ends"].explode()
    assert starts.is_between(0.0, 0.5).all()
    assert ends.is_between(-0.5, 0.4).all()


def test_every_interruption_is_found_with_its_rail_and_nothing_else(found: pl.DataFrame) -> None:
    made = found["interruptions"].sum()
    assert made > 0
    assert found["dropouts"].list.sum().to_list() == found["interruptions"].to_list()
    logged = found.filter(pl.col("rail_deficits").list.drop_nulls().list.len() > 0)
    assert logged["dropouts_collapsing"].list.sum().to_list() == logged["interruptions"].to_list()


def test_lean_mixture_only_where_the_rail_fell_short(found: pl.DataFrame) -> None:
    pulls = found.select("lean_s", "rail_deficits").explode("lean_s", "rail_deficits").drop_nulls()
    assert pulls.filter(pl.col("rail_deficits") == 0)["lean_s"].max() < 0.2
