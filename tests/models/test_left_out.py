"""Many cars left out at once against each really subtracted, and their four numbers against generalised least squares.

The second solver is the dense one, row by row and car by car: `block`, `leave_out`, `estimate`.
"""

from dataclasses import replace
from datetime import timedelta
from typing import Any

import numpy as np
import polars as pl
import pytest

from models.excess import estimate
from models.expected_duty import block, fit, leave_out
from models.fleet import Material, gather, window
from models.learning import Fleet, judge, learn
from models.variances import Noise, unmeasured, within
from synthetic_fleet.direct_cells import DirectFleet, direct_cells

Array = np.ndarray[Any, np.dtype[np.float64]]
SPREAD = np.diag([0.03, 0.01, 0.01, 0.012]) ** 2
NOISE = Noise()


def fleet_of(fleet: DirectFleet, quarter: str = "2026Q3") -> Fleet:
    today = fleet.ledger["date"].max() + timedelta(days=1)  # type: ignore[operator]
    when = window(quarter, fleet.ledger, today)
    material: Material = gather(fleet.cells, fleet.pulls, fleet.ledger, fleet.roster, when, today)
    assert material.fleet is not None
    return material.fleet


def with_quarters_and_gaps(fleet: DirectFleet) -> DirectFleet:
    """Some logs a quarter earlier, all of one car, one car of two spells, cells missing, lambda not logged by some."""
    labels = fleet.roster["label"].unique().sort()
    early = pl.col("log").str.ends_with("-0") & (pl.col("label") != labels[-1])
    early |= (pl.col("label") == labels[1]) if len(labels) > 2 else pl.lit(False)
    moved = pl.when(early).then(pl.col("date").dt.offset_by("-80d")).otherwise("date")
    odd = pl.col("label").str.slice(3, 1).str.contains("[13579]")
    first = fleet.roster["label"][0]
    late = fleet.cells.filter(pl.col("label") == first)["date"].max()
    changed = fleet.roster.filter(pl.col("label") == first)
    roster = pl.concat(
        [
            fleet.roster.filter(pl.col("label") != first),
            changed.with_columns(until=pl.lit(late) - pl.duration(days=1)),
            changed.with_columns(since=pl.lit(late), boost_hardware=pl.lit("B9")),
        ]
    ).cast(fleet.roster.schema)  # type: ignore[arg-type]
    cells = fleet.cells.with_columns(date=moved, lambda_ratio=pl.when(~odd).then("lambda_ratio"))
    hole = (pl.col("log").rank("dense") + pl.col("band_rpm") // 250) % 7 == 0
    return replace(
        fleet,
        cells=cells.filter(~hole),
        pulls=fleet.pulls.with_columns(date=moved),
        ledger=fleet.ledger.with_columns(date=moved),
        roster=roster,
    )


@pytest.mark.parametrize("cars", [1, 2, 12])
def test_all_at_once_is_each_by_itself(cars: int) -> None:
    fleet = fleet_of(with_quarters_and_gaps(direct_cells(cars, 11)))
    rows, design = fleet.rows, fleet.design
    y = fleet.cells.volume(np.full(len(fleet.families), 0.8), len(rows.z))
    rows = replace(rows, extra_variance=np.where(rows.saturated, 3e-4, 0.0))
    assert rows.units > len(np.unique(fleet.cars))  # a car of two spells is there
    weights = np.random.default_rng(2).uniform(0.02, 1.0, rows.units)
    _, A, b = fit(rows, design, y, NOISE, SPREAD[:3, :3], weights, design.prior_sd)
    found = judge(replace(fleet, rows=rows), y, NOISE, SPREAD, weights, A, b)
    for unit in range(rows.units):
        part, kin = rows.of(unit), np.flatnonzero(fleet.cars == fleet.cars[unit]).tolist()
        taken = [block(rows, design, each, y, NOISE, SPREAD[:3, :3]) for each in kin]
        coefficients, covariance = leave_out(A, b, taken, weights[kin].tolist())
        X = design.X[part]
        own = X @ covariance @ X.T
        one = estimate(rows, part, y[part] - X @ coefficients, within(rows, part, NOISE), unmeasured(rows, part) + own)
        assert found.expected[part] == pytest.approx(X @ coefficients, abs=1e-6)
        assert found.own_variance[part] == pytest.approx(np.diag(own), rel=1e-5)
        assert found.numbers.values[unit] == pytest.approx(one.values, abs=1e-6)
        assert found.numbers.covariance[unit] == pytest.approx(one.covariance, rel=1e-5, abs=1e-8)
        assert found.sampling[unit] == pytest.approx(one.sampling, rel=1e-5, abs=1e-10)
        told = (found.numbers.judged[unit], found.numbers.dated[unit], found.numbers.passed[unit])
        assert told == (one.judged, one.dated, pytest.approx(one.passed))


def test_the_equations_are_the_sum_of_the_dense_blocks() -> None:
    fleet = fleet_of(with_quarters_and_gaps(direct_cells(9, 12)))
    rows, design = fleet.rows, replace(fleet.design, learned=np.zeros(len(fleet.design.learned), bool))
    y = fleet.cells.volume(np.full(len(fleet.families), 0.3), len(rows.z))
    weights = np.linspace(0.1, 1.0, rows.units)
    _, A, b = fit(rows, design, y, NOISE, SPREAD[:3, :3], weights, design.prior_sd)
    every = [block(rows, design, unit, y, NOISE, SPREAD[:3, :3]) for unit in range(rows.units)]
    dense = sum(w * one.A for w, one in zip(weights, every, strict=True)) + np.diag(design.prior_sd**-2.0)
    assert pytest.approx(dense, rel=1e-9, abs=1e-6 * np.abs(dense).max()) == A
    assert b == pytest.approx(sum(w * one.b[:, 0] for w, one in zip(weights, every, strict=True)), rel=1e-8, abs=1e-4)


@pytest.mark.parametrize("seed", [1, 7])
def test_rounds_of_a_car_alone_stay_even(seed: int) -> None:
    # nearly nothing is known of what it has not taught: rounding of one round must not be the next one's news
    fleet = fleet_of(direct_cells(1, seed))
    learned = learn(fleet)
    assert np.array_equal(learned.spread, learned.spread.T)
    own = block(learned.rows, fleet.design, 0, learned.y, learned.noise, learned.spread[:3, :3])
    precision = learned.weights[0] * own.A + np.diag(learned.expectation.prior_sd**-2.0)
    assert np.linalg.eigvalsh(precision).min() > 0
    assert learned.judged.numbers.covariance[0, 0, 0] > 0.1  # its own level is as unknown as a pump's size
