"""Two curves at one demand: worked out by hand from the two laws' own formulas."""

from dataclasses import replace

import numpy as np
import polars as pl
import pytest

from models.duty_law import RoundShares
from models.fleet import Material
from models.learning import Fleet, Learned, learn
from models.two_curves import TWO_CURVES, drop_at_top, two_curves


@pytest.fixture(scope="module")
def learned(arrays: Fleet) -> Learned:
    return learn(arrays)


def curves(material: Material, learned: Learned, label: str, lobe: float) -> pl.DataFrame:
    assert material.fleet is not None
    names = learned.law.family
    law = RoundShares(names, np.full(len(names), lobe), np.zeros(len(names)), np.ones(len(names)))
    frame = material.fleet.frame
    days = frame.filter(pl.col("label") == label)["date"]
    middle = days.unique().sort()[days.n_unique() // 2]
    own = frame["label"] == label
    before, after = ((own & (frame["date"] < middle)).to_numpy(), (own & (frame["date"] >= middle)).to_numpy())
    return two_curves(material.fleet, replace(learned, law=law), before, after, material.ceilings)


@pytest.mark.parametrize("lobe", [0.0, 1.0])
def test_before_is_as_logged_and_after_is_brought_to_its_demand(
    material: Material, learned: Learned, lobe: float
) -> None:
    label = "C003-0000"
    told = curves(material, learned, label, lobe)
    assert dict(told.schema) == TWO_CURVES
    cells = material.observations.filter((pl.col("label") == label) & ~pl.col("saturated"))
    middle = cells["date"].unique().sort()[cells["date"].n_unique() // 2]

    def volume(duty: pl.Series) -> np.ndarray:
        share = duty.to_numpy() / 100
        return share if lobe == 0.0 else (1 - np.cos(np.pi * share)) / 2

    checked = 0
    for row in told.filter((pl.col("before_saturated_share") == 0) & (pl.col("after_saturated_share") == 0)).iter_rows(
        named=True
    ):
        band = cells.filter(pl.col("band_rpm") == row["band_rpm"])
        early, late = band.filter(pl.col("date") < middle), band.filter(pl.col("date") >= middle)
        asked = np.exp(np.log(early["demand"]).mean())
        before = np.exp(np.log(volume(early["duty_pct"]) / early["demand"].to_numpy()).mean()) * asked
        after = np.exp(np.log(volume(late["duty_pct"]) / late["demand"].to_numpy()).mean()) * asked
        assert (row["before_volume_pct"], row["after_volume_pct"]) == pytest.approx(
            (100 * before, 100 * after), rel=1e-6
        )
        assert row["before_duty_pct"] == pytest.approx(np.exp(np.log(early["duty_pct"]).mean()), abs=0.5)
        assert (row["before_pulls"], row["after_pulls"]) == (early.height, late.height)
        checked += 1
    assert checked > 5


def made(duty_before: list[float], duty_after: list[float], saturated: float = 0.0) -> pl.DataFrame:
    n = len(duty_before)
    frame = pl.DataFrame({"band_rpm": [5500 + 250 * k for k in range(n)], "before_duty_pct": duty_before,
                          "after_duty_pct": duty_after, "before_saturated_share": [saturated] * n})  # fmt: skip
    rest = {name: pl.lit(0.0) for name in TWO_CURVES if name not in frame.columns}
    return frame.with_columns(**rest).select(pl.col(name).cast(dtype) for name, dtype in TWO_CURVES.items())


def test_the_drop_at_the_top_in_points_and_in_volume_by_either_law() -> None:
    """99.99 to 64 % duty: (1 - cos(pi d)) / 2 is 1.000 and 0.7129 there: 28.7 % less on a lobe, 36.0 straight."""
    told = drop_at_top(made([99.99] * 4, [64.0] * 4, 1.0), 1000.0, (1.0, 0.0, 1.0), True)
    assert told["top_drop_points"] == pytest.approx(35.99)
    assert told["top_volume_change_pct"] == pytest.approx(-28.71, abs=0.01)
    assert told["top_volume_change_low_pct"] == pytest.approx(-35.99, abs=0.01)
    assert told["top_volume_change_high_pct"] == pytest.approx(-28.71, abs=0.01)
    assert told["top_at_least"] is True


def test_only_the_last_thousand_revolutions_count() -> None:
    told = drop_at_top(made([10.0, 60, 70, 80, 90], [10.0, 50, 60, 70, 80]), 1000.0, (0.0, 0.0, 0.0), True)
    assert (told["top_from_rpm"], told["top_to_rpm"], told["top_drop_points"]) == (5750.0, 6750.0, pytest.approx(10.0))
    assert told["top_at_least"] is False


def test_other_pumps_volumes_are_no_measure_of_fuel() -> None:
    told = drop_at_top(made([80.0], [60.0]), 1000.0, (0.0, 0.0, 0.0), False)
    assert told["top_drop_points"] == pytest.approx(20.0)
    assert told["top_volume_change_pct"] is None


def test_no_band_in_common_tells_nothing() -> None:
    assert drop_at_top(made([], []), 1000.0, (0.0, 0.0, 0.0), True) == {}
