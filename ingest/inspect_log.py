"""How one log would be read: what a club sees before anything goes into a store."""

from datetime import date
from pathlib import Path
from typing import Any

import polars as pl

from ingest.channels import rules
from ingest.findings import Finding, meanings, where
from ingest.mapping import ChannelMap, read_mapping
from ingest.one_batch import Log, one_batch
from ingest.read_log import read_log
from ingest.reading import Reading


def inspect_log(path: Path, *, channels: Path | None = None, today: date | None = None) -> dict[str, Any]:
    """What would become of a log; writes nothing.

    channels: the club's own mapping file. today: a later day of the log is not believed.
    Gives log, verdict ("kept" or "refused"), reason, rows_in, rows_kept, pulls, dialect, channels
    (canonical name -> column, unit, assumed, min, median, max, the three in canonical units) and findings
    (code, where, message).
    Raises InputError for a broken mapping file, OSError where the file cannot be read.
    """
    mapping = read_mapping(channels) if channels else ChannelMap()
    modified = date.fromtimestamp(path.stat().st_mtime)
    reading = read_log(path.name, path.read_bytes(), modified=modified, mapping=mapping)
    plausible = {name: rule.plausible for name, rule in rules().items()}
    tables = one_batch([Log("inspected", "", "", reading)], plausible, today or date.today())
    entry = tables.ledger.row(0, named=True)
    return {
        "log": str(path),
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
