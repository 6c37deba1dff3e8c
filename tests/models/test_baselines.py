"""Baselines: a car counts once, and the quantiles are numpy's."""

from typing import Any

import numpy as np
import polars as pl
import pytest

from models.baselines import baselines, car_medians
from models.schemas import BASELINES


def observed(
    duties: dict[str, list[float]], *, setup: str = "s", band_rpm: int = 4000, now: bool = True
) -> pl.DataFrame:
    """A row a pull: label -> duties of its pulls, two pulls a log."""
    rows = [
        (setup, band_rpm, label, f"{label}-{k // 2}", k % 2 + 1, duty, 2.0, 10.0, 100.0, duty >= 99, now)
        for label, pulls in duties.items()
        for k, duty in enumerate(pulls)
    ]
    names = ["setup", "band_rpm", "label", "log", "pull", "duty_pct", "demand", "ethanol_pct", "boost_kpa", "saturated"]
    return pl.DataFrame(rows, schema=[*names, "in_quarter"], orient="row")


def of_cars(*words: dict[str, list[float]], **more: Any) -> pl.DataFrame:
    return car_medians(observed(*words, **more))


def expected(setups: list[str]) -> pl.DataFrame:
    rows = [(setup, 4000, 71.23456) for setup in setups]
    schema = {"setup": pl.String, "band_rpm": pl.Int64, "expected_duty_pct": pl.Float64}
    return pl.DataFrame(rows, schema=schema, orient="row")


def test_a_car_counts_once_however_much_it_was_logged() -> None:
    fleet = {"a": [60.0] * 40, "b": [70.0], "c": [80.0, 82.0]}
    row = baselines(of_cars(fleet), expected(["s"])).row(0, named=True)
    assert (row["cars"], row["pulls"]) == (3, 43)
    assert row["duty_p50_pct"] == 70.0


@pytest.mark.parametrize("share", [10, 25, 50, 75, 90])
def test_the_quantiles_are_those_of_numpy_over_the_cars_medians(share: int) -> None:
    rng = np.random.default_rng(4)
    fleet = {f"car{n}": (60 + 20 * rng.random(rng.integers(1, 9))).tolist() for n in range(11)}
    row = baselines(of_cars(fleet), expected(["s"])).row(0, named=True)
    medians = [float(np.median(pulls)) for pulls in fleet.values()]
    assert row[f"duty_p{share}_pct"] == pytest.approx(np.quantile(medians, share / 100), abs=6e-4)


def test_rows_come_by_setup_and_band_whatever_the_order_of_the_input() -> None:
    parts = [
        observed({"a": [60.0], "b": [66.0]}, setup=setup, band_rpm=band)
        for setup in ("s2", "s1")
        for band in (5000, 2500, 4000)
    ]
    table = pl.concat(parts)
    found = baselines(car_medians(table), expected(["s1", "s2"]))
    assert found.select("setup", "band_rpm").rows() == [(s, b) for s in ("s1", "s2") for b in (2500, 4000, 5000)]
    assert baselines(car_medians(table.reverse()), expected(["s2", "s1"])).equals(found)


def test_columns_and_the_regressions_duty() -> None:
    found = baselines(of_cars({"a": [60.0]}), expected(["s"]))
    assert dict(found.schema) == {
        name: dtype() if isinstance(dtype, type) else dtype for name, dtype in BASELINES.items()
    }
    assert found["expected_duty_pct"].to_list() == [71.235]
    assert baselines(of_cars({"a": [60.0]}), expected([]))["expected_duty_pct"].to_list() == [None]


def test_saturated_share_is_over_cars_and_logs_of_other_quarters_do_not_count() -> None:
    fleet = observed({"a": [100.0, 100.0], "b": [70.0, 100.0], "c": [70.0]})
    earlier = observed({"d": [10.0]}, now=False)
    row = baselines(car_medians(pl.concat([fleet, earlier])), expected(["s"])).row(0, named=True)
    assert row["cars"] == 3
    assert row["saturated_share"] == pytest.approx((1 + 0.5 + 0) / 3, abs=1e-4)
