"""What changed since the quarter before."""

import polars as pl

from models.schemas import CHANGES
from models.signals import EXCESS_MIN_PCT

ORDER = {"clear": 0, "undecided": 0, "warning": 1, "action": 2}


def changes(before: pl.DataFrame | None, now: pl.DataFrame) -> pl.DataFrame:
    """CARS of two quarters -> CHANGES, by label and setup; empty where there is no study of the quarter before.

    new: not in the quarter before. gone: no longer there. repaired: was standing out, its setup ended and the car
    drives another one that does not. worse, better: the signal changed, or the excess moved by what is worth acting on.
    """
    if before is None:
        return pl.DataFrame(schema=CHANGES)
    old = before.filter(pl.col("logs") > 0).select(
        "label", "setup", signal_before=pl.col("signal"), excess_before_pct=pl.col("excess_pct")
    )
    new = now.filter(pl.col("logs") > 0).select(
        "label", "setup", signal_now=pl.col("signal"), excess_now_pct=pl.col("excess_pct")
    )
    both = old.unique(["label", "setup"], keep="last").join(
        new.unique(["label", "setup"], keep="last"), on=["label", "setup"], how="full", coalesce=True
    )
    rank = [
        pl.col(name).replace_strict(ORDER, default=None, return_dtype=pl.Int32)
        for name in ("signal_before", "signal_now")
    ]
    step = rank[1] - rank[0]
    moved = pl.col("excess_now_pct") - pl.col("excess_before_pct")
    well = new.filter(~pl.col("signal_now").is_in(["action", "warning"]))["label"].to_list()
    kind = (
        pl.when(pl.col("signal_before").is_null())
        .then(pl.lit("new"))
        .when(pl.col("signal_now").is_null() & pl.col("label").is_in(well) & (rank[0] > 0))
        .then(pl.lit("repaired"))
        .when(pl.col("signal_now").is_null())
        .then(pl.lit("gone"))
        .when((step > 0) | ((step == 0) & (moved >= EXCESS_MIN_PCT)))
        .then(pl.lit("worse"))
        .when((step < 0) | ((step == 0) & (moved <= -EXCESS_MIN_PCT)))
        .then(pl.lit("better"))
        .otherwise(pl.lit("same"))
    )
    return (
        both.with_columns(change=kind)
        .sort("label", "setup")
        .select(pl.col(name).cast(dtype) for name, dtype in CHANGES.items())
    )
