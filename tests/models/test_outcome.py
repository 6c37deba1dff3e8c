"""Findings held against what was said: by hand on a few rows; the interval against statsmodels."""

from datetime import date
from typing import Any

import polars as pl
import pytest
from statsmodels.stats.proportion import proportion_confint

from models.outcome import SAID, outcome, share_interval

ROSTER = {"label": pl.String, "setup": pl.String, "since": pl.Date, "found": pl.String, "found_on": pl.Date}
NEW = date(2026, 6, 1)


def told(said: list[tuple[Any, ...]], found: list[tuple[Any, ...]]) -> dict[str, Any]:
    every = pl.DataFrame(
        [(q, label, "s", since, signal, logs) for q, label, since, signal, logs in said], SAID, orient="row"
    )
    rows = [(label, "s", since, what, day) for label, since, what, day in found]
    return outcome(every, pl.DataFrame(rows, ROSTER, orient="row"))


def test_each_inspection_answers_the_newest_study_up_to_its_quarter() -> None:
    said = [
        ("2026Q1", "A", None, "action", 3),
        ("2026Q2", "A", None, "clear", 2),  # after its inspection: does not count
        ("2026Q1", "B", None, "action", 3),
        ("2026Q2", "B", None, "action", 0),  # no log of it: nothing was said anew
        ("2026Q2", "C", None, "action", 2),
        ("2026Q2", "D", NEW, "clear", 2),
    ]
    found = [
        ("A", None, "pump", date(2026, 3, 31)),
        ("B", None, "nothing", date(2026, 7, 1)),
        ("C", None, "roster", date(2026, 5, 1)),
        ("D", None, "feed", date(2026, 5, 1)),  # of another row of the roster
        ("E", None, "feed", None),
        ("F", None, None, None),
    ]
    result = told(said, found)
    assert (result["inspected"], result["with_finding"], result["quarters"]) == (3, 2, ["2026Q1", "2026Q2"])
    assert (result["undated"], result["unmatched"]) == (1, 1)
    assert [(row["label"], row["quarter"]) for row in result["contradicting"]] == [("B", "2026Q1")]


@pytest.mark.parametrize(
    ("signal", "found", "against"),
    [("clear", "pump", 1), ("clear", "nothing", 0), ("action", "nothing", 1), ("action", "leak", 0),
     ("warning", "nothing", 0), ("warning", "pump", 0), ("undecided", "pump", 0)],
)  # fmt: skip
def test_only_action_without_and_clear_with_a_finding_contradict(signal: str, found: str, against: int) -> None:
    result = told([("2026Q2", "A", NEW, signal, 2)], [("A", NEW, found, date(2026, 6, 30))])
    assert len(result["contradicting"]) == against
    assert result["inspected"] == (signal == "action")


def test_nothing_inspected_has_no_share() -> None:
    result = told([("2026Q2", "A", None, "action", 2)], [])
    assert (result["inspected"], result["share"], result["share_low"]) == (0, None, None)


@pytest.mark.parametrize(("hits", "of"), [(0, 5), (1, 3), (4, 6), (7, 7), (50, 120)])
def test_the_interval_is_statsmodels_own(hits: int, of: int) -> None:
    assert share_interval(hits, of) == pytest.approx(proportion_confint(hits, of, method="beta"), abs=1e-12)
