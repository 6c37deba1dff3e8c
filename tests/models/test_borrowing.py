"""Other clubs' cars teach what to expect, stand in no table, and a liar among them moves little."""

from datetime import date

import numpy as np
import polars as pl
import pytest

from ingest.labels import Key
from models.borrowing import SETUP, borrowed
from models.contribution import contribution
from models.fleet import gather, window
from models.learning import LearningRule, learn, say
from models.observations import spells
from models.schemas import Study
from models.study import run_study
from synthetic_fleet.direct_cells import DirectFleet, direct_cells, draw_setups

TODAY = date(2026, 11, 25)
SETUPS = draw_setups(np.random.default_rng(3), 44)


def lent(club: int) -> pl.DataFrame:
    fleet = direct_cells(40, 700 + club, setups=SETUPS)
    when = window("2026Q3", fleet.ledger, TODAY)
    return contribution(fleet.cells, fleet.roster, when, f"CAB{club}-0000", Key(bytes([club]) * 32)).cells


@pytest.fixture(scope="module")
def own() -> DirectFleet:
    return direct_cells(9, 31, setups=SETUPS[:2], faulty_share=0.0)


@pytest.fixture(scope="module")
def others() -> list[pl.DataFrame]:
    return [lent(club) for club in range(4)]


def study(own: DirectFleet, pooled: pl.DataFrame | None = None) -> Study:
    return run_study(own.cells, own.pulls, own.ledger, own.roster, "2026Q3", today=TODAY, pooled=pooled)


@pytest.fixture(scope="module")
def alone(own: DirectFleet) -> Study:
    return study(own)


@pytest.fixture(scope="module")
def borrowing(own: DirectFleet, others: list[pl.DataFrame]) -> Study:
    return study(own, pl.concat(others))


def test_who_lent_stands_in_no_table(own: DirectFleet, alone: Study, borrowing: Study) -> None:
    for name in ("cars", "curves", "car_logs", "quality", "next_logs"):
        assert set(getattr(borrowing, name)["label"]) <= set(own.roster["label"])
    assert borrowing.cars.sort("label")["peers"].equals(alone.cars.sort("label")["peers"])
    assert borrowing.baselines.select("setup", "band_rpm", "cars", "pulls").equals(
        alone.baselines.select("setup", "band_rpm", "cars", "pulls")
    )


def test_the_summary_tells_that_others_taught(alone: Study, borrowing: Study, others: list[pl.DataFrame]) -> None:
    cars = pl.concat(others).select("club", "quarter", "car").n_unique()
    assert borrowing.summary["borrowed"] == {"clubs": 4, "cars": cars}
    assert alone.summary["borrowed"] == {"clubs": 0, "cars": 0}


def test_a_small_club_sees_more(alone: Study, borrowing: Study) -> None:
    assert borrowing.cars["detectable_excess_pct"].median() < 0.85 * alone.cars["detectable_excess_pct"].median()  # type: ignore[operator]


def test_nothing_pooled_changes_nothing(own: DirectFleet, alone: Study, others: list[pl.DataFrame]) -> None:
    assert study(own, others[0].clear()).cars.equals(alone.cars)
    long_ago = others[0].with_columns(quarter=pl.lit("2024Q1"))
    assert study(own, long_ago).cars.equals(alone.cars)


def test_another_spelling_of_a_setup_is_the_same_setup(own: DirectFleet, others: list[pl.DataFrame]) -> None:
    written = pl.concat(others).filter(pl.col("engine").is_in(own.roster["engine"].unique().implode()))
    words = [pl.col(name).str.to_lowercase() for name in ("engine", "pump", "boost_hardware", "calibration")]
    setup = ["engine", "pump", "boost_hardware", "calibration"]
    known = own.roster.select(setup).unique()
    found = borrowed(written.with_columns(words), own.roster, "2026Q3", spells(own.roster))
    assert found.join(known, on=setup, how="semi").height == written.join(known, on=setup, how="semi").height > 0


