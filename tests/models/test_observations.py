"""Cells joined to the roster: which spell a log belongs to, and what stands in for what was not logged."""

from collections.abc import Callable
from datetime import date
from typing import Any

import polars as pl
import pytest

from ingest.schemas import ROSTER
from models.demand import fuel_factor_slope
from models.observations import OBSERVATIONS, NotMeasured, observe, spell_of_logs, spells
from synthetic_fleet.direct_cells import DirectFleet, direct_cells

PLAIN = {"engine": "E1", "pump": "P1", "boost_hardware": "B1", "calibration": "K1"}


def roster(*rows: dict[str, Any]) -> pl.DataFrame:
    return pl.DataFrame([PLAIN | row for row in rows], schema=dict(ROSTER))


def logs(*days: date, label: str = "A") -> pl.DataFrame:
    return pl.DataFrame({"log": [f"log {day}" for day in days], "label": [label] * len(days), "date": list(days)})


# ---- spells


def test_a_setup_is_engine_pump_boost_hardware_and_calibration_and_port_injection() -> None:
    table = spells(roster({"label": "A"}, {"label": "B", "port_injection": True}))
    assert table["setup"].to_list() == ["E1 | P1 | B1 | K1", "E1 | P1 | B1 | K1 | port injection"]


def test_what_a_roster_leaves_open_is_a_setup_of_its_own() -> None:
    table = spells(roster({"label": "A", "boost_hardware": None, "calibration": None}))
    assert table["setup"].to_list() == ["E1 | P1 | ? | ?"]


def test_spells_are_numbered_by_label_and_date_whatever_the_order_of_the_roster() -> None:
    rows = [
        {"label": "B"},
        {"label": "A", "since": date(2026, 8, 1)},
        {"label": "A", "until": date(2026, 7, 31)},
    ]
    forth, back = spells(roster(*rows)), spells(roster(*rows[::-1]))
    assert forth.equals(back)
    assert forth.select("spell", "label").rows() == [(0, "A"), (1, "A"), (2, "B")]
    assert forth["since"].to_list() == [None, date(2026, 8, 1), None]


CHANGED = spells(
    roster(
        {"label": "A", "pump": "old", "until": date(2026, 8, 15)},
        {"label": "A", "pump": "new", "since": date(2026, 8, 15), "until": date(2026, 9, 20)},
    )
)


@pytest.mark.parametrize(
    ("day", "pump"),
    [
        (date(2026, 7, 1), "old"),
        (date(2026, 8, 14), "old"),
        (date(2026, 8, 15), "new"),  # the day of the change belongs to the later row
        (date(2026, 9, 20), "new"),
    ],
)
def test_a_log_belongs_to_the_row_whose_dates_hold_it(day: date, pump: str) -> None:
    placed = spell_of_logs(logs(day), CHANGED).join(CHANGED, on="spell")
    assert placed["pump"].to_list() == [pump]


def test_a_log_outside_all_rows_or_of_another_car_is_left_out() -> None:
    assert spell_of_logs(logs(date(2026, 9, 21)), CHANGED).is_empty()
    assert spell_of_logs(logs(date(2026, 8, 1), label="B"), CHANGED).is_empty()


# ---- what was not logged


@pytest.fixture(scope="module")
def fleet() -> DirectFleet:
    return direct_cells(6, 1, measured_ethanol=1.0)


def observed(fleet: DirectFleet, change: Callable[[pl.DataFrame], pl.DataFrame], **roster: Any) -> pl.DataFrame:
    table = fleet.roster.with_columns(**{name: pl.lit(value, pl.Float64) for name, value in roster.items()})
    return observe(change(fleet.cells), spells(table))


def without(channel: str) -> Callable[[pl.DataFrame], pl.DataFrame]:
    return lambda cells: cells.with_columns(pl.lit(None, pl.Float64).alias(channel))


