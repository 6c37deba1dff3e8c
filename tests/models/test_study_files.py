"""The room's only disk: a study comes back as it was written, whole or not at all."""

import csv
import json
from collections.abc import Callable
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any

import polars as pl
import pytest
from held_store import filled

from ingest.store import Store
from models import study_files
from models.drill import DRILL, Drill
from models.fleet import NothingToStudyError
from models.schemas import Study
from models.study import run_study
from models.study_files import (
    ALSO_CSV,
    TABLES,
    drill_of_store,
    read_study,
    study_of_store,
    write_drill,
    write_study,
)

# what other people's scripts rely on: written out here by hand, not taken from the code
CARS_CSV = (
    "label,setup,engine,pump,boost_hardware,calibration,spell_since,spell_until,peers,logs,pulls,logs_window,"
    "observed_duty_pct,expected_duty_pct,excess_pct,excess_low_pct,excess_high_pct,level_z,shape_low_z,shape_mid_z,"
    "shape_high_z,trend_z,since,dropouts,rail_deficits,saturated_share,pump_limit,p_value,q_value,signal,pattern,"
    "check_first,detectable_excess_pct,logs_needed"
)
CHANGES_CSV = "label,setup,signal_before,signal_now,excess_before_pct,excess_now_pct,change"
BASELINES_CSV = (
    "setup,band_rpm,cars,pulls,demand_p50,ethanol_p50_pct,boost_p50_kpa,duty_p10_pct,duty_p25_pct,duty_p50_pct,"
    "duty_p75_pct,duty_p90_pct,expected_duty_pct,saturated_share"
)


@pytest.fixture(scope="module")
def study(studied: Callable[..., Any]) -> Study:
    found: Study = studied(12, 1).study
    return found


def test_a_study_comes_back_as_it_was_written(study: Study, store: Path) -> None:
    write_study(study, store)
    again = read_study(store, study.quarter)
    for name in TABLES:
        assert getattr(again, name).equals(getattr(study, name)), name
        assert getattr(again, name).schema == getattr(study, name).schema, name
    assert again.summary == study.summary
    assert again.quarter == study.quarter


@pytest.mark.parametrize(
    ("file", "columns"), [("cars", CARS_CSV), ("changes", CHANGES_CSV), ("baselines", BASELINES_CSV)]
)
def test_the_csv_files_have_exactly_the_promised_columns(study: Study, store: Path, file: str, columns: str) -> None:
    folder = write_study(study, store)
    with (folder / f"{file}.csv").open(encoding="utf-8", newline="") as lines:
        header, *rows = csv.reader(lines)
    assert header == columns.split(",")
    assert len(rows) == len(getattr(study, file))


def test_numbers_and_days_in_the_csv_are_plain(study: Study, store: Path) -> None:
    folder = write_study(study, store)
    read = pl.read_csv(folder / "cars.csv", try_parse_dates=True)
    assert read["excess_pct"].to_list() == study.cars["excess_pct"].to_list()
    assert read["label"].to_list() == study.cars["label"].to_list()
    assert set(read["signal"]) <= {"action", "warning", "clear", "undecided"}


def test_the_summary_is_json_with_sorted_keys(study: Study, store: Path) -> None:
    text = (write_study(study, store) / "summary.json").read_text(encoding="utf-8")
    assert json.loads(text) == study.summary
    assert list(json.loads(text)) == sorted(study.summary)


def test_the_same_study_gives_the_same_bytes(study: Study, store: Path) -> None:
    files = [f"{name}.csv" for name in ALSO_CSV] + ["summary.json"]
    first = {name: (write_study(study, store) / name).read_bytes() for name in files}
    assert {name: (write_study(study, store) / name).read_bytes() for name in files} == first


def test_an_earlier_study_of_the_quarter_is_replaced_whole(study: Study, store: Path) -> None:
    folder = write_study(study, store)
    (folder / "left over").write_text("from an older version")
    write_study(replace(study, cars=study.cars.head(3)), store)
    assert len(read_study(store).cars) == 3
    assert not (folder / "left over").exists()
    assert [entry.name for entry in folder.parent.iterdir()] == [study.quarter]