def test_what_fewer_than_three_clubs_know_teaches_nothing(
    own: DirectFleet, alone: Study, others: list[pl.DataFrame]
) -> None:
    one = study(own, others[0])
    assert one.cars.equals(alone.cars)
    assert one.summary["borrowed"] == {"clubs": 0, "cars": 0}
    assert study(own, pl.concat(others[:2])).summary["borrowed"]["clubs"] == 2


@pytest.mark.parametrize(("own_cars", "clubs", "teaches"), [(2, 2, False), (2, 3, True), (3, 1, False), (3, 2, True)])
def test_a_club_knows_a_setup_by_three_cars(
    own_cars: int, clubs: int, teaches: bool, own: DirectFleet, others: list[pl.DataFrame]
) -> None:
    driven = spells(own.roster).group_by(SETUP, maintain_order=True).head(own_cars)
    found = borrowed(pl.concat(others[:clubs]), own.roster, "2026Q3", driven)
    mine = found.join(driven, on=SETUP, how="semi")
    assert bool(mine.height) == teaches
    # of a setup that this club does not have three others must
    assert bool(found.height - mine.height) == (clubs == 3)


@pytest.mark.parametrize("factor", [0.95, 1.1])
def test_who_alone_gives_a_setup_moves_nobody(factor: float, own: DirectFleet, others: list[pl.DataFrame]) -> None:
    mine = own.roster.select("engine", "pump", "boost_hardware", "calibration").unique()
    rest = [table.join(mine, on=mine.columns, how="anti") for table in others[1:]]
    lie = others[0].with_columns((pl.col("duty_pct") * factor).clip(2, 100))
    honest, bad = (study(own, pl.concat([table, *rest])).cars for table in (others[0], lie))
    both = honest.join(bad.select("label", now="expected_duty_pct"), on="label")
    assert (100 * (both["now"] / both["expected_duty_pct"] - 1)).abs().max() < 1.0  # type: ignore[operator]


@pytest.mark.parametrize("given", [(30, 30), (30,) * 4, (30, 180), (30,) * 20])
def test_other_clubs_tell_the_spread_as_eight_cars_together_and_each_as_many(given: tuple[int, ...]) -> None:
    sources = np.repeat(np.arange(len(given) + 1), (9, *given))
    told = say(np.ones(len(sources)), sources, 8.0)
    assert (told[:9] == 1).all()
    by_club = np.bincount(sources, told)[1:]
    assert by_club == pytest.approx(np.full(len(given), 8.0 / len(given)))


def test_a_car_counts_as_one_at_most() -> None:
    assert say(np.ones(12), np.repeat([0, 1], [9, 3]), 8.0).tolist() == [1.0] * 12


def test_however_many_lend_the_spread_stays_as_unsure_as_eight_more_cars_leave_it(
    own: DirectFleet, others: list[pl.DataFrame]
) -> None:
    when = window("2026Q3", own.ledger, TODAY)
    material = gather(own.cells, own.pulls, own.ledger, own.roster, when, TODAY, pl.concat(others))
    assert material.fleet is not None
    learned = learn(material.fleet)
    mine = float(learned.healthy[learned.judged.numbers.judged].sum())
    assert mine < learned.healthy_cars <= mine + LearningRule().lender_cars


@pytest.mark.parametrize("factor", [0.6, 0.9, 0.95, 1.05, 1.1, 1.3])
def test_a_liar_of_five_clubs_moves_no_expectation_by_two_per_cent(
    factor: float, own: DirectFleet, others: list[pl.DataFrame], borrowing: Study
) -> None:
    lie = others[0].with_columns((pl.col("duty_pct") * factor).clip(2, 100))
    moved = study(own, pl.concat([lie, *others[1:]])).cars.select("label", now="expected_duty_pct")
    both = borrowing.cars.join(moved, on="label")
    assert (100 * (both["now"] / both["expected_duty_pct"] - 1)).abs().max() < 2.0  # type: ignore[operator]
