"""`compare` at the door: what is refused, with which exit code, and the same answer for programs and notebooks."""

import json
from pathlib import Path
from typing import Any

import polars as pl
import pytest

import pumpcensus as front


@pytest.fixture(scope="module")
def changed(club: Any) -> tuple[Path, str, str]:
    """A club's store, the label of a car that changed its pump, and of one that did not."""
    roster = pl.read_parquet(club.store / "roster.parquet").group_by("label").len().sort("label")
    two, one = (roster.filter(pl.col("len") == rows)["label"] for rows in (2, 1))
    assert len(two)
    return club.store, two[0], one[0]


def test_json_and_the_function_for_notebooks_give_one_answer(changed: tuple[Path, str, str], at_once: Any) -> None:
    store, label, _ = changed
    ending = at_once("compare", label, "--store", store, "--json")
    assert ending.returncode == 0
    told = json.loads(ending.stdout)
    answer = front.compare_car(store, label)
    assert {name: told[name] for name in ("verdict", "change_pct")} == {
        name: answer.told[name] for name in ("verdict", "change_pct")
    }
    assert len(told["curves"]) == answer.curves.height
    shown = at_once("compare", label.lower().replace("-", ""), "--store", store)
    assert shown.stdout.rstrip() == front.compare_text(answer)


def test_refusals_say_what_to_do(changed: tuple[Path, str, str], at_once: Any) -> None:
    store, label, still = changed
    near = label[:-1] + ("0" if label[-1] != "0" else "1")
    refusals = {
        (near,): f"Nearest label: {label}",
        (still,): "its roster has one row, so nothing changed",
        (label, "--before", "2019-01-01..2019-02-01", "--after", "2019-03-01..2019-04-01"): "no log with a full-load",
        (label, "--before", "2026-07-01..2026-08-01", "--after", "2026-07-15..2026-09-01"): "overlap",
        (label, "--before", "2026-08-01..2026-09-01", "--after", "2026-07-01..2026-07-15"): "wrong way round",
        (label, "--before", "2026-07-31..2026-07-01", "--after", "2026-08-01..2026-09-01"): "ends before it begins",
    }
    for words, told in refusals.items():
        ending = at_once("compare", *words, "--store", store)
        assert ending.returncode == 1, words
        assert told in ending.stderr
        assert "nothing was compared" in ending.stderr
        assert ending.stdout == ""


def test_mistyped_ranges_are_usage_errors(changed: tuple[Path, str, str], at_once: Any) -> None:
    store, label, _ = changed
    for words in (
        ("--before", "2026-07-01..2026-02-30", "--after", "2026-08-01..2026-09-01"),
        ("--before", "July", "--after", "August"),
        ("--before", "2026-07-01..2026-07-31"),
        ("--after", "2026-07-01..2026-07-31"),
    ):
        assert at_once("compare", label, "--store", store, *words).returncode == 2, words
