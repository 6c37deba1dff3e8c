"""One car's duty before and after, brought to one demand, and what its drop at the top is in volume."""

import math
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from ingest.schemas import BAND_WIDTH_RPM
from models.duty_law import delivered_share, duty_for_share
from models.learning import Fleet, Learned

Array = NDArray[np.float64]

# one row a band of engine speed that both sides drove
TWO_CURVES: dict[str, Any] = {
    "band_rpm": pl.Int32,
    "before_pulls": pl.Int32,
    "after_pulls": pl.Int32,
    "before_duty_pct": pl.Float64,  # as logged
    "after_duty_pct": pl.Float64,  # at the demand of the pulls before
    "before_volume_pct": pl.Float64,  # of what each side's pump delivers at 100 % duty
    "after_volume_pct": pl.Float64,
    "before_saturated_share": pl.Float64,
    "after_saturated_share": pl.Float64,
}


def two_curves(
    fleet: Fleet, learned: Learned, before: NDArray[np.bool_], after: NDArray[np.bool_], ceilings: pl.DataFrame
) -> pl.DataFrame:
    """TWO_CURVES of one car, ordered by band. before, after: (rows,) its rows of each side.

    Volume follows demand by the physics (slope 1), so each side's mean ln(volume / demand) of a band is put to the
    demand that the pulls before had there, and turned back into duty by the law of its own pump and calibration,
    at most its ceiling.
    """
    sides = [_side_curve(fleet, learned, mask, ceilings) for mask in (before, after)]
    both = sides[0].join(sides[1], on="band_rpm", suffix="_after").sort("band_rpm")
    demand = both["ln_demand"].to_numpy()
    columns = {}
    for name, suffix in (("before", ""), ("after", "_after")):
        w, top = both[f"round_share{suffix}"].to_numpy(), both[f"ceiling_pct{suffix}"].to_numpy()
        wanted = np.exp(both[f"y{suffix}"].to_numpy() + demand)
        duty = np.minimum(duty_for_share(wanted, w), top)
        columns[f"{name}_duty_pct"] = duty
        columns[f"{name}_volume_pct"] = 100 * delivered_share(duty, w)
    return both.with_columns(**{name: pl.Series(values) for name, values in columns.items()}).select(
        pl.col("band_rpm").cast(pl.Int32),
        before_pulls=pl.col("pulls").cast(pl.Int32),
        after_pulls=pl.col("pulls_after").cast(pl.Int32),
        **{
            name: pl.col(name)
            for name in ("before_duty_pct", "after_duty_pct", "before_volume_pct", "after_volume_pct")
        },
        before_saturated_share=pl.col("saturated"),
        after_saturated_share=pl.col("saturated_after"),
    )


def _side_curve(fleet: Fleet, learned: Learned, mask: NDArray[np.bool_], ceilings: pl.DataFrame) -> pl.DataFrame:
    """band_rpm, pulls, ln_demand, y, saturated, round_share, ceiling_pct of one side."""
    logged = fleet.cells.volume(learned.law.values, len(mask))  # a saturated row as it reads: at least so much
    weight = pl.col("cells").cast(pl.Float64)
    mean = [((pl.col(name) * weight).sum() / weight.sum()).alias(name) for name in ("ln_demand", "y", "saturated")]
    return (
        fleet.frame.select("band_rpm", "calibration", "cells", "ln_demand", "saturated")
        .with_columns(y=pl.Series(logged), round_share=pl.Series(learned.law.values[learned.rows.family]))
        .filter(pl.Series(mask))
        .group_by("band_rpm")
        .agg(pl.col("calibration", "round_share").first(), pl.col("cells").sum().alias("pulls"), *mean)
        .join(ceilings.select("calibration", "ceiling_pct"), on="calibration", how="left")
    )


def drop_at_top(
    curves: pl.DataFrame, width_rpm: float, law: tuple[float, float, float], same_law: bool
) -> dict[str, float | bool | None]:
    """What became of the duty over the last `width_rpm` of engine speed that both sides drove.

    curves: TWO_CURVES. law: round share of the pump and calibration, and its 95 % interval. same_law: both sides have
    this law, so that the ratio of their volumes is one of fuel; else that of two pumps' strokes, and is null.
    Keys: top_from_rpm, top_to_rpm, top_before_duty_pct, top_after_duty_pct, top_drop_points, top_volume_change_pct with
    _low_ and _high_ (by what the law may be; not for scatter), top_at_least (duty stood at its ceiling before).
    """
    if curves.is_empty():
        return {}
    end = float(curves["band_rpm"].max()) + BAND_WIDTH_RPM  # type: ignore[arg-type]
    top = curves.filter(pl.col("band_rpm") >= end - width_rpm)
    before, after = top["before_duty_pct"].to_numpy(), top["after_duty_pct"].to_numpy()
    found: dict[str, float | bool | None] = {
        "top_from_rpm": float(top["band_rpm"].min()),  # type: ignore[arg-type]
        "top_to_rpm": end,
        "top_before_duty_pct": float(before.mean()),
        "top_after_duty_pct": float(after.mean()),
        "top_drop_points": float((before - after).mean()),
        "top_at_least": bool((top["before_saturated_share"] > 0.5).any()),
    }
    ratios = [float(np.log(delivered_share(after, w) / delivered_share(before, w)).mean()) for w in law]
    names = ("top_volume_change_pct", "top_volume_change_low_pct", "top_volume_change_high_pct")
    ordered = [ratios[0], min(ratios), max(ratios)]
    changes = [100 * math.expm1(ratio) if same_law else None for ratio in ordered]
    return found | dict(zip(names, changes, strict=True))
