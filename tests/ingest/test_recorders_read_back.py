"""What invented recorders write down is what ingest reads: every channel, sample by sample, within rounding."""

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from ingest.findings import effect
from ingest.read_log import read_log
from ingest.schemas import CHANNELS
from synthetic_fleet.cars import Car, draw_cars
from synthetic_fleet.recorders import RECORDERS, UNITS, Recorder, file_name, write_log
from synthetic_fleet.sensors import logged
from synthetic_fleet.true_log import true_log

CARS, SEED, CARS_A_RECORDER = 140, 20260818, 3
FLOATS = 1e-4  # of single decimals and unit factors of seven digits, as a share of the value


def rounding(recorder: Recorder, channel: str) -> float:
    """Half of the last digit written, in our unit."""
    spelling = recorder.channels[channel]
    factor = UNITS.get(channel.rsplit("_", 1)[-1], {}).get(spelling.unit, 1.0)
    return 0.5 * 10.0**-spelling.decimals / factor


def cars_of(recorder: str) -> Iterator[Car]:
    found = [car for car in draw_cars(CARS, SEED, 0.3, "mixed") if car.recorder.name == recorder]
    assert len(found) >= CARS_A_RECORDER
    yield from found[:CARS_A_RECORDER]


@pytest.mark.parametrize("recorder", RECORDERS)
def test_every_sample_of_every_channel_comes_back(recorder: str, tmp_path: Path) -> None:
    for car in cars_of(recorder):
        log = true_log(car, 0)
        seen = logged(log)
        path = tmp_path / file_name(car.recorder, log.day, 1)
        write_log(path, seen, car.recorder, day=log.day, start_s=80_000.0 if car.recorder.dated_name else 86_390.0)
        reading = read_log(path.name, path.read_bytes())
        assert (reading.refused, reading.dropped, reading.date) == ("", {}, log.day)
        assert (reading.rows_in, reading.frame.height) == (seen.height, seen.height)
        assert not [finding for finding in reading.findings if effect(finding) != "note"]
        assert_same(reading.frame, seen, car.recorder)


def assert_same(read: pl.DataFrame, seen: pl.DataFrame, recorder: Recorder) -> None:
    clock_s = seen["time_s"].to_numpy() - seen["time_s"][0]
    step_s = 0.001 if recorder.clock.unit != "s" else 10.0**-recorder.clock.decimals
    assert np.abs(read["time_s"].to_numpy() - clock_s).max() <= step_s + 1e-9
    assert set(seen.columns) - {"time_s"} <= set(read.columns) - {"time_s", "row"}
    for channel in (c for c in CHANNELS if c in seen.columns):
        true, found = seen[channel].to_numpy(), read[channel].to_numpy()
        every = recorder.slow_every if channel in recorder.slow_channels else 1
        limit = allowed(recorder, channel, seen.columns) + FLOATS * np.abs(true)
        off = np.abs(found - true)[::every] - limit[::every]
        assert off.max() <= 0.0, f"{channel} is {off.max()} further off than {recorder.name} rounds"


def allowed(recorder: Recorder, channel: str, columns: list[str]) -> float:
    if channel in recorder.channels:
        return rounding(recorder, channel)
    assert channel == "manifold_pressure_kpa"  # boost was written instead, and the barometer
    assert "barometric_pressure_kpa" in columns
    return rounding(recorder, "boost_kpa") + rounding(recorder, "barometric_pressure_kpa")


def test_no_recorder_is_left_out() -> None:
    assert len(RECORDERS) >= 7
    assert {car.recorder.name for car in draw_cars(CARS, SEED, 0.3, "mixed")} == set(RECORDERS)
