"""A folder of logs to the store: what is new or changed goes in, with a ledger row for every log."""

import hashlib
import os
import secrets
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import nullcontext
from dataclasses import dataclass, field
from datetime import date
from itertools import islice
from pathlib import Path
from typing import Any

import polars as pl

from ingest.channels import rules
from ingest.cluster import Cluster, cluster_at
from ingest.far_files import is_far, place_of
from ingest.findings import Finding, InputError, in_words, printable
from ingest.forget_car import finish_forgetting
from ingest.labels import open_key, plain_name, private_folder, read_forgotten, write_labels
from ingest.log_files import LogFile, Made, Setting, files_under, is_unchanged, make_segments, shares
from ingest.mapping import ChannelMap, read_mapping
from ingest.mend_store import SET_ASIDE, hold_to_key, mend
from ingest.parquet_files import read_parquet
from ingest.processes import made_in
from ingest.roster import Roster, places, read_roster
from ingest.seen_files import Seen, SeenFiles
from ingest.store import (
    Store,
    commit,
    create_store,
    one_writer,
    store_problem,
    version,
    write_roster,
    write_tables,
)

READING = "4"  # raise it when logs are read differently: then every log is read again
GONE_SHOWN = 20
WORTH_TWO_WORKERS = 3  # batches: for 400 logs of 90 kB two take as long as one, for 800 0.7 of it, for 1,600 0.6


@dataclass(frozen=True)
class IngestResult:
    """What became of the logs of one run.

    kept, refused: logs read in this run. skipped: unchanged since an earlier one. superseded: replaced an
    older version of themselves. pulls: in kept logs. findings: code -> logs. problems: for the terminal only,
    for they name files.
    """

    kept: int
    refused: int
    skipped: int
    superseded: int
    pulls: int
    findings: Mapping[str, int]
    problems: tuple[str, ...]


def ingest_logs(
    logs: Path,
    roster: Path,
    store: Path | str,
    *,
    channels: Path | None = None,
    car_column: str = "",
    workers: int | None = 1,
    cluster: str = "",
    progress: Callable[[int, int], None] | None = None,
    today: date | None = None,
) -> IngestResult:
    """Add the new and changed logs of a folder to a store.

    logs: folder, walked whole. roster: CSV or XLSX. store: made if absent; names and key go beside it. A URL: a store
    in an object store; names and key then stay on this machine (`ingest.labels.private_folder`).
    channels: the club's own mapping file. car_column: the column that names the cars in files of several.
    workers: processes; None: as many as seem worth it. cluster: address of a dask scheduler whose workers read instead.
    progress: told (files done, files to do).
    today: a later day of a log is not believed; by default the system's.
    A killed run leaves whole segments; the next run goes on from there.
    Raises InputError with every problem at once; then nothing was ingested.
    """
    store = place_of(store)
    if cluster:  # whose workers have working folders of their own
        logs, store = logs.resolve(), store if is_far(store) else store.resolve()
    files, sheet, mapping = _checked_input(logs, roster, store, channels)
    with cluster_at(cluster) if cluster else nullcontext() as machines, one_writer(store):
        home = create_store(store)
        key = open_key(store, in_use="key_check" in version(store) or bool(home.segments()))
        hold_to_key(home, key)
        set_aside = mend(home)
        finish_forgetting(home)
        left = frozenset(read_forgotten(store))
        forgotten = {car: label for car in sheet.cars if (label := key.label(car)) in left}
        labels = write_labels(store, [car for car in sheet.cars if car not in forgotten], key) | forgotten
        by_name = {plain_name(car): label for car, label in labels.items()}
        write_roster(home, sheet.table(by_name).filter(~pl.col("label").is_in(left)))
        setting = Setting(
            key,
            places(sheet),
            by_name,
            left,
            mapping,
            {name: rule.plausible for name, rule in rules().items()},
            today or date.today(),
            _reading(channels, car_column),
            store / "segments",
            secrets.token_hex(3),
            car_column,
        )
        return _ingest(files, sheet, home, setting, set_aside, machines or workers, progress)


