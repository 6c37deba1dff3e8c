"""Two simpler ways to single out cars, on the same cells: a rule of thumb, and a regressor that learns by itself."""

import sys
from pathlib import Path

import numpy as np
import polars as pl
from numpy.typing import NDArray
from sklearn.ensemble import HistGradientBoostingRegressor
from sklearn.model_selection import GroupKFold

sys.path.insert(0, str(Path(__file__).parent))

from many_fleets import TODAY

from models.fleet import gather, window
from synthetic_fleet.direct_cells import DirectFleet

Array = NDArray[np.float64]

MAD_SD = 1.4826  # of a normal distribution: standard deviation over median absolute deviation
MAD_MIN_PCT = 0.3  # duty points: a setup of three like cars is no proof of a spread of nothing
WORDS = ("engine", "pump", "boost_hardware", "calibration")


def observations(fleet: DirectFleet) -> pl.DataFrame:
    when = window("2026Q3", fleet.ledger, TODAY)
    return gather(fleet.cells, fleet.pulls, fleet.ledger, fleet.roster, when, TODAY).observations


def median_rule(cells: pl.DataFrame) -> pl.DataFrame:
    """label, score: raw duty against the setup's median by band, in median absolute deviations.

    The score is the largest mean over a third of the rev range or over all of it.
    """
    car = cells.group_by("label", "setup", "band_rpm").agg(pl.col("duty_pct").median())
    own, keys = pl.col("duty_pct") - pl.col("duty_pct").median().over("setup", "band_rpm"), ("setup", "band_rpm")
    away = car.with_columns(away=own)
    mad = (pl.col("away").abs().median().over(keys)).clip(lower_bound=MAD_MIN_PCT) * MAD_SD
    return _largest(away.with_columns(z=pl.col("away") / mad))


def boosted_trees(cells: pl.DataFrame, folds: int = 5) -> pl.DataFrame:
    """label, score: duty beyond what trees that rise with demand foretell of a car they have not seen.

    Its mean over a third of the rev range, or over all of it, in the fleet's own median absolute deviations.
    """
    codes = [cells[name].rank("dense").to_numpy().astype(float) - 1 for name in WORDS]
    X = np.column_stack([cells["demand"].log().to_numpy(), cells["band_rpm"].to_numpy(), *codes])
    y, cars = cells["duty_pct"].to_numpy(), cells["label"].rank("dense").to_numpy()
    told = np.empty(len(y))
    rising, words = [1, *[0] * (X.shape[1] - 1)], list(range(2, X.shape[1]))
    trees = HistGradientBoostingRegressor(
        monotonic_cst=rising, categorical_features=words, max_iter=120, random_state=0
    )
    for teach, ask in GroupKFold(min(folds, len(np.unique(cars)))).split(X, y, cars):
        told[ask] = trees.fit(X[teach], y[teach]).predict(X[ask])
    residual = cells.select("label", "band_rpm").with_columns(z=pl.Series(y - told))
    parts = _parts(residual.group_by("label", "band_rpm").agg(pl.col("z").mean()))
    names = [name for name in parts.columns if name != "label"]
    robust = [
        (pl.col(n) - pl.col(n).median()) / (MAD_SD * (pl.col(n) - pl.col(n).median()).abs().median()) for n in names
    ]
    return parts.select("label", score=pl.max_horizontal(robust))


def _parts(banded: pl.DataFrame) -> pl.DataFrame:
    """label and the mean of z over all, low, middle and high engine speeds."""
    z, band = pl.col("z"), pl.col("band_rpm")
    return banded.group_by("label").agg(
        all=z.mean(),
        low=z.filter(band < 3750).mean(),
        middle=z.filter((band >= 3750) & (band < 5250)).mean(),
        high=z.filter(band >= 5250).mean(),
    )


def _largest(banded: pl.DataFrame) -> pl.DataFrame:
    return _parts(banded).select("label", score=pl.max_horizontal(pl.exclude("label")))
