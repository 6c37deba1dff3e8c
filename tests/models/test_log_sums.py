"""Logs that differ in their covariance are told apart by a hash of theirs, and by nothing less than it."""

import numpy as np

from models.log_sums import hashed


def test_equal_rows_have_one_hash_and_others_another() -> None:
    rng = np.random.default_rng(8)
    keys = rng.integers(0, 3, (20_000, 9)).astype(float)
    keys[:, 4] *= 0.015
    different, which = np.unique(keys, axis=0, return_inverse=True)
    numbers, found = np.unique(hashed(keys), return_inverse=True)
    assert len(numbers) == len(different) > 9000
    assert len(np.unique(np.column_stack([which, found]), axis=0)) == len(different)
