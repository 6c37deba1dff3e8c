"""Declared columns of every table that ingest makes, and their check. What they mean: docs/data-dictionary.toml."""

import tomllib
from collections.abc import Mapping
from functools import cache
from pathlib import Path
from typing import Any

import polars as pl

Schema = Mapping[str, pl.DataType | type[pl.DataType]]

BAND_WIDTH_RPM = 250
# what peers have in common: a setup, of which the roster names these
SETUP_WORDS = ("engine", "pump", "boost_hardware", "calibration")
SETUP = (*SETUP_WORDS, "port_injection")


@cache
def channel_tables() -> dict[str, dict[str, Any]]:
    """Everything known of each canonical channel, as channels.toml has it; names that begin with _ are no channel's."""
    return tomllib.loads(Path(__file__).with_name("channels.toml").read_text(encoding="utf-8"))


# canonical channels beside time_s; a log has some of them, always in these units
CHANNELS: Schema = {name: pl.Float64 for name in channel_tables() if not name.startswith("_") and name != "time_s"}

# one row a sample of a kept log; `log` is a keyed digest, `row` the data row in the file (from 1)
SAMPLES: Schema = {
    "log": pl.String,
    "row": pl.Int64,
    "time_s": pl.Float64,
    **dict.fromkeys(CHANNELS, pl.Float32),  # seven digits are more than any sensor has
}

# one row a full-load pull
PULLS: Schema = {
    "log": pl.String,
    "label": pl.String,
    "date": pl.Date,
    "pull": pl.Int32,  # counted from 1 within the log
    "start_s": pl.Float64,
    "end_s": pl.Float64,
    "samples": pl.Int32,
    "gear": pl.Int32,  # null where neither logged nor told from the speeds
    "speed_low_rpm": pl.Float64,
    "speed_high_rpm": pl.Float64,
    "duty_max_pct": pl.Float64,
    "duty_max_rpm": pl.Float64,
    "dropouts": pl.Int32,
    "dropouts_collapsing": pl.Int32,  # of these, with the rail collapsing
    "dropout_rpm": pl.Float64,  # engine speed at the first
    "rail_deficits": pl.Int32,  # null where rail pressure or its target is not logged
    "rail_deficit_s": pl.Float64,
    "rail_deficit_rpm": pl.Float64,  # engine speed at the first
    "lean_s": pl.Float64,  # longest stretch at lambda >= 0.98 and >= 150 kPa; null without lambda
    "feed_pressure_min_bar": pl.Float64,
}

# one row a pull and band of engine speed; means leave dropout samples out
CELLS: Schema = {
    "log": pl.String,
    "label": pl.String,
    "date": pl.Date,
    "pull": pl.Int32,
    "band_rpm": pl.Int32,  # lower edge of a band of BAND_WIDTH_RPM
    "samples": pl.Int32,
    "engine_speed_rpm": pl.Float64,
    "duty_pct": pl.Float64,  # geometric mean
    "duty_max_pct": pl.Float64,
    "duty_top_share": pl.Float64,  # share of samples within 0.3 points of duty_max_pct
    "manifold_pressure_kpa": pl.Float64,  # absolute; geometric mean
    "pressure_log_sd": pl.Float64,  # standard deviation of ln(pressure) inside the cell
    "barometer_assumed": pl.Boolean,  # absolute pressure was made from gauge with a standard barometer
    "boost_kpa": pl.Float64,
    "boost_target_kpa": pl.Float64,
    "intake_air_c": pl.Float64,
    "fuel_c": pl.Float64,
    "lambda_ratio": pl.Float64,  # geometric mean
    "ethanol_pct": pl.Float64,  # null where not logged; the roster's is joined by the study
    "rail_pressure_bar": pl.Float64,
    "rail_target_bar": pl.Float64,
    "feed_pressure_bar": pl.Float64,
    "battery_v": pl.Float64,
    "dropout_samples": pl.Int32,
}

# in the place of boost hardware or calibration where setups were merged, so that enough cars share one
VARIOUS = "various"

# one row a full-load pull of a car and band of engine speed, as a club gives it to others: rounded, and without days
CONTRIBUTION: Schema = {
    "club": pl.String,  # who gives it, a label; the same in all of a club's files
    "quarter": pl.String,
    "engine": pl.String,
    "pump": pl.String,
    "boost_hardware": pl.String,
    "calibration": pl.String,
    "port_injection": pl.Boolean,
    "car": pl.String,  # a label of this file alone
    "log": pl.Int32,  # counted from 1 within the car, in no order
    "pull": pl.Int32,  # counted from 1 within the log
    "band_rpm": pl.Int32,
    "duty_pct": pl.Float64,
    "saturated": pl.Boolean,  # duty at the highest value that its calibration commands
    "manifold_pressure_kpa": pl.Float64,  # absolute
    "pressure_log_sd": pl.Float64,
    "barometer_assumed": pl.Boolean,
    "intake_air_c": pl.Float64,
    "lambda_ratio": pl.Float64,
    "ethanol_pct": pl.Float64,
    "ethanol_measured": pl.Boolean,  # false: the roster's, a label
    "rail_pressure_bar": pl.Float64,
}

FINDING = pl.Struct({"code": pl.String, "channel": pl.String, "row": pl.Int64, "rows": pl.Int64})
DROPPED = pl.Struct({"reason": pl.String, "rows": pl.Int64})

# one row a log file, kept or refused; rows_in = rows_kept + all of dropped
LEDGER: Schema = {
    "log": pl.String,
    "source": pl.String,  # keyed digest of where it lay: a later row of the same source supersedes
    "label": pl.String,  # null where the car is not on the roster
    "date": pl.Date,
    "verdict": pl.String,  # kept or refused
    "reason": pl.String,  # finding code of a refusal
    "rows_in": pl.Int64,
    "rows_kept": pl.Int64,
    "pulls": pl.Int32,
    "dialect": pl.String,
    "findings": pl.List(FINDING),
    "dropped": pl.List(DROPPED),
}

# one row a setup spell of a car, without names
ROSTER: Schema = {
    "label": pl.String,
    "engine": pl.String,
    "pump": pl.String,
    "boost_hardware": pl.String,
    "calibration": pl.String,
    "port_injection": pl.Boolean,
    "ethanol_pct": pl.Float64,
    "since": pl.Date,
    "until": pl.Date,
    "found": pl.String,
    "found_on": pl.Date,
}


def check_columns(frame: pl.DataFrame | pl.LazyFrame, schema: Schema, table: str) -> None:
    """Raise ValueError naming every column of `table` that is missing or of another type.

    >>> check_columns(pl.DataFrame({"log": ["a"]}), {"log": pl.String}, "samples")
    """
    have = frame.collect_schema()
    wrong = [
        f"{table}, column {name}: {have.get(name, 'missing')}, should be {dtype}"
        for name, dtype in schema.items()
        if have.get(name) != dtype
    ]
    if wrong:
        raise ValueError("\n".join(wrong))


def empty(schema: Schema) -> pl.DataFrame:
    """A table of `schema` without rows.

    >>> empty({"log": pl.String}).shape
    (0, 1)
    """
    return pl.DataFrame(schema=dict(schema))