def _checked_input(
    logs: Path, roster: Path, store: Path, channels: Path | None
) -> tuple[list[LogFile], Roster, ChannelMap]:
    """What a run starts from; every problem of it at once."""
    problems = [store_problem(store)] if store_problem(store) else []
    sheet, mapping, files = Roster((), ()), ChannelMap(), []
    try:
        sheet = read_roster(roster)
    except InputError as error:
        problems += error.problems
    except OSError as error:
        problems.append(f"{roster}: cannot be read ({error.strerror}). Check the name.")
    try:
        mapping = read_mapping(channels) if channels else mapping
    except InputError as error:
        problems += error.problems
    if not logs.is_dir():
        problems.append(f"{logs}: no folder. Name the folder that holds the logs.")
    else:
        leave_out = [roster, store, private_folder(store), *([channels] if channels else [])]
        files = files_under(logs, leave_out)
        if not files:
            problems.append(f"{logs}: no files in it. Put each car's logs into a folder named as the car.")
    if problems:
        raise InputError(problems)
    return files, sheet, mapping


def _reading(channels: Path | None, car_column: str) -> str:
    """How logs are read, in short: a changed mapping file or car column means that they must be read again."""
    mapping = hashlib.sha256(channels.read_bytes()).hexdigest()[:12] if channels else ""
    cars = hashlib.sha256(plain_name(car_column).encode()).hexdigest()[:12] if car_column else ""
    return f"{READING}:{mapping}:{cars}" if cars else f"{READING}:{mapping}"


@dataclass
class _Run:
    """One run's counts, and what the store held before it. kept_at: log -> the source that is kept for it."""

    home: Store
    seen: SeenFiles
    sources: set[str]
    kept_at: dict[str, str]
    counts: Counter[str] = field(default_factory=Counter)
    findings: Counter[str] = field(default_factory=Counter)
    problems: list[str] = field(default_factory=list)

    def commit(self, made: Made) -> None:
        """Make a segment count, and remember its files."""
        self.counts["skipped"] += made.unchanged
        self.counts["passed_over"] += made.passed_over
        if made.ledger is None:
            self.seen.add(made.seen)
            self.problems += made.problems.values()
            return
        segment = self.home.path / "segments" / made.segment
        ledger, problems, sums = self._without_twice(segment, made)
        self.seen.add(made.seen)
        commit(segment, ledger, sums)
        self.findings += made.findings
        self.problems += problems.values()
        for log, source, verdict, pulls in ledger.select("log", "source", "verdict", "pulls").iter_rows():
            self.counts[verdict] += 1
            self.counts["superseded"] += source in self.sources
            self.counts["pulls"] += pulls
            if verdict == "kept":
                self.kept_at[log] = source

    def _without_twice(self, segment: Path, made: Made) -> tuple[pl.DataFrame, Mapping[str, str], Mapping[str, str]]:
        """Ledger, problems and checksums of a segment, logs refused that are kept from another place already."""
        assert made.ledger is not None
        kept = made.ledger.filter(pl.col("verdict") == "kept")
        twice = [
            log for log, source in kept.select("log", "source").iter_rows()
            if self.kept_at.get(log, source) != source
        ]  # fmt: skip
        if not twice:
            return made.ledger, made.problems, made.sums
        rows = [_refused_twice(row) if row["log"] in twice else row for row in made.ledger.to_dicts()]
        tables = {name: read_parquet(segment / f"{name}.parquet") for name in ("samples", "pulls", "cells")}
        sums = write_tables(
            segment, {name: table.filter(~pl.col("log").is_in(twice)) for name, table in tables.items()}
        )
        words = in_words(Finding("log_twice"))
        news = {row["source"]: f"{made.places[row['source']]}: {words}" for row in rows if row["log"] in twice}
        self.findings["log_twice"] += len(twice)
        return pl.DataFrame(rows, schema=made.ledger.schema), {**made.problems, **news}, sums


def _refused_twice(row: dict[str, Any]) -> dict[str, Any]:
    lost = {"reason": "log_twice", "rows": row["rows_kept"]}
    found = {"code": "log_twice", "channel": None, "row": None, "rows": None}
    return row | {
        "verdict": "refused",
        "reason": "log_twice",
        "rows_kept": 0,
        "pulls": 0,
        "findings": [*row["findings"], found],
        "dropped": [*row["dropped"], lost],
    }


