"""Where the normalized logs lie: plain Parquet, written whole or not at all, read without waiting."""

import json
from collections.abc import Collection, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import polars as pl

from ingest.checksums import checksum_of, damaged, far_contents, far_damaged, note, write_checked
from ingest.far_files import is_far, place_of
from ingest.findings import InputError
from ingest.parquet_files import parquet, read_parquet
from ingest.schemas import CELLS, LEDGER, PULLS, ROSTER, SAMPLES, Schema, check_columns, empty
from ingest.whole_files import (
    folders_in,
    make_folder,
    only_one,
    remove_file,
    remove_folder,
    settle,
    stamp,
    write_whole,
)

FORMAT = 2
OLDER = (1,)  # without checksums; read as it is, and brought up to FORMAT by the next run that writes
TABLES: Mapping[str, Schema] = {"samples": SAMPLES, "pulls": PULLS, "cells": CELLS, "ledger": LEDGER}
CELLS_A_GROUP = 5_000  # a study reads some cars' at a time
CELLS_ORDER = ("label", "date", "log", "pull", "band_rpm")
_ORDER = {"cells": CELLS_ORDER, "pulls": ("label", "date", "log", "pull")}
_TRIES = 5


@dataclass(frozen=True)
class Moment:
    """What a store held at one moment, whoever writes meanwhile. CELLS, PULLS, LEDGER, ROSTER."""

    cells: pl.DataFrame
    pulls: pl.DataFrame
    ledger: pl.DataFrame
    roster: pl.DataFrame


@dataclass(frozen=True)
class Unread:
    """What counts in a store, its large tables still in their files: those may go while they are read."""

    cells: pl.LazyFrame
    pulls: pl.LazyFrame
    ledger: pl.DataFrame
    roster: pl.DataFrame


