"""Against scipy.stats, which the rooms do not load, and against tables; far into the tails."""

import numpy as np
import pytest
from scipy import stats

from models.distributions import (
    beta_quantile,
    chi2_quantile,
    normal_log_density,
    normal_log_tail,
    normal_quantile,
    poisson_tail,
    t_quantile,
    t_tail,
)

P = np.r_[1e-300, 1e-15, 1e-9, 0.01, 0.2, 0.5, 0.9, 0.975, 1 - 1e-9]
X = np.r_[-1e3, -40.0, -8.0, -1.0, 0.0, 1.0, 8.0, 40.0, 1e3]
FREEDOM = np.array([[1.0], [3.0], [7.5], [60.0], [1e4]])
SAME = {"rtol": 1e-12, "atol": 0.0}


def test_normal_agrees_with_scipy_stats_far_into_its_tails() -> None:
    np.testing.assert_allclose(normal_quantile(P), stats.norm.ppf(P), **SAME)
    np.testing.assert_allclose(-normal_quantile(P), stats.norm.isf(P), **SAME)
    np.testing.assert_allclose(normal_log_density(X), stats.norm.logpdf(X), **SAME)
    np.testing.assert_allclose(normal_log_tail(X), stats.norm.logsf(X), **SAME)


def test_student_agrees_with_scipy_stats_far_into_its_tails() -> None:
    np.testing.assert_allclose(t_tail(X, FREEDOM), stats.t.sf(X, FREEDOM), **SAME)
    np.testing.assert_allclose(t_tail(-X, FREEDOM), stats.t.cdf(X, FREEDOM), **SAME)
    np.testing.assert_allclose(t_quantile(P, FREEDOM), stats.t.ppf(P, FREEDOM), **SAME)


def test_the_others_agree_with_scipy_stats() -> None:
    inner = P[(P > 1e-20)]
    np.testing.assert_allclose(chi2_quantile(inner, FREEDOM), stats.chi2.ppf(inner, FREEDOM), **SAME)
    np.testing.assert_allclose(beta_quantile(inner, 3.0, 8.0), stats.beta.ppf(inner, 3.0, 8.0), **SAME)
    events, mean = np.arange(1.0, 60.0), np.array([[1e-6], [0.03], [2.0], [50.0]])
    np.testing.assert_allclose(poisson_tail(events, mean), stats.poisson.sf(events - 1, mean), **SAME)


@pytest.mark.parametrize(
    ("found", "printed"),
    [  # Fisher & Yates' tables, from memory
        (normal_quantile(0.975), 1.959964),
        (t_quantile(0.975, 5), 2.570582),
        (chi2_quantile(0.95, 10), 18.307038),
    ],
)
def test_quantiles_of_printed_tables(found: float, printed: float) -> None:
    assert found == pytest.approx(printed, abs=1e-6)
