"""How much more volume each fault asks for, and where."""

from collections import Counter
from datetime import date

import numpy as np
import pytest

from synthetic_fleet.faults import KINDS, NO_FAULT, QUARTER_END, QUARTER_START, Fault, draw_fault, extra_share

RPM = np.array([2000.0, 3000.0, 4500.0, 5500.0, 6500.0])
MIDDLE = date(2026, 8, 15)


def test_a_sound_car_asks_for_nothing_more() -> None:
    assert extra_share(NO_FAULT, RPM, MIDDLE).tolist() == [0.0] * 5
    assert NO_FAULT.found == "nothing"


def test_each_fault_has_its_shape() -> None:
    assert extra_share(Fault("worn", 12.0), RPM, MIDDLE).tolist() == pytest.approx([0.12] * 5)
    starved = extra_share(Fault("starved", 20.0), RPM, MIDDLE)
    assert starved.tolist() == pytest.approx([0.0, 0.0, 0.0, 0.1, 0.2])
    leak = extra_share(Fault("leak", 14.0), RPM, MIDDLE)
    assert leak.tolist() == pytest.approx([0.14, 0.1, 0.04, 0.0, 0.0])
    hot = Fault("hot_feed", 10.0)
    assert extra_share(hot, RPM, MIDDLE, 0.0).tolist() == [0.0] * 5
    assert np.all(np.diff(extra_share(hot, RPM, MIDDLE, 1.0)) > 0)


def test_drift_grows_from_nothing_over_the_quarter() -> None:
    drift = Fault("drift", 16.0)
    sizes = [float(extra_share(drift, RPM, day)[0]) for day in (QUARTER_START, MIDDLE, QUARTER_END)]
    assert sizes[0] == 0.0
    assert 0.07 < sizes[1] < 0.09
    assert sizes[2] == pytest.approx(0.16)


@pytest.mark.parametrize("kind", ["sticking", "wrong_roster", "ethanol_sensor"])
def test_the_others_ask_the_pump_for_nothing_more(kind: str) -> None:
    assert extra_share(Fault(kind, 15.0), RPM, MIDDLE).tolist() == [0.0] * 5


def test_faults_are_drawn_as_often_and_as_large_as_the_table_says() -> None:
    rng = np.random.default_rng(2)
    drawn = [draw_fault(rng, tuple(KINDS)) for _ in range(4000)]
    counts = Counter(f.kind for f in drawn)
    for kind, (share, low, high) in KINDS.items():
        # binomial: four standard deviations of 4,000 draws
        assert counts[kind] / 4000 == pytest.approx(share, abs=4 * np.sqrt(share * (1 - share) / 4000))
        sizes = [f.severity_pct for f in drawn if f.kind == kind]
        assert low <= min(sizes) <= max(sizes) <= high
