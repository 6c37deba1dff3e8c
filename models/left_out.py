"""Every car by an expectation it has not taught, many at once, in the local columns of its rows.

With A = P + sum w X'V^-1 X and H the map from the k coefficients to a car's local columns, so that its share of A is
H'M H and of b is H'm: without the car, the local coefficients are (1 - D M)^-1 (H A^-1 b - D m), D = H A^-1 H', and
their covariance is (1 - D M)^-1 D. This is (A - H'M H)^-1 seen through H, exactly (Woodbury), for given weights, duty
law and variances; no matrix is wider than a car has local columns.
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import cho_factor, cho_solve

from models.columns import Columns
from models.design_matrix import Rows
from models.excess import QUARTER_DAYS, SLOPE, FourNumbers, SlopeRule, held, passed_share
from models.log_sums import LogSums, apart, common_covariance, even, log_batches

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

UNITS_AT_ONCE = 512


@dataclass(frozen=True)
class LeftOut:
    """Local coefficients of some spells' expectation without their cars, and their covariance.

    units: (n,) which spells. coefficients: (n, width). covariance: (n, width, width).
    """

    units: Ints
    coefficients: Array
    covariance: Array


def left_out(
    rows: Rows, X: Columns, cars: Ints, sums: LogSums, spread: Array, weights: Array, A: Array, b: Array
) -> Iterator[LeftOut]:
    """Some spells at a time. cars: (units,) number of the car behind each spell; a car leaves with all of its spells.

    spread: (3, 3) of healthy curves. weights: (units,) as in `fit`, which gave A and b.
    """
    factor = cho_factor(A, check_finite=False)
    covariance = cho_solve(factor, np.eye(len(b)), check_finite=False)
    coefficients = cho_solve(factor, b, check_finite=False)
    kind = X.kind[rows.starts[:-1]]
    order = np.argsort(cars, kind="stable")
    first = np.flatnonzero(np.r_[True, np.diff(cars[order]) != 0])
    spells = np.diff(np.r_[first, len(order)])
    for count in np.unique(spells).tolist():
        members = order[first[spells == count, None] + np.arange(count)]  # (cars, spells)
        at_once = max(1, UNITS_AT_ONCE // count**2)
        for start in range(0, len(members), at_once):
            part = members[start : start + at_once]
            taught = apart(sums.every[part], sums.taught, sums.common, common_covariance(spread))
            taught *= weights[part][..., None, None]
            kinds, which = np.unique(kind[part], axis=0, return_inverse=True)
            known = [_seen_through(X, own, coefficients, covariance) for own in kinds]
            gamma, D = (np.stack(each)[which.ravel()] for each in zip(*known, strict=True))
            yield _without(part, gamma, D, taught, X.width)


def _seen_through(X: Columns, kinds: Ints, coefficients: Array, covariance: Array) -> tuple[Array, Array]:
    """H times coefficients, and H covariance H', for a car whose spells are of these kinds."""
    H = np.zeros((len(kinds), X.width, len(coefficients)))
    for own, kind in zip(H, kinds, strict=True):
        own[X.which, X.where[kind]] = 1.0
    flat = H.reshape(-1, len(coefficients))
    return flat @ coefficients, flat @ covariance @ flat.T


def _without(members: Ints, gamma: Array, D: Array, taught: Array, width: int) -> LeftOut:
    """members: (cars, spells). gamma: (cars, spells x width), D square. taught: (cars, spells, and width + 1 twice)."""
    cars, spells = members.shape
    M, m = np.zeros_like(D), taught[..., :width, width].reshape(cars, -1)
    for spell in range(spells):
        own = slice(spell * width, (spell + 1) * width)
        M[:, own, own] = taught[:, spell, :width, :width]
    right = np.concatenate([D, (gamma - (D @ m[..., None])[..., 0])[..., None]], axis=-1)
    solved = np.linalg.solve(np.eye(D.shape[-1]) - D @ M, right)
    apart_from = [slice(spell * width, (spell + 1) * width) for spell in range(spells)]
    return LeftOut(
        members.T.ravel(),
        np.concatenate([solved[:, own, -1] for own in apart_from]),
        even(np.concatenate([solved[:, own, own] for own in apart_from])),
    )


def foretold(rows: Rows, X: Columns, own: LeftOut, expected: Array, variance: Array) -> None:
    """Fill in, for the rows of these spells, what is expected of them and how unsure that is. (rows,) each"""
    place = np.zeros(rows.units, np.int64)
    place[own.units] = np.arange(len(own.units))
    for unit, index in log_batches(rows, own.units):
        local, at = X.local(index), place[unit]
        expected[index] = (local @ own.coefficients[at][..., None])[..., 0]
        variance[index] = ((local @ own.covariance[at]) * local).sum(axis=-1)


