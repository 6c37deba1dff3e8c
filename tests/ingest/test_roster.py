"""Rosters as clubs write them: every problem at once, each with its place; odd spellings understood and said."""

from datetime import date
from pathlib import Path, PurePosixPath

import pytest

from ingest.findings import InputError
from ingest.roster import Roster, places, read_roster
from ingest.schemas import ROSTER, check_columns


def roster(folder: Path, text: str, encoding: str = "utf-8") -> Roster:
    path = folder / "roster.csv"
    path.write_bytes(text.encode(encoding))
    return read_roster(path)


def problems(folder: Path, text: str) -> list[str]:
    with pytest.raises(InputError) as error:
        roster(folder, text)
    return error.value.problems


def test_only_car_engine_and_pump_are_needed(tmp_path: Path) -> None:
    sheet = roster(tmp_path, "car,engine,pump\nanna,2.0 four,original\n")
    spell = sheet.spells[0]
    assert (spell.car, spell.engine, spell.pump, spell.boost_hardware) == ("anna", "2.0 four", "original", "")
    assert (spell.since, spell.until, spell.ethanol_pct, spell.port_injection) == (None, None, None, False)
    assert sheet.notes == ()


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
@pytest.mark.parametrize("delimiter", [",", ";", "\t"])
def test_delimiter_and_encoding_do_not_matter(tmp_path: Path, encoding: str, delimiter: str) -> None:
    rows = [["Car", "Engine", "Pump", "Ethanol pct"], ["Jürgen", "2.0 four", "original", "40"], ["", "", "", ""]]
    sheet = roster(tmp_path, "\r\n".join(delimiter.join(row) for row in rows), encoding)
    assert [(spell.car, spell.ethanol_pct) for spell in sheet.spells] == [("Jürgen", 40.0)]


def test_a_decimal_comma(tmp_path: Path) -> None:
    assert roster(tmp_path, "car;engine;pump;ethanol_pct\na;e;p;37,5\n").spells[0].ethanol_pct == 37.5


def test_e85_is_a_label_and_is_said_to_be_one(tmp_path: Path) -> None:
    # ASTM D5798 lets a station's "E85" hold 51 to 83 % ethanol
    sheet = roster(tmp_path, "car,engine,pump,ethanol_pct\na,e,p,E85\n")
    assert sheet.spells[0].ethanol_pct == 85.0
    assert "row 2, ethanol_pct" in sheet.notes[0]
    assert "not a measurement" in sheet.notes[0]


def test_all_problems_at_once_each_with_row_and_column(tmp_path: Path) -> None:
    told = problems(
        tmp_path,
        "car,engine,pump,since,until,ethanol_pct,found,port_injection\n"
        "a,e,p,2026-02-30,,,,\n"
        "b,e,,,,,,\n"
        ",e,p,,,,,\n"
        "c,e,p,2026-05-01,2026-04-01,120,rust,maybe\n",
    )
    assert told == [
        "roster.csv, row 2, since: '2026-02-30' is no date. Write YYYY-MM-DD, or leave it empty for \"always so\".",
        "roster.csv, row 3, pump: empty. A setup needs engine and pump.",
        "roster.csv, row 4, car: empty. A row belongs to a car.",
        "roster.csv, row 5, until: 2026-04-01 is before since, 2026-05-01.",
        "roster.csv, row 5, port_injection: 'maybe' is neither yes nor no.",
        "roster.csv, row 5, ethanol_pct: '120' is no ethanol content. Write per cent by volume, 0 to 100.",
        "roster.csv, row 5, found: 'rust' is not known. Write one of nothing, pump, feed, leak, wiring, sensor, "
        "roster, other, or leave it empty.",
    ]


@pytest.mark.parametrize(
    ("rows", "row"),
    [
        ("a,e,p,,\na,e,q,,\n", 3),
        ("a,e,p,,2026-05-01\na,e,q,2026-05-01,\n", 3),
        ("a,e,q,2026-05-01,\n A,e,p,,\n", 2),
    ],
    ids=["both open", "same day", "spelled two ways"],
)
def test_overlapping_spells_of_one_car(tmp_path: Path, rows: str, row: int) -> None:
    told = problems(tmp_path, "car,engine,pump,since,until\n" + rows)
    assert len(told) == 1
    assert f"row {row}, since: overlaps row" in told[0]


def test_spells_that_follow_each_other_are_fine(tmp_path: Path) -> None:
    text = "car,engine,pump,since,until\na,e,p,,2026-05-01\na,e,q,2026-05-02,\nb,e,p,,\n"
    sheet = roster(tmp_path, text)
    assert sheet.cars == ["a", "b"]
    assert sheet.spells[0].until == date(2026, 5, 1)


@pytest.mark.parametrize("text", ["2026-07-03", "2026-07-03 00:00:00", "03.07.2026", "3.7.26"])
def test_dates_as_spreadsheets_write_them(tmp_path: Path, text: str) -> None:
    assert roster(tmp_path, f"car,engine,pump,since\na,e,p,{text}\n").spells[0].since == date(2026, 7, 3)


@pytest.mark.parametrize("text", ["07/03/2026", "31.02.2026", "1.2.3.4", "20260732", "soon"])
def test_dates_that_could_be_anything_are_asked_for(tmp_path: Path, text: str) -> None:
    assert "is no date" in problems(tmp_path, f"car,engine,pump,since\na,e,p,{text}\n")[0]


