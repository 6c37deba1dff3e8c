"""What would decide, held against what does: the wish is granted to the same fleet and the study run again."""

from collections.abc import Callable
from datetime import date
from typing import Any

import numpy as np
import polars as pl
import pytest

from models.excess import estimate
from models.fleet import gather, window
from models.judgement import parts_of
from models.learning import Learned, learn
from models.next_logs import sampling_covariances
from models.schemas import NEXT_LOGS, WISHES, Study
from models.variances import within

StudyOf = Callable[..., Study]


@pytest.fixture(scope="module")
def fleet(studied: Callable[..., Any]) -> Any:
    return studied(24, 3).fleet


@pytest.fixture(scope="module")
def whole(studied: Callable[..., Any]) -> Study:
    study: Study = studied(24, 3).study
    return study


def quiet(study: Study) -> str:
    """A car like its peers, with logs enough to take some away."""
    quiet = study.cars.filter((pl.col("signal") == "clear") & (pl.col("logs") >= 3) & (pl.col("pump_limit") == "none"))
    return str(quiet.sort("detectable_excess_pct", "label")["label"][0])


def wishes(study: Study, label: str) -> pl.DataFrame:
    return study.next_logs.filter(pl.col("label") == label)


def car(study: Study, label: str) -> dict[str, Any]:
    return study.cars.filter(pl.col("label") == label).row(0, named=True)


def test_its_columns_and_codes_are_those_declared(whole: Study) -> None:
    assert whole.next_logs.schema == pl.Schema(NEXT_LOGS)
    assert set(whole.next_logs["wish"]) <= set(WISHES)


def test_cars_like_their_peers_are_asked_for_nothing_and_undecided_ones_for_something(whole: Study) -> None:
    asked = set(whole.next_logs["label"])
    once = whole.cars.filter(pl.len().over("label") == 1)
    assert not asked & set(once.filter(pl.col("signal") == "clear")["label"])
    assert set(once.filter(pl.col("signal") == "undecided")["label"]) <= asked


def test_a_measured_blend_brings_what_was_said_it_would(study_of: StudyOf, fleet: Any, whole: Study) -> None:
    label = quiet(whole)
    unmeasured = pl.when(pl.col("label") == label).then(None).otherwise("ethanol_pct")
    roster = fleet.roster.with_columns(
        ethanol_pct=pl.when(pl.col("label") == label).then(50.0).otherwise("ethanol_pct")
    )
    study = study_of(fleet, cells=fleet.cells.with_columns(ethanol_pct=unmeasured), roster=roster)
    assert car(study, label)["signal"] == "undecided"
    asked = wishes(study, label)
    assert asked["wish"][0] == "measure_ethanol"
    granted = car(whole, label)["detectable_excess_pct"]  # the same logs with the blend in them
    assert asked["would_find_pct"][0] == pytest.approx(granted, rel=0.10)


def test_so_many_more_logs_bring_what_was_said_they_would(study_of: StudyOf, fleet: Any) -> None:
    # logs that differ by 2 %, so that their number counts; the count is asked of a car that has but one
    rng = np.random.default_rng(5)
    logs = fleet.cells["log"].unique().sort()
    ripple = pl.DataFrame({"log": logs, "ripple": np.exp(rng.normal(0.0, 0.02, logs.len()))})
    cells = fleet.cells.join(ripple, on="log").with_columns(
        duty_pct=(pl.col("duty_pct") * pl.col("ripple")).clip(upper_bound=99.0)
    )
    now = fleet.ledger.filter((pl.col("date") >= date(2026, 7, 1)) & (pl.col("verdict") == "kept"))
    often = now.group_by("label").len().sort("len", "label", descending=[True, False])["label"][:4].to_list()

    def with_logs(label: str, most: int) -> Study:
        left_out = now.filter(pl.col("label") == label).sort("date", "log")["log"][most:].implode()
        return study_of(
            fleet,
            **{name: (cells if name == "cells" else getattr(fleet, name)).filter(~pl.col("log").is_in(left_out))
               for name in ("cells", "pulls", "ledger")},
        )  # fmt: skip

    granted = []
    for label in often:
        asked = wishes(with_logs(label, 1), label).filter(pl.col("wish") == "more_logs")
        if asked.height and 1 + asked["count"][0] <= now.filter(pl.col("label") == label).height:
            then = car(with_logs(label, 1 + asked["count"][0]), label)["detectable_excess_pct"]
            granted.append((then, asked["would_find_pct"][0]))
    assert granted
    for then, told in granted:
        assert then == pytest.approx(told, rel=0.15)