def test_one_row_a_cell_with_the_declared_columns_ordered(fleet: DirectFleet) -> None:
    table = observed(fleet, lambda cells: cells)
    assert list(table.schema) == list(OBSERVATIONS)
    assert len(table) == len(fleet.cells)
    assert table.equals(table.sort("spell", "log", "band_rpm", "pull"))
    assert observed(fleet, lambda cells: cells.reverse()).equals(table)


def test_what_was_measured_adds_no_variance(fleet: DirectFleet) -> None:
    table = observed(fleet, lambda cells: cells)
    assert table.select(pl.col("ethanol_sd", "unlogged_sd").max()).row(0) == (0.0, 0.0)


@pytest.mark.parametrize(("stated_pct", "points"), [(0.0, 3.0), (10.0, 3.0), (20.0, 5.0), (30.0, 5.0), (60.0, 10.0)])
def test_a_blend_that_is_a_label_is_known_to_so_many_points(
    fleet: DirectFleet, stated_pct: float, points: float
) -> None:
    table = observed(fleet, without("ethanol_pct"), ethanol_pct=stated_pct)
    # 10 points are about 4 % of volume: (1.4196 / 1.3725 of E85 against E75) from the fuel's own factor
    expected = points * float(fuel_factor_slope(stated_pct))
    assert table["ethanol_sd"].unique().to_list() == pytest.approx([expected])
    assert not table["ethanol_logged"].any()
    assert table["ethanol_pct"].unique().to_list() == [stated_pct]


def test_a_blend_nobody_states_is_the_usual_one_and_known_badly(fleet: DirectFleet) -> None:
    table = observed(fleet, without("ethanol_pct"), ethanol_pct=None)
    usual = NotMeasured()
    assert table["ethanol_pct"].unique().to_list() == [usual.ethanol_pct]
    expected = usual.ethanol_unknown * float(fuel_factor_slope(usual.ethanol_pct))
    assert table["ethanol_sd"].unique().to_list() == pytest.approx([expected])


def test_a_measured_blend_overrules_the_roster(fleet: DirectFleet) -> None:
    table = observed(fleet, lambda cells: cells, ethanol_pct=85.0)
    assert (table["ethanol_pct"] < 85).all()


def test_a_lambda_that_was_not_logged_is_the_peers_median_by_band(fleet: DirectFleet) -> None:
    label = fleet.roster["label"][0]
    mine = pl.col("label") == label
    table = observed(fleet, lambda cells: cells.with_columns(lambda_ratio=pl.when(~mine).then(pl.col("lambda_ratio"))))
    filled = table.filter(mine)
    assert filled["unlogged_sd"].unique().to_list() == pytest.approx([NotMeasured().lambda_ln])
    assert not filled["lambda_logged"].any()
    # with lambda measured as just that median, the demand would be the same
    peers = fleet.cells.filter(~mine).join(fleet.roster.select("label", "engine"), on="label")
    same = peers.filter(pl.col("engine") == filled["engine"][0])
    medians = same.group_by("band_rpm").agg(median=pl.col("lambda_ratio").median())
    measured = fleet.cells.join(medians, on="band_rpm").with_columns(
        lambda_ratio=pl.when(~mine).then("lambda_ratio").otherwise("median")
    )
    expected = observed(fleet, lambda _: measured).filter(mine)
    assert filled["demand"].to_list() == pytest.approx(expected["demand"].to_list())


def test_two_channels_missing_add_their_variances(fleet: DirectFleet) -> None:
    table = observed(fleet, lambda cells: without("intake_air_c")(without("lambda_ratio")(cells)))
    usual = NotMeasured()
    assert table["unlogged_sd"].unique().to_list() == pytest.approx([(usual.lambda_ln**2 + usual.intake_ln**2) ** 0.5])
    assert table["demand"].is_not_null().all()


def test_cells_without_duty_or_pressure_are_left_out(fleet: DirectFleet) -> None:
    nothing = observed(fleet, lambda cells: cells.with_columns(duty_pct=pl.lit(0.0)))
    vacuum = observed(fleet, lambda cells: cells.with_columns(manifold_pressure_kpa=pl.lit(15.0)))
    assert nothing.is_empty()
    assert vacuum.is_empty()
