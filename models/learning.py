"""The rounds in which expectation, duty law, noise, healthy spread and weights settle together."""

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
import polars as pl
from numpy.typing import NDArray

from models.design_matrix import CellArrays, Design, Rows
from models.duty_law import RoundShares, choose_round_share
from models.evidence import probability_healthy
from models.excess import FourNumbers, SpreadPrior, estimate, healthy_spread
from models.expected_duty import Block, Expectation, block, fit, leave_out, profile_round_share
from models.variances import Noise, learn_noise, unmeasured, within

Array = NDArray[np.float64]


@dataclass(frozen=True)
class LearningRule:
    """rounds: in all. noise_rounds, law_rounds: in which noise and duty law are learned anew.

    weight_min: the least a car teaches. group_weight_min: where a setup or engine keeps less than half of its
    cars' weight its cars get at least this, so that it is still described, if badly.
    noise_cars: at most so many teach the noise. calm_ln_sd: duty law from cells whose pressure moved less than this.
    """

    rounds: int = 10
    noise_rounds: tuple[int, ...] = (1, 5)
    law_rounds: tuple[int, ...] = (0, 3, 6)
    weight_min: float = 0.02
    group_weight_min: float = 0.5
    noise_cars: int = 200
    calm_ln_sd: float = 0.03
    grid: tuple[float, ...] = tuple(np.linspace(0.0, 1.0, 11).tolist())


@dataclass(frozen=True)
class Learned:
    """Everything the rounds end with. residual: (rows,) of each car against the expectation it has not taught.

    own_variance: (rows,) variance of that expectation at each row. y: (rows,) ln(volume / demand).
    """

    law: RoundShares
    noise: Noise
    spread: Array
    weights: Array
    healthy: Array
    expectation: Expectation
    numbers: FourNumbers
    residual: Array
    own_variance: Array
    y: Array


@dataclass(frozen=True)
class Fleet:
    """What the rounds work on. calm: the same for cells whose demand hardly moved. cars: (units,) number of the car."""

    rows: Rows
    cells: CellArrays
    design: Design
    frame: pl.DataFrame
    cars: NDArray[np.int64]
    unit_family: NDArray[np.int64]
    calm: tuple[Rows, CellArrays, Design] | None
    families: tuple[str, ...]


def learn(fleet: Fleet, rule: LearningRule = LearningRule(), prior: SpreadPrior = SpreadPrior()) -> Learned:
    """Run the rounds. Deterministic: the same fleet gives the same result."""
    units, n = fleet.rows.units, len(fleet.rows.z)
    start = np.full(len(fleet.families), 0.5)
    law = RoundShares(fleet.families, start, np.zeros_like(start), np.ones_like(start))
    noise, spread, weights, healthy = Noise(), prior.covariance, np.ones(units), np.ones(units)
    prior_sd = fleet.design.prior_sd
    for number in range(rule.rounds):
        if number in rule.law_rounds:
            law = learn_law(fleet, law, noise, spread, weights, prior_sd, rule)
        y = fleet.cells.volume(law.values, n)
        expectation, A, b = fit(fleet.rows, fleet.design, y, noise, spread[:3, :3], weights, prior_sd)
        prior_sd = expectation.prior_sd
        numbers, residual, own = judge_all(fleet, y, noise, spread, weights, A, b)
        healthy = probability_healthy(numbers, spread)
        spread = healthy_spread(numbers, spread, healthy, prior)
        weights = teaching_weights(fleet.frame, fleet.rows, healthy, rule)
        if number in rule.noise_rounds:
            chosen = np.flatnonzero(numbers.judged)[: rule.noise_cars].tolist()
            noise = learn_noise(fleet.rows, residual, spread[:3, :3], healthy, noise, chosen)
    return Learned(law, noise, spread, weights, healthy, expectation, numbers, residual, own, y)


def learn_law(
    fleet: Fleet, law: RoundShares, noise: Noise, spread: Array, weights: Array, prior_sd: Array, rule: LearningRule
) -> RoundShares:
    """The duty law of each family from the calm cells; as it was where there are none."""
    if fleet.calm is None:
        return law
    rows, cells, design = fleet.calm
    n, grid = len(rows.z), np.array(rule.grid)
    every = [np.full(len(law.family), share) for share in grid]
    responses = np.column_stack([cells.volume(share, n) for share in every])
    jacobians = np.column_stack([cells.log_jacobian(share, n) for share in every])
    chosen = np.array([int(np.argmin(np.abs(grid - value))) for value in law.values])
    unit_of = {spell: unit for unit, spell in enumerate(fleet.rows.spells.tolist())}
    back = np.array([unit_of[spell] for spell in rows.spells.tolist()])
    curves = profile_round_share(
        rows, design, responses, jacobians, noise, spread[:3, :3], weights[back], prior_sd, fleet.unit_family[back], chosen
    )  # fmt: skip
    return replace(law, **dict(zip(("values", "low", "high"), choose_round_share(curves, grid), strict=True)))


def judge_all(
    fleet: Fleet, y: Array, noise: Noise, spread: Array, weights: Array, A: Array, b: Array
) -> tuple[FourNumbers, Array, Array]:
    """Each car by the expectation that its own rows, under any setup, have not taught."""
    units, n = fleet.rows.units, len(fleet.rows.z)
    values, covariance = np.zeros((units, 4)), np.zeros((units, 4, 4))
    judged, dated, passed = np.zeros(units, bool), np.zeros(units, bool), np.full(units, 0.5)
    residual, own_variance = np.zeros(n), np.zeros(n)
    for members, taken in _by_car(fleet, y, noise, spread):
        coefficients, uncertainty = leave_out(A, b, taken, [weights[unit] for unit in members])
        for unit in members:
            part = fleet.rows.of(unit)
            X = fleet.design.X[part]
            residual[part] = y[part] - X @ coefficients
            own = X @ uncertainty @ X.T
            own_variance[part] = np.diag(own)
            V = within(fleet.rows, part, noise) + unmeasured(fleet.rows, part) + own
            one = estimate(fleet.rows, part, residual[part], V)
            values[unit], covariance[unit], judged[unit], dated[unit], passed[unit] = one
    return FourNumbers(values, covariance, judged, dated, passed), residual, own_variance


def _by_car(fleet: Fleet, y: Array, noise: Noise, spread: Array) -> Iterator[tuple[list[int], list[Block]]]:
    """Spells of one car with their blocks, car by car."""
    for car in np.unique(fleet.cars):
        members = np.flatnonzero(fleet.cars == car).tolist()
        yield members, [block(fleet.rows, fleet.design, unit, y, noise, spread[:3, :3]) for unit in members]


def teaching_weights(frame: pl.DataFrame, rows: Rows, healthy: Array, rule: LearningRule) -> Array:
    """How much each spell teaches: its probability of being healthy, within the rule's limits. (units,)"""
    weights = np.clip(healthy, rule.weight_min, 1.0)
    first = frame[rows.starts[:-1].tolist()]
    for column in ("setup", "engine"):
        for name in first[column].unique().to_list():
            members = (first[column] == name).to_numpy()
            if weights[members].mean() < 0.5:
                weights[members] = np.maximum(weights[members], rule.group_weight_min)
    return np.asarray(weights)
