"""Text with apostrophes for quotes or blanks for delimiters; and text that only looks like that."""

from pathlib import Path

import pytest

from ingest.read_log import read_log
from ingest.respell import respelled

DIALECTS = Path(__file__).parent / "dialects"


def aligned(head: str = "Time [s]    RPM  HPFP duty [%]  MAP [kPa]", rows: int = 40) -> list[str]:
    return [head, *(f"{i / 10:8.1f} {1000 + 50 * i:6d} {20 + i / 2:14.1f} {60 + 2 * i:10d}" for i in range(rows))]


def test_columns_that_stand_below_each_other() -> None:
    reading = read_log("2026-07-31.txt", "\n".join(aligned()).encode())
    assert (reading.refused, reading.frame.height) == ("", 40)
    assert reading.dialect == "text, utf-8, blanks, tab, units in name"
    assert reading.frame["engine_speed_rpm"].to_list() == [1000 + 50 * i for i in range(40)]


def test_no_row_of_blanks_is_lost_silently() -> None:
    lines = aligned()
    lines[20] = "     1.9   1950"
    lines[30] += "   7"
    lines += ["", "Maximum of duty: 39.5"]
    reading = read_log("2026-07-31.txt", "\n".join(lines).encode())
    assert (reading.rows_in, reading.frame.height, reading.dropped) == (40, 38, {"row_ragged": 2})
    assert "summary_after_data" in {finding.code for finding in reading.findings}


def test_a_stray_apostrophe_spoils_its_own_line_only() -> None:
    lines = (DIALECTS / "apostrophe_quotes_decimal_comma.csv").read_text(encoding="utf-8").splitlines()
    lines[10] = lines[10].replace("'", "", 1)
    lines[20] = "'" + lines[20]
    reading = read_log("2026-07-31.csv", "\n".join([*lines, ""]).encode())
    assert reading.rows_in == len(lines) - 1
    assert reading.frame.height >= len(lines) - 3
    assert reading.rows_in == reading.frame.height + sum(reading.dropped.values())


@pytest.mark.parametrize(
    "text",
    [
        "Dear Anna,\nit's raining, and the car runs well.\nYours, Bert\n",
        "RPM\n1 050\n1 100\n",  # numbers with a thousands mark
        "a b c\n1 2\n3\n4 5 6 7\n",
        "",
    ],
)
def test_nothing_else_is_told_anew(text: str) -> None:
    assert respelled(text.encode()) is None


def test_two_columns_and_numbers_without_names() -> None:
    two = respelled(b"Time RPM\n0.0 900\n0.1 1050\n")
    assert two
    assert two.dialect.names == ("Time", "RPM")
    assert read_log("2026-07-31.txt", "\n".join(aligned()[1:]).encode()).refused == "no_header"


def test_a_cell_without_end_is_no_failure() -> None:
    lines = [*aligned(), '1 "' + "9" * 200_000]
    assert read_log("2026-07-31.txt", "\n".join(lines).encode()).refused != "reader_failed"
