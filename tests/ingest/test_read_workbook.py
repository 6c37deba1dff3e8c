"""XLSX logs, written by another library (xlsxwriter, after ECMA-376) and read back."""

import io
import zipfile
from collections.abc import Callable, Sequence
from datetime import date, datetime, time, timedelta
from typing import Any

import pytest
import xlsxwriter

from ingest.findings import UnreadableError
from ingest.read_log import read_log
from ingest.read_workbook import WorkbookLimits, open_workbook

N = 40
HEADER = ["Time [s]", "RPM [rpm]", "HPFP duty [%]", "MAP [kPa]"]
ROWS = [[i / 10, 1000 + 50 * i, 20 + i / 3, 60 + 2 * i] for i in range(N)]
START = datetime(2026, 7, 31, 23, 59, 58)

Cells = Sequence[Sequence[Any]]


def workbook(*sheets: Cells, dress: Callable[[Any, Any], None] = lambda book, sheet: None, **options: Any) -> bytes:
    whole = io.BytesIO()
    book = xlsxwriter.Workbook(whole, {"in_memory": True, **options})
    styles = {
        datetime: book.add_format({"num_format": "yyyy-mm-dd hh:mm:ss.000"}),
        time: book.add_format({"num_format": "hh:mm:ss.000"}),
        timedelta: book.add_format({"num_format": "[h]:mm:ss.000"}),
    }
    for cells in sheets:
        sheet = book.add_worksheet()
        for row, values in enumerate(cells):
            for column, value in enumerate(values):
                if value is not None:
                    sheet.write(row, column, value, styles.get(type(value)))
        dress(book, sheet)
    book.close()
    return whole.getvalue()


def test_numbers_come_back_with_names_and_units() -> None:
    reading = read_log("2026-07-31.xlsx", workbook([HEADER, *ROWS]))
    assert reading.refused == "", reading.findings
    assert (reading.dialect, reading.rows_in) == ("xlsx, units in name", N)
    assert reading.frame["engine_speed_rpm"].to_list() == [row[1] for row in ROWS]
    assert reading.frame["pump_duty_pct"].to_list() == pytest.approx([row[2] for row in ROWS], abs=1e-8)
    assert (reading.channels["pump_duty_pct"].column, reading.channels["pump_duty_pct"].unit) == ("HPFP duty", "%")


def test_preamble_groups_of_merged_cells_and_a_row_of_units() -> None:
    names = ["Time", "RPM", "HPFP duty", "MAP"]
    cells = [["Third gear"], ["Date:", date(2026, 7, 31).isoformat()], [], [], names, ["s", "1/min", "%", "bar"]]
    cells += [[*row[:3], row[3] / 100] for row in ROWS]
    reading = read_log("pull.xlsx", workbook(cells, dress=lambda _, sheet: sheet.merge_range(3, 1, 3, 3, "Engine")))
    assert reading.refused == "", reading.findings
    assert reading.rows_in == N
    assert reading.date == date(2026, 7, 31)
    assert reading.frame["manifold_pressure_kpa"].to_list() == pytest.approx([row[3] for row in ROWS])


@pytest.mark.parametrize("epoch_1904", [False, True])
@pytest.mark.parametrize("kind", ["datetime", "time", "timedelta", "text"])
def test_dates_and_times_are_a_clock(kind: str, epoch_1904: bool) -> None:
    moments = [START + timedelta(milliseconds=100 * i) for i in range(N)]
    clock = {
        "datetime": moments,
        "time": [moment.time() for moment in moments],
        "timedelta": [timedelta(hours=1, milliseconds=100 * i) for i in range(N)],
        "text": [moment.isoformat() for moment in moments],
    }[kind]
    cells = [["Time", *HEADER[1:]], *([at, *row[1:]] for at, row in zip(clock, ROWS, strict=True))]
    reading = read_log("pull.xlsx", workbook(cells, date_1904=epoch_1904))
    assert reading.refused == "", reading.findings
    assert reading.frame["time_s"].to_list() == pytest.approx([i / 10 for i in range(N)], abs=2e-3)
    assert reading.date == (START.date() if kind in ("datetime", "text") else None)


