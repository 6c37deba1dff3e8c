"""The highest duty each calibration commands, learned from the fleet's plateaus, and which cells touch it."""

from dataclasses import dataclass

import numpy as np
import polars as pl


@dataclass(frozen=True)
class PlateauRule:
    """When a pile of cells at one duty is a ceiling, and when a cell touches it.

    flat_share_min: share of a cell's samples within 0.3 points of its highest for it to be flat.
    lowest_pct: a plateau under this is no ceiling but an engine at rest with its demand.
    pile_min: flat cells needed at the top; pile_ratio: how many times as dense as just below it.
    touch_pct: a sample this close to the ceiling is at it.
    touch_share_min: share of a cell's samples at its highest for the cell to be saturated.
    """

    flat_share_min: float = 0.6
    lowest_pct: float = 85.0
    pile_min: int = 4
    pile_ratio: float = 1.5
    touch_pct: float = 0.5
    touch_share_min: float = 0.15


def ceilings(cells: pl.DataFrame, rule: PlateauRule = PlateauRule()) -> pl.DataFrame:
    """calibration, ceiling_pct, learned: one row a calibration, ordered; 100 % where no plateau was seen.

    cells: calibration, duty_max_pct, duty_top_share, samples of full-load cells.

    >>> flat = pl.DataFrame({"calibration": ["a"] * 6, "duty_max_pct": [97.5] * 6,
    ...                      "duty_top_share": [1.0] * 6, "samples": [5] * 6})
    >>> ceilings(flat).row(0)
    ('a', 97.5, True)
    """
    rows = []
    for (name,), group in cells.group_by("calibration", maintain_order=False):
        ceiling = _plateau(group, rule)
        rows.append((name, 100.0 if ceiling is None else ceiling, ceiling is not None))
    schema = {"calibration": pl.String, "ceiling_pct": pl.Float64, "learned": pl.Boolean}
    return pl.DataFrame(rows, schema=schema, orient="row").sort("calibration")


def tops(cells: pl.LazyFrame, calibrations: pl.Series, rule: PlateauRule = PlateauRule()) -> pl.DataFrame:
    """`ceilings` of cells that are read one by one: only those high enough to tell one are held.

    calibrations: all that the cells have.
    """
    wanted = ["calibration", "duty_max_pct", "duty_top_share", "samples"]
    high = cells.filter(pl.col("duty_max_pct") >= rule.lowest_pct - 2.0).select(wanted)
    found = ceilings(high.cast({"calibration": pl.Categorical}).collect(), rule).cast({"calibration": pl.String})
    filled = (
        calibrations.to_frame("calibration")
        .join(found, on="calibration", how="left")
        .with_columns(pl.col("ceiling_pct").fill_null(100.0), pl.col("learned").fill_null(False))
    )
    return filled.sort("calibration")


def _plateau(group: pl.DataFrame, rule: PlateauRule) -> float | None:
    """The duty at which this calibration's cells pile up, or None."""
    highest = group["duty_max_pct"].to_numpy()
    flat = (group["duty_top_share"].to_numpy() >= rule.flat_share_min) & (group["samples"].to_numpy() >= 3)
    tops = np.sort(highest[flat & (highest >= rule.lowest_pct)])[::-1]
    for top in tops:
        pile = int(np.sum(np.abs(tops - top) <= 0.3))
        below = int(np.sum((highest < top - 0.3) & (highest >= top - 1.5)))
        beyond = int(np.sum(highest > top + 1.0))
        if pile >= rule.pile_min and pile > rule.pile_ratio * below and beyond <= 0.1 * pile:
            return round(float(np.median(tops[np.abs(tops - top) <= 0.3])), 2)
    return None


def saturated(rule: PlateauRule = PlateauRule()) -> pl.Expr:
    """True where a cell holds samples at the ceiling; columns duty_max_pct, duty_top_share, ceiling_pct."""
    at_ceiling = pl.col("duty_max_pct") >= pl.col("ceiling_pct") - rule.touch_pct
    return at_ceiling & (pl.col("duty_top_share") >= rule.touch_share_min)
