"""Ceilings of duty: learned where cells pile up, not where an engine is at rest with its demand."""

import numpy as np
import polars as pl
import pytest

from models.ceilings import ceilings, saturated
from synthetic_fleet.direct_cells import direct_cells


def cells(highest: list[float], top_share: list[float] | float, calibration: str = "k") -> pl.DataFrame:
    shares = top_share if isinstance(top_share, list) else [top_share] * len(highest)
    return pl.DataFrame(
        {
            "calibration": [calibration] * len(highest),
            "duty_max_pct": highest,
            "duty_top_share": shares,
            "samples": [6] * len(highest),
        }
    )


def spread(low: float, high: float, n: int, seed: int = 1) -> list[float]:
    return np.random.default_rng(seed).uniform(low, high, n).round(2).tolist()


def test_a_plateau_at_97_5_is_learned() -> None:
    fleet = pl.concat([cells(spread(55, 97, 400), 0.2), cells([97.5] * 30, 1.0)])
    assert ceilings(fleet).rows() == [("k", 97.5, True)]


def test_a_fleet_far_from_its_ceiling_has_none() -> None:
    assert ceilings(cells(spread(50, 80, 400), 0.2)).rows() == [("k", 100.0, False)]


def test_cars_at_rest_with_their_demand_are_no_ceiling() -> None:
    # flat cells at all heights, none piled up
    assert ceilings(cells(spread(60, 96, 400), 0.8)).rows() == [("k", 100.0, False)]


def test_one_car_beyond_the_others_is_no_ceiling() -> None:
    # fewer than four flat cells: one car's pull, not what a calibration commands
    fleet = pl.concat([cells(spread(50, 85, 400), 0.2), cells([93.0] * 3, 1.0)])
    assert ceilings(fleet).rows() == [("k", 100.0, False)]


def test_a_plateau_that_other_cells_exceed_is_no_ceiling() -> None:
    fleet = pl.concat([cells([90.0] * 8, 1.0), cells(spread(92, 99, 40), 0.2)])
    assert ceilings(fleet).rows() == [("k", 100.0, False)]


def test_each_calibration_has_its_own_and_rows_come_by_name() -> None:
    fleet = pl.concat([cells([100.0] * 9, 1.0, "z"), cells([95.0] * 9, 1.0, "a"), cells([70.0] * 9, 0.1, "m")])
    assert ceilings(fleet).rows() == [("a", 95.0, True), ("m", 100.0, False), ("z", 100.0, True)]
    assert ceilings(fleet.reverse()).equals(ceilings(fleet))


def test_only_cells_at_the_ceiling_are_saturated() -> None:
    table = cells([97.5, 97.4, 97.5, 90.0], [1.0, 0.5, 0.05, 1.0]).with_columns(ceiling_pct=pl.lit(97.5))
    # the third has too few of its samples there, the fourth stands flat below
    assert table.select(saturated())[:, 0].to_list() == [True, True, False, False]


def test_no_cell_and_no_calibration() -> None:
    assert ceilings(cells([], [])).is_empty()


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_the_invented_fleets_ceilings_come_back_where_anyone_touches_them(seed: int) -> None:
    # calibration K1 stops at 97.5 %, K2 at 100; the invented cells are flat exactly where they stand there
    fleet = direct_cells(40, seed, round_share=0.0)
    both = fleet.cells.join(fleet.roster.select("label", "calibration"), on="label")
    for name, ceiling, learned in ceilings(both).rows():
        touching = both.filter((pl.col("calibration") == name) & (pl.col("duty_top_share") == 1.0)).height
        assert learned == (touching >= 4)
        assert ceiling == pytest.approx({"K1": 97.5, "K2": 100.0}[name] if learned else 100.0, abs=0.01)
