"""The rounds: repeatable, blind to a car's own logs, and robust against the cars they should find."""

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from models.design_matrix import LEFT_OUT
from models.excess import SpreadPrior
from models.learning import Fleet, Judged, Learned, LearningRule, at_least, learn, learn_law, teaching_weights
from models.variances import Noise
from models.working_response import working_response

Array = np.ndarray[Any, np.dtype[np.float64]]


@pytest.fixture(scope="module")
def learned(arrays: Fleet) -> Learned:
    return learn(arrays)


def test_the_same_fleet_teaches_the_same(arrays: Fleet, learned: Learned) -> None:
    again = learn(arrays)
    assert np.array_equal(again.expectation.coefficients, learned.expectation.coefficients)
    assert np.array_equal(again.spread, learned.spread)
    assert np.array_equal(again.judged.numbers.values, learned.judged.numbers.values)
    assert again.noise == learned.noise


def test_what_is_learned_is_within_its_range(learned: Learned, arrays: Fleet) -> None:
    assert ((learned.weights >= LearningRule().weight_min) & (learned.weights <= 1)).all()
    assert ((learned.healthy >= 0) & (learned.healthy <= 1)).all()
    assert (np.linalg.eigvalsh(learned.spread) > 0).all()
    assert ((learned.law.low <= learned.law.values) & (learned.law.values <= learned.law.high)).all()
    assert learned.law.family == arrays.families
    assert (learned.judged.own_variance > 0).all()
    assert learned.judged.residual == pytest.approx(learned.y - learned.judged.expected)


def test_a_car_is_judged_by_an_expectation_it_has_not_taught(arrays: Fleet) -> None:
    # whatever a car reads, what is expected of it stays, for given weights, law and variances: one round only
    rule = LearningRule(rounds=1, law_rounds=(), noise_rounds=())
    fixed = replace(arrays, design=replace(arrays.design, learned=np.zeros(len(arrays.design.learned), bool)))
    before = learn(fixed, rule).judged
    part = fixed.rows.of(5)
    mine = (fixed.cells.row >= part.start) & (fixed.cells.row < part.stop)
    moved = replace(fixed, cells=replace(fixed.cells, duty_pct=np.where(mine, 0.8, 1.0) * fixed.cells.duty_pct))
    after = learn(moved, rule).judged
    assert after.expected[part] == pytest.approx(before.expected[part], abs=1e-9)
    assert after.residual[part].mean() < before.residual[part].mean() - 0.1
    others = np.setdiff1d(np.arange(len(before.expected)), np.arange(part.start, part.stop))
    assert np.abs(after.expected[others] - before.expected[others]).max() > 1e-3


def test_a_sick_car_hardly_teaches_and_its_peers_hardly_move(arrays: Fleet, learned: Learned) -> None:
    part = arrays.rows.of(5)
    mine = (arrays.cells.row >= part.start) & (arrays.cells.row < part.stop)
    # 18 % less demand for the same duty: a fifth more volume than demand accounts for
    cells = replace(arrays.cells, ln_demand=arrays.cells.ln_demand - 0.2 * mine)
    sick = learn(replace(arrays, cells=cells))
    assert sick.healthy[5] < 0.05
    assert sick.weights[5] < 0.05
    others = np.arange(arrays.rows.units) != 5
    moved = sick.judged.numbers.values[others, 0] - learned.judged.numbers.values[others, 0]
    assert np.abs(moved).max() < 0.02
    # what was added is what comes out
    rise = sick.judged.numbers.values[5, 0] - learned.judged.numbers.values[5, 0]
    assert rise == pytest.approx(0.2, abs=0.03)


# ---- saturated rows


def at_ceiling(arrays: Fleet, rows: slice, learned: Learned) -> tuple[Array, Any, Judged]:
    saturated = np.zeros(len(arrays.rows.z), bool)
    saturated[rows] = True
    marked = replace(arrays.rows, saturated=saturated, extra_variance=np.where(saturated, LEFT_OUT, 0.0))
    return learned.judged.expected.copy(), marked, learned.judged


def test_a_saturated_row_becomes_the_plain_one_that_says_as_much(arrays: Fleet, learned: Learned) -> None:
    y, rows, judged = at_ceiling(arrays, slice(0, 3), learned)
    value, turned = at_least(y, rows, judged, learned.spread, Noise())
    assert (value[:3] > y[:3]).all()  # at least so much: the expected value lies beyond
    assert np.array_equal(value[3:], y[3:])
    assert ((turned.extra_variance[:3] > 0) & (turned.extra_variance[:3] <= LEFT_OUT)).all()
    assert (turned.extra_variance[3:] == 0).all()


def test_a_bound_far_below_what_was_expected_says_nothing(arrays: Fleet, learned: Learned) -> None:
    y, rows, judged = at_ceiling(arrays, slice(0, 3), learned)
    y[:3] -= 1.0
    _, turned = at_least(y, rows, judged, learned.spread, Noise())
    assert (turned.extra_variance[:3] == LEFT_OUT).all()
    # and one far above says nearly as much as a plain observation there
    plain, precision = working_response(np.zeros(1), np.full(1, 0.02), np.full(1, 0.5))
    assert plain[0] > 0.5
    assert precision[0] * 0.02**2 > 0.95


# ---- weights


def test_a_setup_of_mostly_sick_cars_is_still_described(arrays: Fleet) -> None:
    first = arrays.frame[arrays.rows.starts[:-1].tolist()]
    setup = first["setup"].value_counts().sort("count", "setup")["setup"][-1]
    members = (first["setup"] == setup).to_numpy()
    rule = LearningRule()
    healthy = np.where(members, 0.01, 1.0)
    weights = teaching_weights(arrays.frame, arrays.rows, healthy, rule)
    assert (weights[members] == rule.group_weight_min).all()
    one_sick = np.ones(arrays.rows.units)
    one_sick[np.flatnonzero(members)[0]] = 0.0
    assert teaching_weights(arrays.frame, arrays.rows, one_sick, rule)[members].min() == rule.weight_min


# ---- the duty law


def test_without_calm_cells_the_law_stays(arrays: Fleet, learned: Learned) -> None:
    restless = replace(arrays, calm=None)
    weights, prior_sd = np.ones(arrays.rows.units), arrays.design.prior_sd
    kept = learn_law(restless, learned.law, Noise(), SpreadPrior().covariance, weights, prior_sd, LearningRule())
    assert kept is learned.law
