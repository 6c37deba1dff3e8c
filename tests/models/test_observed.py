"""Observations some cars at a time are those of all at once, and so is the study."""

from dataclasses import replace
from datetime import date
from pathlib import Path

import polars as pl
import pytest
from polars.testing import assert_frame_equal

from models.fleet import Material, gather, window
from models.observed import driven, together
from synthetic_fleet.direct_cells import DirectFleet, direct_cells

TODAY = date(2026, 11, 25)


@pytest.fixture(scope="module")
def gaps() -> DirectFleet:
    """A fleet in which some cars log no lambda, no intake temperature, or no rail pressure."""
    fleet = direct_cells(9, 21)
    kind = pl.col("label").rank("dense") % 4
    holes = {"lambda_ratio": 0, "intake_air_c": 1, "rail_pressure_bar": 2}
    return replace(fleet, cells=fleet.cells.with_columns(
        pl.when(kind != number).then(pl.col(name)).alias(name) for name, number in holes.items()
    ))  # fmt: skip


def material(fleet: DirectFleet, cells: pl.DataFrame | pl.LazyFrame, at_once: int) -> Material:
    when = window("2026Q3", fleet.ledger, TODAY)
    return gather(cells, fleet.pulls, fleet.ledger, fleet.roster, when, TODAY, cells_at_once=at_once)


@pytest.mark.parametrize("at_once", [1, 500, 10**6])
def test_parts_are_the_whole(gaps: DirectFleet, at_once: int) -> None:
    found = material(gaps, gaps.cells, at_once)
    parts = list(found.observed.each())
    assert (len(parts) > 1) == (at_once < gaps.cells.height)
    whole = found.observed.whole()
    assert_frame_equal(pl.concat(parts), whole)
    once, pieces = driven(whole), together([driven(part) for part in parts])
    assert once.cells == pieces.cells
    for name, keys in (
        ("spells", ["spell"]),
        ("bands", ["spell", "band_rpm"]),
        ("cars", ["setup", "band_rpm", "duty_pct", "demand"]),
    ):
        assert_frame_equal(getattr(once, name).sort(keys), getattr(pieces, name).sort(keys))


@pytest.mark.parametrize("reads", [1, 2, 4])
def test_parts_read_several_at_a_time_are_the_same(
    gaps: DirectFleet, reads: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    alone = list(material(gaps, gaps.cells, 1).observed.each())
    monkeypatch.setattr("models.observed.READS_MAX", reads)
    assert len(alone) == 9
    for one, other in zip(alone, material(gaps, gaps.cells, 1).observed.each(), strict=True):
        assert_frame_equal(one, other)


def test_a_store_read_bit_by_bit_teaches_what_a_table_in_memory_does(gaps: DirectFleet, tmp_path: Path) -> None:
    gaps.cells.sample(fraction=1.0, shuffle=True, seed=3).write_parquet(tmp_path / "cells.parquet")
    lazy = material(gaps, pl.scan_parquet(tmp_path / "cells.parquet"), 400)
    eager = material(gaps, gaps.cells, 10**6)
    assert lazy.fleet is not None
    assert eager.fleet is not None
    assert_frame_equal(lazy.fleet.frame, eager.fleet.frame, rel_tol=1e-12)
    assert lazy.fleet.cells.duty_pct.tolist() == eager.fleet.cells.duty_pct.tolist()
    assert lazy.fleet.cells.row.tolist() == eager.fleet.cells.row.tolist()
    assert_frame_equal(lazy.ceilings, eager.ceilings)