@dataclass(frozen=True)
class Store:
    """The tables of a store, each a LazyFrame of its schema; superseded and forgotten logs are left out.

    A segment counts once its ledger is there, which is written last. Of the ledger rows of one source the
    last counts. path: a folder, or the URL of one in an object store, whose tables are fetched when asked for.
    Raises InputError where no store is, or one of another format, and when a table is read whose files are damaged.
    """

    path: Path

    def __post_init__(self) -> None:
        object.__setattr__(self, "path", place_of(self.path))
        problem = store_problem(self.path)
        if problem or not (self.path / "version.json").exists():
            raise InputError([problem or f"{self.path}: no store here. `pumpcensus ingest` makes one."])

    @property
    def studies(self) -> Path:
        """Folder of the studies made of this store, one a quarter."""
        return self.path / "studies"

    def at_once(self) -> Moment:
        """All tables that a study needs, of one moment, each in an order that does not depend on when what went in."""
        for _ in range(_TRIES):
            stamp, there = self._stamp(), set(self.segments())
            try:
                found = self._moment()
            except (InputError, OSError, pl.exceptions.PolarsError):
                if stamp == self._stamp() and there <= set(self.segments()):
                    raise
                continue
            if stamp == self._stamp():
                return found
        raise InputError([f"{self.path}: a run that writes changes it all the time. Try again later."])

    def unread(self) -> Unread:
        """The same tables, cells and pulls to be read some at a time, in no order."""
        roster, ledgers = self.roster(), self.ledgers()
        ledger = self.current(ledgers).select(*LEDGER).sort("label", "date", "log", "source")
        return Unread(self._table("cells", ledgers), self._table("pulls", ledgers), ledger, roster)

    def _moment(self) -> Moment:
        held = self.unread()
        cells, pulls = (getattr(held, name).sort(*order).collect() for name, order in _ORDER.items())
        return Moment(cells, pulls, held.ledger, held.roster)

    def samples(self) -> pl.LazyFrame:
        """SAMPLES, ordered by log and row within a segment."""
        return self._table("samples", self.ledgers())

    def pulls(self) -> pl.LazyFrame:
        """PULLS"""
        return self._table("pulls", self.ledgers())

    def cells(self) -> pl.LazyFrame:
        """CELLS"""
        return self._table("cells", self.ledgers())

    def ledger(self, *columns: str) -> pl.LazyFrame:
        """LEDGER, or only some of its columns: the last word on each log file, kept or refused."""
        wanted = columns or tuple(LEDGER)
        return self.current(self.ledgers({*wanted, "source", "label"})).select(wanted).lazy()

    def roster(self) -> pl.DataFrame:
        """ROSTER"""
        path = self.path / "roster.parquet"
        if not path.exists():
            return empty(ROSTER)
        self._check(self.path, ["roster.parquet"])
        return read_parquet(path).filter(~pl.col("label").is_in(self.forgetting()))

    def forgetting(self) -> list[str]:
        """Labels of members whose logs are being removed; readers leave them out from the first step on."""
        found: list[str] = []
        for name in ("forgetting.json", "forgotten.json"):  # the latter in a store of format 1
            try:
                found += json.loads((self.path / name).read_text(encoding="utf-8"))
            except FileNotFoundError:
                continue
        return found

    def segments(self) -> list[Path]:
        """Segments that count, oldest first."""
        return sorted(path.parent for path in (self.path / "segments").glob("*/ledger.parquet"))

    def _stamp(self) -> list[object]:
        """Changes when what was there is changed. That a segment is added is no matter."""
        return [stamp(self.path / name) for name in ("roster.parquet", "forgetting.json")]

    def _check(self, folder: Path, names: Sequence[str]) -> None:
        """Raise InputError naming the files of a folder that are damaged."""
        _refuse([folder / name for name in self.damage(folder, names)])

    def damages(self) -> dict[Path, list[str]]:
        """Segments with damaged files, and these. In an object store, which has its own checksums, by size alone."""
        if is_far(self.path):
            return far_damaged(self.segments())
        return {segment: wrong for segment in self.segments() if (wrong := self.damage(segment))}

    def damage(self, folder: Path, names: Sequence[str] | None = None) -> list[str]:
        """Files of a segment, or of the store itself, that are not as they were written."""
        if (folder / "checksums.json").exists() or version(self.path)["format"] == FORMAT:
            return damaged(folder, names)
        return []

    def ledgers(self, wanted: Collection[str] = tuple(LEDGER)) -> pl.DataFrame:
        """LEDGER, or some of its columns, and segment (its name): every row of every segment, those that are superseded
        too, oldest first."""
        columns = [name for name in LEDGER if name in wanted]
        files = [segment / "ledger.parquet" for segment in self.segments()]
        if not files:
            return empty({**{name: LEDGER[name] for name in columns}, "segment": pl.String})
        found = self._checked(files)
        if is_far(self.path):
            tables = [pl.read_parquet(content, columns=columns) for content in found]
            names = [pl.lit(file.parent.name).alias("segment") for file in files]
            return pl.concat(table.with_columns(name) for table, name in zip(tables, names, strict=True))
        ledgers = pl.read_parquet(files, columns=[*columns, "segment"], include_file_paths="segment")
        folder = pl.col("segment").str.replace_all("\\", "/", literal=True).str.split("/").list.get(-2)
        return ledgers.with_columns(folder.alias("segment"))

    def _checked(self, files: Sequence[Path]) -> Sequence[Path | bytes]:
        """Files as polars takes them, one of each of many segments: found whole, those from afar fetched.

        Raises InputError with all problems at once.
        """
        if is_far(self.path):
            contents, wrong = far_contents(files)
            _refuse(wrong)
            return contents
        _refuse([file for file in files if self.damage(file.parent, [file.name])])
        return files

    def current(self, ledgers: pl.DataFrame) -> pl.DataFrame:
        """The rows of `ledgers` that count."""
        newest = ledgers.unique("source", keep="last", maintain_order=True)
        return newest.filter(pl.col("label").is_null() | ~pl.col("label").is_in(self.forgetting()))

    def parts(self, name: str, segments: Sequence[Path]) -> list[pl.LazyFrame]:
        """A table of each of some segments, whole: logs that are superseded too."""
        return [pl.scan_parquet(file) for file in self._checked([one / f"{name}.parquet" for one in segments])]

    def _table(self, name: str, ledgers: pl.DataFrame) -> pl.LazyFrame:
        """A table of the segments of `ledgers`, so that a run that is writing meanwhile changes nothing."""
        kept = pl.col("verdict") == "kept"
        counts = self.current(ledgers).filter(kept).group_by("segment").agg("log")
        held = ledgers.filter(kept).group_by("segment", maintain_order=True).agg(pl.len().alias("held"))
        rows = held.join(counts, on="segment", maintain_order="left").rows()
        files = self._checked([self.path / "segments" / segment / f"{name}.parquet" for segment, *_ in rows])
        whole: list[Any] = []
        parts = []
        for (_, logs_held, logs), file in zip(rows, files, strict=True):
            if len(logs) == logs_held:
                whole.append(file)
            else:
                parts.append(pl.scan_parquet(file).filter(pl.col("log").is_in(logs)))
        if whole:
            parts.insert(0, pl.scan_parquet(whole))
        return pl.concat(parts) if parts else empty(TABLES[name]).lazy()


