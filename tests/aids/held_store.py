"""What a store holds, wherever it lies, in an order in which two can be compared; and one filled by hand."""

from pathlib import Path
from typing import Any

import polars as pl

from ingest.far_files import place_of
from ingest.schemas import CELLS, PULLS, SAMPLES, empty
from ingest.store import Store, commit, store_problem, write_roster, write_tables

ORDER = {
    "samples": ["log", "row"],
    "cells": ["log", "pull", "band_rpm"],
    "pulls": ["log", "pull"],
    "ledger": ["log", "source"],
}


def content(store: Path | str) -> dict[str, pl.DataFrame]:
    """The tables in an order that does not depend on when what went in."""
    home = Store(place_of(store))
    tables = {name: getattr(home, name)().collect().sort(order) for name, order in ORDER.items()}
    return tables | {"roster": home.roster()}


def same(one: dict[str, pl.DataFrame], other: dict[str, pl.DataFrame]) -> None:
    for name, table in one.items():
        assert table.equals(other[name]), name


def is_sound(store: Path | str, held: set[str]) -> None:
    """It opens, holds what was acknowledged, nothing twice, and no part of it is damaged."""
    place = place_of(store)
    assert not store_problem(place)
    if not (place / "version.json").exists():
        assert not held
        return
    tables = content(place)
    assert held <= set(tables["ledger"]["log"])
    assert tables["ledger"]["source"].is_unique().all()
    assert not tables["samples"].select("log", "row").is_duplicated().any()
    assert set(tables["samples"]["log"]) == set(tables["ledger"].filter(pl.col("verdict") == "kept")["log"])
    assert not Store(place).damages()


def filled(store: Path, fleet: Any) -> None:
    """Put a fleet's tables into an empty store."""
    segment = store / "segments" / "one"
    tables = {"samples": empty(SAMPLES), "cells": fleet.cells.select(*CELLS), "pulls": fleet.pulls.select(*PULLS)}
    commit(segment, fleet.ledger, write_tables(segment, tables))
    write_roster(Store(store), fleet.roster)
