"""Fleets of cells in which pumps are changed: the truth tells what the cells hold."""

from datetime import timedelta

import numpy as np
import polars as pl
import pytest

from synthetic_fleet.direct_cells import PUMP_SIZES, Spread
from synthetic_fleet.swaps import SWAPS, SwapRule, swap_fleet

SILENT = Spread(level=0.0, tilt=0.0, bow=0.0, log=0.0, pull=0.0, cell=0.0)
EVERY = SwapRule(swap=1.0, sick=0.5, sick_smallest=0.5, measured_ethanol=1.0)


def test_the_truth_has_a_row_a_car_and_the_roster_a_row_a_spell() -> None:
    fleet, truth = swap_fleet(60, 1)
    assert dict(truth.schema) == SWAPS
    assert truth.height == 60
    rows = fleet.roster.group_by("label").len()
    assert rows.filter(pl.col("len") == 2)["label"].sort().to_list() == truth.filter("swapped")["label"].to_list()
    dates = fleet.roster.join(truth.filter("swapped"), on="label")
    assert (
        dates.filter(pl.col("since").is_not_null())["since"].to_list()
        == (dates.filter(pl.col("until").is_not_null())["until"] + timedelta(days=1)).to_list()
    )


def test_both_sides_of_each_car_have_logs() -> None:
    fleet, truth = swap_fleet(60, 2)
    dated = fleet.ledger.join(truth, on="label")
    for which in (pl.col("date") <= pl.col("before_until"), pl.col("date") >= pl.col("after_since")):
        assert dated.filter(which)["label"].n_unique() == 60
    assert (truth["before_until"] < truth["after_since"]).all()


def test_the_same_seed_gives_the_same_fleet() -> None:
    one, other = swap_fleet(20, 3), swap_fleet(20, 3)
    assert one[0].cells.equals(other[0].cells)
    assert one[1].equals(other[1])


def test_shares_are_those_of_the_rule() -> None:
    truth = pl.concat([swap_fleet(80, seed)[1] for seed in range(10, 14)])
    assert truth["swapped"].mean() == pytest.approx(0.2, abs=0.067)  # three standard deviations of 320 cars
    assert (truth["fault_before"] != "").mean() == pytest.approx(1 / 3, abs=0.07)
    sick = swap_fleet(80, 9, rule=EVERY)[1].filter(pl.col("fault_before") != "")
    assert (sick["fault_after"] == "").mean() == pytest.approx(0.5, abs=0.2)


def test_a_cured_pump_takes_its_fault_with_it_and_a_carried_one_stays() -> None:
    _, truth = swap_fleet(80, 4, spread=SILENT, rule=EVERY)
    cured = truth.filter((pl.col("fault_before") == "worn") & (pl.col("fault_after") == ""))
    np.testing.assert_allclose(cured["before_pct"], cured["severity_before_pct"])
    np.testing.assert_allclose(cured["after_pct"], 0, atol=1e-12)
    stayed = truth.filter((pl.col("fault_before") == "worn") & (pl.col("fault_after") == "worn"))
    np.testing.assert_allclose(stayed["before_pct"], stayed["after_pct"])


def test_without_noise_the_cells_change_as_the_truth_says() -> None:
    """Straight pumps: duty over demand, times the pump's size, is the volume asked for."""
    fleet, truth = swap_fleet(60, 5, spread=SILENT, round_share=0.0, rule=EVERY)
    worn = truth.filter(pl.col("fault_before").is_in(["worn", ""]) & pl.col("fault_after").is_in(["worn", ""]))
    size = fleet.roster.select("label", "since", "until", size=pl.col("pump").replace_strict(PUMP_SIZES))
    asked = (
        fleet.cells.filter(pl.col("duty_top_share") < 1.0)
        .join(size, on="label")
        .filter(pl.col("date") >= pl.coalesce("since", "date"), pl.col("date") <= pl.coalesce("until", "date"))
        .with_columns(
            late=pl.col("since").is_not_null(),
            volume=pl.col("duty_pct") * pl.col("size") * pl.col("lambda_ratio")
            * ((pl.col("intake_air_c") + 273.15) / 298.15).sqrt() * (1 - 0.3477 * pl.col("ethanol_pct") / 100)
            / pl.col("manifold_pressure_kpa"),
        )
    )  # fmt: skip
    mean = asked.group_by("label", "band_rpm", "late").agg(pl.col("volume").mean())
    both = mean.filter(~pl.col("late")).join(mean.filter("late"), on=["label", "band_rpm"], suffix="_late")
    told = both.join(worn, on="label").with_columns(
        found=pl.col("volume_late") / pl.col("volume"),
        true=(1 + pl.col("after_pct") / 100) / (1 + pl.col("before_pct") / 100),
    )
    assert told["label"].n_unique() > 20
    np.testing.assert_allclose(told["found"], told["true"], rtol=1e-6)


def test_the_new_pump_brings_its_share_of_the_healthy_level_and_the_car_keeps_the_rest() -> None:
    def sound_changes(pump: float) -> np.ndarray:
        rule = SwapRule(swap=1.0, sick=0.0, sick_smallest=0.0, spoilt=0.0, pump=pump)
        truth = pl.concat([swap_fleet(80, seed, rule=rule)[1] for seed in (6,)])
        return np.log1p(truth["after_pct"].to_numpy() / 100) - np.log1p(truth["before_pct"].to_numpy() / 100)

    np.testing.assert_allclose(sound_changes(0.0), 0, atol=1e-12)
    # the difference of two independent levels of sd .027 sqrt(share) each
    for share in (0.5, 1.0):
        assert sound_changes(share).std() == pytest.approx(0.027 * np.sqrt(2 * share), rel=0.25)
