"""The whole job by the command line on twelve invented cars, and what other programs rely on afterwards."""

import csv
import json
import os
import re
import stat
from collections.abc import Callable
from pathlib import Path
from typing import Any

import polars as pl
import pytest
from told_keys import told_keys

import pumpcensus as front_door

pytestmark = pytest.mark.slow

ROOT = Path(front_door.__file__).parent
Run = Callable[..., Any]

# what other people's scripts read, in this order
CARS = """label, setup, engine, pump, boost_hardware, calibration, spell_since, spell_until, peers, logs,
pulls, logs_window, observed_duty_pct, expected_duty_pct, excess_pct, excess_low_pct, excess_high_pct,
level_z, shape_low_z, shape_mid_z, shape_high_z, trend_z, since, dropouts, rail_deficits, saturated_share,
pump_limit, p_value, q_value, signal, pattern, check_first, detectable_excess_pct, logs_needed"""
CHANGES = "label, setup, signal_before, signal_now, excess_before_pct, excess_now_pct, change"
BASELINES = """setup, band_rpm, cars, pulls, demand_p50, ethanol_p50_pct, boost_p50_kpa, duty_p10_pct,
duty_p25_pct, duty_p50_pct, duty_p75_pct, duty_p90_pct, expected_duty_pct, saturated_share"""
LEDGER = "log, label, date, verdict, reason, rows_in, rows_kept, pulls, dialect, findings"
INSPECT = "log, verdict, reason, rows_in, rows_kept, pulls, dialect, channels, findings"
LABEL = re.compile(r"[0-9A-HJKMNP-TV-Z]{4}-[0-9A-HJKMNP-TV-Z]{4}")


def words(text: str) -> list[str]:
    return text.replace("\n", " ").replace(" ", "").split(",")


def header(path: Path) -> list[str]:
    with path.open(encoding="utf-8", newline="") as file:
        return next(csv.reader(file))


def ledger(store: Path) -> pl.DataFrame:
    return pl.read_parquet(sorted(store.glob("segments/*/ledger.parquet")))


def test_each_step_ends_well_and_says_what_it_did(club: Any) -> None:
    for name, step in club.said.items():
        assert step.returncode == 0, f"{name}: {step.stderr}"
        assert step.stdout.strip(), name
        assert "Traceback" not in step.stderr
        assert "Warning" not in step.stderr


def test_every_log_is_in_the_ledger_with_all_its_rows(club: Any) -> None:
    logs = [path for path in (club.folder / "fleet/logs").rglob("*") if path.is_file()]
    rows = ledger(club.store)
    assert rows.height == len(logs)
    assert set(words(LEDGER)) <= set(rows.columns)
    lost = rows["dropped"].list.eval(pl.element().struct.field("rows")).list.sum()
    assert (rows["rows_in"] == rows["rows_kept"] + lost).all()


def test_the_tables_have_the_columns_that_scripts_rely_on(club: Any) -> None:
    for folder in (club.study, club.report):
        assert header(folder / "cars.csv") == words(CARS)
        assert header(folder / "changes.csv") == words(CHANGES)
        assert header(folder / "baselines.csv") == words(BASELINES)
    summary = json.loads((club.study / "summary.json").read_text(encoding="utf-8"))
    assert summary["quarter"] == "2026Q3"
    assert {"counts", "model", "made_with"} <= set(summary)


def keys_of(told: dict[str, Any], before: str = "") -> set[str]:
    """Keys as the data dictionary names them: those of the parts of a summary behind the part's own."""
    parts = ("counts", "model", "budget", "borrowed", "outcome")
    return {
        key
        for name, value in told.items()
        for key in (keys_of(value, f"{name}.") if name in parts else [f"{before}{name}"])
    }


def test_every_file_and_key_that_is_written_is_in_the_data_dictionary(club: Any) -> None:
    summary = json.loads((club.study / "summary.json").read_text(encoding="utf-8"))
    assert keys_of(summary) | {"demo", "made_with.*"} == told_keys("summary.json") | {"made_with"}

    page = (ROOT / "docs/data-dictionary.md").read_text(encoding="utf-8")
    named = set(re.findall(r"`([\w./*]+\.\w+|[\w./]+lock|STORE.private/key)`", page))
    written = [path.relative_to(club.folder) for path in club.folder.rglob("*") if path.is_file()]
    as_told = [Path(str(path).replace("store", "STORE", 1).replace(club.study.name, "QUARTER")) for path in written]
    ours = [path for path in as_told if path.parts[0] != "fleet"]
    assert len(ours) > 20
    assert [str(path) for path in ours if not any(path.match(pattern) for pattern in named)] == []


