"""A member leaves: the logs go, and do not come back with the next run."""

import io
import json
from pathlib import Path

import polars as pl

from ingest.checksums import write_checked
from ingest.far_files import place_of
from ingest.labels import (
    add_forgotten,
    open_key,
    private_folder,
    read_forgotten,
    read_labels,
    typed_label,
    write_label_list,
)
from ingest.mend_store import drop_set_aside, hold_to_key, mend
from ingest.near_labels import unknown_label
from ingest.parquet_files import parquet, read_parquet
from ingest.seen_files import SeenFiles
from ingest.store import Store, one_writer, write_roster
from ingest.whole_files import folders_in, move, only_one, remove_file, remove_folder, write_whole


def forget_car(car: str, store: Path | str) -> int:
    """Remove every log of a car from a store with the studies that show it, and its name from the private lists.

    car: its name on the roster, or its label. Returns how many logs went. A killed run is finished by the next
    one of this or of ingest. Reports made earlier still hold the label's figures: make them anew.
    Raises InputError if the store does not know the car.
    """
    store = place_of(store)
    home = Store(store)
    with one_writer(store):
        labels = read_labels(store)
        label = typed_label(car)
        if label not in labels.values():
            key = open_key(store, in_use=True)
            hold_to_key(home, key)
            label = key.label(car)
        if label not in {*labels.values(), *read_forgotten(store), *home.forgetting()}:
            shown = "`pumpcensus labels` shows who is there."
            raise unknown_label(typed_label(car), labels.values(), str(store), shown)
        mend(home)
        finish_forgetting(home, but=label)
        return _forget(home, label)


def finish_forgetting(store: Store, but: str = "") -> None:
    """Do what a killed run left undone. Only for who holds the store for writing."""
    for label in store.forgetting():
        if label != but:
            _forget(store, label)


def _forget(store: Store, label: str) -> int:
    """Remove what is left of a label. Readers leave it out from the first step on."""
    marker = store.path / "forgetting.json"
    write_whole(marker, (json.dumps([label]) + "\n").encode())
    add_forgotten(store.path, [label])
    write_roster(store, store.roster())
    logs = _remove_logs(store, label)
    drop_set_aside(store)  # what cannot be read cannot be searched for the label
    _remove_studies(store, label)
    private = private_folder(store.path)
    SeenFiles(private / "paths.csv", [path.name for path in store.segments()]).remove(label)
    if (private / "labels.csv").exists():
        names = {name: own for name, own in read_labels(store.path).items() if own != label}
        write_label_list(store.path, names)
    remove_file(marker)
    return logs


def _remove_logs(store: Store, label: str) -> int:
    ledgers = {segment: read_parquet(segment / "ledger.parquet") for segment in store.segments()}
    own = pl.col("label") == label
    sources = [source for ledger in ledgers.values() for source in ledger.filter(own)["source"]]
    gone: set[str] = set()
    for segment, ledger in ledgers.items():
        of_car = pl.col("source").is_in(sources)  # with older rows of these, lest they count again
        logs = ledger.filter(of_car)["log"].to_list()
        if not logs:
            continue
        gone |= set(logs)
        files = {}
        for name in ("samples", "pulls", "cells"):
            table = read_parquet(segment / f"{name}.parquet")
            files[f"{name}.parquet"] = parquet(table.filter(~pl.col("log").is_in(logs)))
        write_checked(segment, files | {"ledger.parquet": parquet(ledger.filter(~of_car))})
    return len(gone)


def _remove_studies(store: Store, label: str) -> None:
    """Remove studies that show a label, and what killed runs left of others."""
    with only_one(store.path / "studies.lock", wait=True):
        for folder in folders_in(store.studies):
            if not folder.name.startswith(".") and any(_shows(file, label) for file in folder.iterdir()):
                move(folder, folder.with_name(f".{folder.name}"))  # so that a killed run leaves no half of it
        for folder in folders_in(store.studies):
            if folder.name.startswith("."):
                remove_folder(folder)


def _shows(file: Path, label: str) -> bool:
    content = file.read_bytes()
    if file.suffix != ".parquet":
        return label.encode() in content
    try:
        table = pl.read_parquet(io.BytesIO(content))
    except pl.exceptions.PolarsError:
        return True
    return label in table.get_column("label", default=pl.Series([], dtype=pl.String))
