"""Progress and JSON."""

import json

import polars as pl
import pytest

from door.printing import print_json, progress, rows


def test_progress_without_a_terminal_is_a_line_each_tenth(capsys: pytest.CaptureFixture[str]) -> None:
    with progress("Reading") as reached:
        for done in range(1, 1001):
            reached(done, 1000)
    lines = capsys.readouterr().err.splitlines()
    assert len(lines) == 11
    assert lines[-1] == "Reading: 1000 of 1000"


def test_progress_of_nothing_is_quiet(capsys: pytest.CaptureFixture[str]) -> None:
    with progress("Reading") as reached:
        reached(0, 0)
    assert capsys.readouterr().err == "Reading: 0 of 0\n"


def test_with_a_terminal_there_is_a_bar(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("sys.stderr.isatty", lambda: True)
    with progress("Reading") as reached:
        reached(3, 3)
    told = capsys.readouterr()
    assert told.out == ""
    assert "Reading" in told.err
    assert "100%" in told.err


def test_json_has_null_where_there_is_no_number(capsys: pytest.CaptureFixture[str]) -> None:
    frame = pl.DataFrame({"label": ["a", "b"], "excess_pct": [float("nan"), 2.5]})
    print_json(rows(frame))
    assert json.loads(capsys.readouterr().out) == [
        {"label": "a", "excess_pct": None},
        {"label": "b", "excess_pct": 2.5},
    ]