def four_numbers(rows: Rows, sums: LogSums, own: LeftOut, rule: SlopeRule = SlopeRule()) -> tuple[FourNumbers, Array]:
    """`estimate` of many spells at once, from their sums; and the level's variance from each car's own noise. (n,)"""
    days = _days(rows)
    judged, centre, dated = days.any_now[own.units], days.centre[own.units], days.range[own.units] >= rule.days_min
    now = _weighed(sums, sums.now[own.units], own, centre)
    every = now if sums.now is sums.every else _weighed(sums, sums.every[own.units], own, centre)
    n = len(own.units)
    known = np.where(judged[:, None, None], now.basis[:, :3, :3], np.eye(3))  # no row in the quarter: no sums to invert
    curve = even(np.asarray(np.linalg.inv(known + held(3)), dtype=np.float64))
    slope = np.linalg.inv(every.basis + held(4))[:, SLOPE]
    values, S = np.zeros((n, 4)), np.zeros((n, 4, 4))
    values[:, :3] = (curve @ now.residual[:, :3, None])[..., 0]
    values[:, SLOPE] = np.where(dated, (slope * every.residual).sum(axis=1), 0.0)
    S[:, :3, :3] = even(curve @ now.basis[:, :3, :3] @ curve)
    S[:, :3, SLOPE] = np.where(dated[:, None], (curve @ now.basis[:, :3] @ slope[..., None])[..., 0], 0.0)
    S[:, SLOPE, :3] = S[:, :3, SLOPE]
    variance = (slope[:, None] @ every.basis @ slope[..., None])[:, 0, 0]
    S[:, SLOPE, SLOPE] = np.where(dated, variance, rule.unknown_sd**2)
    sampling = (curve[:, :1] @ now.noise @ curve[:, :, :1])[:, 0, 0]
    values[~judged], S[~judged], sampling[~judged] = 0.0, rule.nothing_known, 0.0
    return FourNumbers(values, S, judged, dated & judged, np.where(judged, passed_share(centre), 0.5)), sampling


@dataclass(frozen=True)
class _Weighed:
    """Level, tilt, bow and time against the residuals by their whole covariance C, and by the part from noise alone.

    basis: (n, 4, 4) B'C^-1 B. residual: (n, 4) B'C^-1 r. noise: (n, 3, 3) B'C^-1 W C^-1 B.
    """

    basis: Array
    residual: Array
    noise: Array


def _weighed(sums: LogSums, M: Array, own: LeftOut, centre: Array) -> _Weighed:
    """C is W, what was not logged, and the expectation's own covariance. M: (n, m, m) sums of the rows to weigh."""
    L, n = sums.width, len(M)
    columns = np.zeros((n, M.shape[-1], 5))  # level, tilt, bow, time, residual as columns of Z
    columns[:, L - 3 : L, :3] = np.eye(3)
    columns[:, sums.day, 3] = 1.0 / QUARTER_DAYS
    columns[:, L - 3, 3] = -centre / QUARTER_DAYS
    columns[:, :L, 4] = -own.coefficients
    columns[:, L + 3, 4] = 1.0
    K = np.zeros((n, L + 2, L + 2))
    K[:, :L, :L] = own.covariance
    K[:, [L, L + 1], [L, L + 1]] = 1.0
    inner, across = M[:, : L + 2, : L + 2], M[:, : L + 2] @ columns
    plain = columns.swapaxes(1, 2) @ M @ columns
    spared = np.linalg.solve(np.eye(L + 2) + K @ inner, K @ across)
    less = across.swapaxes(1, 2) @ spared
    whole = even(plain - less)
    noise = (whole - less.swapaxes(1, 2) + spared.swapaxes(1, 2) @ inner @ spared)[:, :3, :3]
    return _Weighed(whole[:, :4, :4], whole[:, :4, 4], noise)


@dataclass(frozen=True)
class _Days:
    """any_now: has rows in the quarter. centre: mean day of these. range: from first to last of all rows. (units,)"""

    any_now: NDArray[np.bool_]
    centre: Array
    range: Array


def _days(rows: Rows) -> _Days:
    first = rows.starts[:-1]
    now = np.add.reduceat(rows.in_quarter.astype(float), first)
    total = np.add.reduceat(np.where(rows.in_quarter, rows.day, 0.0), first)
    spread = np.maximum.reduceat(rows.day, first) - np.minimum.reduceat(rows.day, first)
    return _Days(now > 0, total / np.maximum(now, 1.0), spread)
