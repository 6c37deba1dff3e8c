"""From what was learned to a row of evidence a spell: parts that must add up."""

from dataclasses import replace

import numpy as np
import polars as pl
import pytest

from models.excess import FourNumbers, SpreadPrior
from models.judgement import evidence, excesses, freedom, shown
from models.learning import Fleet, Learned, learn

SPREAD = SpreadPrior().covariance


@pytest.fixture(scope="module")
def learned(arrays: Fleet) -> Learned:
    return learn(arrays)


def events(arrays: Fleet, dropouts: dict[int, int] | None = None) -> pl.DataFrame:
    first = arrays.frame[arrays.rows.starts[:-1].tolist()].select("spell", "setup")
    counts = [(dropouts or {}).get(unit, 0) for unit in range(first.height)]
    return first.with_columns(dropouts=pl.Series(counts), pulls=pl.lit(9), logs=pl.lit(3))


def numbers(values: list[list[float]], sd: float = 0.005) -> FourNumbers:
    units = len(values)
    known = np.ones(units, bool)
    return FourNumbers(np.array(values), np.tile(sd**2 * np.eye(4), (units, 1, 1)), known, known, np.full(units, 0.5))


def test_a_row_a_spell_with_probabilities_and_intervals(arrays: Fleet, learned: Learned) -> None:
    table = evidence(shown(learned), events(arrays))
    assert table["spell"].to_list() == arrays.rows.spells.tolist()
    for name in ("p_value", "q_value", "p_low", "p_curve"):
        assert table[name].is_between(0, 1).all(), name
    assert table.select(pl.col("excess_pct").is_between("excess_low_pct", "excess_high_pct").all()).item()


def test_dropouts_move_the_p_of_their_car_alone(arrays: Fleet, learned: Learned) -> None:
    without = evidence(shown(learned), events(arrays))
    with_some = evidence(shown(learned), events(arrays, {4: 3}))
    changed = without["p_value"] != with_some["p_value"]
    assert np.flatnonzero(changed).tolist() == [4]
    assert with_some["p_value"][4] < 1e-6
    assert with_some["p_curve"].equals(without["p_curve"])


def test_a_spell_that_could_not_be_judged_has_no_figures(arrays: Fleet, learned: Learned) -> None:
    known = learned.judged.numbers.judged.copy()
    known[3] = False
    blind = replace(learned, judged=replace(learned.judged, numbers=replace(learned.judged.numbers, judged=known)))
    table = evidence(shown(blind), events(arrays))
    row = table.row(3, named=True)
    assert row["p_value"] is None
    assert row["excess_pct"] is None
    assert table["p_value"].null_count() == 1


@pytest.mark.parametrize(
    ("values", "worth"),
    [
        ([0.15, 0.0, 0.0, 0.0], True),  # everywhere
        ([0.03, 0.0, 0.0, 0.0], False),  # a healthy car's
        ([0.04, 0.09, 0.02, 0.0], True),  # in the high third only
        ([0.04, -0.09, 0.02, 0.0], True),  # in the low third only
        ([0.05, 0.0, 0.0, 0.15], True),  # by the quarter's end
        ([-0.15, 0.0, 0.0, 0.0], False),  # low cars are not acted on
    ],
)
def test_what_is_worth_acting_on(values: list[float], worth: bool) -> None:
    assert excesses(numbers([values]), SPREAD, 30.0).worth_acting(4.0).tolist() == [worth]


def test_an_excess_is_worth_acting_on_only_where_it_is_sure() -> None:
    assert not excesses(numbers([[0.08, 0, 0, 0]], sd=0.08), SPREAD, 30.0).worth_acting(4.0)[0]


def test_a_tiny_fleet_has_few_degrees_of_freedom() -> None:
    assert freedom(2.0) == 6.0
    assert freedom(100.0) == 100.0
