"""Cars that do not teach: each told once, as it would be if it taught, but for what more teachers know better."""

from datetime import date

import numpy as np
import polars as pl
import pytest
from polars.testing import assert_frame_equal

from models.fleet import Material, gather, window
from models.learning import LearningRule, judge_others, learn
from models.schemas import Study
from models.study import StudySize, run_study
from models.told import Told, tell
from synthetic_fleet.direct_cells import DirectFleet, direct_cells

TODAY = date(2026, 11, 25)
MOST = 4


@pytest.fixture(scope="module")
def fleet() -> DirectFleet:
    """Some seven cars a setup, so that nearly half of them do not teach where four a setup may."""
    return direct_cells(120, 31)


def material(fleet: DirectFleet, cells_at_once: int = 10**6, teachers_max: int | None = MOST) -> Material:
    when = window("2026Q3", fleet.ledger, TODAY)
    tables = (fleet.cells, fleet.pulls, fleet.ledger, fleet.roster)
    return gather(*tables, when, TODAY, cells_at_once=cells_at_once, teachers_max=teachers_max)


def told(fleet: DirectFleet, cells_at_once: int) -> Told:
    found = material(fleet, cells_at_once)
    assert found.fleet is not None
    return tell(found, learn(found.fleet))


def study(fleet: DirectFleet, teachers_max: int) -> Study:
    size = StudySize(teachers_max=teachers_max, cells_at_once=2000)
    return run_study(fleet.cells, fleet.pulls, fleet.ledger, fleet.roster, "2026Q3", today=TODAY, size=size)


def test_so_many_of_a_setup_teach_and_none_is_without_a_teacher(fleet: DirectFleet) -> None:
    found = material(fleet)
    assert found.fleet is not None
    taught = found.fleet.frame.group_by("setup").agg(pl.col("label").n_unique())
    assert taught["label"].max() == MOST
    assert set(taught["setup"]) == set(found.spells["setup"])
    labels = set(found.fleet.frame["label"])
    rest = [set(one.frame["label"]) for _, fleets in found.others() for one in fleets]
    assert sum(len(some) for some in rest) == len(set.union(*rest))
    assert labels.isdisjoint(set.union(*rest))
    assert labels | set.union(*rest) == set(fleet.cells["label"])


def test_a_small_fleet_teaches_whole(fleet: DirectFleet) -> None:
    assert material(fleet, teachers_max=60).observed.teachers is None
    assert not list(material(fleet, teachers_max=60).others())


def test_how_many_are_held_at_a_time_changes_nothing(fleet: DirectFleet) -> None:
    once, bit_by_bit = told(fleet, 10**6), told(fleet, 500)
    assert once.driven.cells == bit_by_bit.driven.cells
    assert_frame_equal(once.spells, bit_by_bit.spells, rel_tol=1e-9)
    assert_frame_equal(once.curves, bit_by_bit.curves, rel_tol=1e-9)
    assert_frame_equal(once.logs.sort("log"), bit_by_bit.logs.sort("log"), rel_tol=1e-9)
    assert once.close.keys() == bit_by_bit.close.keys()


def test_what_is_expected_of_a_car_that_does_not_teach_is_the_plain_regressions(fleet: DirectFleet) -> None:
    """Nobody is left out for it: X b and X A^-1 X', by dense matrices (Henderson 1975, Biometrics 31:423)."""
    found = material(fleet)
    assert found.fleet is not None
    one_round = LearningRule(rounds=1, law_rounds=(), noise_rounds=())
    learned = learn(found.fleet, one_round)
    plain = np.linalg.solve(learned.A, learned.b)
    checked = 0
    for _, fleets in found.others():
        for other in fleets:
            mine, X = judge_others(learned, other, one_round), other.design.X[:]
            # columns of both fleets are named alike, in one order
            assert other.design.names == found.fleet.design.names
            np.testing.assert_allclose(mine.judged.expected, X @ plain, rtol=1e-9)
            unsure = np.diag(X @ np.linalg.inv(learned.A) @ X.T)
            np.testing.assert_allclose(mine.judged.own_variance, unsure, rtol=1e-6)
            checked += other.rows.units
    assert checked >= 30


def test_fewer_teachers_tell_nearly_the_same(fleet: DirectFleet) -> None:
    """An expectation by two sound teachers, where the other two are sick, is unsure by .71 of the healthy spread."""
    few, all_of_them = study(fleet, MOST), study(fleet, 1000)
    keys = ["label", "spell_since"]
    both = few.cars.join(all_of_them.cars, on=keys, nulls_equal=True, suffix="_all")
    assert both.height == few.cars.height == all_of_them.cars.height
    apart = (both["excess_pct"] - both["excess_pct_all"]).drop_nulls()
    spread_pct = all_of_them.summary["model"]["tau_pct"]
    assert float(apart.std()) < 0.71 * spread_pct
    assert (both["detectable_excess_pct"] >= both["detectable_excess_pct_all"] * 0.9).all()
    for name, columns in (
        ("baselines", ["setup", "band_rpm", "cars", "pulls", "duty_p50_pct"]),
        ("car_logs", ["label", "log"]),
    ):
        tables = [getattr(one, name).select(columns).sort(columns) for one in (few, all_of_them)]
        assert_frame_equal(*tables)
