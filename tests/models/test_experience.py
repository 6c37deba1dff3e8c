"""What a fleet has driven, on a table small enough to count by hand."""

import numpy as np
import polars as pl

from models.experience import experience

SEEN = pl.DataFrame(
    [
        ("A", "E1", "P1", 3000, 2.0, 10.0),
        ("A", "E1", "P1", 3000, 2.4, 10.0),
        ("B", "E1", "P1", 3000, 2.2, 30.0),
        ("B", "E1", "P1", 4000, 3.0, 30.0),
        ("C", "E2", "P1", 4000, 9.0, 50.0),  # another engine: its blend counts, its demand does not
    ],
    schema={
        "label": pl.String, "engine": pl.String, "pump": pl.String, "band_rpm": pl.Int32, "demand": pl.Float64,
        "ethanol_pct": pl.Float64,
    },
    orient="row",
)  # fmt: skip
BANDS = experience(SEEN, "E1", "P1", [3000, 4000])


def test_blends_are_those_of_the_whole_fleet() -> None:
    assert [BANDS.ethanol_beyond(ethanol) for ethanol in (5, 10, 35, 50, 62)] == [-5, 0, 0, 0, 12]
    assert [BANDS.cars_at_blend(ethanol) for ethanol in (5, 30, 31, 60)] == [3, 2, 1, 0]


def test_cars_count_where_they_were_driven_at_least_so_hard() -> None:
    assert BANDS.cars == 2
    assert BANDS.cars_at_demand(np.array([2.3, 3.0])).tolist() == [1, 1]
    assert BANDS.cars_at_demand(np.array([2.0, 3.1])).tolist() == [2, 0]


def test_how_far_a_demand_lies_outside_is_told_with_its_side() -> None:
    np.testing.assert_allclose(BANDS.demand_beyond(np.array([2.4, 3.3])), [0.0, 10.0])
    np.testing.assert_allclose(BANDS.demand_beyond(np.array([1.0, 2.7])), [-50.0, -10.0])