def _ingest(
    files: Sequence[LogFile],
    sheet: Roster,
    home: Store,
    setting: Setting,
    set_aside: Mapping[str, Sequence[str]],
    readers: Cluster | int | None,
    progress: Callable[[int, int], None] | None,
) -> IngestResult:
    segments = [segment.name for segment in home.segments()]
    seen = SeenFiles(private_folder(home.path) / "paths.csv", segments)
    before = home.ledger("log", "source", "verdict", "reason").collect()
    freed = _freed(before)
    to_do, skipped = [], 0
    for file in files:
        known = _known(file.place, seen, setting, freed)
        if is_unchanged(file, known, setting):
            skipped += len(known)
        else:
            to_do.append(file._replace(known=known))
    before = before if to_do else before.clear()  # it matters to what comes alone
    kept = before.filter(pl.col("verdict") == "kept").select("log", "source")
    run = _Run(home, seen, set(before["source"]), dict(kept.iter_rows()), Counter(skipped=skipped))
    done, first = 0, 1 + max((int(name.split("-")[0]) for name in segments), default=0)
    readers = readers or _usual_workers(to_do)
    batches = list(shares(to_do, readers.threads if isinstance(readers, Cluster) else readers))
    if progress:
        progress(0, len(to_do))
    for share, made in zip(batches, _made(batches, first, setting, home, readers), strict=True):
        for segment in made:
            run.commit(segment)
        done += len(share)
        if progress:
            progress(done, len(to_do))
    notes = [*sheet.notes, *_told_set_aside(home, set_aside, seen, files)]
    if run.counts["passed_over"]:
        logs = "1 log" if run.counts["passed_over"] == 1 else f"{run.counts['passed_over']} logs"
        notes.append(f"{logs} of forgotten cars passed over.")
    count = run.counts
    return IngestResult(
        count["kept"],
        count["refused"],
        count["skipped"],
        count["superseded"],
        count["pulls"],
        dict(sorted(run.findings.items())),
        tuple(notes + run.problems),
    )


def _told_set_aside(
    home: Store, set_aside: Mapping[str, Sequence[str]], seen: SeenFiles, files: Sequence[LogFile]
) -> Iterator[str]:
    """What was damaged in the store, and which of its logs cannot be read anew."""
    there = {file.place for file in files}
    for segment, wrong in set_aside.items():
        own = {row.place: row.file for row in seen.uncounted if row.segment == segment}
        lost = sorted(place for place, file in own.items() if file not in there)
        folder, aside = home.path / "segments" / segment, home.path / SET_ASIDE
        told = f"{folder}: damaged ({', '.join(wrong)}), set aside in {aside}."
        if own:
            told += f" Of its {len(own)} logs {len(own) - len(lost)} were read anew."
        if lost:
            gone = ", ".join(printable(place) for place in lost[:GONE_SHOWN])
            told += f" Not in the folder of logs any more: {gone}{', ...' if len(lost) > GONE_SHOWN else ''}."
            told += " Put them back there and run this again."
        yield told


def _freed(before: pl.DataFrame) -> set[str]:
    """Sources refused as the second copy of a log whose first copy is no longer kept."""
    twice, kept = pl.col("reason") == "log_twice", pl.col("verdict") == "kept"
    return set(before.filter(twice).join(before.filter(kept), on="log", how="anti")["source"])


def _known(file: str, seen: SeenFiles, setting: Setting, freed: set[str]) -> Mapping[str, Seen]:
    known = seen.of(file)
    return {} if freed and any(setting.key.source(place) in freed for place in known) else known


def _usual_workers(files: Sequence[LogFile]) -> int:
    """Two, where there are two cores and so much to read that it pays to start a second."""
    batches = islice(shares(files), WORTH_TWO_WORKERS)
    return min(2, os.cpu_count() or 1) if len(list(batches)) == WORTH_TWO_WORKERS else 1


def _made(
    batches: Sequence[Sequence[LogFile]], first: int, setting: Setting, home: Store, readers: Cluster | int
) -> Iterator[list[Made]]:
    """The segments of each share of the files, in order, whoever makes them."""
    if isinstance(readers, Cluster):
        if batches:
            readers.check(batches[0][0], home.path)
        yield from readers.made(batches, first, setting)
        return
    if readers == 1 or len(batches) <= 1:
        for number, share in enumerate(batches, first):
            yield make_segments(number, share, setting)
        return
    yield from made_in(readers, batches, first, setting)
