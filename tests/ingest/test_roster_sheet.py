"""Rosters as cells: what a person has in a file stays; nothing is run as a formula; XLSX by another's writer."""

import csv
import io
import zipfile
from datetime import datetime
from pathlib import Path

import pytest
import xlsxwriter
from hypothesis import given
from hypothesis import strategies as st

from ingest.findings import InputError
from ingest.roster_sheet import add_rows, guarded, read_sheet, unguarded, write_sheet

HEADER = ["car", "engine", "pump"]
# cells that a spreadsheet runs: after the list in OWASP's page on CSV injection (from memory)
DANGEROUS = ["=1+1", "+49 170", "-7", "@home", "\tx", "'=1", "=HYPERLINK(1)"]


@pytest.mark.parametrize("name", [*DANGEROUS, "car-7", "007", "Zoë, the 2nd", 'the "blue" one', "a\nb", "'80s GTI"])
@pytest.mark.parametrize("ending", ["csv", "xlsx"])
def test_any_name_comes_back_as_it_was(tmp_path: Path, name: str, ending: str) -> None:
    path = tmp_path / f"roster.{ending}"
    write_sheet(path, [HEADER, [name, "", ""]])
    add_rows(path, [[name, "2.0 four", ""]])
    assert [row[0] for row in read_sheet(path)] == ["car", name, name]


@given(st.text(st.characters(exclude_categories=("Cs", "Cc"))))
def test_a_guarded_text_comes_back_and_starts_no_formula(text: str) -> None:
    assert unguarded(guarded(text)) == text
    assert guarded(text)[:1] not in {"=", "+", "-", "@"}


def test_no_cell_of_a_csv_file_starts_a_formula(tmp_path: Path) -> None:
    path = tmp_path / "roster.csv"
    write_sheet(path, [HEADER, *([name, "", ""] for name in DANGEROUS)])
    raw = csv.reader(io.StringIO(path.read_bytes().decode("utf-8-sig"), newline=""))
    assert not [row[0] for row in raw if row[0][:1] in set("=+-@\t\r")]


