"""Invented fleets and their studies, each made once for all tests of this folder."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import date
from functools import cache
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from ingest.store import create_store
from models.fleet import Material, gather, window
from models.learning import Fleet
from models.schemas import Study
from models.study import run_study
from synthetic_fleet.direct_cells import DirectFleet, direct_cells

TODAY = date(2026, 11, 25)


@dataclass(frozen=True)
class Studied:
    """A fleet, its study, and each car's row beside the truth (truth_pct, fault, severity_pct)."""

    fleet: DirectFleet
    study: Study

    @property
    def beside_truth(self) -> pl.DataFrame:
        truth = self.fleet.truth.rename({"excess_pct": "truth_pct"})
        return self.study.cars.join(truth, on="label", how="inner", maintain_order="left")


StudyOf = Callable[..., Study]
MakeStudied = Callable[..., Studied]


@pytest.fixture
def store(tmp_path: Path) -> Path:
    """An empty one."""
    return create_store(tmp_path / "store").path


@pytest.fixture(scope="session")
def study_of() -> StudyOf:
    """Study a fleet's tables, any of them replaced: study_of(fleet, pulls=...)."""

    def run(fleet: DirectFleet, **replaced: Any) -> Study:
        tables = {name: replaced.pop(name, getattr(fleet, name)) for name in ("cells", "pulls", "ledger", "roster")}
        return run_study(**tables, **({"quarter": "2026Q3", "today": TODAY} | replaced))

    return run


@pytest.fixture(scope="session")
def studied(study_of: StudyOf) -> MakeStudied:
    """studied(cars, seed, round_share=..., faulty_share=...): the same question is answered once."""

    @cache
    def make(cars: int, seed: int, **how: Any) -> Studied:
        fleet = direct_cells(cars, seed, **how)
        return Studied(fleet, study_of(fleet))

    return make


@pytest.fixture(scope="session")
def material() -> Material:
    """Twenty-four cars' tables up to the arrays, before anything is learned."""
    fleet = direct_cells(24, 1)
    when = window("2026Q3", fleet.ledger, TODAY)
    return gather(fleet.cells, fleet.pulls, fleet.ledger, fleet.roster, when, TODAY)


@pytest.fixture(scope="session")
def arrays(material: Material) -> Fleet:
    assert material.fleet is not None
    return material.fleet
