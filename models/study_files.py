"""The room's only disk: a study written to and read from STORE/studies/QUARTER, and a study of a store."""

import json
import os
import tempfile
from pathlib import Path

import polars as pl

from ingest.store import Store
from models.quarters import shifted
from models.schemas import Study
from models.study import run_study

TABLES = ("cars", "changes", "baselines", "curves", "car_logs", "quality")
ALSO_CSV = ("cars", "changes", "baselines")


def study_of_store(store: Path, quarter: str | None = None, *, demo: bool = False) -> Study:
    """Read the store's tables, run the study and write it. demo: all cars are invented, and the study says so."""
    opened = Store(store)
    cells, pulls, ledger = (lazy.collect() for lazy in (opened.cells(), opened.pulls(), opened.ledger()))
    study = run_study(cells, pulls, ledger, opened.roster(), quarter)
    before = shifted(study.quarter, -1)
    if (opened.studies / before / "summary.json").exists():
        study = run_study(cells, pulls, ledger, opened.roster(), study.quarter, read_study(store, before))
    if demo:
        study.summary["demo"] = True
    write_study(study, store)
    return study


def write_study(study: Study, store: Path) -> Path:
    """Write a study whole or not at all; an earlier one of the same quarter is replaced. Its folder."""
    folder = Store(store).studies / study.quarter
    folder.parent.mkdir(exist_ok=True)
    with tempfile.TemporaryDirectory(dir=folder.parent, prefix=".writing-") as scratch:
        made = Path(scratch) / study.quarter
        made.mkdir()
        for name in TABLES:
            table: pl.DataFrame = getattr(study, name)
            table.write_parquet(made / f"{name}.parquet")
            if name in ALSO_CSV:
                table.write_csv(made / f"{name}.csv")
        text = json.dumps(study.summary, indent=2, sort_keys=True)
        (made / "summary.json").write_text(text + "\n", encoding="utf-8")
        if folder.exists():
            os.replace(folder, Path(scratch) / "old")
        os.replace(made, folder)
    return folder


def read_study(store: Path, quarter: str | None = None) -> Study:
    """The study of a quarter, else the newest. Raises FileNotFoundError in words where there is none."""
    studies = Store(store).studies
    have = sorted(entry.parent.name for entry in studies.glob("*/summary.json"))
    if not have or (quarter and quarter not in have):
        listed = ", ".join(have) or "none"
        wanted = quarter or "any quarter"
        raise FileNotFoundError(f"no study of {wanted} in this store (there: {listed}). Run `study` first.")
    chosen = quarter or have[-1]
    folder = studies / chosen
    tables = {name: pl.read_parquet(folder / f"{name}.parquet") for name in TABLES}
    return Study(chosen, **tables, summary=json.loads((folder / "summary.json").read_text(encoding="utf-8")))
