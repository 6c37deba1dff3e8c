"""What the shell may complete beside commands and options: quarters and labels of a store. Reads names and one CSV."""

import csv
from pathlib import Path

import typer


def quarters_there(asked: typer.Context) -> list[str]:
    """Quarters that have a study, the newest first."""
    return [study.name for study in _studies(asked)]


def labels_there(asked: typer.Context) -> list[str]:
    """Labels of the cars in the newest study."""
    try:
        with (_studies(asked)[0] / "cars.csv").open(encoding="utf-8", newline="") as file:
            return sorted({row["label"] for row in csv.DictReader(file)})
    except (IndexError, KeyError, OSError):  # no study, or none that can be read: nothing to complete
        return []


def _studies(asked: typer.Context) -> list[Path]:
    """Folders of the studies of the store named by --store, or of the one called so."""
    folder = Path(asked.params.get("store") or "store") / "studies"
    return sorted(folder.glob("*Q[1-4]"), reverse=True) if folder.is_dir() else []
