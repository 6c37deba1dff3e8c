"""Each spell's rows as sums Z'W^-1 Z, many logs at once: all that the rounds need of rows.

W, the covariance of rows within a car, has no entries between logs, so it is taken apart log by log, logs of the same
length together. What is common to a spell is of low rank F K F' and is added to the sums afterwards:
(W + F K F')^-1 = W^-1 - W^-1 F (1 + K F'W^-1 F)^-1 K F'W^-1, where K may be singular. Source: Woodbury 1950,
Memorandum 42 of the Statistical Research Group, Princeton.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg.lapack import dtrtri

from models.columns import Columns
from models.design_matrix import Rows
from models.variances import Noise, within

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

ROWS_AT_ONCE = 16384


@dataclass(frozen=True)
class LogSums:
    """Z'W^-1 Z of each spell. every: (units, m, m) over all rows. now: the same over the quarter's; may be `every`.

    Z: the design's local columns, `width` of them and the last three level, tilt, bow; then ln(volume)'s standard
    deviations from ethanol and from what else was not logged; the day; and the responses.
    """

    every: Array
    now: Array
    width: int

    @property
    def common(self) -> Ints:
        """Columns of what is common to a spell: level, tilt, bow, ethanol, unlogged."""
        return np.arange(self.width - 3, self.width + 2)

    @property
    def day(self) -> int:
        return self.width + 2

    @property
    def taught(self) -> Ints:
        """Local columns and responses."""
        return np.r_[np.arange(self.width), np.arange(self.width + 3, self.every.shape[-1])]


def log_batches(rows: Rows, units: Ints | None = None) -> Iterator[tuple[Ints, Ints]]:
    """Logs of one length at a time: their spells (logs,), and which rows they are (logs, length).

    units: only these spells' logs.
    """
    edge = (rows.log[1:] != rows.log[:-1]) | (rows.spell[1:] != rows.spell[:-1])
    first = np.flatnonzero(np.r_[True, edge]) if len(rows.log) else np.zeros(0, np.int64)
    length = np.diff(np.r_[first, len(rows.log)])
    unit = np.searchsorted(rows.starts, first, side="right") - 1
    if units is not None:
        wanted = np.zeros(rows.units, bool)
        wanted[units] = True
        first, length, unit = first[wanted[unit]], length[wanted[unit]], unit[wanted[unit]]
    for n in np.unique(length).tolist():
        same, at_once = np.flatnonzero(length == n), max(1, ROWS_AT_ONCE // n)
        for start in range(0, len(same), at_once):
            part = same[start : start + at_once]
            yield unit[part], first[part, None] + np.arange(n)


def log_sums(rows: Rows, X: Columns, y: Array, noise: Noise, units: Ints | None = None) -> LogSums:
    """The sums of all spells, or of `units` and noughts for the others. y: (rows,) or (rows, responses)."""
    y = y.reshape(len(y), -1)
    return sums_of(rows, X.width, y.shape[1], lambda index: (X.local(index), y[index]), noise, units)


def sums_of(
    rows: Rows,
    width: int,
    responses: int,
    columns: Callable[[Ints], tuple[Array, Array]],
    noise: Noise,
    units: Ints | None = None,
) -> LogSums:
    """As `log_sums`; columns: gives local columns and responses of the rows it is asked for."""
    m = width + 3 + responses
    every = np.zeros((rows.units, m, m))
    some_earlier = not rows.in_quarter.all()
    now = np.zeros_like(every) if some_earlier else every
    for unit, index in log_batches(rows, units):
        local, y = columns(index)
        spell = np.stack([rows.ethanol_sd[index], rows.unlogged_sd[index], rows.day[index]], axis=-1)
        pattern, which = patterns(rows, index)
        white = roots(rows, pattern, noise)[which] @ np.concatenate([local, spell, y], axis=-1)
        sums = white.swapaxes(-1, -2) @ white
        add_up(unit, sums, every)
        if some_earlier:
            recent = rows.in_quarter[index[:, 0]]
            add_up(unit[recent], sums[recent], now)
    return LogSums(every, now, width)


def patterns(rows: Rows, index: Ints) -> tuple[Ints, Ints]:
    """Logs that differ in their covariance W: rows of one of each (patterns, length), and each log's (logs,)."""
    bands = rows.band[index]
    common = (rows.pulls_of_log[index[:, :1]], rows.pulls[index], rows.barometer_sd[index], rows.extra_variance[index])
    keys = np.column_stack([bands - bands[:, :1], *common])
    _, first, which = np.unique(hashed(keys), return_index=True, return_inverse=True)
    if not np.array_equal(keys[first][which], keys):  # two patterns of one hash
        _, first, which = np.unique(keys, axis=0, return_index=True, return_inverse=True)
    return index[first], which.ravel()


def hashed(keys: Array) -> NDArray[np.uint64]:
    """A number a row, the same for the same row: sorting these takes a fraction of sorting rows. (rows, k) -> (rows,)

    Multiply and shift, so that the low bits of a float, mostly noughts, take part.
    Source: Dietzfelbinger et al. 1997, J Algorithms 25:19.
    """
    odd = np.random.default_rng(0).integers(0, 2**63, (2, keys.shape[1]), dtype=np.uint64) * 2 + 1
    bits = np.ascontiguousarray(keys).view(np.uint64)
    mixed = (bits ^ (bits >> np.uint64(32))) * odd[0]
    return np.asarray(((mixed ^ (mixed >> np.uint64(29))) * odd[1]).sum(axis=1, dtype=np.uint64))


def roots(rows: Rows, index: Ints, noise: Noise) -> Array:
    """L^-1 of each log, where L L' = W. (logs, n, n)"""
    found = np.asarray(np.linalg.cholesky(within(rows, index, noise)), dtype=np.float64)
    for one in found:  # a triangle's own inverse takes a third of a general one
        one[:] = dtrtri(one, lower=1)[0]
    return found


def refresh(sums: LogSums, rows: Rows, X: Columns, y: Array, noise: Noise, units: Ints) -> None:
    """Make the sums of these spells anew, in place: their y or extra variance has changed."""
    again = log_sums(rows, X, y, noise, units)
    sums.every[units] = again.every[units]
    if sums.now is not sums.every:
        sums.now[units] = again.now[units]


def add_up(number: Ints | NDArray[np.int32], values: Array, totals: Array) -> None:
    """totals[number] += values, where numbers repeat. Equal numbers stand together."""
    if len(number):
        first = np.flatnonzero(np.concatenate(([True], number[1:] != number[:-1])))
        totals[number[first]] += np.add.reduceat(values, first, axis=0)


def common_covariance(spread: Array) -> Array:
    """K of what is common to a spell: healthy curves, ethanol, unlogged. spread: (3, 3). (5, 5)"""
    K = np.eye(5)
    K[:3, :3] = spread
    return K


def apart(sums: Array, keep: Ints | slice, common: Ints, K: Array) -> Array:
    """Z'(W + F K F')^-1 Z for columns `keep`, from Z'W^-1 Z; common: columns of F. (..., m, m) -> (..., keep, keep)"""
    inner = sums[..., common[:, None], common]
    spared = np.linalg.solve(np.eye(len(common)) + K @ inner, np.broadcast_to(K, inner.shape))
    across = sums[..., common, :][..., keep]
    kept = sums[..., keep, :][..., keep]
    return even(kept - across.swapaxes(-1, -2) @ spared @ across)


def even(M: Array) -> Array:
    """Symmetric as it should be: a lean of rounding size would grow from round to round. (..., m, m)"""
    return np.asarray((M + M.swapaxes(-1, -2)) / 2)
