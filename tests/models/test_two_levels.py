"""The excess before and after: the truth comes back, and what both sides share cancels in their difference."""

from dataclasses import dataclass, replace
from datetime import date

import numpy as np
import polars as pl
import pytest

from models.fleet import Material, gather, window
from models.learning import Fleet, Learned, learn
from models.two_levels import Mask, TwoLevels, own_covariance, two_levels
from synthetic_fleet.direct_cells import DirectFleet
from synthetic_fleet.swaps import SwapRule, swap_fleet

TODAY = date(2026, 11, 25)
RULE = SwapRule(swap=0.5, measured_ethanol=1.0, spoilt=0.3)


@dataclass(frozen=True)
class Known:
    """A fleet of straight pumps as it was learned, and its truth."""

    tables: DirectFleet
    truth: pl.DataFrame
    fleet: Fleet
    learned: Learned

    def masks(self, label: str) -> tuple[Mask, Mask]:
        row = self.truth.row(by_predicate=pl.col("label") == label, named=True)
        own, day = self.fleet.frame["label"] == label, self.fleet.frame["date"]
        return (own & (day <= row["before_until"])).to_numpy(), (own & (day >= row["after_since"])).to_numpy()

    def levels(self, label: str, **how: bool) -> TwoLevels:
        return two_levels(self.fleet, self.learned, *self.masks(label), **({"unlogged_shared": True} | how))


def material_of(tables: DirectFleet, cells: pl.DataFrame) -> Material:
    return gather(cells, tables.pulls, tables.ledger, tables.roster, window("2026Q3", tables.ledger, TODAY), TODAY)


def known(tables: DirectFleet, truth: pl.DataFrame, cells: pl.DataFrame) -> Known:
    fleet = material_of(tables, cells).fleet
    assert fleet is not None
    return Known(tables, truth, fleet, learn(fleet))


@pytest.fixture(scope="module")
def club() -> Known:
    tables, truth = swap_fleet(24, 71, round_share=0.0, rule=RULE)
    return known(tables, truth, tables.cells)


def swapped(club: Known, **which: object) -> list[str]:
    return club.truth.filter("swapped", **which)["label"].to_list()


def test_the_true_change_comes_back(club: Known) -> None:
    z = []
    for label in swapped(club):
        row = club.truth.row(by_predicate=pl.col("label") == label, named=True)
        true = np.log1p(row["after_pct"] / 100) - np.log1p(row["before_pct"] / 100)
        change, sd = club.levels(label).change
        z.append((change - true) / sd)
    assert len(z) >= 8
    assert np.abs(z).max() < 3.0  # of ten normal values one in forty such tests would fail by chance
    assert 0.4 < float(np.sqrt(np.mean(np.square(z)))) < 1.7


def test_the_change_is_after_minus_before_and_surer_than_either_in_one_setup(club: Known) -> None:
    for label in swapped(club, larger=False):
        levels = club.levels(label)
        assert levels.change[0] == pytest.approx(levels.after[0] - levels.before[0])
        # the expectation's own error is in both, and leaves the difference
        assert levels.change[1] ** 2 < levels.before[1] ** 2 + levels.after[1] ** 2
        assert np.mean([change for change, _ in levels.parts.values()]) == pytest.approx(levels.change[0], abs=2e-3)


def test_another_setup_brings_its_own_expectations_error(club: Known) -> None:
    same = np.median([club.levels(label).change[1] for label in swapped(club, larger=False)])
    other = np.median([club.levels(label).change[1] for label in swapped(club, larger=True)])
    assert other > 1.2 * same


def test_peers_that_are_all_worn_alike_bend_both_levels_and_not_their_difference(club: Known) -> None:
    """Straight pumps: 8 % more duty is 8 % more volume. The car itself stays as it was."""
    label = swapped(club, larger=False)[0]
    more = pl.when(pl.col("label") == label).then(1.0).otherwise(1.08)
    cells = club.tables.cells.with_columns(pl.col("duty_pct") * more, pl.col("duty_max_pct") * more)
    cells = cells.filter(pl.col("duty_max_pct") < 97.0)  # away from the ceilings
    kept = club.tables.cells.filter(pl.col("duty_max_pct") * more < 97.0)
    usual, worn = known(club.tables, club.truth, kept), known(club.tables, club.truth, cells)
    one, other = usual.levels(label), worn.levels(label)
    assert other.before[0] - one.before[0] == pytest.approx(-np.log(1.08), abs=0.015)
    assert other.after[0] - one.after[0] == pytest.approx(-np.log(1.08), abs=0.015)
    assert other.change[0] == pytest.approx(one.change[0], abs=0.003)


def test_what_the_car_itself_shows_does_not_teach_what_it_is_judged_by(club: Known) -> None:
    label = swapped(club)[0]
    before, after = club.masks(label)
    shifted = replace(club, learned=replace(club.learned, y=club.learned.y + 0.3 * (before | after)))
    one, other = club.levels(label), shifted.levels(label)
    assert other.before[0] - one.before[0] == pytest.approx(0.3, abs=1e-6)
    assert other.after[0] - one.after[0] == pytest.approx(0.3, abs=1e-6)
    assert other.change == pytest.approx(one.change)


def rows_like(club: Known, **columns: object) -> tuple[Learned, np.ndarray, np.ndarray]:
    """Two rows before and two after, one a log, of one band each; columns of `Rows` replaced."""
    index = np.arange(4)
    rows = club.learned.rows
    fields = {
        "log": np.arange(4), "band": np.array([10, 14, 10, 14]), "day": np.array([1.0, 2.0, 40.0, 41.0]),
        "pulls": np.ones(4), "pulls_of_log": np.ones(4), "barometer_sd": np.zeros(4), "extra_variance": np.zeros(4),
        "ethanol_sd": np.zeros(4), "unlogged_sd": np.zeros(4),
    } | columns  # fmt: skip
    return replace(club.learned, rows=replace(rows, **fields)), index, np.array([False, False, True, True])  # type: ignore[arg-type]


def test_logs_of_one_day_count_as_one(club: Known) -> None:
    noise = club.learned.noise
    apart = own_covariance(*rows_like(club), True)
    assert apart[0, 1] == 0.0
    one_day = own_covariance(*rows_like(club, day=np.array([1.0, 1.0, 40.0, 41.0])), True)
    assert one_day[0, 1] == pytest.approx(noise.log**2 + noise.pull**2 + noise.cell**2 * noise.neighbour**4)


def test_a_label_errs_by_itself_on_each_side_and_a_missing_lambda_alike(club: Known) -> None:
    learned, index, late = rows_like(club, ethanol_sd=np.full(4, 0.02), unlogged_sd=np.full(4, 0.03))
    shared, apart = (own_covariance(learned, index, late, share) for share in (True, False))
    assert (shared[0, 1], shared[0, 2]) == (pytest.approx(0.02**2 + 0.03**2), pytest.approx(0.03**2))
    assert (apart[0, 1], apart[0, 2]) == (pytest.approx(0.02**2 + 0.03**2), 0.0)
