"""An upside-down duty is refused; a sick pump's is not."""

import numpy as np
import pytest

from ingest.duty_scale import is_upside_down

LOAD = np.concatenate((np.full(40, 40.0), np.linspace(60.0, 240.0, 60), np.full(40, 240.0)))


@pytest.mark.parametrize("scale", [0.3, 0.4])
def test_rises_with_load(scale: float) -> None:
    assert not is_upside_down(LOAD * scale, LOAD)
    assert is_upside_down(100 - LOAD * scale, LOAD)


def test_a_pump_at_its_ceiling_or_dropping_out_is_not_upside_down() -> None:
    duty = np.minimum(LOAD * 0.6, 88.0)
    assert not is_upside_down(duty, LOAD)
    duty[110:] = 2.0  # gone for most of the full load
    assert not is_upside_down(duty, LOAD)


def test_a_log_that_cannot_tell() -> None:
    steady = np.linspace(200.0, 230.0, 50)
    assert not is_upside_down(100 - steady / 4, steady)
    assert not is_upside_down(np.full(140, 50.0), LOAD)
    assert not is_upside_down(np.full(140, np.nan), LOAD)
