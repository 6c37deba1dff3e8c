"""What the recorder sees of the truth."""

import numpy as np
import polars as pl
import pytest

from synthetic_fleet.cars import Car
from synthetic_fleet.sensors import logged
from synthetic_fleet.true_log import TrueLog
from synthetic_fleet.write_fleet import synthesize_frames

Fleet = list[tuple[Car, TrueLog, pl.DataFrame]]
NEAR = {"pump_duty_pct": 0.6, "manifold_pressure_kpa": 0.8, "engine_speed_rpm": 12.0}  # median error allowed


@pytest.fixture(scope="module")
def fleet() -> Fleet:
    return list(synthesize_frames(16, 41, faulty_share=0.3))


def test_a_log_holds_its_cars_channels_at_its_recorders_rate(fleet: Fleet) -> None:
    for car, log, frame in fleet:
        assert frame.columns == ["time_s", *car.channels]
        assert frame.null_count().sum_horizontal()[0] == 0
        steps = np.diff(frame["time_s"].to_numpy())
        assert steps.min() > 0.0
        assert 1.0 / np.median(steps) == pytest.approx(car.recorder.rate_hz, rel=0.05)
        assert frame["time_s"][0] == 0.0
        assert abs(frame["time_s"][-1] - log.frame["time_s"][-1]) < 0.3


def test_readings_are_near_the_truth(fleet: Fleet) -> None:
    for _, log, frame in fleet:
        for channel, off in NEAR.items():
            if channel not in frame.columns:
                continue
            rows = np.minimum((frame["time_s"].to_numpy() * 50).round().astype(int), log.frame.height - 1)
            wrong = frame[channel].to_numpy() - log.frame[channel].to_numpy()[rows]
            assert np.median(np.abs(wrong)) < off, channel


def test_duty_never_reads_above_its_ceiling(fleet: Fleet) -> None:
    for _, log, frame in fleet:
        duty = frame["pump_duty_pct"]
        assert 0.0 <= duty.min() <= duty.max() <= log.spell.setup.calibration.ceiling_pct


def test_a_raw_pedal_scale_ends_where_the_recorder_says(fleet: Fleet) -> None:
    for car, _, frame in fleet:
        if "pedal_pct" in frame.columns:
            assert frame["pedal_pct"].max() == pytest.approx(car.recorder.pedal_top_pct)
            assert frame["pedal_pct"].min() == pytest.approx(car.recorder.pedal_rest_pct)


def test_some_cars_log_ethanol_lambda_and_rail_and_some_do_not() -> None:
    cars = {car.name: car for car, _, _ in synthesize_frames(60, 2)}.values()
    for channel in (
        "ethanol_pct",
        "lambda_ratio",
        "intake_air_c",
        "rail_pressure_bar",
        "barometric_pressure_kpa",
    ):
        share = np.mean([channel in c.channels for c in cars])
        assert 0.3 < share < 1.0, channel


def test_readings_repeat(fleet: Fleet) -> None:
    for _, log, frame in fleet[:3]:
        assert logged(log).equals(frame)
        assert isinstance(frame, pl.DataFrame)
