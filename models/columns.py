"""The expectation's columns by what differs from row to row, which is far less than all of them."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from models.engine_speed import car_basis

Array = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True)
class Columns:
    """The expectation's columns X, (rows, k), kept as what differs from row to row: the *local* columns.

    A row's setup decides which of the k columns it has at all; each of those is a local column there: the engine's
    own curve is the shared curve again, an engine is the level. Local columns are by_band, numbers, and level, tilt
    and bow of engine speed, in this order.

    by_band: (bands, s) what follows from the band alone; band: (rows,) row of it. numbers: (rows, q).  z: (rows,)
    kind: (rows,) number of the set of columns a row has. where: (kinds, p) these columns of X; which: (p,) the local
    column that each of them is.
    """

    by_band: Array
    band: NDArray[np.int32]
    numbers: Array
    z: Array
    kind: NDArray[np.int32]
    where: Ints
    which: Ints
    shape: tuple[int, int]

    @classmethod
    def plain(cls, X: Array, z: Array) -> "Columns":
        """Any matrix: every row has every column. z: (rows,) scaled engine speed."""
        n, k = X.shape
        none, every = np.zeros(n, np.int32), np.arange(k)
        return cls(np.zeros((1, 0)), none, X, z, none, every[None, :], every, (n, k))

    @property
    def width(self) -> int:
        """Number of local columns."""
        return self.by_band.shape[1] + self.numbers.shape[1] + 3

    def local(self, rows: Ints) -> Array:
        """Local columns of the given rows. (..., width)"""
        parts = (self.by_band[self.band[rows]], self.numbers[rows], car_basis(self.z[rows]))
        return np.concatenate(parts, axis=-1)

    def local_coefficients(self, coefficients: Array) -> Array:
        """What the k coefficients come to in each kind's local columns. (kinds, width)"""
        return np.asarray(coefficients[self.where] @ np.eye(self.width)[self.which])

    def __getitem__(self, rows: slice | Ints) -> Array:
        chosen = np.arange(self.shape[0])[rows]
        out = np.zeros((len(chosen), self.shape[1]))
        out[np.arange(len(chosen))[:, None], self.where[self.kind[chosen]]] = self.local(chosen)[:, self.which]
        return out

    def __matmul__(self, coefficients: Array) -> Array:
        by_kind, n = self.local_coefficients(coefficients), self.shape[0]
        parts = [np.arange(start, min(start + 65536, n)) for start in range(0, n, 65536)]
        return np.concatenate([(self.local(part) * by_kind[self.kind[part]]).sum(axis=1) for part in parts])
