"""Excess against evidence, with control limits: who stands out of the fleet by more than chance.

Limits as in Spiegelhalter, Statistics in Medicine 24 (2005) 1185, doi 10.1002/sim.1970: 95 % and 99.8 %, that
is 1.95996 and 3.09023 standard errors, widened by the spread between cars (additive over-dispersion, z-scores
winsorised 10 % at each end). The figures are those estimated, not yet drawn towards the peers'; limits are reckoned
in logarithms of volume, and drawn in per cent.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from statistics import NormalDist

import numpy as np
import polars as pl

from reports.charts.chart import Chart
from reports.charts.encodings import apart

HEIGHT_PX = 360
LABELS_MOST = 10  # more would be a knot of lines; the table names all
BEYOND = ("within", "beyond 95 %", "beyond 99.8 %")
HEADINGS = {
    "name": "car",
    "signal": "signal",
    "excess_pct": "excess as measured (% of volume)",
    "error_pct": "standard error (%)",
    "beyond": "limits",
}


@dataclass(frozen=True)
class FunnelRule:
    """Two-sided levels of the control limits, and the share of z-scores winsorised at each end."""

    levels: tuple[float, float] = (0.95, 0.998)
    winsorised_share: float = 0.10

    def z(self) -> tuple[float, float]:
        """Limits in standard errors.

        >>> [round(z, 5) for z in FunnelRule().z()]
        [1.95996, 3.09023]
        """
        inner, outer = (NormalDist().inv_cdf(0.5 + level / 2) for level in self.levels)
        return inner, outer


def spread_between_cars(
    excess_pct: np.ndarray, error_pct: np.ndarray, target_pct: float = 0.0, winsorised_share: float = 0.10
) -> float:
    """Additive over-dispersion (standard deviation) of values about a target, by moments. [same unit]

    With target at the weighted mean and nothing winsorised it is the estimator of DerSimonian and Laird.
    """
    count = excess_pct.size
    if count < 3:
        return 0.0
    z = (excess_pct - target_pct) / error_pct
    cut = int(np.floor(winsorised_share * count))
    ordered = np.sort(z)
    z = np.clip(z, ordered[cut], ordered[count - 1 - cut])
    weight = 1 / error_pct**2
    surplus = float((z**2).sum()) - (count - 1)
    return float(np.sqrt(max(0.0, surplus / (weight.sum() - (weight**2).sum() / weight.sum()))))


def draw(cars: pl.DataFrame, words: Mapping[str, str], rule: FunnelRule | None = None) -> Chart | None:
    """The funnel of a fleet, or None where fewer than three cars have a figure.

    cars: name, signal (code), and estimate_pct with its standard error error_pct as reports.as_estimated gives them.
    """
    rule = rule or FunnelRule()
    known = cars.filter(pl.col("estimate_pct").is_not_null() & (pl.col("error_pct") > 0))
    if known.height < 3:
        return None
    estimate, error = known["estimate_pct"].to_numpy(), known["error_pct"].to_numpy()
    tau = spread_between_cars(estimate, error, winsorised_share=rule.winsorised_share)
    limits = _limits(error, tau, rule)
    far = np.abs(estimate) / np.hypot(error, tau)
    points = known.select("name", "signal").with_columns(
        excess_pct=pl.Series(_in_per_cent(estimate)), error_pct=pl.Series(error), evidence=pl.Series(1 / error),
        far=pl.Series(far), beyond=pl.Series(np.digitize(far, rule.z())),
    )  # fmt: skip
    labels = _labels(points, limits)
    points = (
        points.drop("far")
        .sort("excess_pct", descending=True)
        .with_columns(
            pl.col("signal").replace(words),
            pl.col("beyond").replace_strict(dict(enumerate(BEYOND)), return_dtype=pl.String),
        )
    )
    return Chart(
        "funnel",
        {"rows": points, "limits": limits, "labels": labels},
        HEADINGS,
        _sentence(points, tau),
    )


def _in_per_cent(logarithm_pct: np.ndarray) -> np.ndarray:
    """100 ln(volume) as per cent of volume."""
    return np.asarray(100 * np.expm1(logarithm_pct / 100))


def _limits(error_pct: np.ndarray, tau_pct: float, rule: FunnelRule) -> pl.DataFrame:
    evidence = np.linspace(1 / error_pct.max() * 0.9, 1 / error_pct.min() * 1.05, 40)
    wide = np.hypot(1 / evidence, tau_pct)
    inner, outer = rule.z()
    return pl.DataFrame(
        {
            "evidence": evidence,
            "inner_low": _in_per_cent(-inner * wide),
            "inner_high": _in_per_cent(inner * wide),
            "outer_low": _in_per_cent(-outer * wide),
            "outer_high": _in_per_cent(outer * wide),
        }
    )


def _labels(points: pl.DataFrame, limits: pl.DataFrame) -> pl.DataFrame:
    """Where the names of cars beyond a limit stand: in a column at the right edge, none over another."""
    chosen = points.filter(pl.col("beyond") > 0).sort("far", descending=True).head(LABELS_MOST)
    ends = [*points["excess_pct"], limits["outer_low"].min(), limits["outer_high"].max()]
    low, high = float(min(ends)), float(max(ends))
    gap = (high - low) * 15 / HEIGHT_PX
    edge = limits["evidence"].max()
    return chosen.select("name", "evidence", "excess_pct").with_columns(
        edge=pl.lit(edge),
        label_at=pl.Series(apart(chosen["excess_pct"].to_list(), gap, low, high), dtype=pl.Float64),
    )


def _sentence(points: pl.DataFrame, tau_pct: float) -> str:
    outer = points.filter(pl.col("beyond") == BEYOND[2]).height
    inner = points.filter(pl.col("beyond") == BEYOND[1]).height
    return (
        f"Excess as measured of {points.height} cars against how much evidence there is for it: {outer} beyond the "
        f"99.8 % limit, {inner} more beyond the 95 % limit; the limits allow for a spread of {tau_pct:.1f} % "
        "between cars."
    )
