"""A batch of logs against a plain reckoning, one log and one row at a time."""

import math
from collections import Counter
from dataclasses import replace
from datetime import date
from types import ModuleType

import numpy as np
import polars as pl
import pytest

from ingest.channels import rules
from ingest.events import find_events
from ingest.findings import Finding
from ingest.one_batch import Log, Tables, one_batch
from ingest.pulls import find_pulls
from ingest.schemas import CELLS, CHANNELS, LEDGER, PULLS, SAMPLES, check_columns

TODAY = date(2026, 11, 25)
PLAUSIBLE = {name: rule.plausible for name, rule in rules().items()}


def run(*logs: Log) -> Tables:
    tables = one_batch(logs, PLAUSIBLE, TODAY)
    for name, schema in {"samples": SAMPLES, "pulls": PULLS, "cells": CELLS, "ledger": LEDGER}.items():
        check_columns(getattr(tables, name), schema, name)
    for row in tables.ledger.to_dicts():
        assert row["rows_in"] == row["rows_kept"] + sum(lost["rows"] for lost in row["dropped"])
        assert tables.samples.filter(pl.col("log") == row["log"]).height == row["rows_kept"]
        assert tables.pulls.filter(pl.col("log") == row["log"]).height == row["pulls"]
    return tables


def codes(tables: Tables) -> list[str]:
    return [finding.code for finding in tables.findings[0]]


@pytest.fixture
def channels(made_up: ModuleType) -> dict[str, np.ndarray]:
    return made_up.drive(np.random.default_rng(5))


