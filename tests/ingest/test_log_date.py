"""The day of a log: its name, its header, its clock, its time stamp, in this order."""

from datetime import date

import pytest

from ingest.log_date import date_in, log_date

DAY = date(2026, 7, 31)


@pytest.mark.parametrize(
    "text",
    [
        "2026-07-31.csv",
        "2026_07_31_pull.csv",
        "pull 20260731.csv",
        "log_20260731_140500.csv",
        "20260731140500.csv",
        "31.07.2026",
        "31-07-2026",
        "7/31/2026 2:05 PM",
        "31 July 2026",
        "31. Juli 2026",
        "Jul 31, 2026",
        "Friday, July 31st, 2026",
        "Datum;31.7.2026",
    ],
)
def test_dates(text: str) -> None:
    assert date_in(text) == DAY


@pytest.mark.parametrize(
    "text", ["", "log_12.csv", "2026-02-30", "03/04/2026", "1234567890123.csv", "serial 120260731"]
)
def test_what_is_no_date(text: str) -> None:
    assert date_in(text) is None


def test_the_order() -> None:
    other = date(2026, 1, 1)
    assert log_date("2026-07-31.csv", "Date: 2026-01-01", other, other) == (DAY, None)
    assert log_date("a.csv", "Date: 2026-07-31", other, other) == (DAY, None)
    assert log_date("a.csv", "", DAY, other) == (DAY, None)
    day, finding = log_date("a.csv", "", None, DAY)
    assert (day, finding and finding.code) == (DAY, "date_from_file_time")
    day, finding = log_date("a.csv", "", None, None)
    assert (day, finding and finding.code) == (None, "date_missing")


def test_a_line_that_speaks_of_a_date_goes_first() -> None:
    assert log_date("a.csv", "Software 2024-03-01\nDatum: 31.07.2026\n", None, None)[0] == DAY


def test_an_archive_lends_its_date() -> None:
    assert log_date("2026-07-31.zip/evening/pull.csv", "", None, None)[0] == DAY
    assert log_date("2025-01-01.zip/evening/2026-07-31.csv", "", None, None)[0] == DAY


def test_a_folder_that_holds_a_date_is_not_the_file_name() -> None:
    assert log_date("2025-01-01/a.csv", "", DAY, None)[0] == DAY
