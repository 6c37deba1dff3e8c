"""The moving average against the handbook's worked example, and the day an excess is first seen."""

from datetime import date, timedelta

import numpy as np
import pytest

from models.trend import ewma, ewma_sd, first_seen

# NIST/SEMATECH e-Handbook of Statistical Methods 6.3.2.4, doi 10.18434/M32189: weight .3, target 50, sd 2.0539
VALUES = [52, 47, 53, 49.3, 50.1, 47, 51, 50.1, 51.2, 50.5, 49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]
AVERAGES = [
    50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33, 50.11, 49.36, 49.52, 50.05, 49.38, 49.92,
    50.73, 51.23, 51.94, 51.99,
]  # fmt: skip
UPPER, LOWER = 52.5884, 47.4115


def test_the_handbooks_averages() -> None:
    # printed to two decimals, and rounded on the way there
    assert ewma(np.array(VALUES, dtype=float), 50.0) == pytest.approx(np.array(AVERAGES), abs=0.006)


def test_the_handbooks_limits_are_where_long_histories_end() -> None:
    half = 3 * ewma_sd(200, 2.0539)[-1]
    assert (50 + half, 50 - half) == pytest.approx((UPPER, LOWER), abs=2e-4)


def test_the_first_limit_is_that_of_one_weighted_value() -> None:
    # Montgomery's factor w / (2 - w) (1 - (1 - w)^2i) is w^2 for i = 1
    assert float(3 * ewma_sd(1, 2.0539)[0]) == pytest.approx(3 * 0.3 * 2.0539)
    assert (np.diff(ewma_sd(30, 1.0)) > 0).all()


def test_the_handbooks_process_gives_no_signal() -> None:
    averages = ewma(np.array(VALUES, dtype=float), 50.0)
    half = 3 * ewma_sd(len(VALUES), 2.0539)
    assert (np.abs(averages - 50) < half).all()


def test_the_averages_standard_deviation_by_simulation() -> None:
    # 20,000 series of six: each variance within 5 standard errors
    draws = np.random.default_rng(2).normal(size=(20_000, 6))
    found = np.array([ewma(one, 0.0) for one in draws]).std(axis=0)
    assert found == pytest.approx(ewma_sd(6, 1.0), rel=5 / np.sqrt(2 * 20_000))


# ---- first seen

DAYS = [date(2026, 7, 1) + timedelta(days=7 * k) for k in range(10)]


def seen(excess: list[float]) -> date | None:
    return first_seen(DAYS[: len(excess)], np.array(excess), log_sd=0.015, car_sd=0.03)


def test_a_steady_excess_is_seen_from_the_first_log() -> None:
    assert seen([0.15] * 6) == DAYS[0]


def test_a_step_is_seen_soon_after_it_and_not_before() -> None:
    day = seen([0.0] * 5 + [0.2] * 5)
    assert day is not None
    assert DAYS[5] <= day <= DAYS[6]


def test_a_healthy_car_is_never_seen() -> None:
    assert seen([0.01, -0.02, 0.015, 0.0, 0.02, -0.01]) is None


def test_an_excess_that_goes_away_is_not_dated() -> None:
    assert seen([0.2] * 3 + [0.0] * 7) is None


def test_without_a_log_there_is_no_day() -> None:
    assert seen([]) is None
