"""Times of every kind, and every channel on one clock."""

from datetime import date

import numpy as np
import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest.clocks import INTERPOLATED_MAX_S, Clock, clock_of_numbers, clock_of_stamps, onto

TENTHS = np.arange(50) * 0.1


def of_stamps(*cells: str | None) -> Clock:
    clock = clock_of_stamps(pl.Series(cells, dtype=pl.String))
    assert clock is not None
    return clock


@pytest.mark.parametrize(
    ("values", "unit", "assumed"),
    [
        (TENTHS, "s", ""),
        (TENTHS * 1e3, "ms", ""),
        (TENTHS * 1e6, "µs", ""),
        (TENTHS / 60, "min", ""),
        (TENTHS, "", "clock_unit_assumed"),
        (TENTHS * 1e3, "", "clock_unit_assumed"),
        (TENTHS * 1e6, "", "clock_unit_assumed"),
        (1_785_506_700 + TENTHS, "", "clock_unit_assumed"),
        (1_785_506_700_000 + TENTHS * 1e3, "", "clock_unit_assumed"),
    ],
)
def test_numbers_become_seconds(values: np.ndarray, unit: str, assumed: str) -> None:
    clock = clock_of_numbers(values, unit)
    assert clock is not None
    assert clock.seconds - clock.seconds[0] == pytest.approx(TENTHS, abs=1e-6)
    assert clock.assumed == assumed
    # 1785506700 s is 2026-07-31 14:05 UTC: 20,665 days of 86,400 s after 1970-01-01, and 50,700 s
    assert clock.day == (date(2026, 7, 31) if values[0] > 1e9 else None)


def test_a_step_that_could_be_either_is_not_guessed() -> None:
    assert clock_of_numbers(np.arange(20) * 3.0, "") is None
    assert clock_of_numbers(np.array([5.0]), "s") is None
    assert clock_of_numbers(np.full(20, 7.0), "") is None


@pytest.mark.parametrize(
    ("cells", "seconds"),
    [
        (("00:00:01.5", "00:00:02.25"), (1.5, 2.25)),
        (("0:59", "1:01"), (3540.0, 3660.0)),  # hours and minutes
        (("2026-07-31T10:00:00Z", "2026-07-31T10:00:00.050Z"), (36000.0, 36000.05)),
        (("2026-07-31 10:00:00+02:00", "2026-07-31 10:00:01+02:00"), (36000.0, 36001.0)),
        (("31.07.2026 10:00:00,100", "31.07.2026 10:00:00,200"), (36000.1, 36000.2)),
        (("10:00:00:250", "10:00:00:500"), (36000.25, 36000.5)),
        (("31-Jul-2026 10:00:00.5", "31-Jul-2026 10:00:01.5"), (36000.5, 36001.5)),
        (("11:59:59 AM", "12:00:01 PM"), (43199.0, 43201.0)),
        (("11:59:59 PM", "12:00:01 AM"), (86399.0, 86401.0)),
        (("23:59:59.9", "00:00:00.1"), (86399.9, 86400.1)),
    ],
)
def test_stamps_become_seconds(cells: tuple[str, str], seconds: tuple[float, float]) -> None:
    assert of_stamps(*cells).seconds == pytest.approx(seconds)


def test_midnight_twice_and_a_restart_the_same_day() -> None:
    clock = of_stamps("23:00:00", "01:00:00", "23:30:00", "00:30:00", "00:10:00", None)
    assert clock.over_midnight == 2
    assert np.diff(clock.seconds[:-1]).tolist() == [7200.0, 81000.0, 3600.0, -1200.0]
    assert np.isnan(clock.seconds[-1])


@pytest.mark.parametrize(
    ("cell", "day"),
    [
        ("2026-07-31 10:00:00", date(2026, 7, 31)),
        ("31-Jul-2026 10:00:00", date(2026, 7, 31)),
        ("07/31/2026 10:00:00", date(2026, 7, 31)),
        ("03/04/2026 10:00:00", None),  # day and month could be swapped
        ("10:00:00", None),
    ],
)
def test_the_day_of_a_stamp(cell: str, day: date | None) -> None:
    assert of_stamps(cell).day == day


def test_text_that_is_no_time() -> None:
    assert clock_of_stamps(pl.Series(["later", "25 apples"])) is None


def test_a_straight_line_is_interpolated_across_half_a_second_and_no_further() -> None:
    for gap, reached in ((INTERPOLATED_MAX_S, True), (INTERPOLATED_MAX_S + 0.1, False)):
        own = np.concatenate((TENTHS[:10], TENTHS[9] + gap + TENTHS[:10]))
        found = onto(TENTHS[9:10] + gap / 2, own, own * 100)
        assert (found == pytest.approx(100 * (TENTHS[9] + gap / 2))) is reached
        assert np.isnan(found[0]) is not reached


def test_a_slow_channel_is_held_not_interpolated() -> None:
    found = onto(np.array([0.0, 0.9, 1.0, 3.9, 4.1]), np.array([0.0, 1.0]), np.array([20.0, 30.0]))
    assert found[:4].tolist() == [20.0, 20.0, 30.0, 30.0]
    assert np.isnan(found[4])  # three of its intervals later nothing is known of it any more


def test_a_gear_has_no_values_in_between() -> None:
    found = onto(np.array([0.15]), np.array([0.0, 0.1, 0.2, 0.3]), np.array([3.0, 3.0, 4.0, 4.0]), held=True)
    assert found.tolist() == [3.0]


@given(st.lists(st.floats(-1e3, 1e3), min_size=2, max_size=50))
def test_its_own_times_give_its_own_values(values: list[float]) -> None:
    times = np.arange(len(values)) * 0.1
    assert onto(times, times, np.array(values)) == pytest.approx(values)
