"""Names and days of quarters; what is none is said in words."""

from datetime import date, timedelta

import pytest

from models.quarters import first_day, quarter_of, shifted


def test_every_day_of_two_years_lies_in_its_quarter() -> None:
    day = date(2025, 1, 1)
    while day < date(2027, 1, 1):
        start, after = first_day(quarter_of(day)), first_day(shifted(quarter_of(day), 1))
        assert start <= day < after
        day += timedelta(days=1)


@pytest.mark.parametrize(
    ("by", "expected"), [(-7, "2024Q4"), (-3, "2025Q4"), (0, "2026Q3"), (2, "2027Q1"), (6, "2028Q1")]
)
def test_quarters_are_counted_over_new_year(by: int, expected: str) -> None:
    assert shifted("2026Q3", by) == expected


@pytest.mark.parametrize("wrong", ["2026", "Q3 2026", "2026Q5", "2026q3", "2026Q0", "2026-Q3", " 2026Q3", "26Q3", ""])
def test_what_is_no_quarter_is_said_with_the_way_to_write_one(wrong: str) -> None:
    with pytest.raises(ValueError, match="like 2026Q3") as caught:
        first_day(wrong)
    assert repr(wrong) in str(caught.value)
