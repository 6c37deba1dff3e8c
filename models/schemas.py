"""Declared columns of every table a study gives, and the study itself. What they mean: docs/data-dictionary.toml."""

from dataclasses import dataclass, field
from typing import Any

import polars as pl

Schema = dict[str, Any]

# one row a car and setup spell; several values in one column are joined by ";"
CARS: Schema = {
    "label": pl.String,
    "setup": pl.String,
    "engine": pl.String,
    "pump": pl.String,
    "boost_hardware": pl.String,
    "calibration": pl.String,
    "spell_since": pl.Date,
    "spell_until": pl.Date,
    "peers": pl.Int32,  # other cars of the same setup with full-load pulls
    "logs": pl.Int32,  # in the quarter
    "pulls": pl.Int32,  # in the quarter
    "logs_window": pl.Int32,  # in the four quarters that end with it
    "observed_duty_pct": pl.Float64,
    "expected_duty_pct": pl.Float64,
    "excess_pct": pl.Float64,  # per cent of fuel volume
    "excess_low_pct": pl.Float64,  # 95 % interval
    "excess_high_pct": pl.Float64,
    "level_z": pl.Float64,
    "shape_low_z": pl.Float64,
    "shape_mid_z": pl.Float64,
    "shape_high_z": pl.Float64,
    "trend_z": pl.Float64,
    "since": pl.Date,  # day the excess is first seen
    "dropouts": pl.Int32,
    "rail_deficits": pl.Int32,  # null where rail pressure or its target is not logged
    "saturated_share": pl.Float64,
    "pump_limit": pl.String,  # rail_short, reached, none, unknown
    "p_value": pl.Float64,
    "q_value": pl.Float64,
    "signal": pl.String,  # action, warning, clear, undecided
    "pattern": pl.String,  # codes, see PATTERNS
    "check_first": pl.String,  # codes, see CHECKS
    "detectable_excess_pct": pl.Float64,
    "logs_needed": pl.Int32,  # more logs that would decide; null where the peers are the limit
}

# one row a label and setup that stands in this quarter's study or the one before
CHANGES: Schema = {
    "label": pl.String,
    "setup": pl.String,
    "signal_before": pl.String,
    "signal_now": pl.String,
    "excess_before_pct": pl.Float64,
    "excess_now_pct": pl.Float64,
    "change": pl.String,  # new, worse, better, gone, repaired, same
}

# one row a setup and band of engine speed; a car counts once
BASELINES: Schema = {
    "setup": pl.String,
    "band_rpm": pl.Int32,
    "cars": pl.Int64,
    "pulls": pl.Int64,
    "demand_p50": pl.Float64,
    "ethanol_p50_pct": pl.Float64,
    "boost_p50_kpa": pl.Float64,
    "duty_p10_pct": pl.Float64,
    "duty_p25_pct": pl.Float64,
    "duty_p50_pct": pl.Float64,
    "duty_p75_pct": pl.Float64,
    "duty_p90_pct": pl.Float64,
    "expected_duty_pct": pl.Float64,  # the regression's, at the setup's median demand
    "saturated_share": pl.Float64,
}

# one row a spell and band: the car's curve beside what its peers need for the same demand (quarter's logs)
CURVES: Schema = {
    "label": pl.String,
    "setup": pl.String,
    "spell_since": pl.Date,
    "band_rpm": pl.Int32,
    "pulls": pl.Int32,
    "duty_pct": pl.Float64,
    "expected_duty_pct": pl.Float64,
    "peers_low_duty_pct": pl.Float64,  # 95 % of healthy peers lie between these, at this car's demand
    "peers_high_duty_pct": pl.Float64,
    "excess_pct": pl.Float64,
    "saturated_share": pl.Float64,
}

# one row a log of a spell, in the four quarters that end with this one
CAR_LOGS: Schema = {
    "label": pl.String,
    "setup": pl.String,
    "spell_since": pl.Date,
    "log": pl.String,
    "date": pl.Date,
    "in_quarter": pl.Boolean,
    "pulls": pl.Int32,
    "excess_pct": pl.Float64,
    "excess_low_pct": pl.Float64,  # 95 % interval of this log alone
    "excess_high_pct": pl.Float64,
    "duty_max_pct": pl.Float64,
    "dropouts": pl.Int32,
    "rail_deficits": pl.Int32,
}

# one row a log file of the quarter (or without a date), kept or refused: what was wrong with it
QUALITY: Schema = {
    "label": pl.String,  # null where the car is not on the roster
    "date": pl.Date,
    "verdict": pl.String,
    "reason": pl.String,
    "rows_in": pl.Int64,
    "rows_kept": pl.Int64,
    "pulls": pl.Int32,
    "findings": pl.String,  # codes with their channel, "code" or "code channel"
}

# one row a wish to a car and setup, those of one car in the order in which they help
NEXT_LOGS: Schema = {
    "label": pl.String,
    "setup": pl.String,
    "spell_since": pl.Date,
    "wish": pl.String,  # one of WISHES
    "count": pl.Int32,  # more logs or cars; null where it is not a number of them
    "low_rpm": pl.Int32,  # the part of the rev range that is wanted
    "high_rpm": pl.Int32,
    "would_find_pct": pl.Float64,  # smallest excess found in four of five cases after this and the wishes before it
}

# what the evidence looks like; reports put each into words
PATTERNS = (
    "high_all_speeds",
    "high_low_speeds",
    "high_mid_speeds",
    "high_top_speeds",
    "growing",
    "dropouts_rail_collapses",
    "dropouts_rail_holds",
    "dropouts_rail_unknown",  # rail pressure is not logged
    "out_of_volume",  # duty at its ceiling, rail short of its target
    "no_headroom",  # duty at its ceiling, rail holds or is not logged
    "low_for_peers",
    "fits_other_pump",  # the roster names one pump, the duty is that of cars with another
)

# what must be checked before anyone acts
CHECKS = (
    "ethanol_not_measured",
    "lambda_not_logged",
    "intake_air_not_logged",
    "barometer_not_logged",
    "rail_not_logged",
    "sensor_at_its_end",
    "roster_to_confirm",
    "duty_scale_to_confirm",
    "one_log_only",
    "one_day_only",
    "few_peers",
    "peers_also_high",
    "setup_not_told_apart",  # pump and engine occur only together in one car
)

# what a car's next log should bring
WISHES = (
    "wait",  # no full-load log until somebody qualified has looked
    "first_log",
    "measure_ethanol",
    "log_lambda",
    "log_intake_air",
    "log_barometer",
    "log_rail",
    "more_logs",
    "second_day",
    "rev_range",
    "check_sensor",
    "more_peers",
    "more_cars",  # of any setup: how far healthy cars differ is not known well enough, or is the limit
)


@dataclass(frozen=True)
class Study:
    """What is known of a fleet for one quarter.

    summary: counts, model figures and versions, ready for JSON; keys as in `models.study.summarize`.
    """

    quarter: str  # "2026Q3"
    cars: pl.DataFrame  # CARS, ordered: needs attention first
    changes: pl.DataFrame  # CHANGES
    baselines: pl.DataFrame  # BASELINES
    curves: pl.DataFrame  # CURVES
    car_logs: pl.DataFrame  # CAR_LOGS
    quality: pl.DataFrame  # QUALITY
    summary: dict[str, Any]
    next_logs: pl.DataFrame = field(default_factory=lambda: pl.DataFrame(schema=NEXT_LOGS))