def test_a_study_that_fails_half_way_leaves_the_old_one(
    study: Study, store: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    write_study(study, store)
    unwritable = replace(study, summary={"counts": object()})
    with pytest.raises(TypeError):
        write_study(unwritable, store)
    assert read_study(store).cars.equals(study.cars)
    assert [entry.name for entry in (store / "studies").iterdir()] == [study.quarter]
    monkeypatch.setattr(study_files, "TABLES", ("cars", "no_such_table"))
    with pytest.raises(AttributeError):
        write_study(study, store)
    monkeypatch.undo()
    assert read_study(store).cars.equals(study.cars)


def test_the_newest_study_is_read_unless_a_quarter_is_named(study: Study, store: Path) -> None:
    for quarter in ("2026Q1", "2026Q2", "2025Q4"):
        write_study(replace(study, quarter=quarter), store)
    assert read_study(store).quarter == "2026Q2"
    assert read_study(store, "2025Q4").quarter == "2025Q4"


def test_a_study_that_is_not_there_is_said_in_words(study: Study, store: Path) -> None:
    with pytest.raises(FileNotFoundError, match=r"no study in this store yet\. Run `study` first"):
        read_study(store)
    write_study(study, store)
    with pytest.raises(FileNotFoundError, match=r"no study of 2019Q1 .*there: 2026Q3"):
        read_study(store, "2019Q1")


def test_a_store_is_where_studies_lie(store: Path) -> None:
    assert Store(store).studies == store / "studies"


def test_the_study_of_a_store_is_that_of_its_tables(
    store: Path, studied: Callable[..., Any], study_of: Callable[..., Study]
) -> None:
    filled(store, studied(12, 1).fleet)
    found = study_of_store(store, "2026Q3", demo=True)
    assert found.cars.equals(studied(12, 1).study.cars)
    assert read_study(store).summary["demo"] is True
    assert found.changes.is_empty()
    # the quarter after sees the one before
    write_study(replace(found, quarter="2026Q2"), store)
    again = study_of_store(store, "2026Q3")
    assert set(again.changes["change"]) == {"same"}


# ---- the drill

FOUND = {"fault": "top", "size_pct": 12.0, "planted": 3, "action": 1, "noticed": 2, "expected_noticed": 2.2}


def test_a_segment_that_goes_while_it_is_read_is_looked_for_anew(
    store: Path, studied: Callable[..., Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    filled(store, studied(9, 1).fleet)
    undisturbed = study_of_store(store, "2026Q3")
    tries = []

    def merged_meanwhile(*tables: Any, **more: Any) -> Study:
        tries.append(len(tries))
        if len(tries) == 1:  # the same tables in a segment of another name, as merging leaves them
            (segment,) = (store / "segments").iterdir()
            segment.rename(store / "segments" / "9-merged")
        return run_study(*tables, **more)

    monkeypatch.setattr("models.study.run_study", merged_meanwhile)
    again = study_of_store(store, "2026Q3")
    assert len(tries) == 2
    assert again.cars.equals(undisturbed.cars)


@pytest.fixture
def drilled(study: Study, store: Path, studied: Callable[..., Any], monkeypatch: pytest.MonkeyPatch) -> Path:
    """A store with a study and its tables, and a stand-in for the minute of drilling."""
    filled(store, studied(12, 1).fleet)
    write_study(study, store)

    def stand_in(cells: Any, pulls: Any, ledger: Any, roster: Any, quarter: str, progress: Any, pooled: Any) -> Drill:
        if progress:
            progress(1, 1)
        return Drill(quarter, pl.DataFrame([FOUND], schema=DRILL), 40, 1)

    monkeypatch.setattr("models.drill.drill", stand_in)
    return store


def test_a_drill_is_written_beside_its_study_and_read_with_it(drilled: Path) -> None:
    seen: list[tuple[int, int]] = []
    told = drill_of_store(drilled, progress=lambda done, total: seen.append((done, total)))
    assert told == {"quarter": "2026Q3", "sound": 40, "false_actions": 1, "found": [FOUND]}
    assert seen == [(1, 1)]
    assert read_study(drilled).summary["drill"] == told
    file = drilled / "studies" / "2026Q3" / "drill.json"
    assert json.loads(file.read_text(encoding="utf-8")) == told
    assert "drill" not in json.loads((file.parent / "summary.json").read_text(encoding="utf-8"))


def test_a_drill_of_invented_cars_says_so(study: Study, drilled: Path) -> None:
    write_study(replace(study, summary=study.summary | {"demo": True}), drilled)
    assert drill_of_store(drilled)["demo"] is True


def test_a_new_study_of_the_quarter_drops_the_old_drill(study: Study, drilled: Path) -> None:
    drill_of_store(drilled)
    write_study(read_study(drilled), drilled)
    assert "drill" not in read_study(drilled).summary


def test_a_drill_that_cannot_be_written_leaves_the_old_one(drilled: Path) -> None:
    told = drill_of_store(drilled)
    with pytest.raises(ValueError, match="JSON"):
        write_drill(told | {"sound": float("nan")}, drilled)
    assert read_study(drilled).summary["drill"] == told
    assert not list((drilled / "studies" / "2026Q3").glob(".writing-*"))


def test_a_drill_needs_a_study_of_the_same_logs(study: Study, drilled: Path) -> None:
    with pytest.raises(FileNotFoundError, match="Run `study` first"):
        drill_of_store(drilled, "2025Q1")
    write_study(replace(study, quality=study.quality.head(5)), drilled)
    with pytest.raises(FileNotFoundError, match=r"2026Q3 saw other logs.*Run `study` again"):
        drill_of_store(drilled)


def test_a_fleet_without_a_quiet_car_is_told_why_nothing_was_planted(
    drilled: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    nothing = Drill("2026Q3", pl.DataFrame(schema=DRILL), 0, 0)
    monkeypatch.setattr("models.drill.drill", lambda *_, **__: nothing)
    with pytest.raises(NothingToStudyError, match="no car has two logs or more and no signal"):
        drill_of_store(drilled)
    assert not (drilled / "studies" / "2026Q3" / "drill.json").exists()


def test_a_finding_answers_the_study_of_an_earlier_quarter(
    study: Study, store: Path, studied: Callable[..., Any]
) -> None:
    fleet = studied(12, 1).fleet
    car = study.cars.filter(pl.col("logs") > 0).row(0, named=True)
    earlier = study.cars.with_columns(signal=pl.lit("action"))
    found = pl.when(pl.col("label") == car["label"])
    roster = fleet.roster.with_columns(
        found=found.then(pl.lit("pump")).cast(pl.String), found_on=found.then(date(2026, 6, 30)).cast(pl.Date)
    )
    filled(store, replace(fleet, roster=roster))
    write_study(replace(study, quarter="2026Q2", cars=earlier), store)
    outcome = study_of_store(store, "2026Q3").summary["outcome"]
    assert (outcome["inspected"], outcome["with_finding"], outcome["quarters"]) == (1, 1, ["2026Q2"])


def test_a_study_of_a_version_before_wishes_can_be_read(study: Study, store: Path) -> None:
    (write_study(study, store) / "next_logs.parquet").unlink()
    assert read_study(store).next_logs.is_empty()