def test_near_duplicate_spellings(tmp_path: Path) -> None:
    text = "car,engine,pump,calibration\na,e,stock,stage-2\nb,e,stock,stage 2\nc,e,Stock ,stage 2\n"
    sheet = roster(tmp_path, text)
    assert [spell.pump for spell in sheet.spells] == ["stock"] * 3
    assert any("'Stock' taken as 'stock'" in note for note in sheet.notes)
    assert [spell.calibration for spell in sheet.spells] == ["stage-2", "stage 2", "stage 2"]
    assert any("'stage 2' and 'stage-2' count as different" in note for note in sheet.notes)


@pytest.mark.parametrize(
    ("text", "part"),
    [
        ("", "empty"),
        ("car,engine\na,e\n", "no column pump"),
        ("car,engine,pump,pump\na,e,p,q\n", "column pump stands twice"),
        ("car,engine,pump\n", "no car in it"),
        ("\x00\x00", "no column car"),
    ],
)
def test_a_sheet_that_is_no_roster(tmp_path: Path, text: str, part: str) -> None:
    assert any(part in problem for problem in problems(tmp_path, text))


def test_a_workbook_gives_what_the_text_gives(tmp_path: Path) -> None:
    xlsxwriter = pytest.importorskip("xlsxwriter")
    path = tmp_path / "roster.xlsx"
    book = xlsxwriter.Workbook(str(path), {"default_date_format": "yyyy-mm-dd"})
    sheet = book.add_worksheet()
    sheet.write_row(0, 0, ["car", "engine", "pump", "ethanol_pct", "since", "port_injection"])
    sheet.write_row(1, 0, ["anna", "2.0 four", "original", 37.5])
    sheet.write_datetime(1, 4, date(2026, 3, 1))
    sheet.write(1, 5, "yes")
    book.close()
    text = "car,engine,pump,ethanol_pct,since,port_injection\nanna,2.0 four,original,37.5,2026-03-01,yes\n"
    assert read_roster(path) == roster(tmp_path, text)


def test_a_broken_workbook(tmp_path: Path) -> None:
    (tmp_path / "roster.xlsx").write_bytes(b"PK\x03\x04 not a workbook")
    with pytest.raises(InputError, match=r"roster\.xlsx: no readable workbook"):
        read_roster(tmp_path / "roster.xlsx")


@pytest.mark.parametrize("telling", ["map of jane.roe@example.org", "WVWZZZ1JZXW000001"])
@pytest.mark.parametrize("column", ["engine", "pump", "boost_hardware", "calibration"])
def test_a_setup_that_tells_whose_it_is_is_refused_without_repeating_it(
    tmp_path: Path, column: str, telling: str
) -> None:
    words = {"car": "anna", "engine": "e", "pump": "p", "boost_hardware": "b", "calibration": "c"} | {column: telling}
    (told,) = problems(tmp_path, ",".join(words) + "\n" + ",".join(words.values()) + "\n")
    assert told.startswith(f"roster.csv, row 2, {column}: holds an e-mail address or a vehicle number")
    assert telling not in told


def test_a_setup_that_holds_the_cars_name_is_told(tmp_path: Path) -> None:
    sheet = roster(tmp_path, "car,engine,pump,calibration\nAnna,2.0 four,original,map for ANNA\ncar-7,e,p,car\n")
    (told,) = sheet.notes
    assert told.startswith("roster.csv, row 2, calibration: holds the car's own name, which every report shows.")


def test_control_characters_do_not_reach_the_table(tmp_path: Path) -> None:
    sheet = roster(tmp_path, "car,engine,pump\nanna,2.0\x1b[31m four,orig\u202einal\n")
    row = sheet.table({"anna": "AAAA-AAAA"}).row(0, named=True)
    assert (row["engine"], row["pump"]) == ("2.0?[31m four", "orig?inal")


def test_the_table_has_labels_and_no_names(tmp_path: Path) -> None:
    sheet = roster(tmp_path, "car,engine,pump,found,found_on\nanna,e,p,feed,2026-05-01\nbert,e,p,,\n")
    table = sheet.table({"anna": "ZZZZ-ZZZZ", "bert": "AAAA-AAAA"})
    check_columns(table, ROSTER, "roster")
    assert table["label"].to_list() == ["AAAA-AAAA", "ZZZZ-ZZZZ"]
    assert table["found"].to_list() == [None, "feed"]
    assert "anna" not in str(table.to_dicts())


def test_a_log_belongs_to_the_folder_or_the_pattern(tmp_path: Path) -> None:
    sheet = roster(tmp_path, "car,engine,pump,logs\nanna,e,p,\nbert,e,p,mixed/b_*\ncleo,e,p,mixed/*_c.csv\n")
    where = places(sheet)
    for place, car in {
        "anna/x.csv": "anna",
        "2026/Anna /more/x.csv": "anna",
        "bert/anna/x.csv": "anna",
        "mixed/b_1.csv": "bert",
        "mixed/1_c.csv": "cleo",
        "mixed/b_1_c.csv": None,  # two claim it
        "mixed/x.csv": None,
        "anna.csv": None,
    }.items():
        assert where.car_of(PurePosixPath(place)) == car, place
