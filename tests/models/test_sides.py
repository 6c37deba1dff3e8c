"""Which logs are held against which, and what is said where there are none."""

from datetime import date

import polars as pl
import pytest

from ingest.findings import InputError
from models.observations import spells
from models.sides import Sides, find_sides

LABEL = "7K3M-Q2XW"
ROW = {"label": LABEL, "engine": "E", "pump": "P", "boost_hardware": "B", "calibration": "K", "port_injection": False,
       "ethanol_pct": 10.0, "since": None, "until": None}  # fmt: skip
SCHEMA = {"since": pl.Date, "until": pl.Date}
CHANGE = date(2026, 8, 1)
TWO_ROWS = [ROW | {"until": date(2026, 7, 31)}, ROW | {"since": CHANGE}]
DAYS = [date(2026, 7, 6), date(2026, 7, 20), date(2026, 8, 3), date(2026, 8, 17)]


def ledger(days: list[date], **other: object) -> pl.DataFrame:
    rows = [
        {"log": f"log-{number}", "label": LABEL, "date": day, "verdict": "kept", "pulls": 3} | other
        for number, day in enumerate(days)
    ]
    return pl.DataFrame(rows, schema={"log": pl.String, "label": pl.String, "date": pl.Date, "verdict": pl.String,
                                      "pulls": pl.Int32})  # fmt: skip


def found(rows: list[dict[str, object]], days: list[date] = DAYS, **how: object) -> Sides:
    table = pl.DataFrame(rows, schema_overrides=SCHEMA)
    asked = {"label": LABEL, "before": None, "after": None, "today": date(2026, 11, 1), "days_each_side": 365} | how
    logs = asked.pop("ledger", None)
    return find_sides(ledger(days) if logs is None else logs, spells(table), **asked)  # type: ignore[arg-type]


def test_the_newest_change_parts_the_logs() -> None:
    sides = found(TWO_ROWS)
    assert sides.before.logs == ("log-0", "log-1")
    assert sides.after.logs == ("log-2", "log-3")
    assert (sides.before.last, sides.after.first, sides.changed_on) == (DAYS[1], DAYS[2], CHANGE)


def test_of_three_rows_the_last_two_count() -> None:
    last = date(2026, 8, 10)
    rows = [TWO_ROWS[0], ROW | {"since": CHANGE, "until": date(2026, 8, 9)}, ROW | {"since": last}]
    sides = found(rows)
    assert (sides.before.logs, sides.after.logs, sides.changed_on) == (("log-2",), ("log-3",), last)


def test_logs_of_long_ago_tell_nothing_of_the_pump_that_was_taken_out() -> None:
    days = [date(2024, 7, 6), *DAYS]
    assert found(TWO_ROWS, days).before.logs == ("log-1", "log-2")
    assert found(TWO_ROWS, days, days_each_side=1000).before.logs == ("log-0", "log-1", "log-2")


@pytest.mark.parametrize(
    ("changed", "kept"),
    [
        ({}, False),  # nothing but the date: a new pump of the same kind
        ({"pump": "larger"}, False),
        ({"pump": "larger", "calibration": "K2"}, False),
        ({"calibration": "K2"}, True),
        ({"boost_hardware": "B2"}, True),
        ({"ethanol_pct": 30.0}, True),
        ({"port_injection": True}, True),
    ],
)
def test_the_pump_stays_where_another_word_of_the_row_changes(changed: dict[str, object], kept: bool) -> None:
    assert found([TWO_ROWS[0], TWO_ROWS[1] | changed]).pump_kept is kept


def test_two_ranges_of_one_row_keep_the_pump() -> None:
    sides = found([ROW], before=(DAYS[0], DAYS[1]), after=(DAYS[2], DAYS[2]))
    assert (sides.before.logs, sides.after.logs) == (("log-0", "log-1"), ("log-2",))
    assert (sides.pump_kept, sides.changed_on) == (True, None)


def test_ranges_across_a_change_know_of_it() -> None:
    sides = found(TWO_ROWS, before=(DAYS[1], DAYS[1]), after=(DAYS[3], DAYS[3]))
    assert (sides.pump_kept, sides.changed_on) == (False, CHANGE)


def problems(rows: list[dict[str, object]] = TWO_ROWS, days: list[date] = DAYS, **how: object) -> list[str]:
    with pytest.raises(InputError) as refused:
        found(rows, days, **how)
    return refused.value.problems


def test_an_unknown_label_names_the_nearest() -> None:
    (told,) = problems(label="7K3M-Q2WX")
    assert "7K3M-Q2WX: no such car" in told
    assert LABEL in told


def test_a_car_without_a_change_is_told_what_to_do_and_when_it_drove() -> None:
    (told,) = problems([ROW])
    assert "nothing changed" in told
    assert "--before A..B --after C..D" in told
    assert "2026-07-06, 2026-07-20, 2026-08-03, 2026-08-17" in told


def test_a_change_without_logs_after_it() -> None:
    (told,) = problems(days=DAYS[:2])
    assert "no full-load pull within 365 days after its change of 2026-08-01" in told
    assert len(problems(days=[])) == 2


def test_refused_logs_logs_without_pulls_and_logs_of_the_future_count_for_nothing() -> None:
    assert len(problems(ledger=ledger(DAYS, verdict="refused"))) == 2
    assert len(problems(ledger=ledger(DAYS, pulls=0))) == 2
    assert len(problems(today=date(2026, 8, 2))) == 1


def test_all_problems_of_ranges_at_once() -> None:
    told = problems(before=(DAYS[1], DAYS[0]), after=(date(2027, 1, 1), date(2027, 2, 1)))
    assert told[0] == "--before 2026-07-20..2026-07-06: ends before it begins. Write the earlier day first."
    assert "--after 2027-01-01..2027-02-01: 7K3M-Q2XW has no log with a full-load pull in it." in told[1]


@pytest.mark.parametrize(
    ("before", "after", "word"),
    [
        ((DAYS[0], DAYS[2]), (DAYS[2], DAYS[3]), "overlap"),
        ((DAYS[0], DAYS[3]), (DAYS[1], DAYS[2]), "overlap"),
        ((DAYS[2], DAYS[3]), (DAYS[0], DAYS[1]), "are the wrong way round"),
    ],
)
def test_ranges_that_overlap_or_stand_the_wrong_way_round(before: object, after: object, word: str) -> None:
    assert any(
        f"{word}. The first must end before the second begins." in told
        for told in problems([ROW], before=before, after=after)
    )


def test_a_range_over_a_change_of_the_roster_is_refused() -> None:
    (told,) = problems(before=(DAYS[0], DAYS[2]), after=(DAYS[3], DAYS[3]))
    assert "its roster row changes on or before 2026-08-03" in told


def test_one_range_alone_is_no_question() -> None:
    assert "belong together" in problems(before=(DAYS[0], DAYS[1]))[0]
