"""How one log would be read: what a club sees before anything goes into a store."""

from datetime import date
from pathlib import Path
from typing import Any

import polars as pl

from ingest.channels import rules
from ingest.findings import Finding, meanings, where
from ingest.mapping import ChannelMap, read_mapping
from ingest.one_batch import Log, one_batch
from ingest.read_log import read_cars, read_log, read_logs
from ingest.reading import Reading, refusal
from ingest.unpack import UnpackError, unpack


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
    modified = date.fromtimestamp(path.stat().st_mtime)
    reading = read_log(path.name, path.read_bytes(), modified=modified, mapping=mapping)
    return _seen(str(path), reading, today or date.today())


def inspect_logs(
    path: Path, *, channels: Path | None = None, car_column: str = "", today: date | None = None
) -> list[dict[str, Any]]:
    """`inspect_log` of every log in a file: of an archive's members, and of each car that `car_column` names."""
    mapping = read_mapping(channels) if channels else ChannelMap()
    modified, content = date.fromtimestamp(path.stat().st_mtime), path.read_bytes()
    day = today or date.today()
    if not car_column:
        logs = read_logs(path.name, content, modified=modified, mapping=mapping)
        return [_seen(_place(path, name), reading, day) for name, reading in logs]
    try:
        members = unpack(path.name, content)
    except UnpackError as error:
        return [_seen(str(path), refusal(error.finding), day)]
    return [
        _seen(_place(path, name) + (f", car {car or 'unknown'}" if car is not None else ""), reading, day)
        for name, member in members
        for car, reading in read_cars(name, member, car_column, modified=modified, mapping=mapping)
    ]


def _place(path: Path, name: str) -> str:
    """Of a log in a file, `name` beginning with the file's."""
    return str(path) + name.removeprefix(path.name)


def _seen(place: str, reading: Reading, today: date) -> dict[str, Any]:
    plausible = {name: rule.plausible for name, rule in rules().items()}
    tables = one_batch([Log("inspected", "", "", reading)], plausible, today)
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
    meaning = meanings()[finding.code]
    detail = f" ({finding.detail})" if finding.detail else ""
    message = f"{meaning.message.rstrip('.')}{detail}. {meaning.remedy}"
    return {"code": finding.code, "where": where(finding), "message": message}
