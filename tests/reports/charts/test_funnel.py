"""The funnel's limits and the spread between cars, against published figures."""

import numpy as np
import polars as pl
import pytest
from scipy.stats import norm
from statsmodels.stats.meta_analysis import combine_effects

from models.schemas import Study
from reports import wording
from reports.as_estimated import as_estimated
from reports.cards import named
from reports.charts import funnel

# nine laboratories of Kacker, Metrologia 41 (2004), table 1, as used in statsmodels' own tests
LABS = np.array([61, 61.4, 62.21, 62.3, 62.34, 62.6, 62.7, 62.84, 65.9])
VARIANCES = np.array([0.2025, 1.21, 0.09, 0.2025, 0.3844, 0.5625, 0.0676, 0.0225, 1.8225])


def _estimated(study: Study) -> pl.DataFrame:
    return as_estimated(named(study.cars), study.summary["model"]["tau_pct"])


def test_limits_are_those_of_spiegelhalter_2005() -> None:
    # 95 % and 99.8 %: 1.95996 and 3.09023 standard errors
    assert funnel.FunnelRule().z() == pytest.approx((1.95996, 3.09023), abs=5e-6)


def test_limits_draw_z_standard_errors_without_spread() -> None:
    error = np.full(12, 2.0)
    limits = funnel._limits(error, 0.0, funnel.FunnelRule())
    limits = limits.with_columns(pl.exclude("evidence").map_batches(lambda x: 100 * np.log1p(x / 100)))
    at = int(np.argmin(np.abs(limits["evidence"].to_numpy() - 0.5)))
    evidence = limits["evidence"][at]
    assert limits["inner_high"][at] == pytest.approx(norm.ppf(0.975) / evidence)
    assert limits["outer_low"][at] == pytest.approx(-norm.ppf(0.999) / evidence)


def test_spread_without_winsorising_is_dersimonian_laird() -> None:
    reference = combine_effects(LABS, VARIANCES, method_re="chi2")
    mean = float(np.average(LABS, weights=1 / VARIANCES))
    ours = funnel.spread_between_cars(LABS, np.sqrt(VARIANCES), mean, winsorised_share=0.0)
    assert ours == pytest.approx(np.sqrt(reference.tau2), rel=1e-9)
    assert ours == pytest.approx(0.5367, abs=5e-5)


def test_winsorising_keeps_one_far_car_from_widening_the_limits() -> None:
    rng = np.random.default_rng(3)
    excess = rng.normal(0, np.hypot(2, 1.5), 100)
    error = np.full(100, 2.0)
    excess[0] = 60.0
    assert funnel.spread_between_cars(excess, error) < funnel.spread_between_cars(excess, error, winsorised_share=0) / 2


def test_spread_is_found_again() -> None:
    # known truth: spread 3 between cars, errors of 1 to 3; winsorising takes a part of it, never adds
    rng = np.random.default_rng(11)
    error = rng.uniform(1, 3, 4000)
    excess = rng.normal(0, np.hypot(error, 3.0))
    assert funnel.spread_between_cars(excess, error, winsorised_share=0) == pytest.approx(3.0, rel=0.05)
    assert 1.5 < funnel.spread_between_cars(excess, error) < 3.0


def test_fleet_without_spread_gets_none() -> None:
    assert funnel.spread_between_cars(np.zeros(20), np.ones(20)) == 0.0


def test_names_beyond_the_limits_never_touch(large_study: Study) -> None:
    chart = funnel.draw(_estimated(large_study), wording.signal_words())
    assert chart is not None
    labels = chart.data["labels"].sort("label_at")["label_at"].to_numpy()
    ends = [*chart.data["rows"]["excess_pct"], *chart.data["limits"]["outer_low"], *chart.data["limits"]["outer_high"]]
    line = (max(ends) - min(ends)) * 12 / funnel.HEIGHT_PX  # height of twelve pixels of text
    assert len(labels) > 3
    assert np.diff(labels).min() >= line


def test_fewer_than_three_cars_give_no_funnel(study: Study) -> None:
    assert funnel.draw(_estimated(study).head(2), wording.signal_words()) is None
    nobody = _estimated(study).with_columns(estimate_pct=pl.lit(None, pl.Float64))
    assert funnel.draw(nobody, wording.signal_words()) is None
