"""One truth, many spellings: each file of `dialects` must come out as truth.csv, each of `refused` as its name says."""

from pathlib import Path

import polars as pl
import pytest

from ingest.findings import meanings
from ingest.read_log import read_log

HERE = Path(__file__).parent
TRUTH = pl.read_csv(HERE / "dialects" / "truth.csv", schema_overrides={"gear": pl.Float64})
SPELLINGS = sorted(p for p in (HERE / "dialects").iterdir() if p.name not in ("truth.csv", ".gitattributes"))
REFUSED = sorted(p for p in (HERE / "refused").iterdir() if p.name != ".gitattributes")
TOLERANCE = 0.011  # every spelling keeps enough digits for that, in our units

# findings a spelling must bring, beside which it must bring no others of effect drop
MUST_FIND = {
    "camel_case_without_units.csv": {"clock_unit_assumed", "unit_assumed"},
    "cut_short_last_line.csv": {"row_cut_short"},
    "duty_as_share.csv": {"duty_as_share"},
    "encoded_twice.csv": {"encoded_twice"},
    "encoded_twice_semicolon.csv": {"encoded_twice"},
    "fuel_air_phi.csv": {"lambda_from_phi"},
    "gauge_psi_fahrenheit_afr_bom.csv": {"lambda_from_afr"},
    "header_repeated.csv": {"header_repeated"},
    "header_and_units_repeated.csv": {"header_repeated"},
    "iso8601_over_midnight.csv": {"clock_over_midnight"},
    "ladedruck_mbar_told_absolute.csv": {"absolute_assumed"},
    "milliseconds_without_unit.csv": {"clock_unit_assumed"},
    "names_twice.csv": {"column_name_twice"},
    "rounded_brackets_semicolon_comma_cp1252.csv": {"encoding_assumed"},
    "summary_after_data.csv": {"summary_after_data"},
    "summary_of_full_width.csv": {"summary_after_data"},
    "text_between_rows.csv": {"text_between_rows"},
    "time_of_day_over_midnight.csv": {"clock_over_midnight"},
    "trailing_delimiter.csv": {"trailing_delimiter"},
}


def test_there_are_many_spellings() -> None:
    assert len(SPELLINGS) >= 75


@pytest.mark.parametrize("path", SPELLINGS, ids=lambda path: path.name)
def test_every_spelling_is_the_same_log(path: Path) -> None:
    reading = read_log(path.name, path.read_bytes())
    assert reading.refused == "", reading.findings
    assert reading.frame["row"].to_list() == list(range(1, TRUTH.height + 1))
    for name, truth in TRUTH.to_dict().items():
        assert reading.frame[name].null_count() == 0, name
        off = (reading.frame[name] - truth).abs().max()
        assert off <= TOLERANCE, f"{name} is {off} off"  # type: ignore[operator]


@pytest.mark.parametrize("path", SPELLINGS, ids=lambda path: path.name)
def test_every_spelling_says_what_was_assumed(path: Path) -> None:
    reading = read_log(path.name, path.read_bytes())
    codes = {finding.code for finding in reading.findings}
    assert MUST_FIND.get(path.name, set()) <= codes
    assert reading.rows_in == reading.frame.height + sum(reading.dropped.values())
    lost = {code for code in codes if meanings()[code].effect == "drop"}
    assert lost == ({"row_cut_short"} if path.name == "cut_short_last_line.csv" else set())


@pytest.mark.parametrize("path", REFUSED, ids=lambda path: path.name)
def test_what_cannot_be_read_says_why(path: Path) -> None:
    reading = read_log(path.name, path.read_bytes())
    assert reading.refused == path.name.split("__")[0]
    assert meanings()[reading.refused].effect == "refuse"
    assert reading.frame.height == 0
    assert reading.rows_in == sum(reading.dropped.values())


def test_a_second_reading_of_the_same_recorder_is_the_same() -> None:
    for path in SPELLINGS:
        first, second = (read_log(path.name, path.read_bytes()) for _ in range(2))
        assert first.frame.equals(second.frame), path.name
        assert first.findings == second.findings, path.name
