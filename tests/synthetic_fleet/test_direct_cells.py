"""Fleets of cells: what is planted is in the truth, and in the cells as large as the truth says."""

import numpy as np
import polars as pl
import pytest

from synthetic_fleet.direct_cells import FAULTS, PUMP_SIZES, SIZES_PCT, TRUTH, DirectFleet, Spread, direct_cells

ALL_KINDS = tuple(SIZES_PCT)
SILENT = Spread(level=0.0, tilt=0.0, bow=0.0, log=0.0, pull=0.0, cell=0.0)


@pytest.fixture(scope="module")
def sick() -> DirectFleet:
    """Sixty sick cars of every kind, straight pumps, without any noise."""
    return direct_cells(60, 5, faulty_share=1.0, round_share=0.0, spread=SILENT, faults=ALL_KINDS)


def test_the_truth_has_a_row_a_car_and_every_kind_asked_for(sick: DirectFleet) -> None:
    assert dict(sick.truth.schema) == TRUTH
    assert sick.truth["label"].to_list() == sick.roster["label"].to_list()
    assert set(sick.truth["fault"]) == set(ALL_KINDS)
    assert set(direct_cells(40, 1, faulty_share=1.0).truth["fault"]) == set(FAULTS)
    assert direct_cells(4, 1, round_share=0.3).truth["round_share"].to_list() == [0.3] * 4
    assert sick.spread == SILENT


def test_severities_lie_in_their_ranges(sick: DirectFleet) -> None:
    for kind in ("worn", "starved", "leak", "drift", "sticking"):
        found = sick.truth.filter(pl.col("fault") == kind)["severity_pct"]
        low, high = SIZES_PCT[kind]
        assert found.is_between(low, high).all(), kind


def test_without_noise_the_cells_hold_the_worn_cars_severity(sick: DirectFleet) -> None:
    """Straight pumps: duty over demand is the volume asked for, so cars of one setup differ by their faults alone."""
    worn = sick.truth.filter(pl.col("fault") == "worn")
    np.testing.assert_allclose(worn["excess_pct"], worn["severity_pct"], atol=1e-9)
    asked = sick.cells.filter(pl.col("duty_top_share") < 1.0).with_columns(
        ratio=pl.col("duty_pct")
        / pl.col("manifold_pressure_kpa")
        * pl.col("lambda_ratio")
        * ((pl.col("intake_air_c") + 273.15) / 298.15).sqrt()
    )
    size = sick.roster.select("label", size=pl.col("pump").replace_strict(PUMP_SIZES))
    joined = (
        asked.join(size, on="label").join(sick.truth, on="label").filter(pl.col("fault").is_in(["worn", "sticking"]))
    )
    blend = 1 - 0.3477 * pl.col("ethanol_true_pct") / 100
    volume = joined.with_columns(volume=pl.col("ratio") * pl.col("size") * blend)
    sound = volume.filter(pl.col("fault") == "sticking").group_by("band_rpm").agg(usual=pl.col("volume").median())
    more = volume.filter(pl.col("fault") == "worn").join(sound, on="band_rpm")
    found = 100 * (more["volume"] / more["usual"] - 1)
    np.testing.assert_allclose(found, more["severity_pct"], atol=0.05)


def test_a_wrong_row_names_another_blend_or_pump_and_leaves_the_cells_alone() -> None:
    wrong = direct_cells(60, 9, faulty_share=0.5, faults=("wrong_roster",))
    rows = wrong.truth.join(wrong.roster, on="label").filter(pl.col("fault") == "wrong_roster")
    points = rows["ethanol_pct"] - rows["ethanol_true_pct"]
    blend = points.abs() >= 15 - 1e-9
    assert points.filter(blend).abs().max() <= 30
    assert rows.filter(blend)["ethanol_measured"].not_().all()
    assert 5 < blend.sum() < rows.height - 5
    # a stronger blend than stated and a smaller pump than stated both look like an excess
    assert ((points.filter(blend) < 0) == (rows.filter(blend)["severity_pct"] > 0)).all()
    feigned = {round(100 * (a / b - 1), 6) for a in PUMP_SIZES.values() for b in PUMP_SIZES.values() if a != b}
    assert {round(value, 6) for value in rows.filter(~blend)["severity_pct"]} <= feigned
    sound = wrong.truth.filter(pl.col("fault") == "")
    assert sound["severity_pct"].to_list() == [0.0] * sound.height


def test_the_same_seed_gives_the_same_fleet() -> None:
    one, other = (direct_cells(12, 3, faulty_share=0.5, faults=ALL_KINDS) for _ in range(2))
    for name in ("cells", "pulls", "ledger", "roster", "truth"):
        assert getattr(one, name).equals(getattr(other, name)), name
