"""Tables to arrays: the window of a quarter, what counts in it, and what is left out."""

from datetime import date

import numpy as np
import polars as pl
import pytest

from ingest.schemas import LEDGER, empty
from models.fleet import Material, NothingToStudyError, gather, window
from models.learning import Fleet
from synthetic_fleet.direct_cells import DirectFleet, direct_cells

TODAY = date(2026, 11, 25)


@pytest.fixture(scope="module")
def small() -> DirectFleet:
    return direct_cells(4, 1)


def test_a_window_is_the_quarter_and_the_three_before(small: DirectFleet) -> None:
    when = window("2026Q3", small.ledger, TODAY)
    assert (when.start, when.quarter_start, when.end) == (date(2025, 10, 1), date(2026, 7, 1), date(2026, 10, 1))


def test_without_a_quarter_the_newest_kept_log_up_to_today_chooses(small: DirectFleet) -> None:
    newest = small.ledger.sort("date")[-1:]
    later = newest.with_columns(date=pl.lit(date(2026, 11, 1)), log=pl.lit("later"))
    future = newest.with_columns(date=pl.lit(date(2027, 2, 1)), log=pl.lit("future"))
    refused = newest.with_columns(date=pl.lit(date(2026, 11, 2)), log=pl.lit("refused"), verdict=pl.lit("refused"))
    assert window(None, pl.concat([small.ledger, future]), TODAY).quarter == "2026Q3"
    assert window(None, pl.concat([small.ledger, refused]), TODAY).quarter == "2026Q3"
    assert window(None, pl.concat([small.ledger, later]), TODAY).quarter == "2026Q4"


def test_a_store_without_a_pull_says_what_to_log() -> None:
    with pytest.raises(NothingToStudyError, match="no log with a full-load pull yet") as caught:
        window(None, empty(LEDGER), TODAY)
    assert caught.value.problems == [str(caught.value)]


def test_a_quarter_without_a_pull_says_which_quarters_have_some(small: DirectFleet) -> None:
    later = small.ledger[:1].with_columns(date=pl.lit(date(2026, 10, 5)), log=pl.lit("later"))
    with pytest.raises(NothingToStudyError, match=r"2026Q1: no log .* has: 2026Q3, 2026Q4\."):
        window("2026Q1", pl.concat([small.ledger, later]), TODAY)
    # a log of streets only does not make a quarter
    streets = later.with_columns(pulls=pl.lit(0, pl.Int32))
    with pytest.raises(NothingToStudyError, match="2026Q4"):
        window("2026Q4", pl.concat([small.ledger, streets]), TODAY)
    assert window(None, pl.concat([small.ledger, streets]), TODAY).quarter == "2026Q3"


def test_cells_know_their_ceiling_and_quarter(material: Material) -> None:
    observed = material.observations
    assert observed["in_quarter"].all()
    assert observed["ceiling_pct"].is_between(85, 100).all()
    assert observed.filter("saturated").select((pl.col("duty_max_pct") >= pl.col("ceiling_pct") - 0.5).all()).item()


def test_pulls_and_ledger_know_their_spell(material: Material) -> None:
    spells = set(material.spells["spell"])
    assert set(material.pulls["spell"]) <= spells
    assert set(material.ledger["spell"]) <= spells
    assert material.pulls.select("log", "pull").is_unique().all()


def test_a_spell_of_one_car_has_that_cars_number(arrays: Fleet) -> None:
    first = arrays.frame[arrays.rows.starts[:-1].tolist()]
    assert len(arrays.cars) == arrays.rows.units
    same_label = first["label"].to_numpy()[:, None] == first["label"].to_numpy()[None, :]
    assert np.array_equal(same_label, arrays.cars[:, None] == arrays.cars[None, :])


def test_the_duty_law_is_taught_by_calm_cells_only(small: DirectFleet) -> None:
    when = window("2026Q3", small.ledger, TODAY)
    tables = (small.pulls, small.ledger, small.roster, when, TODAY)
    swept = small.cells.with_columns(pressure_log_sd=pl.when(pl.col("pull") == 1).then(0.10).otherwise(0.01))
    fleet = gather(swept, *tables).fleet
    assert fleet is not None
    assert fleet.calm is not None
    # the first pull of each log moved its pressure while it was measured
    assert len(fleet.calm[1].row) == swept.filter(pl.col("pull") > 1).height
    assert len(fleet.cells.row) == len(swept)
    restless = gather(small.cells.with_columns(pressure_log_sd=pl.lit(0.10)), *tables).fleet
    assert restless is not None
    assert restless.calm is None


def test_where_every_cell_is_saturated_there_is_no_fleet_to_learn_from(small: DirectFleet) -> None:
    when = window("2026Q3", small.ledger, TODAY)
    stuck = small.cells.with_columns(duty_pct=pl.lit(100.0), duty_max_pct=pl.lit(100.0), duty_top_share=pl.lit(1.0))
    found = gather(stuck, small.pulls, small.ledger, small.roster, when, TODAY)
    assert found.fleet is None
    assert found.observations["saturated"].all()
