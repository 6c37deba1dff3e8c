"""Streets and pulls."""

import numpy as np
import pytest

from synthetic_fleet.driving import CRUISE, IDLE, OVERRUN, PART, PULL, RATE_HZ, SHIFT, drive
from synthetic_fleet.setups import setups


@pytest.mark.parametrize("engine", {s.engine.name: s.engine for s in setups()}.values(), ids=lambda e: e.name)
@pytest.mark.parametrize("pulls", [1, 4])
def test_a_pull_climbs_in_one_gear_with_the_pedal_down(engine, pulls: int) -> None:  # type: ignore[no-untyped-def]
    road = drive(engine, pulls, np.random.default_rng(3))
    assert int(road.pull.max()) == pulls
    for number in range(1, pulls + 1):
        rows = np.flatnonzero(road.pull == number)
        assert np.all(np.diff(rows) == 1)
        speed = road.engine_speed_rpm[rows]
        assert speed[-1] - speed[0] > 3500.0
        assert len(rows) / RATE_HZ > 3.0
        assert len(set(road.gear[rows].tolist())) == 1
        assert np.all(road.pedal_share[rows][RATE_HZ // 2 :] > 0.99)
        assert speed.max() < engine.limiter_rpm


def test_streets_lie_around_the_pulls() -> None:
    rng = np.random.default_rng(5)
    road = drive(setups()[0].engine, 3, rng)
    assert set(road.phase.tolist()) == {IDLE, PART, CRUISE, PULL, OVERRUN, SHIFT}
    assert road.phase[0] == IDLE
    assert np.mean(road.phase == PULL) < 0.5
    assert np.all(road.pedal_share[road.phase == OVERRUN] < 0.2)


def test_drives_last_about_a_minute_or_two() -> None:
    engine = setups()[0].engine
    seconds = [drive(engine, 1 + i % 4, np.random.default_rng(i)).time_s[-1] for i in range(60)]
    assert 60.0 < np.median(seconds) < 150.0
    assert max(seconds) < 260.0
