"""Counts, figures and versions: ready for JSON, and true."""

import json
from collections.abc import Callable
from datetime import date
from importlib.metadata import version
from typing import Any

import polars as pl
import pytest

from models.schemas import Study

KEYS = {"quarter", "made_with", "counts", "model", "budget", "borrowed", "outcome", "small_club", "rare_setups"}


@pytest.fixture(scope="module")
def study(studied: Callable[..., Any]) -> Study:
    found: Study = studied(12, 1).study
    return found


def test_it_is_json_with_the_promised_keys(study: Study) -> None:
    assert set(study.summary) == KEYS
    assert json.loads(json.dumps(study.summary)) == study.summary


def test_versions_are_those_that_ran(study: Study) -> None:
    for package in ("polars", "duckdb", "numpy", "scipy"):
        assert study.summary["made_with"][package] == version(package)


def test_words_are_counted_as_they_stand(study: Study) -> None:
    counts = study.summary["counts"]
    for word in ("action", "warning", "clear", "undecided"):
        assert counts[word] == (study.cars["signal"] == word).sum()
    for word in ("rail_short", "reached"):
        assert counts[word] == (study.cars["pump_limit"] == word).sum()


def test_the_model_tells_its_figures(study: Study) -> None:
    model = study.summary["model"]
    assert {"cross_validated_error_pct", "coverage_80", "coverage_95", "tau_pct", "duty_law", "ceilings"} <= set(model)
    for law in model["duty_law"]:
        assert 0 <= law["round_share_low"] <= law["round_share"] <= law["round_share_high"] <= 1
    assert {row["calibration"] for row in model["ceilings"]} == set(study.cars["calibration"])


def test_the_false_alarm_budget_follows_from_the_limits(study: Study) -> None:
    budget, counts = study.summary["budget"], study.summary["counts"]
    # of the actions at most 5 %; warnings: one-sided .023 for high and .01 for low
    assert budget["expected_false_actions"] == pytest.approx(0.05 * counts["action"], abs=0.006)
    judged = study.cars["p_value"].is_not_null().sum()
    assert budget["expected_false_warnings"] == pytest.approx(0.033 * (judged - counts["action"]), abs=0.006)
    assert budget["median_detectable_excess_pct"] == pytest.approx(
        study.cars["detectable_excess_pct"].median(), abs=0.01
    )


def test_a_club_of_ten_cars_is_not_small_and_one_of_nine_is(
    study_of: Callable[..., Study], studied: Callable[..., Any]
) -> None:
    fleet = studied(12, 1).fleet
    labels = fleet.roster["label"].sort()
    for count, small in ((10, False), (9, True)):
        roster = fleet.roster.filter(pl.col("label").is_in(labels[:count].to_list()))
        assert study_of(fleet, roster=roster).summary["small_club"] is small


def test_a_setup_with_one_car_points_at_its_owner(study_of: Callable[..., Study], studied: Callable[..., Any]) -> None:
    fleet = studied(12, 1).fleet
    alone = fleet.roster["label"].min()
    roster = fleet.roster.with_columns(
        calibration=pl.when(pl.col("label") == alone).then(pl.lit("only mine")).otherwise("calibration")
    )
    rare = study_of(fleet, roster=roster).summary["rare_setups"]
    assert len(rare) == 1
    assert rare[0].endswith("only mine")


def test_the_outcome_counts_inspected_action_cars_of_this_study_too(
    study_of: Callable[..., Study], studied: Callable[..., Any]
) -> None:
    one = studied(24, 1, round_share=1.0)
    acted = one.study.cars.filter(pl.col("signal") == "action")["label"].to_list()
    others = one.study.cars.filter(pl.col("signal") == "clear")["label"].to_list()
    assert len(acted) >= 2, "this fleet has sick cars"
    found = {acted[0]: "pump", acted[1]: "nothing", others[0]: "feed"}
    roster = one.fleet.roster.with_columns(
        found=pl.col("label").replace_strict(found, default=None, return_dtype=pl.String),
        found_on=pl.lit(date(2026, 10, 5)),
    )
    told = study_of(one.fleet, roster=roster).summary["outcome"]
    assert (told["inspected"], told["with_finding"], told["quarters"]) == (2, 1, ["2026Q3"])
    assert {row["label"] for row in told["contradicting"]} == {acted[1], others[0]}
