"""Runs: stretches of consecutive samples of which something holds. Plain arrays, a value a sample."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Flags = NDArray[np.bool_]
Index = NDArray[np.intp]
Values = NDArray[np.float64]


@dataclass(frozen=True)
class Runs:
    """first, last: indices of each run's first and last sample, both included, in order."""

    first: Index
    last: Index

    @property
    def samples(self) -> Index:
        """Length of each run."""
        return self.last - self.first + 1

    def where(self, chosen: Flags) -> "Runs":
        """The runs for which `chosen` holds."""
        return Runs(self.first[chosen], self.last[chosen])


def runs_of(holds: Flags, begins: Flags) -> Runs:
    """Runs of samples where `holds`; a sample where `begins` opens a new stretch, so no run spans it.

    >>> runs_of(np.array([1, 1, 0, 1, 1], bool), np.array([1, 0, 0, 0, 1], bool))
    Runs(first=array([0, 3, 4]), last=array([1, 3, 4]))
    """
    before = np.zeros_like(holds)
    before[1:] = holds[:-1] & ~begins[1:]
    after = np.zeros_like(holds)
    after[:-1] = holds[1:] & ~begins[1:]
    return Runs(np.flatnonzero(holds & ~before), np.flatnonzero(holds & ~after))


def changes(*keys: NDArray[np.generic]) -> Flags:
    """True where any of `keys` differs from the sample before, and at the first sample.

    >>> changes(np.array([3, 3, 4])).tolist()
    [True, False, True]
    """
    begins = np.zeros(len(keys[0]), dtype=bool)
    begins[:1] = True
    for key in keys:
        begins[1:] |= key[1:] != key[:-1]
    return begins


def spread(runs: Runs) -> tuple[Index, Index]:
    """Indices of all samples of all runs, one run after another, and the number of the run each belongs to.

    >>> spread(Runs(np.array([2, 7]), np.array([3, 7])))
    (array([2, 3, 7]), array([0, 0, 1]))
    """
    lengths = runs.samples
    of_run = np.repeat(np.arange(len(lengths)), lengths)
    ahead = np.repeat(runs.first - np.concatenate(([0], np.cumsum(lengths)[:-1])), lengths)
    return np.arange(len(of_run)) + ahead, of_run


def longest_s(runs: Runs, group: Index, time_s: Values, ends_s: Values, groups: int) -> Values:
    """Duration of the longest run in each of `groups`, zero where there is none. [s]

    A value holds until the next sample: `ends_s` is that sample's time, a value a sample.
    """
    longest = np.zeros(groups)
    np.maximum.at(longest, group[runs.first], ends_s[runs.last] - time_s[runs.first])
    return longest
