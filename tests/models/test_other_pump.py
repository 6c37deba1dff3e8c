"""A roster row that names another pump than the car has, and one that rightly names a rare one."""

from collections.abc import Callable
from dataclasses import replace

import polars as pl
import pytest

from models.schemas import Study
from synthetic_fleet.direct_cells import DirectFleet, direct_cells

RARE = "P9"
Fleets = Callable[..., Study]


@pytest.fixture(scope="module")
def fleet() -> DirectFleet:
    return direct_cells(24, 611, faulty_share=0.0, round_share=0.0, measured_ethanol=1.0)


def with_a_rare_pump(fleet: DirectFleet, label: str, volume: float) -> DirectFleet:
    """The roster names a pump nobody else has; a stroke of the pump on the car gives `volume` times the others'."""
    own = pl.col("label") == label
    named = pl.when(own).then(pl.lit(RARE)).otherwise("pump").alias("pump")
    duty = pl.when(own).then(pl.col("duty_pct") / volume).otherwise("duty_pct").alias("duty_pct")
    return replace(fleet, roster=fleet.roster.with_columns(named), cells=fleet.cells.with_columns(duty))


def told(study: Study, label: str) -> tuple[str, str, str]:
    row = study.cars.row(by_predicate=pl.col("label") == label, named=True)
    return row["signal"], row["pattern"], row["check_first"]


def usual_cars(fleet: DirectFleet) -> list[str]:
    """Cars whose own level is near their peers': what is tested is the row, not the car."""
    near = fleet.truth.filter(pl.col("level_pct").abs() < 2.0).sort("label")
    return near["label"].to_list()[:3]


def test_a_duty_that_is_just_the_other_pumps_puts_the_row_in_doubt(study_of: Fleets, fleet: DirectFleet) -> None:
    for label in usual_cars(fleet):
        signal, pattern, checks = told(study_of(with_a_rare_pump(fleet, label, 1.0)), label)
        assert (signal, pattern) == ("warning", "fits_other_pump")
        assert "roster_to_confirm" in checks.split(";")


@pytest.mark.parametrize("volume", [1.15, 1.3])
def test_a_pump_that_is_rare_and_larger_is_left_alone(study_of: Fleets, fleet: DirectFleet, volume: float) -> None:
    for label in usual_cars(fleet):
        signal, pattern, _ = told(study_of(with_a_rare_pump(fleet, label, volume)), label)
        assert (signal, pattern) == ("undecided", "")  # nobody can say what it should need


def test_two_cars_that_share_a_wrong_row_do_not_vouch_for_each_other(study_of: Fleets, fleet: DirectFleet) -> None:
    row = fleet.roster.join(fleet.truth, on="label").filter(pl.col("level_pct").abs() < 2.0)
    setup = row.group_by("engine", "pump", "boost_hardware", "calibration").agg("label").sort("engine")["label"][0]
    pair = setup.to_list()[:2]
    wrong = with_a_rare_pump(with_a_rare_pump(fleet, pair[0], 1.0), pair[1], 1.0)
    study = study_of(wrong)
    assert [told(study, label)[1] for label in pair] == ["fits_other_pump"] * 2


def test_nobody_is_asked_where_every_setup_is_common(study_of: Fleets, fleet: DirectFleet) -> None:
    assert not study_of(fleet).cars["pattern"].str.contains("fits_other_pump").any()
