"""How one log would be read: what a club sees before anything goes into a store."""

from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

import polars as pl

from ingest.channels import rules
from ingest.findings import Finding, UnreadableError, message, where
from ingest.log_date import day_on_disk
from ingest.mapping import ChannelMap, read_mapping
from ingest.one_batch import Log, Tables, one_batch
from ingest.read_log import read_cars, read_log
from ingest.reading import Reading, refusal
from ingest.seen_columns import SeenColumn, draft_mapping, seen_columns
from ingest.unpack import unpack

_NOT_FOUND = ("channel_missing", "needed_channel_ambiguous")


@dataclass(frozen=True)
class Inspected:
    """One log as a person wants to see it.

    told: what scripts rely on, as `inspect_log` gives it. columns: every named column. pulls: PULLS.
    best_pull: the samples of the pull over the widest range of engine speed, with those of CHANNELS that the log
    has; None where there is no pull. not_found: channels that cannot be done without, and were not found.
    """

    told: dict[str, Any]
    columns: tuple[SeenColumn, ...]
    pulls: pl.DataFrame
    best_pull: pl.DataFrame | None
    not_found: tuple[str, ...]

    def draft(self) -> str:
        """A mapping file to begin with, as TOML."""
        return draft_mapping(self.columns, self.not_found, self.told["reason"])


def inspect_log(path: Path, *, channels: Path | None = None, today: date | None = None) -> dict[str, Any]:
    """What would become of a log; writes nothing.

    channels: the club's own mapping file. today: a later day of the log is not believed.
    Gives log, verdict ("kept" or "refused"), reason, rows_in, rows_kept, pulls, dialect, channels
    (canonical name -> column, unit, assumed, min, median, max, the three in canonical units) and findings
    (code, where, message).
    An archive of several logs is refused: `inspect_logs` shows each.
    Raises InputError for a broken mapping file, OSError where the file cannot be read.
    """
    mapping = read_mapping(channels) if channels else ChannelMap()
    modified = day_on_disk(path.stat().st_mtime)
    reading = read_log(path.name, path.read_bytes(), modified=modified, mapping=mapping)
    return _told(str(path), reading, _tables(reading, today))


def inspect_logs(
    path: Path, *, channels: Path | None = None, car_column: str = "", today: date | None = None
) -> list[Inspected]:
    """Every log in a file: an archive's members, and each car that `car_column` names. Writes nothing.

    Arguments and errors are those of `inspect_log`.
    """
    mapping = read_mapping(channels) if channels else ChannelMap()
    modified = day_on_disk(path.stat().st_mtime)
    try:
        members = unpack(path.name, path.read_bytes())
    except UnreadableError as error:
        return [_inspected(str(path), b"", refusal(error.finding), mapping, today)]
    seen = []
    for name, content in members:
        place = str(path) + name.removeprefix(path.name)
        if car_column:
            readings = read_cars(name, content, car_column, modified=modified, mapping=mapping)
        else:
            readings = [(None, read_log(name, content, modified=modified, mapping=mapping))]
        for car, reading in readings:
            whose = "" if car is None else f", car {car or 'unknown'}"
            seen.append(_inspected(place + whose, content, reading, mapping, today))
    return seen


def _inspected(place: str, content: bytes, reading: Reading, mapping: ChannelMap, today: date | None) -> Inspected:
    tables = _tables(reading, today)
    missing = [f.channel for f in tables.findings[0] if f.code in _NOT_FOUND]
    columns = () if reading.refused == "reader_failed" or not content else tuple(seen_columns(content, mapping))
    return Inspected(_told(place, reading, tables), columns, tables.pulls, _best_pull(tables), tuple(missing))


def _best_pull(tables: Tables) -> pl.DataFrame | None:
    if tables.pulls.is_empty():
        return None
    climb = pl.col("speed_high_rpm") - pl.col("speed_low_rpm")
    best = tables.pulls.sort(climb, descending=True, maintain_order=True).row(0, named=True)
    samples = tables.samples.filter(pl.col("time_s").is_between(best["start_s"], best["end_s"]))
    return samples.select(name for name in samples.columns if samples[name].null_count() < samples.height)


def _tables(reading: Reading, today: date | None) -> Tables:
    plausible = {name: rule.plausible for name, rule in rules().items()}
    return one_batch([Log("inspected", "", "", reading)], plausible, today or date.today())


def _told(place: str, reading: Reading, tables: Tables) -> dict[str, Any]:
    entry = tables.ledger.row(0, named=True)
    return {
        "log": place,
        "verdict": entry["verdict"],
        "reason": entry["reason"] or "",
        "rows_in": entry["rows_in"],
        "rows_kept": entry["rows_kept"],
        "pulls": entry["pulls"],
        "dialect": {"form": reading.dialect} if reading.dialect else {},
        "channels": _channels(reading, tables.samples),
        "findings": [_finding(finding) for finding in tables.findings[0]],
    }


def _channels(reading: Reading, samples: pl.DataFrame) -> dict[str, dict[str, Any]]:
    """Each channel's origin and range, of the samples that are kept, or of all where the log is refused."""
    frame = samples if samples.height else reading.frame
    told = {}
    for name, channel in reading.channels.items():
        values = frame[name].drop_nulls().drop_nans() if name in frame.columns else pl.Series(dtype=pl.Float64)
        told[name] = {
            "column": channel.column,
            "unit": channel.unit,
            "assumed": channel.assumed,
            "min": _rounded(values.min()),
            "median": _rounded(values.median()),
            "max": _rounded(values.max()),
        }
    return told


def _rounded(value: Any) -> float | None:
    return None if value is None else float(f"{value:.6g}")


def _finding(finding: Finding) -> dict[str, str]:
    return {"code": finding.code, "where": where(finding), "message": message(finding)}
