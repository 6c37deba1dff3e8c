"""A roster drafted from where logs lie, and drafted again over what a person has filled in."""

import zipfile
from collections.abc import Callable
from pathlib import Path, PurePosixPath

import pytest

from ingest.findings import InputError
from ingest.roster import COLUMNS, read_roster
from ingest.roster_draft import draft_roster
from ingest.roster_sheet import read_sheet, write_sheet

Logs = Callable[..., Path]


@pytest.fixture
def logs(tmp_path: Path) -> Logs:
    def make(*places: str) -> Path:
        for place in places:
            path = tmp_path / "logs" / place
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_text("a log")
        return tmp_path / "logs"

    return make


def cars(path: Path) -> list[tuple[str, str]]:
    """Car and pattern of each row."""
    return [(row[0], row[-1]) for row in read_sheet(path)[1:]]


@pytest.mark.parametrize("ending", ["csv", "xlsx"])
def test_a_folder_is_a_car_and_the_rest_is_left_empty(tmp_path: Path, logs: Logs, ending: str) -> None:
    roster = tmp_path / f"roster.{ending}"
    draft = draft_roster(logs("car-7/2026-07-04_01.csv", "car-7/2026-07-05.csv", "anna/x.csv"), roster)
    assert (draft.rows, draft.new, draft.questions) == (2, ("anna", "car-7"), ())
    assert read_sheet(roster)[0] == list(COLUMNS)
    assert [[cell for cell in row if cell] for row in read_sheet(roster)[1:]] == [["anna"], ["car-7"]]
    assert [(one.row, one.column) for one in draft.missing] == [(2, "engine"), (2, "pump"), (3, "engine"), (3, "pump")]


@pytest.mark.parametrize(
    ("place", "car", "pattern"),
    [
        ("2026Q3/car-7/a.csv", "car-7", ""),
        ("2026/07/car-7/dyno/a.csv", "car-7", ""),
        ("car-7/2026/07/a.csv", "car-7", ""),
        ("04.07.2026 dyno/car-8/a.csv", "car-8", ""),
        ("007/a.csv", "007", ""),
        ("=cmd/a.csv", "=cmd", ""),
        ("Zoë's GTI/a.csv", "Zoë's GTI", ""),
        ("car-7_2026-07-04_01.csv", "car-7", "car-7*"),
        ("2026-07-04 anna (2).csv", "anna", "*anna*"),
        ("2026Q3/anna_01.csv.gz", "anna", "*/anna*"),
        ("a[1]_2026-07-04.csv", "a[1]", "a[[]1]*"),
        ("car-7 2026-07-04/a.csv", "car-7", "car-7*"),
    ],
)
def test_folders_and_names_that_tell_a_car(tmp_path: Path, logs: Logs, place: str, car: str, pattern: str) -> None:
    draft_roster(logs(place, "other/x.csv"), tmp_path / "roster.csv")
    assert (car, pattern) in cars(tmp_path / "roster.csv")


def test_the_drafted_rows_claim_the_logs_they_were_drafted_from(tmp_path: Path, logs: Logs) -> None:
    places = ["car-7/a.csv", "car-70_2026-07-04.csv", "bert_1.csv", "bert_2.csv", "2026/x/anna/a.csv"]
    roster = tmp_path / "roster.csv"
    draft_roster(logs(*places), roster)
    rows = [[cell or "filled in" if i in (1, 2) else cell for i, cell in enumerate(row)] for row in read_sheet(roster)]
    roster.unlink()
    write_sheet(roster, rows)
    from ingest.roster import places as places_of_roster

    where = places_of_roster(read_roster(roster))
    assert [where.car_of(PurePosixPath(place)) for place in places] == ["car-7", "car-70", "bert", "bert", "x"]


def test_logs_whose_names_tell_no_car_are_said(tmp_path: Path, logs: Logs) -> None:
    draft = draft_roster(logs("anna/x.csv", "2026-07-04_01.csv", "log_002.csv", "2026/07/pull.csv"), tmp_path / "r.csv")
    assert draft.new == ("anna",)
    assert "3 logs of no car" in draft.questions[0]
    assert "2026-07-04_01.csv" in draft.questions[0]


def test_a_pattern_that_would_claim_another_cars_log_is_not_written(tmp_path: Path, logs: Logs) -> None:
    draft = draft_roster(logs("car_2026-07-04.csv", "car_2/x.csv", "an_1.csv", "anna_1.csv"), tmp_path / "r.csv")
    assert ("an", "an*") not in cars(tmp_path / "r.csv")
    assert any("an_1.csv" in question for question in draft.questions)


