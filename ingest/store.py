"""Where the normalized logs lie: plain Parquet, written whole or not at all, read without waiting."""

import json
import os
import shutil
import sys
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import polars as pl

from ingest.findings import InputError
from ingest.schemas import CELLS, LEDGER, PULLS, ROSTER, SAMPLES, Schema, check_columns, empty

FORMAT = 1
TABLES: Mapping[str, Schema] = {"samples": SAMPLES, "pulls": PULLS, "cells": CELLS, "ledger": LEDGER}


@dataclass(frozen=True)
class Store:
    """The tables of a store, each a LazyFrame of its schema; superseded and forgotten logs are left out.

    A segment counts once its ledger is there, which is written last. Of the ledger rows of one source the
    last counts. Raises InputError where no store is, or one of another format.
    """

    path: Path

    def __post_init__(self) -> None:
        problem = store_problem(self.path)
        if problem or not (self.path / "version.json").exists():
            raise InputError([problem or f"{self.path}: no store here. `pumpcensus ingest` makes one."])

    @property
    def studies(self) -> Path:
        """Folder of the studies made of this store, one a quarter."""
        return self.path / "studies"

    def samples(self) -> pl.LazyFrame:
        """SAMPLES, ordered by log and row within a segment."""
        return self._table("samples")

    def pulls(self) -> pl.LazyFrame:
        """PULLS"""
        return self._table("pulls")

    def cells(self) -> pl.LazyFrame:
        """CELLS"""
        return self._table("cells")

    def ledger(self) -> pl.LazyFrame:
        """LEDGER: the last word on each log file, kept or refused."""
        return self._current(self._ledgers()).select(*LEDGER).lazy()

    def roster(self) -> pl.DataFrame:
        """ROSTER"""
        path = self.path / "roster.parquet"
        roster = pl.read_parquet(path) if path.exists() else empty(ROSTER)
        return roster.filter(~pl.col("label").is_in(self.forgotten()))

    def forgotten(self) -> list[str]:
        """Labels of members whose logs were removed and shall not come back."""
        path = self.path / "forgotten.json"
        return json.loads(path.read_text(encoding="utf-8")) if path.exists() else []

    def segments(self) -> list[Path]:
        """Segments that count, oldest first."""
        return sorted(path.parent for path in (self.path / "segments").glob("*/ledger.parquet"))

    def _ledgers(self, columns: Sequence[str] = tuple(LEDGER)) -> pl.DataFrame:
        files = [segment / "ledger.parquet" for segment in self.segments()]
        if not files:
            return empty({**LEDGER, "segment": pl.String}).select(*columns, "segment")
        ledgers = pl.read_parquet(files, columns=[*columns, "segment"], include_file_paths="segment")
        folder = pl.col("segment").str.replace_all("\\", "/", literal=True).str.split("/").list.get(-2)
        return ledgers.with_columns(folder.alias("segment"))

    def _current(self, ledgers: pl.DataFrame) -> pl.DataFrame:
        newest = ledgers.unique("source", keep="last", maintain_order=True)
        return newest.filter(pl.col("label").is_null() | ~pl.col("label").is_in(self.forgotten()))

    def _table(self, name: str) -> pl.LazyFrame:
        # read once, so that a run that is writing meanwhile changes nothing
        ledgers = self._ledgers(("log", "source", "label", "verdict"))
        kept = pl.col("verdict") == "kept"
        counts = self._current(ledgers).filter(kept).group_by("segment").agg("log")
        held = ledgers.filter(kept).group_by("segment", maintain_order=True).agg(pl.len().alias("held"))
        whole, parts = [], []
        for segment, logs_held, logs in held.join(counts, on="segment", maintain_order="left").iter_rows():
            file = self.path / "segments" / segment / f"{name}.parquet"
            if len(logs) == logs_held:
                whole.append(file)
            else:
                parts.append(pl.scan_parquet(file).filter(pl.col("log").is_in(logs)))
        if whole:
            parts.insert(0, pl.scan_parquet(whole))
        return pl.concat(parts) if parts else empty(TABLES[name]).lazy()


