"""Small segments merged and superseded logs dropped: beside readers, and whenever the run is killed."""

import secrets
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import polars as pl

from ingest.far_files import is_far, place_of, sizes
from ingest.findings import InputError
from ingest.forget_car import finish_forgetting
from ingest.labels import open_key, private_folder
from ingest.mend_store import hold_to_key
from ingest.schemas import LEDGER
from ingest.seen_files import Seen, SeenFiles
from ingest.store import CELLS_ORDER, FORMAT, Store, commit, one_writer, sweep, version, write_tables
from ingest.whole_files import remove_file, remove_folder


@dataclass(frozen=True)
class TidyRule:
    """segment_logs, segment_bytes: what a merged segment holds at most. small_share: of segment_logs; a segment with
    fewer is merged with others. readers_s: so long a segment that no longer counts stays, for those who opened it."""

    segment_logs: int = 1000
    segment_bytes: int = 64_000_000
    small_share: float = 0.5
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
        hold_to_key(home, open_key(home.path, in_use=True))
        finish_forgetting(home)
        sweep(home)
        now_s = time.time() if now_s is None else now_s
        wait_s = 0.0 if at_once else rule.readers_s
        removed, freed = _remove(home, now_s - wait_s)
        merged, made, logs, dropped = _merge(home, rule)
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


def _merge(home: Store, rule: TidyRule) -> tuple[int, int, int, int]:
    """Write what counts of small segments, and of those with superseded logs, into new ones. Tidied's first figures."""
    states = _states(home)
    groups = list(_groups([state for state in states if state.current], rule))
    if not groups:
        return 0, 0, 0, 0
    seen = SeenFiles(private_folder(home.path) / "paths.csv", [state.segment.name for state in states])
    seen.rewrite()  # so that no row of a segment that goes is left to speak for one that stays
    of_segment = seen.by_segment()
    ledger = home.current(home.ledgers())
    number = max(int(state.segment.name.split("-")[0]) for state in states)
    logs = 0
    for group in groups:
        number += 1
        names = [state.segment.name for state in group]
        rows = ledger.filter(pl.col("segment").is_in(names))
        own = [row for name in names for row in of_segment.get(name, [])]
        _write_merged(home, f"{number:08d}-0000-{secrets.token_hex(3)}", group, rows, seen, own)
        logs += rows.height
    merged = [state for group in groups for state in group]
    return len(merged), len(groups), logs, sum(state.logs - state.current for state in merged)


def _groups(states: Sequence[_State], rule: TidyRule) -> Iterator[list[_State]]:
    """Segments that become one, each group at most as large as a merged segment may be."""
    group: list[_State] = []
    for state in states:
        is_small = state.current < rule.small_share * rule.segment_logs
        if not is_small and state.current == state.logs:
            continue
        is_full = (
            sum(one.current for one in group) + state.current > rule.segment_logs
            or sum(one.size for one in group) + state.size > rule.segment_bytes
        )
        if is_full and _is_worth_it(group):
            yield group
        group = [state] if is_full else [*group, state]
    if _is_worth_it(group):
        yield group


def _is_worth_it(group: Sequence[_State]) -> bool:
    return len(group) > 1 or any(state.current < state.logs for state in group)


def _write_merged(
    home: Store, name: str, group: Sequence[_State], rows: pl.DataFrame, seen: SeenFiles, own: Sequence[Seen]
) -> None:
    """Write the segment `name` of what counts in a group: `rows` of its ledger, `own` of the list of paths."""
    segment = home.path / "segments" / name
    logs = dict(rows.filter(pl.col("verdict") == "kept").group_by("segment").agg("log").iter_rows())
    sums: dict[str, str] = {}
    for table in ("samples", "pulls", "cells"):
        parts = [
            part.filter(pl.col("log").is_in(logs.get(state.segment.name, [])))
            for state, part in zip(group, home.parts(table, [state.segment for state in group]), strict=True)
        ]
        held = pl.concat(parts).collect()
        sums |= write_tables(segment, {table: held.sort(CELLS_ORDER) if table == "cells" else held})
    seen.add(row._replace(segment=name) for row in own)
    commit(segment, rows.select(*LEDGER), sums)
