"""Small segments merged and superseded logs dropped: beside readers, and whenever the run is killed."""

import math
import secrets
import time
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import polars as pl

from ingest.far_files import is_far, place_of, sizes
from ingest.findings import InputError
from ingest.forget_car import finish_forgetting
from ingest.labels import Key, open_key, private_folder
from ingest.mend_store import hold_to_key
from ingest.schemas import LEDGER
from ingest.seen_files import Seen, SeenFiles
from ingest.store import CELLS_ORDER, FORMAT, Store, commit, one_writer, sweep, version, write_tables
from ingest.whole_files import remove_file, remove_folder


@dataclass(frozen=True)
class TidyRule:
    """segment_logs, segment_bytes: what a merged segment holds, at most and about. small_share: of both; a segment with
    less of either is merged with others. sharing: so many merged segments at most are made of small ones at a time,
    each of a range of labels. readers_s: so long a segment that no longer counts stays, for those who opened it."""

    segment_logs: int = 1000
    segment_bytes: int = 64_000_000
    small_share: float = 0.5
    sharing: int = 10
    readers_s: float = 3600.0


@dataclass(frozen=True)
class Tidied:
    """What was done. merged: segments whose logs now lie in the `made` ones. logs: in these. dropped: superseded logs
    that are in none. removed, waiting: segments of no log that counts, gone, or kept for readers. segments: that count
    now. freed_bytes: by removing."""

    merged: int
    made: int
    logs: int
    dropped: int
    removed: int
    waiting: int
    segments: int
    freed_bytes: int


def tidy_store(
    store: Path | str, rule: TidyRule = TidyRule(), *, at_once: bool = False, now_s: float | None = None
) -> Tidied:
    """Merge small segments, drop superseded logs and remove segments of which nothing counts any more.

    What readers see does not change. A merged segment supersedes the old ones once its ledger is there; these stay for
    readers who have opened them, and go with a later run. at_once: no reader is there, remove them now.
    now_s: as of `time.time`. A killed run leaves nothing half said; the next one goes on.
    Raises InputError where the store is damaged or of an older format, or another run writes.
    """
    home = Store(place_of(store))
    with one_writer(home.path):
        if version(home.path)["format"] != FORMAT:
            raise InputError([f"{home.path}: of an older format. `pumpcensus ingest` brings it up; tidy it then."])
        key = open_key(home.path, in_use=True)
        hold_to_key(home, key)
        finish_forgetting(home)
        sweep(home)
        now_s = time.time() if now_s is None else now_s
        wait_s = 0.0 if at_once else rule.readers_s
        removed, freed = _remove(home, now_s - wait_s)
        merged, made, logs, dropped = _merge(home, rule, key)
        if at_once:
            more, freed_too = _remove(home, now_s + wait_s, is_any=True)
            removed, freed = removed + more, freed + freed_too
        states = _states(home)
        return Tidied(
            merged,
            made,
            logs,
            dropped,
            removed,
            sum(not state.current for state in states),
            sum(state.current > 0 for state in states),
            freed,
        )


@dataclass(frozen=True)
class _State:
    """A segment: logs in its ledger, those of them that count, and the size of its files."""

    segment: Path
    logs: int
    current: int
    size: int

    @property
    def current_size(self) -> float:
        """About that of what counts. [bytes]"""
        return self.size * self.current / self.logs


def _states(home: Store) -> list[_State]:
    """Every segment with a ledger, oldest first."""
    ledgers = home.ledgers(("source", "label"))
    counts = ledgers.group_by("segment").agg(pl.len().alias("logs"))
    current = home.current(ledgers).group_by("segment").agg(pl.len().alias("current"))
    rows = counts.join(current, on="segment", how="left").fill_null(0).sort("segment").iter_rows()
    held = _sizes(home)
    return [_State(home.path / "segments" / name, logs, now, held.get(name, 0)) for name, logs, now in rows]


def _sizes(home: Store) -> dict[str, int]:
    """Segment -> size of its files. [bytes]"""
    folder = home.path / "segments"
    if not is_far(folder):
        return {segment.name: sum(file.stat().st_size for file in segment.iterdir()) for segment in home.segments()}
    found: dict[str, int] = {}
    for name, size in sizes(folder).items():
        segment = name.split("/")[0]
        found[segment] = found.get(segment, 0) + size
    return found


def _remove(home: Store, before_s: float, *, is_any: bool = False) -> tuple[int, int]:
    """Remove segments of which nothing counts since a time; is_any: whatever the time. How many, and bytes."""
    retired = [state for state in _states(home) if not state.current]
    if not retired:
        return 0, 0
    ledgers = home.ledgers(("source", "label"))
    now_in = dict(home.current(ledgers).select("source", "segment").iter_rows())
    written_s = {
        name: (home.path / "segments" / name / "ledger.parquet").stat().st_mtime for name in set(now_in.values())
    }
    sources = dict(ledgers.group_by("segment").agg("source").iter_rows())
    removed = freed = 0
    for state in retired:
        own = sources[state.segment.name]
        since_s = max((written_s[now_in[source]] for source in own if source in now_in), default=0.0)
        if is_any or since_s < before_s:
            remove_file(state.segment / "ledger.parquet")  # first, lest it counts with files missing
            remove_folder(state.segment)
            removed, freed = removed + 1, freed + state.size
    return removed, freed


