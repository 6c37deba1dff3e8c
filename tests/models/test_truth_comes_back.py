"""Invented fleets of known truth through the whole study: what was put in must come out.

Seeds are 1, 2, 3 throughout and were never chosen; tolerances come from the number of cars, by the binomial.
"""

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import polars as pl
import pytest
from scipy.stats import binom

from models.schemas import Study
from synthetic_fleet.direct_cells import DirectFleet, direct_cells, fault_curve

SEEDS = (1, 2, 3)
CARS = 24
LAWS = (0.0, 0.5, 1.0)  # straight, half and half, round lobe


@pytest.fixture(scope="module", params=LAWS, ids=lambda w: f"round_share={w}")
def three(request: pytest.FixtureRequest, studied: Callable[..., Any]) -> list[Any]:
    return [studied(CARS, seed, round_share=request.param) for seed in SEEDS]


def test_the_duty_law_comes_back_inside_its_interval(three: list[Any], request: pytest.FixtureRequest) -> None:
    truth = request.node.callspec.params["three"]
    laws = [law for one in three for law in one.study.summary["model"]["duty_law"]]
    inside = [law["round_share_low"] - 1e-9 <= truth <= law["round_share_high"] + 1e-9 for law in laws]
    assert sum(inside) >= binom.ppf(0.01, len(laws), 0.95)
    assert max(abs(law["round_share"] - truth) for law in laws) < 0.2
    # an interval that holds everything would say nothing
    assert np.median([law["round_share_high"] - law["round_share_low"] for law in laws]) < 0.5


def test_the_excess_is_unbiased(three: list[Any]) -> None:
    # an excess is told against peers, whose own mean level is off by 2.7 / sqrt(72) = .32 %: 4 of those
    error = np.concatenate([(t["excess_pct"] - t["truth_pct"]).to_numpy() for t in (one.beside_truth for one in three)])
    assert len(error) == CARS * len(SEEDS)
    assert float(error.mean()) == pytest.approx(0.0, abs=1.3)


def test_the_intervals_hold_the_truth_as_often_as_they_say(three: list[Any]) -> None:
    cars = pl.concat([one.beside_truth for one in three])
    held = cars.select(pl.col("truth_pct").is_between("excess_low_pct", "excess_high_pct"))[:, 0]
    assert held.sum() >= binom.ppf(0.001, len(cars), 0.95)
    # and they are no wider than they need be: healthy cars spread by 2.7 %
    assert float((cars["excess_high_pct"] - cars["excess_low_pct"]).median()) < 4 * 2.7  # type: ignore[arg-type]


def test_healthy_cars_are_not_called_unlikely_too_often(three: list[Any]) -> None:
    healthy = pl.concat([one.beside_truth for one in three]).filter(pl.col("fault") == "")
    for level in (0.01, 0.05, 0.2):
        share = int((healthy["p_value"] <= level).sum())
        assert share <= binom.ppf(0.999, len(healthy), level), level


def test_the_spread_of_healthy_cars_comes_back(three: list[Any]) -> None:
    # truth 2.7 %; from 72 cars its standard error is .23, and a prior of 3.0 worth 8 cars a fleet pulls a little
    tau = [one.study.summary["model"]["tau_pct"] for one in three]
    assert float(np.mean(tau)) == pytest.approx(2.7, abs=0.8)


# ---- fleets without a fault


@pytest.mark.parametrize("seed", SEEDS)
def test_a_healthy_fleet_gives_no_action(seed: int, studied: Callable[..., Any]) -> None:
    one = studied(CARS, seed, faulty_share=0.0)
    signals = one.study.cars["signal"]
    assert "action" not in signals
    # two one-sided tests, p <= .023 for high and .01 for low
    assert int((signals == "warning").sum()) <= binom.ppf(0.999, CARS, 0.033)


# ---- planted faults: a straight duty is the volume itself, so a fault multiplies it; nothing of the models is used


def planted(seed: int) -> tuple[DirectFleet, dict[str, str]]:
    """A healthy straight fleet with four faults planted in the cars with most room below their ceiling.

    Everybody's pump is made a fourth larger first, and what stood at a ceiling left out: no ceiling cuts a fault.
    """
    fleet = direct_cells(CARS, seed, faulty_share=0.0, round_share=0.0)
    roomy = fleet.cells.filter(pl.col("duty_top_share") < 1.0).with_columns(pl.col("duty_pct", "duty_max_pct") * 0.8)
    fleet = replace(fleet, cells=roomy)
    enough = fleet.ledger.group_by("label").len().filter(pl.col("len") >= 3)
    room = fleet.cells.join(enough, on="label", how="semi").group_by("label").agg(pl.col("duty_pct").max())
    chosen = room.sort("duty_pct", "label")["label"].to_list()[:4]
    sick = dict(zip(("worn", "leak", "starved", "sticking"), chosen, strict=True))
    cells = fleet.cells
    for fault, size in (("worn", 0.20), ("leak", 0.18), ("starved", 0.25)):
        asked = np.exp(fault_curve(fault, size, cells["engine_speed_rpm"].to_numpy(), 1.0))
        asked = np.where((cells["label"] == sick[fault]).to_numpy(), asked, 1.0)
        cells = cells.with_columns(pl.col("duty_pct", "duty_max_pct") * pl.Series(asked))
    drops = (pl.col("label") == sick["sticking"]) & (pl.col("pull") == 1)
    events = {
        name: pl.when(drops).then(1).otherwise(pl.col(name)).cast(pl.Int32)
        for name in ("dropouts", "dropouts_collapsing")
    }
    return replace(fleet, cells=cells, pulls=fleet.pulls.with_columns(**events)), sick


@pytest.fixture(scope="module", params=SEEDS, ids=lambda seed: f"seed={seed}")
def faults(request: pytest.FixtureRequest, study_of: Callable[..., Study]) -> tuple[Study, dict[str, str]]:
    fleet, sick = planted(request.param)
    assert fleet.cells["duty_max_pct"].max() < 100  # type: ignore[operator]
    return study_of(fleet), sick


@pytest.mark.parametrize(
    ("fault", "pattern"),
    [
        ("worn", "high_all_speeds"),
        ("leak", "high_low_speeds"),
        ("starved", "high_top_speeds"),
        ("sticking", "dropouts_rail_collapses"),
    ],
)
def test_a_planted_fault_is_found_and_named(fault: str, pattern: str, faults: tuple[Study, dict[str, str]]) -> None:
    study, sick = faults
    car = study.cars.filter(pl.col("label") == sick[fault]).row(0, named=True)
    assert car["signal"] == "action"
    assert pattern in car["pattern"].split(";")


def test_a_worn_pumps_excess_is_as_large_as_planted(faults: tuple[Study, dict[str, str]]) -> None:
    study, sick = faults
    car = study.cars.filter(pl.col("label") == sick["worn"]).row(0, named=True)
    # its own healthy level adds up to 3 x 2.7 %
    assert car["excess_pct"] == pytest.approx(20.0, abs=8.5)
    assert car["excess_low_pct"] > 4.0


def test_nobody_else_is_accused(faults: tuple[Study, dict[str, str]]) -> None:
    study, sick = faults
    assert set(study.cars.filter(pl.col("signal") == "action")["label"]) == set(sick.values())
