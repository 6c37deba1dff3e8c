"""Duty to volume against the round lobe's geometry, its inverse and its slope; the choice of the law."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from models.duty_law import choose_round_share, delivered_share, delivered_slope, duty_for_share

# geometry of a round lobe whose lift is a sine and whose delivery ends at top dead centre: delivered volume is
# (1 - cos(pi d)) / 2 of the full stroke. Rounded as a person would put it in a table.
DUTY_PCT = [30, 50, 60, 70, 80, 90, 95]
DELIVERED_PCT = [21, 50, 65, 79, 90, 98, 99]
DUTY_FOR_VOLUME = [0.5, 0.6, 0.7, 0.9, 1.2, 2.2, 4.3]  # per cent more duty for one per cent more volume

shares = st.floats(0.0, 1.0)
duties = st.floats(1.0, 99.0)


def test_a_round_lobe_delivers_what_its_geometry_says() -> None:
    # to the table's last digit; 95 % duty gives 99.4
    assert 100 * delivered_share(DUTY_PCT, 1.0) == pytest.approx(np.array(DELIVERED_PCT), abs=0.55)


def test_a_straight_duty_is_the_volume_itself() -> None:
    assert delivered_share(DUTY_PCT, 0.0) == pytest.approx(np.array(DUTY_PCT) / 100)


def test_near_the_top_a_little_volume_costs_much_duty() -> None:
    duty = np.array(DUTY_PCT) / 100
    per_cent = delivered_share(DUTY_PCT, 1.0) / (delivered_slope(DUTY_PCT, 1.0) * duty)
    # to the table's last digit; 95 % duty: 4.25
    assert per_cent == pytest.approx(np.array(DUTY_FOR_VOLUME), abs=0.06)


def test_from_70_to_80_duty_adds_14_per_cent_of_volume_and_from_90_to_95_not_two() -> None:
    low, middle, high, top, last = delivered_share([70, 80, 90, 95, 100], 1.0)
    assert middle / low == pytest.approx(1.14, abs=0.005)
    assert high / middle == pytest.approx(1.08, abs=0.006)
    assert 1.0 < top / high < 1.02
    assert last == pytest.approx(1.0)


@given(duty=duties, round_share=shares)
def test_the_inverse_gives_the_duty_back(duty: float, round_share: float) -> None:
    volume = delivered_share(duty, round_share)
    assert float(duty_for_share(volume, round_share)) == pytest.approx(duty, abs=1e-6)


@given(duty=duties, step=st.floats(1e-3, 50.0), round_share=shares)
def test_more_duty_is_always_more_volume(duty: float, step: float, round_share: float) -> None:
    assert delivered_share(duty + step, round_share) > delivered_share(duty, round_share) or duty + step > 100


@given(duty=duties, round_share=shares)
def test_the_slope_is_the_derivative(duty: float, round_share: float) -> None:
    h = 1e-3
    rise = delivered_share(duty + h, round_share) - delivered_share(duty - h, round_share)
    assert float(delivered_slope(duty, round_share)) == pytest.approx(float(rise) / (2 * h / 100), rel=1e-5)


@given(round_share=shares)
def test_the_ends_are_nothing_and_everything(round_share: float) -> None:
    assert delivered_share([0.0, 100.0], round_share) == pytest.approx([0.0, 1.0])


def test_more_than_the_full_stroke_is_full_duty() -> None:
    assert float(duty_for_share(1.3, 0.5)) == pytest.approx(100.0)


# ---- the choice

GRID = np.linspace(0.0, 1.0, 11)


def peaked(at: float, sharpness: float) -> np.ndarray:
    return -sharpness * (GRID - at) ** 2


def test_a_sharp_likelihood_overrules_the_prior() -> None:
    best, low, high = choose_round_share(np.array([peaked(0.2, 2000), peaked(0.9, 2000)]), GRID)
    assert best == pytest.approx([0.2, 0.9], abs=0.011)
    assert (low < best).all()
    assert (best < high).all()


def test_a_family_with_nothing_to_say_takes_the_others_law() -> None:
    best, low, high = choose_round_share(np.array([peaked(0.8, 3000), peaked(0.8, 3000), np.zeros(11)]), GRID)
    assert best == pytest.approx([0.8] * 3, abs=0.02)
    # and is told with the prior's own width: 1.96 x 0.15 either side, as far as the range goes
    assert low[2] == pytest.approx(0.8 - 1.96 * 0.15, abs=0.02)
    assert high[2] == pytest.approx(1.0)


def test_the_interval_is_where_the_likelihood_lies_within_half_a_chi_square() -> None:
    # normal likelihood of standard deviation s: the 95 % interval is 1.96 s wide either side; half of the 0.95
    # quantile of chi-square with one degree of freedom is 1.92 (3.8415 / 2)
    s = 0.05
    best, low, high = choose_round_share(peaked(0.5, 1 / (2 * s**2))[None], GRID)
    assert (float(low[0]), float(high[0])) == pytest.approx((0.5 - 1.96 * s, 0.5 + 1.96 * s), abs=0.011)
    assert float(best[0]) == pytest.approx(0.5)


def test_the_order_of_families_does_not_matter() -> None:
    curves = np.array([peaked(0.1, 40), peaked(0.6, 300), peaked(1.0, 90)])
    forth, back = choose_round_share(curves, GRID), choose_round_share(curves[::-1], GRID)
    for one, other in zip(forth, back, strict=True):
        assert one == pytest.approx(other[::-1])