def _merge(home: Store, rule: TidyRule, key: Key) -> tuple[int, int, int, int]:
    """Write what counts of small segments, and of those with superseded logs, into new ones. Tidied's first figures.

    Each new segment takes over its own logs when its ledger is there; the old ones still speak for the rest.
    """
    states = _states(home)
    groups = list(_groups([state for state in states if state.current], rule))
    if not groups:
        return 0, 0, 0, 0
    seen = SeenFiles(private_folder(home.path) / "paths.csv", [state.segment.name for state in states])
    seen.rewrite()  # so that no row of a segment that goes is left to speak for one that stays
    of_segment = seen.by_segment()
    ledger = home.current(home.ledgers())
    number = max(int(state.segment.name.split("-")[0]) for state in states)
    made = logs = 0
    for group in groups:
        names = [state.segment.name for state in group]
        shares = _shares(ledger.filter(pl.col("segment").is_in(names)), _made_of(group, rule))
        own = _own(shares, [row for name in names for row in of_segment.get(name, [])], key)
        for rows, rows_seen in zip(shares, own, strict=True):
            made, logs = made + 1, logs + rows.height
            name = f"{number + made:08d}-0000-{secrets.token_hex(3)}"
            _write_merged(home, name, list(_batches(group, rows, rule)), rows, seen, rows_seen)
    merged = [state for group in groups for state in group]
    return len(merged), made, logs, sum(state.logs - state.current for state in merged)


def _groups(states: Sequence[_State], rule: TidyRule) -> Iterator[list[_State]]:
    """Segments whose logs are shared out anew, each group at most as large as the merged ones may be together."""
    group: list[_State] = []
    for state in states:
        is_small = (
            state.current < rule.small_share * rule.segment_logs
            and state.current_size < rule.small_share * rule.segment_bytes
        )
        if not is_small and state.current == state.logs:
            continue
        is_full = _made_of([*group, state], rule) > rule.sharing
        if is_full and _is_worth_it(group, rule):
            yield group
        group = [state] if is_full else [*group, state]
    if _is_worth_it(group, rule):
        yield group


def _made_of(group: Sequence[_State], rule: TidyRule) -> int:
    """How many segments a group becomes."""
    logs, size = sum(state.current for state in group), sum(state.current_size for state in group)
    return max(math.ceil(logs / rule.segment_logs), math.ceil(size / rule.segment_bytes))


def _is_worth_it(group: Sequence[_State], rule: TidyRule) -> bool:
    return _made_of(group, rule) < len(group) or any(state.current < state.logs for state in group)


def _shares(rows: pl.DataFrame, shares: int) -> list[pl.DataFrame]:
    """Ledger rows in so many equal shares, each of a range of labels: who wants some cars' need not read the others."""
    place = pl.int_range(pl.len(), dtype=pl.Int64)
    ordered = rows.sort("label", "date", "log", "source").with_columns(share=place * shares // pl.len())
    return ordered.partition_by("share", include_key=False, maintain_order=True)


def _own(shares: Sequence[pl.DataFrame], seen: Sequence[Seen], key: Key) -> list[list[Seen]]:
    """Of the list of paths the rows of each share's logs."""
    share_of = {source: number for number, rows in enumerate(shares) for source in rows["source"]}
    found: list[list[Seen]] = [[] for _ in shares]
    for row in seen:
        found[share_of.get(key.source(row.place), 0)].append(row)
    return found


def _batches(group: Sequence[_State], rows: pl.DataFrame, rule: TidyRule) -> Iterator[dict[Path, list[str]]]:
    """Segment -> its kept logs among `rows`; so many segments at a time as are about as large as a merged one."""
    logs = dict(rows.filter(pl.col("verdict") == "kept").group_by("segment").agg("log").iter_rows())
    batch: dict[Path, list[str]] = {}
    size = 0
    for state in [state for state in group if state.segment.name in logs] or group[:1]:
        if batch and size + state.size > rule.segment_bytes:
            yield batch
            batch, size = {}, 0
        batch[state.segment] = logs.get(state.segment.name, [])
        size += state.size
    yield batch


def _write_merged(
    home: Store,
    name: str,
    batches: Sequence[Mapping[Path, list[str]]],
    rows: pl.DataFrame,
    seen: SeenFiles,
    own: Sequence[Seen],
) -> None:
    """Write the segment `name` of some logs: `rows` of the ledger, `own` of the list of paths, read batch by batch."""
    segment = home.path / "segments" / name
    sums: dict[str, str] = {}
    for table in ("samples", "pulls", "cells"):
        held = pl.concat(_read(home, table, batch) for batch in batches)
        sums |= write_tables(segment, {table: held.sort(CELLS_ORDER) if table == "cells" else held})
    seen.add(row._replace(segment=name) for row in own)
    commit(segment, rows.select(*LEDGER), sums)


def _read(home: Store, table: str, logs: Mapping[Path, list[str]]) -> pl.DataFrame:
    """A table's rows of some logs of each of some segments."""
    parts = zip(home.parts(table, list(logs)), logs.values(), strict=True)
    return pl.concat(part.filter(pl.col("log").is_in(wanted)) for part, wanted in parts).collect()
