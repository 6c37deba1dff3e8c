"""From evidence to the four words: action, warning, clear, undecided. Words borrowed, limits our own."""

from dataclasses import dataclass
from math import log

import polars as pl

EXCESS_MIN_PCT = 4.0
WARNING_P = 0.023
TELLING_EXCESS_PCT = 10.0  # "like its peers" is said only where this much would have been found


@dataclass(frozen=True)
class SignalRule:
    """Limits of the signals.

    q_max: false discovery rate of `action` over the fleet (Benjamini & Hochberg 1995, J R Stat Soc B 57:289).
    logs_min: logs before anyone acts. pulls_collapsing_min: pulls with a dropout in which the rail collapsed.
    warning_p: one-sided p of two standard deviations. low_p: for cars below their peers.
    other_pump_bayes_factor: evidence for another pump than the roster's, "positive" in Kass & Raftery 1995.
    telling_pct: "clear" only where this excess would have been found, at least as `warning`.
    """

    q_max: float = 0.05
    logs_min: int = 2
    pulls_collapsing_min: int = 2
    warning_p: float = WARNING_P
    low_p: float = 0.01
    other_pump_bayes_factor: float = 3.0
    telling_pct: float = TELLING_EXCESS_PCT


def signals(evidence: pl.DataFrame, rule: SignalRule = SignalRule()) -> pl.DataFrame:
    """`evidence` with `signal`, `high`, `low`, `fits_other` (what kind of evidence the signal rests on).

    evidence: one row a spell with logs, p_value, q_value, p_low, worth_acting (an excess of EXCESS_MIN_PCT with its
    lower bound above 0: overall, in a third of the rev range, at the quarter's end), pulls_collapsing,
    ethanol_explains (a label's two standard deviations would), pump_limit,
    detectable_excess_pct, peers_mostly_high, other_pump_ln_bayes_factor. Null p_value: nothing could be judged.
    """
    worth = pl.col("worth_acting").fill_null(False)
    dropping = pl.col("pulls_collapsing").fill_null(0) >= rule.pulls_collapsing_min
    significant = (pl.col("q_value") <= rule.q_max).fill_null(False)
    would_act = significant & (worth | dropping)
    held_back = (pl.col("logs") < rule.logs_min) | (pl.col("ethanol_explains").fill_null(False) & ~dropping)
    high = (pl.col("p_value") <= rule.warning_p).fill_null(False)
    low = (pl.col("p_low") <= rule.low_p).fill_null(False)
    fits_other = (pl.col("other_pump_ln_bayes_factor") >= log(rule.other_pump_bayes_factor)).fill_null(False)
    limited = pl.col("pump_limit").is_in(["rail_short", "reached"]).fill_null(False)
    told = (pl.col("detectable_excess_pct") <= rule.telling_pct).fill_null(False) & ~pl.col("peers_mostly_high")
    return evidence.with_columns(
        signal=pl.when(would_act & ~held_back)
        .then(pl.lit("action"))
        .when(high | would_act | low | limited | fits_other)
        .then(pl.lit("warning"))
        .when(told & pl.col("p_value").is_not_null())
        .then(pl.lit("clear"))
        .otherwise(pl.lit("undecided")),
        high=high | would_act,
        low=low,
        fits_other=fits_other,
    )
