"""The figure as estimated, worked back from what a study shows, against the numbers the study started from."""

import numpy as np
import polars as pl
import pytest

from models.excess import excess_interval
from models.schemas import Study
from reports.as_estimated import as_estimated

TAU = 0.024


def _shown(estimate: np.ndarray, error: np.ndarray, freedom: float) -> pl.DataFrame:
    """What a study writes, rounded as it rounds. estimate, error: ln(volume)."""
    figures = np.array([excess_interval(d, s**2, TAU**2, freedom) for d, s in zip(estimate, error, strict=True)])
    z = estimate / np.hypot(error, TAU)
    names = ("excess_pct", "excess_low_pct", "excess_high_pct")
    shown = {name: 100 * np.expm1(figures[:, k]) for k, name in enumerate(names)} | {"level_z": z}
    return pl.DataFrame(shown).with_columns(pl.all().round(3))


@pytest.mark.parametrize("freedom", [6.0, 30.0, 400.0])
def test_estimate_and_its_error_come_back(freedom: float) -> None:
    rng = np.random.default_rng(4)
    error = rng.uniform(0.01, 0.05, 300)
    estimate = rng.normal(0, np.hypot(error, TAU)) + np.where(np.arange(300) < 40, rng.uniform(0.05, 0.2, 300), 0.0)
    told = as_estimated(_shown(estimate, error, freedom), 100 * TAU)
    z = np.abs(estimate) / np.hypot(error, TAU)
    assert {0, 1, 2} == set(np.digitize(z, [2.0, 3.0]))  # shrunk, half shrunk, not shrunk
    assert told["error_pct"].to_numpy() == pytest.approx(100 * error, rel=0.02)
    assert told["estimate_pct"].to_numpy() == pytest.approx(100 * estimate, rel=0.02, abs=0.02)


def test_car_with_much_evidence_is_not_told_to_have_less_for_being_like_its_peers() -> None:
    # the shown interval of a car with no evidence at all is as narrow as the spread between healthy cars
    told = as_estimated(_shown(np.array([0.03, 0.03, -0.02]), np.array([0.005, 0.2, 0.02]), 30.0), 100 * TAU)
    shown = _shown(np.array([0.03, 0.03, -0.02]), np.array([0.005, 0.2, 0.02]), 30.0)
    half = (shown["excess_high_pct"] - shown["excess_low_pct"]) / 2
    assert half[1] < 6
    assert told["error_pct"][1] > 15


def test_without_a_spread_or_a_figure_nothing_is_told(study: Study, small_study: Study) -> None:
    assert as_estimated(study.cars, None)["error_pct"].null_count() == study.cars.height
    assert as_estimated(small_study.cars, 2.4)["error_pct"].null_count() == small_study.cars.height
    assert as_estimated(study.cars.clear(), 2.4).height == 0