def test_folders_within_a_folder_are_asked_about(tmp_path: Path, logs: Logs) -> None:
    draft = draft_roster(
        logs("team/anna/x.csv", "team/bert/x.csv", "zoe/dyno/x.csv", "zoe/street/x.csv"), tmp_path / "r.csv"
    )
    assert draft.new == ("team", "zoe")
    assert draft.questions == (
        "team: its folders anna, bert count as one car. If each is a car, write a row for each in its stead.",
    )


def test_cars_in_an_archive(tmp_path: Path, logs: Logs) -> None:
    folder = logs("anna/x.csv")
    with zipfile.ZipFile(folder / "club.zip", "w") as archive:
        archive.writestr("car-7/2026-07-04.csv", "a log")
        archive.writestr("anna/y.csv", "a log")
    assert draft_roster(folder, tmp_path / "r.csv").new == ("anna", "car-7")


def test_pictures_and_papers_are_no_logs(tmp_path: Path, logs: Logs) -> None:
    assert draft_roster(logs("anna/x.csv", "photos/a.JPG", "papers/readme.md"), tmp_path / "r.csv").new == ("anna",)


@pytest.mark.parametrize("ending", ["csv", "xlsx"])
def test_what_a_person_filled_in_stays(tmp_path: Path, logs: Logs, ending: str) -> None:
    roster = tmp_path / f"roster.{ending}"
    mine = [
        ["owner", "Car", "pump", "engine", "since", "logs"],
        ["Jo", "bert", "large", "2.0 four", "2026-06-01", ""],
        ["", "Bert", "small", "2.0 four", "", ""],
        ["Al", "anna", "small", "", "", "mixed/a_*"],
    ]
    write_sheet(roster, mine)
    places = ["bert/x.csv", "mixed/a_1.csv", "anna/x.csv", "Cleo/x.csv"]
    draft = draft_roster(logs(*places), roster)
    assert draft.new == ("Cleo",)
    assert read_sheet(roster)[:4] == mine
    assert read_sheet(roster)[4] == ["", "Cleo", "", "", "", ""]
    content = roster.read_bytes()
    assert draft_roster(logs(*places), roster).new == ()
    assert roster.read_bytes() == content


def test_a_roster_without_a_column_for_patterns(tmp_path: Path, logs: Logs) -> None:
    roster = tmp_path / "r.csv"
    roster.write_text("car,engine,pump\n")
    draft = draft_roster(logs("anna/x.csv", "bert_1.csv"), roster)
    assert draft.new == ("anna",)
    assert "bert: not added" in draft.questions[0]
    assert "no column logs" in draft.questions[0]


@pytest.mark.parametrize(
    ("text", "part"), [("name,motor\nanna,2.0\n", "no column car"), ("", "empty"), ("car,engine,pump,car\n", "twice")]
)
def test_a_file_that_is_no_roster_is_refused_and_stays(tmp_path: Path, logs: Logs, text: str, part: str) -> None:
    roster = tmp_path / "r.csv"
    roster.write_text(text)
    with pytest.raises(InputError, match=part):
        draft_roster(logs("anna/x.csv"), roster)
    assert roster.read_text() == text


def test_no_logs_no_roster(tmp_path: Path, logs: Logs) -> None:
    roster = tmp_path / "r.csv"
    (tmp_path / "empty").mkdir()
    for folder, part in ((tmp_path / "gone", "no folder"), (tmp_path / "empty", "no logs in it")):
        with pytest.raises(InputError, match=part):
            draft_roster(folder, roster)
    with pytest.raises(InputError, match="1 log of no car"):
        draft_roster(logs("2026-07-04.csv"), roster)
    assert not roster.exists()


def test_a_roster_among_the_logs_is_not_a_log(tmp_path: Path, logs: Logs) -> None:
    folder = logs("anna/x.csv")
    draft_roster(folder, folder / "members.csv")
    assert draft_roster(folder, folder / "members.csv").new == ()


def test_a_name_that_steers_a_terminal_or_is_no_text_is_no_car(tmp_path: Path, logs: Logs) -> None:
    draft = draft_roster(logs("anna/x.csv", "red\x1b[31m/x.csv"), tmp_path / "r.csv")
    assert draft.new == ("anna",)
    assert "red?[31m" in draft.questions[0]
