"""The expectation: pooled regression of ln(volume / demand), each car judged by one that it has not taught.

Rows of one car are correlated, so cars enter as blocks: A = P + sum w X'V^-1 X, b = sum w X'V^-1 y, with P the
prior precision and w a car's weight; without car c it is (A - w_c A_c)^-1 (b - w_c b_c), exactly, for given
weights, duty law and variances. Source: Henderson 1975, Biometrics 31:423 (mixed model equations); deletion by
subtracting a block is the same algebra.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import cho_factor, cho_solve, cholesky, solve_triangular

from models.columns import Columns
from models.design_matrix import Design, Rows
from models.engine_speed import car_basis
from models.log_sums import LogSums, add_up, apart, common_covariance, log_sums
from models.variances import Noise, unmeasured, within

Array = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True)
class Block:
    """One spell's normal equations. A: (k, k) X'V^-1 X. b: (k, m) X'V^-1 Y. yy: (m,) y'V^-1 y."""

    A: Array
    b: Array
    yy: Array


@dataclass(frozen=True)
class Expectation:
    """coefficients: (k,). covariance: (k, k). prior_sd: (k,) with the learned ones filled in."""

    coefficients: Array
    covariance: Array
    prior_sd: Array


def block(rows: Rows, design: Design, unit: int, y: Array, noise: Noise, spread: Array) -> Block:
    """The normal equations of one spell. y: (rows,) or (rows, m) for m responses at once. spread: (3, 3)."""
    part = rows.of(unit)
    basis = car_basis(rows.z[part])
    V = within(rows, part, noise) + unmeasured(rows, part) + basis @ spread @ basis.T
    lower = cholesky(V, lower=True, check_finite=False)
    both = np.column_stack([design.X[part], y[part]])
    white = solve_triangular(lower, both, lower=True, check_finite=False)
    X, Y = white[:, : design.X.shape[1]], white[:, design.X.shape[1] :]
    return Block(X.T @ X, X.T @ Y, (Y * Y).sum(axis=0))


def fit(
    rows: Rows,
    design: Design,
    y: Array,
    noise: Noise,
    spread: Array,
    weights: Array,
    prior_sd: Array,
    sums: LogSums | None = None,
) -> tuple[Expectation, Array, Array]:
    """The expectation taught by all spells; A (k, k) and b (k,) with it, for leaving cars out.

    y: (rows,) ln(volume / demand). weights: (units,) in 0..1. prior_sd: (k,); learned ones are updated once.
    sums: of these rows, where they are known already.
    """
    k = design.X.shape[1]
    sums = sums or log_sums(rows, design.X, y, noise)
    data, b, _ = normal_equations(rows, design.X, sums, spread, weights)
    b = b[:, 0]
    for _ in range(3):  # the pooled sd and the coefficients settle together
        factor = cho_factor(data + np.diag(prior_sd**-2.0), check_finite=False)
        coefficients = cho_solve(factor, b, check_finite=False)
        covariance = cho_solve(factor, np.eye(k), check_finite=False)
        if design.learned.any():
            now = float(prior_sd[design.learned][0])
            prior_sd = np.where(design.learned, pooled_sd(coefficients, covariance, design.learned, now), prior_sd)
    A = data + np.diag(prior_sd**-2.0)
    covariance = np.asarray(np.linalg.inv(A), dtype=np.float64)
    return Expectation(covariance @ b, covariance, prior_sd), A, b


UNITS_AT_ONCE = 1024


def normal_equations(
    rows: Rows, X: Columns, sums: LogSums, spread: Array, weights: Array
) -> tuple[Array, Array, Array]:
    """Sums over spells of w X'V^-1 X (k, k), w X'V^-1 Y (k, m) and w y'V^-1 y (m,); V of whole spells.

    Spells of one setup have the same columns and are added before they are put in their places.
    """
    L, k, K = sums.width, X.shape[1], common_covariance(spread)
    kind, size = X.kind[rows.starts[:-1]], len(sums.taught)
    by_kind = np.zeros((len(X.where), size, size))
    order = np.argsort(kind, kind="stable")
    order = order[weights[order] > 0]
    for start in range(0, len(order), UNITS_AT_ONCE):
        part = order[start : start + UNITS_AT_ONCE]
        add_up(kind[part], weights[part, None, None] * apart(sums.every[part], sums.taught, sums.common, K), by_kind)
    data, b = np.zeros((k, k)), np.zeros((k, size - L))
    for where, own in zip(X.where, by_kind, strict=True):
        data[np.ix_(where, where)] += own[np.ix_(X.which, X.which)]
        b[where] += own[X.which, L:]
    return data, b, np.asarray(by_kind[:, np.arange(L, size), np.arange(L, size)].sum(axis=0))


def pooled_sd(
    coefficients: Array, covariance: Array, learned: NDArray[np.bool_], now: float = 0.02, start: float = 0.02
) -> float:
    """Common standard deviation of the partially pooled effects, with ten effects' worth of prior at `start`.

    sqrt((sum(theta^2) + 10 start^2) / (g + 10)), g = k - sum(var) / now^2 the number of effects the data determine:
    the fixed point of expectation-maximisation, reached sooner. Source: MacKay 1992, Neural Computation 4:415.
    """
    determined = learned.sum() - np.diag(covariance)[learned].sum() / now**2
    squares = (coefficients[learned] ** 2).sum()
    return float(np.sqrt((squares + 10 * start**2) / (max(determined, 0.0) + 10)))


def leave_out(A: Array, b: Array, taken: list[Block], weights: list[float]) -> tuple[Array, Array]:
    """Coefficients and covariance without the given blocks, which belong to one car. (k,), (k, k)"""
    rest = A - sum(w * one.A for w, one in zip(weights, taken, strict=True))
    b_rest = b - sum(w * one.b[:, 0] for w, one in zip(weights, taken, strict=True))
    factor = cho_factor(rest, check_finite=False)
    return (
        cho_solve(factor, b_rest, check_finite=False),
        cho_solve(factor, np.eye(len(b)), check_finite=False),
    )


def profile_round_share(
    rows: Rows,
    design: Design,
    responses: Array,
    jacobians: Array,
    noise: Noise,
    spread: Array,
    weights: Array,
    prior_sd: Array,
    family: Ints,
    chosen: Ints,
) -> Array:
    """Log-likelihood of each family at each round share, the other families held at `chosen`. (families, grid)

    responses, jacobians: (rows, grid) of ln(volume / demand) and its log-Jacobian. family: (units,) of each spell.
    chosen: (families,) index into the grid. The expectation's coefficients are profiled out.
    """
    X, k, count, grid = design.X, design.X.shape[1], len(chosen), responses.shape[1]
    sums = log_sums(rows, X, responses, noise)
    data, b = np.zeros((k, k)), np.zeros((count, k, grid))
    quadratic, jacobian = np.zeros((count, grid)), np.zeros((count, grid))
    for name in range(count):
        own = np.where(family == name, weights, 0.0)
        one, b[name], quadratic[name] = normal_equations(rows, X, sums, spread, own)
        data += one
        jacobian[name] = np.repeat(own, np.diff(rows.starts)) @ jacobians
    factor = cho_factor(data + np.diag(prior_sd**-2.0), check_finite=False)
    current = chosen.copy()
    result = np.zeros((count, grid))
    for _ in range(6):  # coordinate ascent: families share the curve, so each step moves the others a little
        for name in range(count):
            others = [other for other in range(count) if other != name]
            fixed = b[others, :, current[others]].sum(axis=0)
            total = b[name] + fixed[:, None]
            explained = (total * cho_solve(factor, total, check_finite=False)).sum(axis=0)
            rest = quadratic[others, current[others]].sum()
            result[name] = -0.5 * (quadratic[name] + rest - explained) + jacobian[name]
            current[name] = int(np.argmax(result[name]))
    return result
