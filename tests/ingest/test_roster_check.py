"""A roster against its logs: every contradiction planted in a small club is told, with row and column."""

from datetime import date
from pathlib import Path

import pytest

from ingest.findings import InputError
from ingest.roster_check import RosterCheck, check_roster
from ingest.roster_sheet import read_sheet, write_sheet

HEADER = "car,engine,pump,calibration,ethanol_pct,since,until,found,found_on,logs"


def check(folder: Path, rows: str, *places: str) -> RosterCheck:
    for place in places:
        path = folder / "logs" / place
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text("a log")
    (folder / "roster.csv").write_text(f"{HEADER}\n{rows}")
    return check_roster(folder / "logs", folder / "roster.csv", today=date(2026, 10, 1))


def problem(checked: RosterCheck, row: int | None, column: str) -> str:
    (one,) = [one.what for one in checked.problems if (one.row, one.column) == (row, column)]
    return one


def question(checked: RosterCheck, row: int | None, column: str) -> str:
    (one,) = [one.what for one in checked.questions if (one.row, one.column) == (row, column)]
    return one


def test_a_roster_that_fits_says_nothing(tmp_path: Path) -> None:
    rows = "anna,e,p,c,10,,2026-06-30,,,\nanna,e,q,c,10,2026-07-01,,pump,2026-09-01,\nbert,e,p,c,,,,,,b_*\n"
    checked = check(tmp_path, rows, "anna/2026-06-30.csv", "anna/2026-07-01.csv", "b_1.csv", "notes.pdf")
    assert (checked.problems, checked.questions) == ((), ())
    assert (checked.rows, checked.cars, checked.logs, checked.undated) == (3, 2, 3, 1)


def test_all_at_once(tmp_path: Path) -> None:
    rows = (
        "anna,e,,c,0.4,2026-07-10,2026-07-01,rust,,\n"
        "car-3,e,p,c,,,,,,\n"
        "bert,e,p,c,,,,,,mix_*\n"
        "cleo,e,p,c,,,,,,mix*\n"
        "ghost,e,p,c,,,,,,ghost/*\n"
        "dora,e,p,c,,,2026-06-01,,,\n"
        "dora,e,q,c,,2026-06-15,2026-08-31,,,\n"
        "emil,e,p,c,,,2026-07-31,,,\n"
        "emil,e,q,c,,2026-07-31,,,,\n"
    )
    checked = check(
        tmp_path, rows, "anna/1.csv", "Car 3/1.csv", "mix_1.csv", "mix2.csv", "dora/2026-06-10.csv",
        "dora/2026-09-02_01.csv", "dora/2026-09-02_02.csv", "emil/1.csv", "zoe/1.csv", "2026-07-04.csv",
    )  # fmt: skip
    assert [(one.row, one.column) for one in checked.problems] == [
        (2, "pump"), (2, "until"), (2, "found"), (3, "car"), (5, "logs"), (6, "logs"), (8, "since"), (8, "until"),
        (10, "since"), (None, "car"), (None, "car"), (None, "logs"),
    ]  # fmt: skip
    assert problem(checked, 3, "car") == "no folder 'car-3' with logs in it. Is 'Car 3' meant?"
    assert problem(checked, 5, "logs").startswith("claims what row 4 claims: mix_1.csv.")
    assert problem(checked, 6, "logs").startswith("'ghost/*' matches no log.")
    assert problem(checked, 8, "since").startswith("1 log is dated after row 7 ends, 2026-06-01, and before this one")
    assert problem(checked, 8, "until").startswith("2 logs are dated after 2026-08-31, the last day on the roster")
    assert question(checked, 2, "ethanol_pct") == "'0.4' is taken as 0.4 %. Was 40 % meant? Write 40."


@pytest.mark.parametrize(
    ("rows", "row", "column", "part"),
    [
        ("a,e,p,c,,,2026-06-01,,,\na,e,q,c,,2026-07-01,,,,\n", 3, "since", "nothing is said of 2026-06-02 to 2026-06"),
        ("a,e,stock,c,,,,,,\nb,e,Stock ,c,,,,,,\nd,e,stock,c,,,,,,\n", 3, "pump", "'Stock' taken as 'stock'"),
        ("a,e,p,stage-2,,,,,,\nb,e,p,stage 2,,,,,,\n", 3, "calibration", "count as different"),
        ("a,e,p,original,,,,,,\na2,e,p,original,,,,,,\nb,e,p,orignal,,,,,,\n", 4, "calibration", "is 'original' meant"),
        ("car 7,e,p,c,,,,,,\ncar-7,e,p,c,,,,,,\n", 3, "car", "counts as another car than that of row 2"),
        ("a,e,p,c,E85,,,,,\n", 2, "ethanol_pct", "not a measurement"),
        ("a,e,p,c,,,,pump,,\n", 2, "found_on", "On which day?"),
        ("a,e,p,c,,,,,2026-09-01,\n", 2, "found", "What was found?"),
        ("a,e,p,c,,2026-07-01,,feed,2026-06-01,\n", 2, "found_on", "is before since"),
        ("a,e,p,c,,2062-07-01,,,,\n", 2, "since", "has not been yet"),
    ],
)  # fmt: skip
def test_what_may_be_meant_otherwise_is_a_question(tmp_path: Path, rows: str, row: int, column: str, part: str) -> None:
    cars = {line.split(",")[0] for line in rows.splitlines()}
    checked = check(tmp_path, rows, *(f"{car}/1.csv" for car in cars))
    assert checked.problems == ()
    assert part in question(checked, row, column)


def test_versions_and_short_words_are_not_taken_for_misspelt(tmp_path: Path) -> None:
    rows = "a,2.0 four,p,club map 2,,,,,,\nb,3.0 four,q,club map 3,,,,,,\n"
    assert check(tmp_path, rows, "a/1.csv", "b/1.csv").questions == ()


def test_a_workbook_is_checked_like_a_text(tmp_path: Path) -> None:
    first = check(tmp_path, "anna,e,,c,0.4,,,,,\n", "bert/1.csv")
    write_sheet(tmp_path / "roster.xlsx", read_sheet(tmp_path / "roster.csv"))
    second = check_roster(tmp_path / "logs", tmp_path / "roster.xlsx", today=date(2026, 10, 1))
    assert [(one.row, one.column) for one in first.problems] == [(one.row, one.column) for one in second.problems]


def test_a_sheet_without_the_needed_columns_tells_that_alone(tmp_path: Path) -> None:
    (tmp_path / "logs").mkdir()
    (tmp_path / "logs/1.csv").touch()
    (tmp_path / "roster.csv").write_text("name,motor\nanna,e\n")
    assert [one.row for one in check_roster(tmp_path / "logs", tmp_path / "roster.csv").problems] == [1, 1, 1]
    with pytest.raises(InputError, match="no folder"):
        check_roster(tmp_path / "gone", tmp_path / "roster.csv")


def test_checking_writes_nothing(tmp_path: Path) -> None:
    check(tmp_path, "anna,e,p,c,,,,,,\n", "anna/1.csv")
    assert sorted(path.name for path in tmp_path.iterdir()) == ["logs", "roster.csv"]
