"""A car's curve beside its peers' and the figures by which the expectation is trusted."""

from collections.abc import Callable
from typing import Any

import numpy as np
import polars as pl
import pytest
from scipy.stats import binom

from models.curves import calibration_figures, own_curves, setup_curves
from models.duty_law import delivered_share, duty_for_share
from models.fleet import Material
from models.learning import Fleet, Learned, learn


@pytest.fixture(scope="module")
def learned(arrays: Fleet) -> Learned:
    return learn(arrays)


def test_the_cars_own_duty_is_the_geometric_mean_of_its_cells(studied: Callable[..., Any]) -> None:
    one = studied(12, 1)
    cells = one.fleet.cells.group_by("label", "band_rpm").agg(
        own=(pl.col("duty_pct").log().mean()).exp(), pulls=pl.len().cast(pl.Int32)
    )
    both = one.study.curves.join(cells, on=["label", "band_rpm"], suffix="_cells")
    assert len(both) == len(one.study.curves)
    assert both["duty_pct"].to_numpy() == pytest.approx(both["own"].to_numpy(), abs=6e-4)
    assert both["pulls"].equals(both["pulls_cells"].alias("pulls"))


def test_the_excess_of_a_curve_is_in_volume_between_its_two_duties(studied: Callable[..., Any]) -> None:
    one = studied(24, 1, round_share=0.5)
    laws = {law["family"]: law["round_share"] for law in one.study.summary["model"]["duty_law"]}
    family = pl.concat_str("pump", "calibration", separator=" | ").alias("family")
    curves = one.study.curves.filter(pl.col("saturated_share") == 0).join(
        one.study.cars.select("label", family), on="label"
    )
    w = curves["family"].replace_strict(laws, return_dtype=pl.Float64).to_numpy()
    volumes = [delivered_share(curves[name].to_numpy(), w) for name in ("duty_pct", "expected_duty_pct")]
    # a mean over pulls on both sides, so equal only as far as the law is straight between them
    assert 100 * (volumes[0] / volumes[1] - 1) == pytest.approx(curves["excess_pct"].to_numpy(), abs=0.5)


def test_nobody_is_expected_to_exceed_the_ceiling(studied: Callable[..., Any]) -> None:
    one = studied(24, 3, round_share=1.0)
    tops = {row["calibration"]: row["ceiling_pct"] for row in one.study.summary["model"]["ceilings"]}
    both = one.study.curves.join(one.study.cars.select("label", "calibration"), on="label")
    top = both["calibration"].replace_strict(tops, return_dtype=pl.Float64)
    assert (both["peers_high_duty_pct"] <= top + 1e-9).all()
    assert (both["expected_duty_pct"] <= both["peers_high_duty_pct"]).all()


def test_the_peers_band_holds_the_healthy_and_not_everybody(studied: Callable[..., Any]) -> None:
    # the band tells where healthy cars' curves lie; logs, pulls and cells scatter about 1.5 % more around a curve
    healthy = [
        studied(24, seed, round_share=1.0).beside_truth.filter(pl.col("fault") == "")["label"] for seed in (1, 2, 3)
    ]
    curves = pl.concat(
        [
            studied(24, seed, round_share=1.0).study.curves.filter(pl.col("label").is_in(labels.to_list()))
            for seed, labels in zip((1, 2, 3), healthy, strict=True)
        ]
    )
    share = curves.select(pl.col("duty_pct").is_between("peers_low_duty_pct", "peers_high_duty_pct").mean()).item()
    assert share >= binom.ppf(0.001, 60, 0.95) / 60  # bands of one car are one observation, near enough
    assert share < 1.0


def test_a_setups_duty_is_the_regressions_at_its_median_demand(
    material: Material, arrays: Fleet, learned: Learned
) -> None:
    table = setup_curves(arrays, learned, material.ceilings)
    assert table.equals(table.sort("setup", "band_rpm"))
    assert table.select("setup", "band_rpm").is_unique().all()
    medians = material.observations.group_by("setup", "band_rpm").agg(pl.col("duty_pct").median())
    both = table.join(medians, on=["setup", "band_rpm"])
    assert len(both) == len(table)
    # the fleet's own median is the truth here, but for which cars were sick and how many
    assert (both["expected_duty_pct"] - both["duty_pct"]).abs().median() < 2.0  # type: ignore[operator]


def test_the_figures_of_trust_are_near_what_they_should_be(learned: Learned) -> None:
    figures = calibration_figures(learned)
    # 24 cars: coverage of rows within a car goes together, so it is only known to about a tenth
    assert figures["coverage_95"] == pytest.approx(0.95, abs=0.1)
    assert figures["coverage_80"] == pytest.approx(0.80, abs=0.15)
    # truth: 2.7 % between cars, 1.5 % within
    assert 2.0 < figures["cross_validated_error_pct"] < 5.0


def test_a_cars_own_numbers_are_shrunk(learned: Learned) -> None:
    own = own_curves(learned)
    assert own.shape == (len(learned.healthy), 4)
    values = learned.judged.numbers.values
    assert np.abs(own[:, 0]).sum() < np.abs(values[:, 0]).sum()


def test_delivered_share_of_an_expected_duty_is_what_was_expected(arrays: Fleet, learned: Learned) -> None:
    # the two directions of the law agree on the fleet's own numbers
    share = np.exp(learned.judged.expected + learned.rows.ln_demand)
    inside = share < 0.95
    w = learned.law.values[learned.rows.family]
    assert delivered_share(duty_for_share(share[inside], w[inside]), w[inside]) == pytest.approx(
        share[inside], abs=1e-8
    )