def _refuse(wrong: Sequence[Path]) -> None:
    """Raise InputError naming files that are damaged."""
    if wrong:
        remedy = "Run `pumpcensus ingest` with the same logs and roster: it mends what it can."
        raise InputError([f"{file}: damaged or missing. {remedy}" for file in wrong])


def store_problem(path: Path) -> str:
    """Why `path` cannot be used as a store, in words; "" if it can, or if nothing is there yet."""
    file = path / "version.json"
    if not file.exists():
        held = {entry.name for entry in path.iterdir()} - {"lock"} if path.is_dir() else set()
        if held and not (path / "segments").exists():
            return f"{path}: not a store, but not empty either. Name a new folder for the store."
        return "" if path.is_dir() or not path.exists() else f"{path}: a file. Name a folder for the store."
    try:
        found = version(path)["format"]
    except (ValueError, KeyError, TypeError):
        return f"{file}: broken. Put it back from a copy, or ingest the logs into a new store."
    if found != FORMAT and found not in OLDER:
        return (
            f"{file}: format {found}, this pumpcensus uses format {FORMAT}. "
            "Ingest the logs into a new store, or use the pumpcensus that made this one."
        )
    return ""


def version(path: Path) -> dict[str, Any]:
    """What a store says of itself. format: of the store. key_check: see `Key.check`; not there before the first run."""
    told = json.loads((path / "version.json").read_text(encoding="utf-8"))
    return {**told}


def write_version(path: Path, told: Mapping[str, object]) -> None:
    """Have a store say of itself what `version` gives."""
    write_whole(path / "version.json", (json.dumps(told) + "\n").encode())


def create_store(path: Path) -> Store:
    """The store at `path`, made if nothing is there. Raises InputError as Store does."""
    if not store_problem(path) and not (path / "version.json").exists():
        make_folder(path)
        make_folder(path / "segments")
        write_version(path, {"format": FORMAT})
    return Store(path)


@contextmanager
def one_writer(path: Path) -> Iterator[None]:
    """Hold the store for writing; whoever comes second is told to wait (InputError)."""
    make_folder(path)
    make_folder(path / "segments")
    try:
        with only_one(path / "lock"):
            yield
    except BlockingIOError as held:
        where = str(held.filename or path)
        what = held.strerror if held.filename else "another run is writing here"
        raise InputError([f"{where}: {what}. Wait until it has ended, then run this again."]) from None


def sweep(store: Store) -> None:
    """Remove what a killed run left: segments without a ledger, parts of files. Only for who holds the store."""
    for folder in set(folders_in(store.path / "segments")) - set(store.segments()):
        remove_folder(folder)
    if not is_far(store.path):
        for part in [*store.path.glob("*.part"), *store.path.glob("segments/*/*.part")]:
            remove_file(part)


def write_tables(segment: Path, tables: Mapping[str, pl.DataFrame]) -> dict[str, str]:
    """Write samples, pulls and cells of a new segment: file -> checksum. It does not count before `commit`."""
    make_folder(segment)
    sums = {}
    for name, table in tables.items():
        check_columns(table, TABLES[name], name)
        content = parquet(table, CELLS_A_GROUP) if name == "cells" else parquet(table)
        write_whole(segment / f"{name}.parquet", content)
        sums[f"{name}.parquet"] = checksum_of(content)
    return sums


def commit(segment: Path, ledger: pl.DataFrame, sums: Mapping[str, str]) -> None:
    """Make a segment count: what its files are is noted, then its ledger is written and renamed into place.

    sums: as `write_tables` gave them.
    """
    check_columns(ledger, LEDGER, "ledger")
    content = parquet(ledger)
    told = {**sums, "ledger.parquet": checksum_of(content)}
    note(segment, {name: [told[name]] for name in sorted(told)})
    write_whole(segment / "ledger.parquet", content)
    settle(segment)
    settle(segment.parent)


def write_roster(store: Store, roster: pl.DataFrame) -> None:
    """Replace the store's roster. ROSTER"""
    check_columns(roster, ROSTER, "roster")
    write_checked(store.path, {"roster.parquet": parquet(roster)})
