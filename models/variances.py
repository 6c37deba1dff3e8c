"""How far a healthy car's cells stray from the expectation, and together: the covariance of one car's rows."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from models.design_matrix import Rows

Array = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True)
class Noise:
    """Standard deviations of ln(volume) within a car. [1]

    log: common to a log's rows (fuel, weather, sensors that day). pull: common to a pull. cell: of one cell, whose
    neighbours in engine speed correlate by `neighbour`.
    """

    log: float = 0.010
    pull: float = 0.008
    cell: float = 0.012
    neighbour: float = 0.3


def within(rows: Rows, part: slice | Ints, noise: Noise) -> Array:
    """Covariance of a car's rows with its own curve known: logs, pulls, cells. (n, n)

    part: rows of one car; or (logs, n) rows of many logs of n each, for (logs, n, n) at once.
    """
    log, band = rows.log[part], rows.band[part]
    gap = np.abs(band[..., :, None] - band[..., None, :])
    fading = noise.cell**2 * noise.neighbour ** np.arange(gap.max(initial=0) + 1)  # by distance in bands
    root, barometer = 1.0 / np.sqrt(rows.pulls[part]), rows.barometer_sd[part]
    V = fading[gap] * (root[..., :, None] * root[..., None, :])
    V += (noise.log**2 + noise.pull**2 / rows.pulls_of_log[part])[..., :, None]
    V += barometer[..., :, None] * barometer[..., None, :]
    V *= log[..., :, None] == log[..., None, :]
    # a ridge far below any real noise keeps the matrix invertible where neighbours correlate fully
    diagonal = np.arange(V.shape[-1])
    V[..., diagonal, diagonal] += rows.extra_variance[part] + 1e-8
    return np.asarray(V)


def unmeasured(rows: Rows, unit: slice) -> Array:
    """Covariance from what was not measured, common to a spell: ethanol, lambda, intake temperature. (n, n)"""
    ethanol, unlogged = rows.ethanol_sd[unit], rows.unlogged_sd[unit]
    return np.asarray(np.outer(ethanol, ethanol) + np.outer(unlogged, unlogged))
