"""A car's excess before and after and their difference, both judged by an expectation that neither has taught.

Both levels come from one generalised least squares, since they share the expectation's errors: where both sides have
one setup these cancel in the difference, and with them whatever the peers' health has bent.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from models.engine_speed import car_basis
from models.evidence import third_contrasts
from models.excess import LEVEL
from models.expected_duty import block, fit, leave_out
from models.learning import Fleet, Learned, LearningRule
from models.variances import within

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

CURVE = 3  # level, tilt, bow
WEAKLY_HELD_SD = 0.2  # tilt and bow, where a side drove few bands


@dataclass(frozen=True)
class TwoLevels:
    """before, after: level and its standard deviation. change: after minus before, likewise. [ln volume]

    parts: the change in the low, middle and high third of the rev range. peers_healthy: of each side, the mean
    probability that another car's spell of that setup is healthy, nan where there is none.
    """

    before: tuple[float, float]
    after: tuple[float, float]
    change: tuple[float, float]
    parts: dict[str, tuple[float, float]]
    peers_healthy: tuple[float, float]


def two_levels(fleet: Fleet, learned: Learned, before: Mask, after: Mask, *, unlogged_shared: bool) -> TwoLevels:
    """before, after: (rows,) rows of one car. unlogged_shared: what was not logged but for ethanol errs alike on both.

    The expectation is taught anew by each spell's probability of being healthy alone: that a setup keeps half of its
    weight however sick it looks serves to describe it, and would bend a comparison with another setup. Where few
    are left the expectation grows unsure, and leans on the pump in other engines.
    """
    rows, noise, spread = learned.rows, learned.noise, learned.spread[:CURVE, :CURVE]
    units = np.flatnonzero(fleet.cars == fleet.cars[_unit_of(learned, before)]).tolist()
    weights = np.clip(learned.healthy, LearningRule().weight_min, 1.0)
    expectation, A, b = fit(rows, fleet.design, learned.y, noise, spread, weights, learned.expectation.prior_sd)
    plan = replace(fleet.design, prior_sd=expectation.prior_sd)
    taken = [block(rows, plan, unit, learned.y, noise, spread) for unit in units]
    coefficients, uncertainty = leave_out(A, b, taken, [weights[unit] for unit in units])

    index = np.flatnonzero(before | after)
    X, late = plan.X[index], after[index]
    covariance = own_covariance(learned, index, late, unlogged_shared) + X @ uncertainty @ X.T
    basis, held = car_basis(rows.z[index]), np.diag([0.0, *[WEAKLY_HELD_SD**-2] * (CURVE - 1)] * 2)
    sides = np.hstack([basis * ~late[:, None], basis * late[:, None]])
    white = np.linalg.solve(covariance, sides)
    maps = np.linalg.solve(sides.T @ white + held, white.T)
    values, S = maps @ (learned.y[index] - X @ coefficients), maps @ covariance @ maps.T
    return _told(
        values, S, (_peers_healthy(fleet, learned, units, before), _peers_healthy(fleet, learned, units, after))
    )


def own_covariance(learned: Learned, index: NDArray[np.int64], late: Mask, unlogged_shared: bool) -> Array:
    """Covariance of the rows' errors but for the expectation's. late: (n,) of the later side. (n, n)

    Logs of one day share fuel, weather and sensors and count as one. Ethanol that was not measured errs by itself on
    each side: the same label is no proof of the same tank.
    """
    by_day = replace(learned.rows, log=learned.rows.day.astype(np.int64))
    ethanol, unlogged = learned.rows.ethanol_sd[index], learned.rows.unlogged_sd[index]
    same_side = late[:, None] == late[None, :]
    return np.asarray(
        within(by_day, index, learned.noise)
        + np.outer(ethanol, ethanol) * same_side
        + np.outer(unlogged, unlogged) * (unlogged_shared | same_side)
    )


def _told(values: Array, S: Array, peers_healthy: tuple[float, float]) -> TwoLevels:
    def figure(contrast: Array) -> tuple[float, float]:
        return float(contrast @ values), float(np.sqrt(contrast @ S @ contrast))

    level = np.eye(CURVE)[LEVEL]
    nothing = np.zeros(CURVE)
    parts = {name: figure(np.r_[-(level + a[:CURVE]), level + a[:CURVE]]) for name, a in third_contrasts().items()}
    return TwoLevels(
        before=figure(np.r_[level, nothing]),
        after=figure(np.r_[nothing, level]),
        change=figure(np.r_[-level, level]),
        parts=parts,
        peers_healthy=peers_healthy,
    )


def _unit_of(learned: Learned, mask: Mask) -> int:
    return int(np.searchsorted(learned.rows.starts, np.flatnonzero(mask)[0], side="right")) - 1


def _peers_healthy(fleet: Fleet, learned: Learned, units: list[int], mask: Mask) -> float:
    """Mean probability of being healthy of the other cars of the setup that `mask` has; nan without any."""
    setups = fleet.frame["setup"].to_numpy()[learned.rows.starts[:-1]]
    others = (setups == setups[_unit_of(learned, mask)]) & ~np.isin(np.arange(len(setups)), units)
    return float(learned.healthy[others].mean()) if others.any() else float("nan")