def test_no_cell_of_a_workbook_is_a_formula(tmp_path: Path) -> None:
    path = tmp_path / "roster.xlsx"
    write_sheet(path, [HEADER, *([name, "", ""] for name in DANGEROUS)])
    add_rows(path, [[name, "", ""] for name in DANGEROUS])
    with zipfile.ZipFile(path) as book:
        assert b"<f>" not in book.read("xl/worksheets/sheet1.xml")


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
@pytest.mark.parametrize("newline", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize("delimiter", [",", ";", "\t"])
@pytest.mark.parametrize("last", ["", "end"])
def test_a_text_keeps_every_byte_and_gets_rows_in_its_own_way(
    tmp_path: Path, encoding: str, newline: str, delimiter: str, last: str
) -> None:
    path = tmp_path / "roster.csv"
    rows = [["Car", "my notes", "pump"], ["Jürgen", ' a "quoted" one', ""], ["", "", ""], ["ragged"]]
    text = newline.join(delimiter.join(f'"{c}"' if '"' not in c else c for c in row) for row in rows)
    path.write_bytes((text + (newline if last else "")).encode(encoding))
    before, content = read_sheet(path), path.read_bytes()
    add_rows(path, [["Käthe", "", ""]])
    assert path.read_bytes().startswith(content)
    assert [row for row in read_sheet(path) if any(row)] == [row for row in before if any(row)] + [["Käthe", "", ""]]


def test_a_name_the_files_code_page_lacks_is_refused_and_nothing_is_lost(tmp_path: Path) -> None:
    path = tmp_path / "roster.csv"
    path.write_bytes("car,engine,pump\nJürgen,,\n".encode("cp1252"))
    before = path.read_bytes()
    with pytest.raises(InputError, match=r"roster\.csv: its code page has no 'Ż'.*Save it as UTF-8"):
        add_rows(path, [["Żuk", "", ""]])
    assert path.read_bytes() == before


def test_a_quote_left_open_would_swallow_new_rows_and_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "roster.csv"
    path.write_text('car,engine,pump\nanna,"2.0 four,\n')
    before = path.read_bytes()
    with pytest.raises(InputError, match="cannot be added without loss"):
        add_rows(path, [["bert", "", ""]])
    assert path.read_bytes() == before
    assert [file.name for file in tmp_path.iterdir()] == ["roster.csv"]


def filled_in(path: Path, *, blank_rows: int = 0, start: int = 0) -> None:
    """A workbook as a person may have it: colours, a formula, a date, a second sheet, formatted blank rows."""
    with xlsxwriter.Workbook(str(path)) as book:
        sheet, other = book.add_worksheet(), book.add_worksheet("mine")
        red = book.add_format({"bg_color": "red"})
        sheet.write_row(start, 0, [*HEADER, "since", "my sum"])
        sheet.write_row(start + 1, 0, ["anna", "2.0 four", "original"], red)
        sheet.write_datetime(start + 1, 3, datetime(2026, 7, 1), red)
        sheet.write_formula(start + 1, 4, "=1+1", None, 2)
        for row in range(start + 2, start + 2 + blank_rows):
            sheet.set_row(row, 20, red)
            sheet.write_blank(row, 0, None, red)
        other.write(0, 0, "kept")


@pytest.mark.parametrize("blank_rows", [0, 1, 5])
def test_rows_are_added_to_a_workbook_and_all_else_in_it_stays(tmp_path: Path, blank_rows: int) -> None:
    path = tmp_path / "roster.xlsx"
    filled_in(path, blank_rows=blank_rows)
    with zipfile.ZipFile(path) as book:
        before = {name: book.read(name) for name in book.namelist()}
    cells = read_sheet(path)[:2]
    add_rows(path, [["bert", "", ""], ["cleo & <co>", "", ""]])
    assert read_sheet(path)[:2] == cells
    assert [row[0] for row in read_sheet(path)][2:4] == ["bert", "cleo & <co>"]
    with zipfile.ZipFile(path) as book:
        after = {name: book.read(name) for name in book.namelist()}
    assert before.keys() == after.keys()
    assert [name for name in before if before[name] != after[name]] == ["xl/worksheets/sheet1.xml"]
    kept = before["xl/worksheets/sheet1.xml"].decode().partition("<sheetData>")[2].partition('<row r="3"')[0]
    assert kept.removesuffix("</sheetData>").partition("</sheetData>")[0] in after["xl/worksheets/sheet1.xml"].decode()


def test_an_empty_workbook_gets_rows(tmp_path: Path) -> None:
    path = tmp_path / "roster.xlsx"
    with xlsxwriter.Workbook(str(path)) as book:
        book.add_worksheet().write_row(0, 0, HEADER)
    add_rows(path, [["anna", "", ""]])
    assert [row[0] for row in read_sheet(path)] == ["car", "anna"]


def test_a_workbook_of_unknown_layout_is_refused_and_stays(tmp_path: Path) -> None:
    path = tmp_path / "roster.xlsx"
    filled_in(path)
    with zipfile.ZipFile(path) as book:
        parts = {name: book.read(name) for name in book.namelist()}
    sheet = (
        parts["xl/worksheets/sheet1.xml"]
        .decode()
        .replace('<?xml version="1.0" encoding="UTF-8" standalone="yes"?>', "")
    )
    parts["xl/worksheets/sheet1.xml"] = ('<?xml version="1.0" encoding="UTF-16"?>' + sheet).encode("utf-16")
    with zipfile.ZipFile(path, "w") as book:
        for name, part in parts.items():
            book.writestr(name, part)
    before = path.read_bytes()
    with pytest.raises(InputError, match="Save it a"):
        add_rows(path, [["bert", "", ""]])
    assert path.read_bytes() == before


def test_a_linked_roster_stays_a_link_and_keeps_its_mode(tmp_path: Path) -> None:
    target, link = tmp_path / "real.csv", tmp_path / "roster.csv"
    write_sheet(target, [HEADER])
    target.chmod(0o600)
    link.symlink_to(target)
    add_rows(link, [["anna", "", ""]])
    assert link.is_symlink()
    assert target.stat().st_mode & 0o777 == 0o600
    assert read_sheet(target)[1][0] == "anna"