def store_problem(path: Path) -> str:
    """Why `path` cannot be used as a store, in words; "" if it can, or if nothing is there yet."""
    version = path / "version.json"
    if not version.exists():
        if path.is_dir() and any(path.iterdir()) and not (path / "segments").exists():
            return f"{path}: not a store, but not empty either. Name a new folder for the store."
        return "" if path.is_dir() or not path.exists() else f"{path}: a file. Name a folder for the store."
    try:
        found = json.loads(version.read_text(encoding="utf-8"))["format"]
    except (ValueError, KeyError, TypeError):
        return f"{version}: broken. Put it back from a copy, or ingest the logs into a new store."
    if found != FORMAT:
        return (
            f"{version}: format {found}, this pumpcensus uses format {FORMAT}. "
            "Ingest the logs into a new store, or use the pumpcensus that made this one."
        )
    return ""


def create_store(path: Path) -> Store:
    """The store at `path`, made if nothing is there. Raises InputError as Store does."""
    if not store_problem(path) and not (path / "version.json").exists():
        (path / "segments").mkdir(parents=True, exist_ok=True)
        _write_text(path / "version.json", json.dumps({"format": FORMAT}) + "\n")
    return Store(path)


@contextmanager
def one_writer(path: Path) -> Iterator[None]:
    """Hold the store for writing; whoever comes second is told to wait (InputError).

    The system frees it when the process ends, however it ends.
    """
    path.mkdir(parents=True, exist_ok=True)
    (path / "segments").mkdir(exist_ok=True)
    with (path / "lock").open("a") as file:
        try:
            _lock(file.fileno())
        except OSError:
            raise InputError(
                [f"{path}: another run is writing here. Wait until it has ended, then run this again."]
            ) from None
        yield


def _lock(handle: int) -> None:
    if sys.platform == "win32":
        import msvcrt

        msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)
    else:
        import fcntl

        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)


def sweep(store: Store) -> None:
    """Remove what a killed run left: segments without a ledger. Only for who holds the store for writing."""
    for folder in (store.path / "segments").iterdir():
        if not (folder / "ledger.parquet").exists():
            shutil.rmtree(folder)


def write_tables(segment: Path, tables: Mapping[str, pl.DataFrame]) -> None:
    """Write samples, pulls and cells of a new segment. It does not count before `commit`."""
    segment.mkdir(parents=True, exist_ok=True)
    for name, table in tables.items():
        check_columns(table, TABLES[name], name)
        _write_parquet(segment / f"{name}.parquet", table)


def commit(segment: Path, ledger: pl.DataFrame) -> None:
    """Make a segment count: its ledger is written and renamed into place."""
    check_columns(ledger, LEDGER, "ledger")
    _write_parquet(segment / "ledger.parquet", ledger)


def write_roster(store: Store, roster: pl.DataFrame) -> None:
    """Replace the store's roster. ROSTER"""
    check_columns(roster, ROSTER, "roster")
    _write_parquet(store.path / "roster.parquet", roster)


def forget(store: Store, label: str) -> int:
    """Remove every log of a label, and keep it out from now on. Returns how many logs went.

    Readers leave the label out from the first step on, so a killed run only has to be started again.
    """
    _write_text(store.path / "forgotten.json", json.dumps(sorted({*store.forgotten(), label})) + "\n")
    write_roster(store, store.roster())
    sources = store._ledgers().filter(pl.col("label") == label)["source"].to_list()
    gone: set[str] = set()
    for segment in store.segments():
        ledger = pl.read_parquet(segment / "ledger.parquet")
        own = pl.col("source").is_in(sources)  # with older rows of these, lest they count again
        logs = ledger.filter(own)["log"].to_list()
        if not logs:
            continue
        gone |= set(logs)
        for name in ("samples", "pulls", "cells"):
            table = pl.read_parquet(segment / f"{name}.parquet")
            _write_parquet(segment / f"{name}.parquet", table.filter(~pl.col("log").is_in(logs)))
        _write_parquet(segment / "ledger.parquet", ledger.filter(~own))
    return len(gone)


def _write_parquet(path: Path, table: pl.DataFrame) -> None:
    part = path.with_name(path.name + ".part")
    table.write_parquet(part, compression="zstd", compression_level=1)
    _into_place(part, path)


def _write_text(path: Path, text: str) -> None:
    part = path.with_name(path.name + ".part")
    part.write_text(text, encoding="utf-8")
    _into_place(part, path)


def _into_place(part: Path, path: Path) -> None:
    """Rename `part` to `path` once it is on the disk, so that a power cut leaves one whole file or none."""
    with part.open("rb+") as file:
        os.fsync(file.fileno())
    part.replace(path)
