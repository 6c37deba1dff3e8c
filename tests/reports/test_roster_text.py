"""A drafted and a checked roster in the terminal."""

from pathlib import Path

from ingest.roster import Remark
from ingest.roster_check import RosterCheck
from ingest.roster_draft import RosterDraft
from reports.roster_text import check_text, draft_text

EMPTY = "empty. A setup needs engine and pump."


def test_a_draft_says_what_was_added_what_is_missing_and_what_comes_next() -> None:
    missing = tuple(Remark("r.csv", row, column, EMPTY) for row in (2, 3, 4, 9) for column in ("engine", "pump"))
    text = draft_text(RosterDraft(Path("r.csv"), 8, ("anna", "bert"), missing, ("Is it?",)))
    lines = text.splitlines()
    assert lines[0] == "r.csv: 8 rows; added anna, bert."
    assert f"- rows 2-4, 9, engine: {EMPTY}" in lines
    assert f"- rows 2-4, 9, pump: {EMPTY}" in lines
    assert "- Is it?" in lines
    assert lines[-1] == "Then: pumpcensus roster LOGS --check r.csv"


def test_a_check_lists_problems_first() -> None:
    problem, question = Remark("r.csv", None, "car", "no row."), Remark("r.csv", 3, "since", "Why?")
    lines = check_text(RosterCheck(Path("r.csv"), 1, 1, 4, 2, (problem,), (question,))).splitlines()
    assert lines[0] == "r.csv: 1 row, 1 car; 4 logs."
    assert lines[2:] == ["1 problem:", "- car: no row.", "1 question:", "- row 3, since: Why?"]
    assert check_text(RosterCheck(Path("r.csv"), 1, 1, 4, 0, (), ())).splitlines()[1:] == [
        "No problem: every log has a car, and every car has logs."
    ]
