"""The covariance of one car's rows: what it is made of."""

from dataclasses import replace

import numpy as np
import pytest

from models.learning import Fleet
from models.variances import Noise, unmeasured, within


def test_within_adds_log_pull_and_cell(arrays: Fleet) -> None:
    rows, part, noise = arrays.rows, arrays.rows.of(0), Noise()
    V = within(rows, part, noise)
    own = noise.log**2 + noise.pull**2 / rows.pulls_of_log[part] + noise.cell**2 / rows.pulls[part]
    plain = ~rows.saturated[part]
    assert np.diag(V)[plain] == pytest.approx(own[plain], abs=2e-8)
    different = rows.log[part][:, None] != rows.log[part][None, :]
    assert (V[different] == 0).all()
    assert np.array_equal(V, V.T)
    assert np.linalg.eigvalsh(V).min() > 0


def test_an_unlogged_barometer_is_common_to_a_log_and_other_things_to_a_spell(arrays: Fleet) -> None:
    n = len(arrays.rows.z)
    rows = replace(
        arrays.rows, barometer_sd=np.full(n, 0.015), ethanol_sd=np.full(n, 0.02), unlogged_sd=np.full(n, 0.03)
    )
    part = rows.of(0)
    same = rows.log[part][:, None] == rows.log[part][None, :]
    added = within(rows, part, Noise()) - within(arrays.rows, part, Noise())
    assert added[same] == pytest.approx(0.015**2)
    assert (added[~same] == 0).all()
    assert unmeasured(rows, part) == pytest.approx(0.02**2 + 0.03**2)


def test_many_logs_at_once_are_what_each_is_alone(arrays: Fleet) -> None:
    rows, part, noise = arrays.rows, arrays.rows.of(0), Noise()
    log = rows.log[part]
    first = np.flatnonzero(log == log[0])
    last = np.flatnonzero(log == log[-1])
    n = min(len(first), len(last))
    both = np.stack([first[:n], last[:n]])
    whole = within(rows, part, noise)
    assert within(rows, both, noise) == pytest.approx(np.stack([whole[np.ix_(one, one)] for one in both]), rel=1e-12)
