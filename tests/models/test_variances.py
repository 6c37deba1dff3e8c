"""The covariance of one car's rows: what it is made of, and that it is learned back from simulated rows."""

from dataclasses import astuple, replace

import numpy as np
import pytest
from scipy.stats import multivariate_normal

from models.design_matrix import car_basis
from models.learning import Fleet
from models.variances import Noise, learn_noise, log_likelihood, unmeasured, within


def test_within_adds_log_pull_and_cell(arrays: Fleet) -> None:
    rows, part, noise = arrays.rows, arrays.rows.of(0), Noise()
    V = within(rows, part, noise)
    own = noise.log**2 + noise.pull**2 / rows.pulls_of_log[part] + noise.cell**2 / rows.pulls[part]
    plain = ~rows.saturated[part]
    assert np.diag(V)[plain] == pytest.approx(own[plain], abs=2e-8)
    different = rows.log[part][:, None] != rows.log[part][None, :]
    assert (V[different] == 0).all()
    assert np.array_equal(V, V.T)
    assert np.linalg.eigvalsh(V).min() > 0


def test_an_unlogged_barometer_is_common_to_a_log_and_other_things_to_a_spell(arrays: Fleet) -> None:
    n = len(arrays.rows.z)
    rows = replace(
        arrays.rows, barometer_sd=np.full(n, 0.015), ethanol_sd=np.full(n, 0.02), unlogged_sd=np.full(n, 0.03)
    )
    part = rows.of(0)
    same = rows.log[part][:, None] == rows.log[part][None, :]
    added = within(rows, part, Noise()) - within(arrays.rows, part, Noise())
    assert added[same] == pytest.approx(0.015**2)
    assert (added[~same] == 0).all()
    assert unmeasured(rows, part) == pytest.approx(0.02**2 + 0.03**2)


def test_the_likelihood_is_scipys_up_to_its_constant() -> None:
    rng = np.random.default_rng(1)
    A = rng.normal(size=(6, 6))
    V, r = A @ A.T + np.eye(6), rng.normal(size=6)
    assert log_likelihood(r, V) - 3 * np.log(2 * np.pi) == pytest.approx(multivariate_normal(cov=V).logpdf(r))


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