def test_every_car_has_one_of_the_four_signals(club: Any) -> None:
    cars = pl.read_csv(club.study / "cars.csv")
    assert cars.height >= 12
    assert set(cars["signal"]) <= {"action", "warning", "clear", "undecided"}
    assert set(cars["pump_limit"]) <= {"rail_short", "reached", "none", "unknown"}
    assert all(LABEL.fullmatch(label) for label in cars["label"])


@pytest.mark.skipif(os.name != "posix", reason="file modes are of POSIX systems")
def test_who_has_which_label_is_for_the_organiser_alone(club: Any, pumpcensus: Run) -> None:
    private = club.folder / "store.private"
    assert stat.S_IMODE(private.stat().st_mode) == 0o700
    for path in private.iterdir():
        assert stat.S_IMODE(path.stat().st_mode) == 0o600, path.name
    assert header(private / "labels.csv") == ["car", "label"]
    told = pumpcensus("labels", "--store", club.store)
    assert told.returncode == 0
    assert len(told.stdout.splitlines()) == 12


def test_no_name_of_a_car_or_file_is_in_store_or_report(club: Any) -> None:
    names = {path.name for path in (club.folder / "fleet/logs").iterdir()}
    names |= {path.name for path in (club.folder / "fleet/logs").rglob("*") if path.is_file()}
    spelled = [name.encode() for name in names]
    for folder in (club.store, club.report):
        for path in folder.rglob("*"):
            held = path.read_bytes() if path.is_file() else b""
            assert not [name for name in spelled if name in held], path


def test_the_same_store_gives_the_same_bytes(club: Any, pumpcensus: Run) -> None:
    before = {path.name: path.read_bytes() for path in club.study.iterdir()}
    assert "cars.csv" in before
    again = pumpcensus("study", "--store", club.store, "--quarter", "2026Q3")
    assert again.returncode == 0
    assert "Warning" not in again.stderr
    assert {path.name: path.read_bytes() for path in club.study.iterdir()} == before


def test_unchanged_logs_are_skipped(club: Any, pumpcensus: Run) -> None:
    fleet, rows = club.folder / "fleet", ledger(club.store).height
    again = pumpcensus("ingest", fleet / "logs", "--roster", fleet / "roster.csv", "--store", club.store)
    assert again.returncode == 0, again.stderr
    assert "0 kept" in again.stdout
    assert "Warning" not in again.stderr
    assert ledger(club.store).height == rows


def test_json_of_each_command_is_alone_on_stdout(club: Any, at_once: Run) -> None:
    label = pl.read_csv(club.study / "cars.csv")["label"][0]
    study = json.loads(at_once("study", "--store", club.store, "--json").stdout)
    assert set(study["cars"][0]) == set(words(CARS))
    car = json.loads(at_once("car", label.lower(), "--store", club.store, "--json").stdout)
    assert car["label"] == label
    assert car["curves"]
    assert car["logs"]
    log = next(path for path in sorted((club.folder / "fleet/logs").rglob("*")) if path.is_file())
    seen = json.loads(at_once("inspect", log, "--json").stdout)
    assert list(seen) == words(INSPECT)
    assert "pump_duty_pct" in seen["channels"]
    for channel in seen["channels"].values():
        assert set(channel) == {"column", "unit", "assumed", "min", "median", "max"}


def test_a_car_and_a_log_are_shown_in_words(club: Any, at_once: Run) -> None:
    label = pl.read_csv(club.study / "cars.csv")["label"][0]
    car = at_once("car", label.replace("-", ""), "--store", club.store)
    assert car.returncode == 0, car.stderr
    assert label in car.stdout
    log = next(path for path in sorted((club.folder / "fleet/logs").rglob("*")) if path.is_file())
    seen = at_once("inspect", log)
    assert "pump_duty_pct" in seen.stdout
    assert seen.stderr == ""


def test_the_report_is_one_page_that_asks_nothing_of_the_network(club: Any) -> None:
    page = (club.report / "report.html").read_text(encoding="utf-8")
    assert len(page) < 4_000_000
    assert not re.search(r"""(?:src|href)\s*=\s*["']?(?:https?:)?//""", page)
