"""What technicians found in cars that a study spoke of: how often something, and where it contradicts the study."""

from typing import Any

import polars as pl

from models.distributions import beta_quantile
from models.quarters import quarter_of

# one row a spell and study: what was said of it
SAID = {
    "quarter": pl.String,
    "label": pl.String,
    "setup": pl.String,
    "spell_since": pl.Date,
    "signal": pl.String,
    "logs": pl.Int32,
}
KEYS = ("label", "setup", "spell_since")


def said(cars: pl.DataFrame, quarter: str) -> pl.DataFrame:
    """CARS of a study -> SAID."""
    return cars.with_columns(quarter=pl.lit(quarter)).select(pl.col(name).cast(dtype) for name, dtype in SAID.items())


def outcome(every: pl.DataFrame, spells: pl.DataFrame) -> dict[str, Any]:
    """Inspections held against the signal, ready for JSON.

    every: SAID of this study and earlier ones. spells: the roster's rows with setup, since, found, found_on.
    An inspection answers the newest study, up to the quarter it was made in, in which that row of the roster had logs.
    Keys: inspected (`action` cars), with_finding, share with share_low and share_high (95 %), quarters (of the studies
    answered), undated (findings without a day), unmatched (with a day, but no study of the car before it),
    contradicting: rows of label, setup, quarter, signal, found, found_on where nothing was found in a car that needed
    attention, or something in one like its peers.
    No sensitivity and no specificity: who is inspected is chosen by the very signal.
    """
    found = spells.filter(pl.col("found").is_not_null() & (pl.col("found") != ""))
    dated = found.drop_nulls("found_on").select("label", "setup", "found", "found_on", spell_since="since")
    inspections = dated.with_columns(
        made_in=pl.Series([quarter_of(day) for day in dated["found_on"]], dtype=pl.String)
    ).with_row_index("inspection")
    answered = (
        inspections.join(every.filter(pl.col("logs") > 0), on=KEYS, nulls_equal=True)
        .filter(pl.col("quarter") <= pl.col("made_in"))
        .sort("inspection", "quarter")
        .unique("inspection", keep="last", maintain_order=True)
    )
    is_finding = pl.col("found") != "nothing"
    acted = answered.filter(pl.col("signal") == "action")
    inspected, with_finding = acted.height, acted.filter(is_finding).height
    low, high = share_interval(with_finding, inspected)
    against = ((pl.col("signal") == "action") & ~is_finding) | ((pl.col("signal") == "clear") & is_finding)
    contradicting = answered.filter(against).sort("quarter", *KEYS)
    return {
        "inspected": inspected,
        "with_finding": with_finding,
        "share": round(with_finding / inspected, 4) if inspected else None,
        "share_low": round(low, 4) if inspected else None,
        "share_high": round(high, 4) if inspected else None,
        "quarters": acted["quarter"].unique().sort().to_list(),
        "undated": found.height - dated.height,
        "unmatched": dated.height - answered.height,
        "contradicting": [
            row | {"found_on": row["found_on"].isoformat()}
            for row in contradicting.select("label", "setup", "quarter", "signal", "found", "found_on").to_dicts()
        ],
    }


def share_interval(hits: int, of: int, level: float = 0.95) -> tuple[float, float]:
    """Exact interval of a share. Source: Clopper & Pearson 1934, Biometrika 26:404, by quantiles of the beta.

    >>> share_interval(0, 0), share_interval(3, 3)[1]
    ((0.0, 1.0), 1.0)
    """
    tail = (1 - level) / 2
    low = float(beta_quantile(tail, hits, of - hits + 1)) if hits else 0.0
    high = float(beta_quantile(1 - tail, hits + 1, of - hits)) if hits < of else 1.0
    return low, high
