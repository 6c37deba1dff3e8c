"""What a recorder sees of a true log: its rate, its lags and noise, the channels it was asked for."""

import numpy as np
import polars as pl

from synthetic_fleet.driving import RATE_HZ
from synthetic_fleet.setups import Floats
from synthetic_fleet.true_log import TrueLog, lagged

NOISE = {  # standard deviation of one reading, canonical units
    "engine_speed_rpm": 5.0,
    "pump_duty_pct": 0.25,
    "manifold_pressure_kpa": 0.35,
    "rail_pressure_bar": 0.8,
    "feed_pressure_bar": 0.03,
    "lambda_ratio": 0.003,
    "ethanol_pct": 0.15,
    "battery_v": 0.04,
    "ignition_deg": 0.3,
}
LAG_S = {"lambda_ratio": 0.12, "intake_air_c": 1.5, "vehicle_speed_kmh": 0.15, "coolant_c": 4.0}


def logged(log: TrueLog) -> pl.DataFrame:
    """`time_s` and the car's logged channels in canonical units, at the recorder's rate."""
    car = log.car
    rng = np.random.default_rng((*car.key, 4, log.day.toordinal(), log.number))
    true = log.frame
    seconds = true.height / RATE_HZ
    ticks = np.arange(0.0, seconds - 0.1, 1.0 / car.recorder.rate_hz)
    rows = np.minimum((ticks * RATE_HZ).astype(np.int64), true.height - 1)
    columns = {"time_s": ticks + np.clip(rng.normal(0.0, 0.0012, len(ticks)), -0.004, 0.004) * (ticks > 0)}
    for channel in car.channels:
        values = _true_values(channel, log)
        if channel in LAG_S:
            values = lagged(values, LAG_S[channel])
        values = values[rows]
        if channel in NOISE:
            values = values + rng.normal(0.0, NOISE[channel], len(values))
        columns[channel] = _bounded(channel, values, log)
    return pl.DataFrame(columns)


def _true_values(channel: str, log: TrueLog) -> Floats:
    true, car = log.frame, log.car
    if channel == "ethanol_pct":
        return true[channel].to_numpy() + car.ethanol_error_pct
    if channel == "boost_kpa":
        return (true["manifold_pressure_kpa"] - true["barometric_pressure_kpa"]).to_numpy()
    if channel == "pedal_pct":
        rest, top = car.recorder.pedal_rest_pct, car.recorder.pedal_top_pct
        return rest + (top - rest) * true["pedal_share"].to_numpy()
    if channel == "throttle_pct":
        return np.clip(4.0 + 96.0 * true["pedal_share"].to_numpy() ** 0.9, 0.0, 100.0)
    if channel == "vehicle_speed_kmh":
        ratio = np.array([0.0, *log.spell.setup.engine.kmh_per_1000_rpm])
        return ratio[true["gear"].to_numpy()] * true["engine_speed_rpm"].to_numpy() / 1000.0
    if channel == "battery_v":
        return np.full(true.height, 14.1)
    if channel == "ignition_deg":
        loaded = np.clip((true["manifold_pressure_kpa"].to_numpy() - 40.0) / 160.0, 0.0, 1.2)
        return 32.0 - 24.0 * loaded + true["engine_speed_rpm"].to_numpy() / 1000.0
    return true[channel].cast(pl.Float64).to_numpy()


def _bounded(channel: str, values: Floats, log: TrueLog) -> Floats:
    if channel == "pump_duty_pct":
        return np.clip(values, 0.0, log.spell.setup.calibration.ceiling_pct)
    if channel in ("ethanol_pct", "pedal_pct"):
        return np.clip(values, 0.0, 100.0)
    return values
