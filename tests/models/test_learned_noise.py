"""The likelihood of a fleet's rows against another one's, and noise that comes back from simulated rows."""

from dataclasses import astuple, replace

import numpy as np
import pytest
from scipy.stats import multivariate_normal

from models.engine_speed import car_basis
from models.learned_noise import batch_of, learn_noise, log_likelihoods
from models.learning import Fleet
from models.log_sums import common_covariance, log_batches
from models.variances import Noise, unmeasured, within


def test_the_likelihood_is_scipys_up_to_its_constant(arrays: Fleet) -> None:
    n, rng = len(arrays.rows.z), np.random.default_rng(1)
    rows = replace(arrays.rows, ethanol_sd=np.full(n, 0.02), unlogged_sd=rng.uniform(0.0, 0.03, n))
    r = 0.02 * rng.normal(size=n)
    batches = [batch_of(rows, unit, index, r) for unit, index in log_batches(rows, np.array([0, 3]))]
    found = log_likelihoods(rows, batches, common_covariance(SPREAD), TRUTH)
    for unit in (0, 3):
        part = rows.of(unit)
        basis = car_basis(rows.z[part])
        V = within(rows, part, TRUTH) + unmeasured(rows, part) + basis @ SPREAD @ basis.T
        size = part.stop - part.start
        assert found[unit] - size / 2 * np.log(2 * np.pi) == pytest.approx(multivariate_normal(cov=V).logpdf(r[part]))
    assert found[1] == 0.0  # not asked for


TRUTH = Noise(log=0.020, pull=0.012, cell=0.018, neighbour=0.5)
SPREAD = np.diag([0.03, 0.01, 0.01]) ** 2


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_known_noise_comes_back(arrays: Fleet, seed: int) -> None:
    # 24 cars, about 100 logs of 1 to 4 pulls: the log's sd is known to 1 / sqrt(2 x 76) = 8 %, cells far better,
    # the pull's badly (it is told from the log's only where logs differ in pulls) and its prior pulls it to .008
    rows, rng = arrays.rows, np.random.default_rng(seed)
    residual = np.zeros(len(rows.z))
    for unit in range(rows.units):
        part = rows.of(unit)
        V = within(rows, part, TRUTH) + car_basis(rows.z[part]) @ SPREAD @ car_basis(rows.z[part]).T
        residual[part] = np.linalg.cholesky(V) @ rng.normal(size=part.stop - part.start)
    residual[rows.saturated] = 0.0
    found = learn_noise(rows, residual, SPREAD, np.ones(rows.units), Noise(), range(rows.units))
    log, pull, cell, neighbour = astuple(found)
    assert np.hypot(log, pull) == pytest.approx(np.hypot(TRUTH.log, TRUTH.pull), rel=0.30)
    assert cell == pytest.approx(TRUTH.cell, rel=0.10)
    assert neighbour == pytest.approx(TRUTH.neighbour, abs=0.08)


def test_without_cars_the_prior_stays(arrays: Fleet) -> None:
    found = learn_noise(arrays.rows, np.zeros(len(arrays.rows.z)), SPREAD, np.ones(arrays.rows.units), Noise(), [])
    assert astuple(found)[:3] == pytest.approx(astuple(Noise())[:3], rel=0.05)
