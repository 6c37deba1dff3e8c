"""What a study could have found: the smallest excess with 80 % power, and the logs that would decide."""

import numpy as np
from numpy.typing import NDArray
from scipy.stats import norm, t

from models.evidence import templates

Array = NDArray[np.float64]

POWER = 0.80
TELLING_EXCESS_PCT = 10.0  # "like its peers" is said only where this much would have been found


def action_limit(p: Array, q: float = 0.05) -> float:
    """The p-value the next car would need for q <= 0.05, given how many of the fleet already have it.

    p: (m,) of the judged. Benjamini & Hochberg 1995: q (R + 1) / m with R rejected.
    """
    if not len(p):
        return q
    ordered = np.sort(p)
    passing = np.flatnonzero(ordered <= q * np.arange(1, len(p) + 1) / len(p))
    rejected = int(passing[-1]) + 1 if len(passing) else 0
    return q * min(rejected + 1, len(p)) / len(p)


def needed_z(limit: float, freedom: float) -> float:
    """Standard normal deviations an excess at all speeds must stand out by, in the mean, to be found with 80 %.

    limit: on the combined p-value, of which the level test has its share of the weights only.
    """
    shapes = templates()
    share = next(s.weight for s in shapes if s.name == "level") / sum(s.weight for s in shapes)
    return float(t.isf(min(limit * share, 0.5), freedom) + norm.isf(1 - POWER))


def detectable_excess_pct(level_variance: Array, z: float) -> Array:
    """Smallest excess at all speeds that would have been found with 80 % power. [% of volume]

    level_variance: of a healthy car's measured level, spread and expectation included. z: of `needed_z`.
    """
    return np.asarray(100.0 * np.expm1(z * np.sqrt(level_variance)))


def logs_needed(logs: Array, sampling: Array, level_variance: Array, z: float) -> NDArray[np.float64]:
    """More logs of the same kind until an excess of 10 % would be found; nan where the peers are the limit.

    logs: so far. sampling: (n,) the part of level_variance that more logs shrink.
    """
    allowed = (np.log1p(TELLING_EXCESS_PCT / 100) / z) ** 2 - (level_variance - sampling)
    wanted = np.ceil(logs * sampling / np.where(allowed > 0, allowed, np.nan) - logs - 1e-9)
    return np.asarray(np.maximum(wanted, 0.0))