def plain_cells(channels: dict[str, np.ndarray]) -> list[dict[str, float]]:
    """Cells of one log, worked out row by row from its pulls and marks."""
    n = len(channels["time_s"])
    frame = pl.DataFrame({"nr": np.zeros(n, int), "row": np.arange(n) + 1, **channels}).with_columns(
        pl.lit(None, pl.Float64).alias(name) for name in CHANNELS if name not in channels
    )
    pulls = find_pulls(frame)
    marks = find_events(frame, pulls, 0.3)
    taken: dict[tuple[int, int], list[int]] = {}
    for row, pull, dip, settling in zip(marks.rows, marks.pull, marks.dip, marks.settling, strict=True):
        if not dip and not settling:
            band = int(channels["engine_speed_rpm"][row] // 250) * 250
            taken.setdefault((int(pull) + 1, band), []).append(row)
    cells = []
    for (pull, band), rows in sorted(taken.items()):
        if len(rows) < 2:
            continue
        duty = [channels["pump_duty_pct"][i] for i in rows]
        pressure = [math.log(channels["manifold_pressure_kpa"][i]) for i in rows]
        mean = sum(pressure) / len(rows)
        cells.append(
            {
                "pull": pull,
                "band_rpm": band,
                "samples": len(rows),
                "duty_pct": math.prod(duty) ** (1 / len(rows)),
                "duty_max_pct": max(duty),
                "duty_top_share": sum(value >= max(duty) - 0.3 for value in duty) / len(rows),
                "manifold_pressure_kpa": math.exp(mean),
                "pressure_log_sd": math.sqrt(sum((value - mean) ** 2 for value in pressure) / len(rows)),
                "rail_pressure_bar": sum(channels["rail_pressure_bar"][i] for i in rows) / len(rows),
                "intake_air_c": 31.0,
            }
        )
    return cells


def test_cells_are_those_of_a_plain_reckoning(made_up: ModuleType) -> None:
    drives = [made_up.drive(np.random.default_rng(i), rate_hz=6 + 4 * i, pulls=1 + i % 3) for i in range(5)]
    for log in drives:
        log["pump_duty_pct"][int(len(log["time_s"]) * 0.4) :][:3] = 5.0
    tables = run(*(made_up.log(log, str(i)) for i, log in enumerate(drives)))
    for i, log in enumerate(drives):
        got = tables.cells.filter(pl.col("log") == f"log-{i}").to_dicts()
        expected = plain_cells(log)
        assert len(got) == len(expected) > 10
        for one, other in zip(got, expected, strict=True):
            assert {name: one[name] for name in other} == pytest.approx(other)


def test_cells_in_a_row_of_their_bands_with_enough_samples(made_up: ModuleType) -> None:
    cells = run(made_up.log(made_up.drive(np.random.default_rng(0), rate_hz=5.0, pull_s=8.0))).cells
    assert cells["samples"].min() >= 2
    assert (cells["band_rpm"] % 250 == 0).all()
    inside = (cells["engine_speed_rpm"] >= cells["band_rpm"]) & (cells["engine_speed_rpm"] < cells["band_rpm"] + 250)
    assert inside.all()
    assert cells.equals(cells.sort("pull", "band_rpm"))


def test_a_dropout_does_not_move_a_cells_mean(made_up: ModuleType) -> None:
    whole = made_up.drive(np.random.default_rng(2), rate_hz=20.0, pulls=1, pull_s=12.0)
    cut = {name: values.copy() for name, values in whole.items()}
    cut["pump_duty_pct"][260:264] = 3.0
    one, other = run(made_up.log(whole)).cells, run(made_up.log(cut)).cells
    assert other["dropout_samples"].sum() == 4
    assert one["band_rpm"].to_list() == other["band_rpm"].to_list()
    assert (one["duty_pct"] - other["duty_pct"]).abs().max() < 1.0


def test_many_logs_give_what_each_gives_alone(made_up: ModuleType) -> None:
    logs = [made_up.log(made_up.drive(np.random.default_rng(i), rate_hz=5 + i, pulls=i % 4), str(i)) for i in range(12)]
    together = run(*logs)
    alone = [run(log) for log in logs]
    for name in ("samples", "pulls", "cells", "ledger"):
        parts = pl.concat([getattr(tables, name) for tables in alone])
        assert getattr(together, name).equals(parts), name


def test_rows_are_lost_to_the_first_reason_and_add_up(made_up: ModuleType, channels: dict[str, np.ndarray]) -> None:
    n = len(channels["time_s"])
    channels["pump_duty_pct"][10:13] = np.nan
    channels["engine_speed_rpm"][12:16] = 90_000.0  # row 12 has no duty either
    channels["time_s"][20:22] -= 5.0
    tables = run(made_up.log(channels, rows_in=n + 7, dropped={"row_ragged": 7}))
    row = tables.ledger.row(0, named=True)
    assert {lost["reason"]: lost["rows"] for lost in row["dropped"]} == {
        "row_ragged": 7,
        "needed_value_missing": 3,
        "value_impossible": 3,
        "clock_back": 2,
    }
    assert row["rows_kept"] == n - 8
    found = {finding["code"]: finding for finding in row["findings"]}
    assert (found["needed_value_missing"]["row"], found["needed_value_missing"]["rows"]) == (11, 3)
    assert (found["clock_back"]["row"], found["clock_back"]["rows"]) == (21, 2)
    assert found["value_impossible"]["channel"] == "engine_speed_rpm"


def joined(*parts: dict[str, np.ndarray]) -> dict[str, np.ndarray]:
    return {name: np.concatenate([part[name] for part in parts]) for name in parts[0]}


def test_a_recorder_that_was_restarted_goes_on(made_up: ModuleType, channels: dict[str, np.ndarray]) -> None:
    again = made_up.drive(np.random.default_rng(8), pulls=3)
    tables = run(made_up.log(joined(channels, again)))
    assert tables.ledger.select("verdict", "pulls").row(0) == ("kept", 5)
    first = len(channels["time_s"]) + 1
    assert tables.findings[0] == [Finding("clock_restarted", "time_s", row=first, rows=1)]
    assert (tables.samples["time_s"].diff().drop_nulls() > 0).all()


def test_one_time_that_leaps_ahead_loses_nothing(made_up: ModuleType, channels: dict[str, np.ndarray]) -> None:
    channels["time_s"][30] = 9000.0
    tables = run(made_up.log(channels))
    assert tables.ledger["pulls"][0] == 2
    assert tables.ledger["rows_kept"][0] == len(channels["time_s"])


def test_coarse_clocks_stand_still_now_and_then(made_up: ModuleType) -> None:
    log = made_up.drive(np.random.default_rng(3), rate_hz=25.0)
    log["time_s"] = np.round(log["time_s"], 1)
    tables = run(made_up.log(log))
    assert tables.ledger.select("rows_kept", "pulls").row(0) == (len(log["time_s"]), 2)


def test_impossible_values_of_other_channels_are_blanked(made_up: ModuleType, channels: dict[str, np.ndarray]) -> None:
    channels["intake_air_c"][:] = 31.0
    channels["intake_air_c"][5:9] = 3000.0
    tables = run(made_up.log(channels))
    assert Finding("value_blanked", "intake_air_c", row=6, rows=4) in tables.findings[0]
    assert tables.samples["intake_air_c"].null_count() == 4
    assert tables.ledger["rows_kept"][0] == len(channels["time_s"])


@pytest.mark.parametrize(
    ("change", "code"),
    [
        ({"pump_duty_pct": 55.0}, "duty_never_moves"),
        ({"engine_speed_rpm": 3000.0}, "needed_channel_stuck"),
        ({"manifold_pressure_kpa": 99.0}, "needed_channel_stuck"),
    ],
)
def test_logs_that_are_refused(
    made_up: ModuleType, channels: dict[str, np.ndarray], change: dict[str, float], code: str
) -> None:
    for name, value in change.items():
        channels[name][:] = value
    tables = run(made_up.log(channels))
    assert tables.ledger.select("verdict", "reason", "rows_kept", "pulls").row(0) == ("refused", code, 0, 0)
    assert tables.samples.height == tables.pulls.height == tables.cells.height == 0


def test_a_stuck_channel_that_can_be_done_without_is_not_used(
    made_up: ModuleType, channels: dict[str, np.ndarray]
) -> None:
    channels["lambda_ratio"][:] = 1.0
    tables = run(made_up.log(channels))
    assert Finding("channel_stuck", "lambda_ratio") in tables.findings[0]
    assert tables.pulls["lean_s"].null_count() == 2
    assert tables.cells["lambda_ratio"].null_count() == tables.cells.height


def held(values: np.ndarray, every: int) -> np.ndarray:
    return values[np.arange(len(values)) // every * every]


@pytest.mark.parametrize("channel", ["engine_speed_rpm", "pump_duty_pct"])
@pytest.mark.parametrize(("rate_hz", "every", "slow"), [(12, 2, False), (12, 4, True), (11, 11, True)])
def test_too_slow_counts_new_values_not_rows(
    made_up: ModuleType, channel: str, rate_hz: float, every: int, slow: bool
) -> None:
    log = made_up.drive(np.random.default_rng(3), rate_hz=rate_hz, pull_s=6.0)
    log[channel] = held(log[channel], every)
    tables = run(made_up.log(log))
    assert tables.ledger["reason"][0] == ("too_slow" if slow else None)


def test_too_slow_by_its_rows(made_up: ModuleType) -> None:
    log = made_up.drive(np.random.default_rng(3), rate_hz=2.0, pull_s=8.0)
    assert run(made_up.log(log)).ledger["reason"][0] == "too_slow"


def test_a_duty_flat_at_its_top_is_not_slow(made_up: ModuleType, channels: dict[str, np.ndarray]) -> None:
    channels["pump_duty_pct"] = np.minimum(channels["pump_duty_pct"], 72.0)
    tables = run(made_up.log(channels))
    assert tables.ledger.select("verdict", "pulls").row(0) == ("kept", 2)
    assert tables.cells["duty_top_share"].max() == 1.0


def test_quantised_channels_are_read_as_quantised(made_up: ModuleType, channels: dict[str, np.ndarray]) -> None:
    # one byte for 0 to 100 %, and 10 kPa steps of a wide pressure channel (SAE J1979, PIDs 11, 52 and 4F)
    channels["pump_duty_pct"] = np.round(channels["pump_duty_pct"] * 2.55) / 2.55
    channels["pedal_pct"] = np.round(channels["pedal_pct"] * 2.55) / 2.55
    channels["manifold_pressure_kpa"] = np.round(channels["manifold_pressure_kpa"], -1)
    tables = run(made_up.log(channels))
    assert tables.ledger.select("verdict", "pulls").row(0) == ("kept", 2)
    assert codes(tables) == []


@pytest.mark.parametrize("end_kpa", [255.0, 190.0])
def test_a_sensor_at_its_end(made_up: ModuleType, channels: dict[str, np.ndarray], end_kpa: float) -> None:
    # a pressure of one byte ends at 255 kPa (SAE J1979, PID 0B); other sensors elsewhere
    channels["manifold_pressure_kpa"] = np.minimum(channels["manifold_pressure_kpa"] * 1.3, end_kpa)
    tables = run(made_up.log(channels))
    assert "sensor_at_end" in codes(tables)
    assert tables.ledger["verdict"][0] == "kept"


def test_ethanol_not_measured(made_up: ModuleType, channels: dict[str, np.ndarray]) -> None:
    del channels["ethanol_pct"]
    tables = run(made_up.log(channels))
    assert codes(tables) == ["ethanol_not_measured"]
    assert tables.cells["ethanol_pct"].null_count() == tables.cells.height


def test_a_log_without_a_pull_is_kept_and_says_so(made_up: ModuleType) -> None:
    tables = run(made_up.log(made_up.drive(np.random.default_rng(1), pulls=0)))
    assert codes(tables) == ["no_pull"]
    assert tables.ledger.select("verdict", "pulls").row(0) == ("kept", 0)


def test_a_day_to_come_counts_as_unknown(made_up: ModuleType, channels: dict[str, np.ndarray]) -> None:
    tables = run(made_up.log(channels, date=date(2027, 1, 1)))
    assert codes(tables) == ["date_in_future"]
    assert tables.ledger["date"][0] is None
    assert tables.cells["date"].null_count() == tables.cells.height


def test_refusals_of_the_reader_and_of_the_roster(made_up: ModuleType, channels: dict[str, np.ndarray]) -> None:
    unread = made_up.log(channels, "unread", findings=(Finding("no_header"),), refused="no_header")
    nobodys = replace(made_up.log(channels, "nobody"), label=None)
    second = replace(made_up.log(channels, "second"), twice=True)
    tables = run(unread, nobodys, second, made_up.log(channels))
    assert tables.ledger["reason"].to_list() == ["no_header", "car_unknown", "log_twice", None]
    assert tables.samples["log"].unique().to_list() == ["log-a"]


def test_free_text_stays_out_of_every_table(made_up: ModuleType, channels: dict[str, np.ndarray]) -> None:
    secret = Finding("channel_twice", "pump_duty_pct", detail="Anna's own column")
    tables = run(made_up.log(channels, findings=(secret,)))
    assert tables.findings[0][0].detail
    for table in (tables.samples, tables.pulls, tables.cells, tables.ledger):
        assert "Anna" not in str(table.to_dicts())


def test_a_barometer_that_was_assumed_is_said_in_each_cell(
    made_up: ModuleType, channels: dict[str, np.ndarray]
) -> None:
    assumed = Finding("barometer_assumed", "manifold_pressure_kpa")
    told = run(made_up.log(channels, "a", findings=(assumed,)), made_up.log(channels, "b")).cells
    assert dict(told.select("log", "barometer_assumed").unique().iter_rows()) == {"log-a": True, "log-b": False}


def test_nothing_read_nothing_made(made_up: ModuleType, channels: dict[str, np.ndarray]) -> None:
    empty = {name: values[:0] for name, values in channels.items()}
    tables = run(made_up.log(empty, rows_in=0))
    assert tables.ledger["verdict"].to_list() == ["refused"]
    assert Counter(codes(tables)) == {"empty": 1}
