"""Which shape the evidence has, and what must be checked before anyone acts."""

import polars as pl

from models.schemas import CHECKS, PATTERNS

FEW_PEERS = 4  # fewer than five cars with this setup
SHAPES = {
    "level": "high_all_speeds",
    "low": "high_low_speeds",
    "middle": "high_mid_speeds",
    "high": "high_top_speeds",
    "drift": "growing",
}


def patterns(signalled: pl.DataFrame) -> pl.DataFrame:
    """`signalled` with `pattern`: codes of PATTERNS joined by ";", "" where there is nothing to describe.

    signalled: of `signals`, with strongest (name of the template that fits best), dropouts, dropouts_collapsing,
    saturated_share, pump_limit.
    """
    shape = pl.col("strongest").replace_strict(SHAPES, default=None, return_dtype=pl.String)
    collapsing = pl.col("dropouts_collapsing").fill_null(0)
    conditions = {
        **{name: pl.col("high") & (shape == name) & (pl.col("p_curve") <= 0.1) for name in SHAPES.values()},
        "dropouts_rail_collapses": collapsing > 0,
        "dropouts_rail_holds": pl.col("rail_logged") & (pl.col("dropouts").fill_null(0) > collapsing),
        "dropouts_rail_unknown": ~pl.col("rail_logged") & (pl.col("dropouts").fill_null(0) > 0),
        "out_of_volume": (pl.col("pump_limit") == "rail_short") & (pl.col("saturated_share") > 0),
        "no_headroom": pl.col("pump_limit") == "reached",
        "low_for_peers": pl.col("low") & ~pl.col("high"),
        "fits_other_pump": pl.col("fits_other"),
    }
    return signalled.with_columns(pattern=_codes(conditions, PATTERNS))


def check_first(signalled: pl.DataFrame) -> pl.DataFrame:
    """`signalled` with `check_first`: codes of CHECKS joined by ";" for a car that stands out, else "".

    signalled: with ethanol_logged, lambda_logged, intake_logged, rail_logged, barometer_assumed, sensor_at_end,
    logs, days, peers, peers_mostly_high, told_apart, growing.
    """
    steady = pl.col("pattern").str.contains("high_all_speeds") & ~pl.col("pattern").str.contains("growing")
    low = pl.col("pattern").str.contains("low_for_peers")
    other = pl.col("pattern").str.contains("fits_other_pump")
    conditions = {
        "ethanol_not_measured": ~pl.col("ethanol_logged"),
        "lambda_not_logged": ~pl.col("lambda_logged"),
        "intake_air_not_logged": ~pl.col("intake_logged"),
        "barometer_not_logged": pl.col("barometer_assumed"),
        "rail_not_logged": ~pl.col("rail_logged"),
        "sensor_at_its_end": pl.col("sensor_at_end"),
        "roster_to_confirm": steady | low | other,
        "duty_scale_to_confirm": low,
        "one_log_only": pl.col("logs") == 1,
        "one_day_only": (pl.col("days") == 1) & (pl.col("logs") > 1),
        "few_peers": pl.col("peers") < FEW_PEERS,
        "peers_also_high": pl.col("peers_mostly_high"),
        "setup_not_told_apart": ~pl.col("told_apart"),
    }
    stands_out = pl.col("signal").is_in(["action", "warning"])
    return signalled.with_columns(
        check_first=pl.when(stands_out).then(_codes(conditions, CHECKS)).otherwise(pl.lit(""))
    )


def _codes(conditions: dict[str, pl.Expr], order: tuple[str, ...]) -> pl.Expr:
    """The codes whose condition holds, in the declared order, joined by ";"."""
    named = [pl.when(conditions[code].fill_null(False)).then(pl.lit(code)) for code in order]
    return pl.concat_str(named, separator=";", ignore_nulls=True)