def test_gaps_missing_marks_and_text_in_cells() -> None:
    cells: list[list[Any]] = [[*HEADER, "IAT [degC]", "Note"], *([*row, 31.5, 'a\tb\n";c'] for row in ROWS)]
    cells[5][4] = None
    cells[6][4] = "n/a"
    reading = read_log("pull.xlsx", workbook(cells))
    assert (reading.refused, reading.rows_in, reading.frame.height) == ("", N, N)
    assert set(reading.frame["intake_air_c"].drop_nulls().to_list()) == {31.5}


def test_the_longest_table_is_the_log() -> None:
    summary = [["Channel", "Highest", "Lowest"], ["RPM", 2950, 1000], ["Duty", 33, 20]]
    reading = read_log("pull.xlsx", workbook([["About this log"]], summary, [HEADER, *ROWS]))
    assert (reading.refused, reading.rows_in) == ("", N)
    assert "other_sheets" in {finding.code for finding in reading.findings}


def test_document_properties_go_nowhere() -> None:
    def dress(book: Any, _: Any) -> None:
        book.set_properties({"author": "Jane Roe", "title": "VIN WVWZZZ1JZXW000001", "comments": "1999-01-01"})

    reading = read_log("pull.xlsx", workbook([HEADER, *ROWS], dress=dress))
    assert reading.date is None
    assert "Roe" not in repr(reading)
    assert "WVWZZZ" not in repr(reading)


def test_charts_and_empty_sheets_do_no_harm() -> None:
    def dress(book: Any, sheet: Any) -> None:
        chart = book.add_chart({"type": "line"})
        chart.add_series({"values": "=Sheet1!$B$2:$B$41"})
        book.add_chartsheet().set_chart(chart) if sheet.get_name() == "Sheet1" else None

    assert read_log("pull.xlsx", workbook([HEADER, *ROWS], [], dress=dress)).refused == ""


def refused(content: bytes) -> str:
    reading = read_log("pull.xlsx", content)
    assert reading.frame.is_empty()
    return reading.refused


def repacked(content: bytes, change: Callable[[str, bytes], bytes]) -> bytes:
    whole = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(content)) as book, zipfile.ZipFile(whole, "w", zipfile.ZIP_DEFLATED) as copy:
        for name in book.namelist():
            copy.writestr(name, change(name, book.read(name)))
    return whole.getvalue()


def test_a_longer_sheet_of_words_is_not_taken_for_the_log() -> None:
    names = [[f"Driver {i}", f"Town {i}", "note"] for i in range(200)]
    reading = read_log("pull.xlsx", workbook([HEADER, *ROWS], [["Name", "Town", "Remark"], *names]))
    assert (reading.refused, reading.frame.height) == ("", len(ROWS))
    assert "other_sheets" not in {finding.code for finding in reading.findings}


def test_what_is_no_usable_workbook_says_so() -> None:
    book = workbook([HEADER, *ROWS])
    assert refused(workbook([HEADER])) == "no_rows"
    assert refused(workbook([["Dear diary"], ["Nothing today"]])) == "not_a_log"
    assert refused(bytes.fromhex("d0cf11e0a1b11ae1") + bytes(600)) == "workbook_of_other_form"
    assert refused(repacked(book, lambda name, data: data[:200] if "sheet1" in name else data)) == "workbook_broken"
    document = io.BytesIO()
    with zipfile.ZipFile(document, "w") as archive:
        archive.writestr("mimetype", "application/vnd.oasis.opendocument.spreadsheet")
        archive.writestr("content.xml", "<x/>")
    assert refused(document.getvalue()) == "workbook_of_other_form"


def test_a_far_cell_is_refused_before_it_fills_the_memory() -> None:
    def far(name: str, data: bytes) -> bytes:
        return data.replace(b"</sheetData>", b'<row r="1048576"><c r="XFD1048576"><v>1</v></c></row></sheetData>')

    assert refused(repacked(workbook([HEADER, *ROWS]), far)) == "workbook_too_large"


def test_a_bomb_is_refused_before_it_is_unpacked() -> None:
    book = repacked(workbook([HEADER, *ROWS]), lambda name, data: data + b" " * 10**6 if "sheet1" in name else data)
    with pytest.raises(UnreadableError) as caught:
        open_workbook(book, WorkbookLimits(unpacked_bytes=10**6))
    assert caught.value.finding.code == "workbook_too_large"


def test_not_mine_is_not_broken() -> None:
    assert open_workbook(b"time,rpm\n0,900\n") is None