@pytest.fixture(scope="module")
def learned(fleet: Any) -> Learned:
    today = date(2026, 11, 25)
    material = gather(
        fleet.cells, fleet.pulls, fleet.ledger, fleet.roster, window("2026Q3", fleet.ledger, today), today
    )
    assert material.fleet is not None
    return learn(material.fleet)


def test_what_more_logs_shrink_is_as_by_one_matrix_a_car(learned: Learned) -> None:
    units = np.flatnonzero(learned.judged.numbers.judged)[::3]
    for unit, found in zip(units.tolist(), sampling_covariances(learned, units), strict=True):
        part = learned.rows.of(unit)
        W = within(learned.rows, part, learned.noise)
        alone = estimate(learned.rows, part, np.zeros(len(W)), W, np.zeros_like(W)).covariance
        assert found == pytest.approx(alone, rel=1e-9, abs=1e-12)


def test_the_parts_of_a_cars_variance_add_up(learned: Learned) -> None:
    known, parts = learned.judged.numbers.judged, parts_of(learned)
    total = sum(parts[f"{name}_variance"] for name in ("logs", "ethanol", "unlogged", "peers", "healthy"))
    level = parts["level_variance"] + learned.spread[0, 0]
    assert total[known] == pytest.approx(level[known], rel=0.02)
    assert min(part[known].min() for part in parts.values()) >= 0
    assert (parts["barometer_variance"] <= parts["logs_variance"])[known].all()


def test_a_part_of_the_rev_range_that_is_missing_is_asked_for(study_of: StudyOf, fleet: Any, whole: Study) -> None:
    label = quiet(whole)
    of_car = pl.col("label") == label
    cells = fleet.cells.filter(~(of_car & (pl.col("band_rpm") >= 5000)))
    unmeasured = pl.when(of_car).then(None).otherwise("ethanol_pct")
    study = study_of(fleet, cells=cells.with_columns(ethanol_pct=unmeasured))
    asked = wishes(study, label).filter(pl.col("wish") == "rev_range")
    if car(study, label)["signal"] == "undecided":
        assert asked["low_rpm"].to_list() == [5000]
        assert asked["high_rpm"][0] > 6000
    else:
        pytest.fail("without its blend and its top third the car should be undecided")


def test_a_car_that_ran_short_is_asked_to_wait_and_for_nothing_else(
    study_of: StudyOf, fleet: Any, whole: Study
) -> None:
    label = quiet(whole)
    short = pl.when(pl.col("label") == label).then(3).otherwise(pl.col("rail_deficits"))
    study = study_of(
        fleet, pulls=fleet.pulls.with_columns(rail_deficits=short.cast(fleet.pulls.schema["rail_deficits"]))
    )
    assert car(study, label)["pump_limit"] == "rail_short"
    assert wishes(study, label)["wish"].to_list() == ["wait"]


def test_a_car_without_a_usable_log_is_asked_for_a_first_one(study_of: StudyOf, fleet: Any, whole: Study) -> None:
    label = quiet(whole)
    other = pl.col("label") != label
    study = study_of(
        fleet, cells=fleet.cells.filter(other), pulls=fleet.pulls.filter(other), ledger=fleet.ledger.filter(other)
    )
    assert wishes(study, label)["wish"].to_list() == ["first_log"]
