"""The steps for many logs at once: samples checked, pulls found, events and cells made, rows added up."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np
import polars as pl

from ingest.cells import CellRule, cell_rows, pull_rows
from ingest.events import find_events
from ingest.findings import Finding, effect
from ingest.pulls import Pulls, find_pulls
from ingest.quality import (
    Findings,
    blank_impossible,
    blank_stuck,
    day_finding,
    drop_marked,
    log_findings,
    mark,
    sensor_at_end,
    too_slow,
)
from ingest.reading import Reading
from ingest.restarts import carry_on_clocks
from ingest.schemas import CELLS, CHANNELS, LEDGER, PULLS, SAMPLES, empty


@dataclass(frozen=True)
class Log:
    """A log on its way to the store.

    log, source: keyed digests of its content and its place. label: None where the car is not on the roster.
    twice: the same log of this car comes earlier.
    """

    log: str
    source: str
    label: str | None
    reading: Reading
    twice: bool = False


@dataclass(frozen=True)
class Tables:
    """What a batch of logs becomes. samples: SAMPLES, pulls: PULLS, cells: CELLS, ledger: LEDGER.

    findings: of each log of the batch, with their detail, for the terminal.
    """

    samples: pl.DataFrame
    pulls: pl.DataFrame
    cells: pl.DataFrame
    ledger: pl.DataFrame
    findings: list[list[Finding]]


def one_batch(logs: Sequence[Log], plausible: Mapping[str, tuple[float, float]], today: date) -> Tables:
    """Tables of a batch of logs, in its order.

    plausible: channel -> lowest and highest value that can be. today: later days are not believed.
    """
    findings = [[*log.reading.findings, *day_finding(log.reading.date, today)] for log in logs]
    for log, own in zip(logs, findings, strict=True):
        if not log.reading.refused and (log.label is None or log.twice):
            own.append(Finding("car_unknown" if log.label is None else "log_twice"))
    read = [nr for nr, own in enumerate(findings) if not any(effect(f) == "refuse" for f in own)]
    if not read:
        return _assemble(logs, findings, None, today)
    batch = _joined([logs[nr].reading for nr in read], read)
    batch, restarted = carry_on_clocks(batch)
    _add(findings, restarted)
    batch, blanked = blank_impossible(batch, plausible)
    batch, dropped = drop_marked(batch, mark(batch, plausible))
    _add(findings, blanked)
    for nr, reason, row, rows in dropped.iter_rows():
        if reason != "value_impossible":  # said already, for each channel
            findings[nr].append(Finding(reason, row=row, rows=rows))
    for nr in set(read) - set(batch["nr"].unique().to_list()):
        findings[nr].append(Finding("empty"))
    found = log_findings(batch)
    _add(findings, found)
    batch = blank_stuck(batch, found)
    pulls = _usable(batch, find_pulls(batch), findings)
    return _assemble(logs, findings, (batch, dropped, pulls), today)


def _joined(readings: Sequence[Reading], numbers: Sequence[int]) -> pl.DataFrame:
    """All samples with all of CHANNELS, and `nr`, the number of the log in its batch."""
    heights = [len(reading.row) for reading in readings]
    present = set().union(*(reading.values for reading in readings))
    columns = [
        pl.Series("nr", np.repeat(numbers, heights), dtype=pl.Int64),
        pl.Series("row", np.concatenate([reading.row for reading in readings])),
    ]
    missing = np.full(max(heights), np.nan)
    for name in ("time_s", *CHANNELS):
        if name not in present:
            columns.append(pl.repeat(None, sum(heights), dtype=pl.Float64, eager=True).alias(name))
            continue
        values = np.concatenate([reading.values.get(name, missing[: len(reading.row)]) for reading in readings])
        columns.append(pl.Series(name, values, nan_to_null=bool(np.isnan(values).any())))
    return pl.DataFrame(columns)


def _add(findings: list[list[Finding]], more: Findings) -> None:
    for nr, own in more.items():
        findings[nr] += own


def _usable(batch: pl.DataFrame, pulls: Pulls, findings: list[list[Finding]]) -> Pulls:
    """Pulls that are fast enough, of logs that are not refused; adds what it sees to `findings`."""
    slow = too_slow(batch, pulls)
    logs_slow, counts_slow = np.unique(pulls.log[slow], return_counts=True)
    for nr, count in zip(logs_slow.tolist(), counts_slow.tolist(), strict=True):
        all_slow = count == np.count_nonzero(pulls.log == nr)
        if not any(finding.code == "too_slow" for finding in findings[nr]):
            findings[nr].append(Finding("too_slow" if all_slow else "pull_too_slow"))
    pulls = pulls.where(~slow)
    for nr in sensor_at_end(batch, pulls):
        findings[nr].append(Finding("sensor_at_end", "manifold_pressure_kpa"))
    with_pull = set(pulls.log.tolist())
    for nr in batch["nr"].unique().to_list():
        if nr not in with_pull and not _refusal(findings[nr]):
            findings[nr].append(Finding("no_pull"))
    refused = [nr for nr, own in enumerate(findings) if _refusal(own)]
    return pulls.where(~np.isin(pulls.log, refused))


def _refusal(findings: Sequence[Finding]) -> str:
    """Code of the first finding that refuses the log, or ""."""
    return next((finding.code for finding in findings if effect(finding) == "refuse"), "")


def _assemble(
    logs: Sequence[Log],
    findings: list[list[Finding]],
    made: tuple[pl.DataFrame, pl.DataFrame, Pulls] | None,
    today: date,
) -> Tables:
    kept_rows: dict[int, int] = {}
    lost: dict[int, dict[str, int]] = {}
    samples, pull_table, cells = empty(SAMPLES), empty(PULLS), empty(CELLS)
    if made:
        batch, dropped, pulls = made
        about = _about(logs, findings, today)
        events = find_events(batch, pulls, CellRule().tip_in_s)
        pull_table = pull_rows(batch, about, pulls, events)
        cells = cell_rows(batch, about, pulls, events)
        is_kept = np.isin(batch["nr"].to_numpy(), about["nr"].to_numpy())
        kept = batch if is_kept.all() else batch.filter(is_kept)
        kept_rows = dict(kept.group_by("nr").len().iter_rows())
        names = pl.Series("log", [log.log for log in logs])
        samples = kept.select(
            names.gather(kept["nr"]), *(pl.col(name).cast(SAMPLES[name]) for name in SAMPLES if name != "log")
        )
        for nr, reason, _, rows in dropped.iter_rows():
            lost.setdefault(nr, {})[reason] = rows
    counts = dict(pull_table.group_by("log").len().iter_rows())
    rows = [
        _ledger_row(log, own, kept_rows.get(nr, 0), lost.get(nr, {}), counts.get(log.log, 0), today)
        for nr, (log, own) in enumerate(zip(logs, findings, strict=True))
    ]
    return Tables(samples, pull_table, cells, pl.DataFrame(rows, schema=dict(LEDGER)), findings)


def _about(logs: Sequence[Log], findings: list[list[Finding]], today: date) -> pl.DataFrame:
    """The logs that are kept: nr, log, label, date, barometer_assumed."""
    assumed = Finding("barometer_assumed", "manifold_pressure_kpa")
    rows = [
        (nr, log.log, log.label, _day(log.reading, today), any(_same(f, assumed) for f in own))
        for nr, (log, own) in enumerate(zip(logs, findings, strict=True))
        if not _refusal(own)
    ]
    schema = {"nr": pl.Int64, "log": pl.String, "label": pl.String, "date": pl.Date}
    return pl.DataFrame(rows, schema={**schema, "barometer_assumed": pl.Boolean}, orient="row")


def _same(one: Finding, other: Finding) -> bool:
    return (one.code, one.channel) == (other.code, other.channel)


def _day(reading: Reading, today: date) -> date | None:
    return None if day_finding(reading.date, today) else reading.date


def _ledger_row(
    log: Log, findings: Sequence[Finding], kept: int, lost: Mapping[str, int], pulls: int, today: date
) -> dict[str, object]:
    """One row of LEDGER. A refused log's rows that were not lost before are lost to the refusal."""
    reading, reason = log.reading, _refusal(findings)
    dropped = dict(reading.dropped)
    for code, rows in lost.items():
        dropped[code] = dropped.get(code, 0) + rows
    if reason:
        kept = 0
        rest = reading.rows_in - sum(dropped.values())
        if rest:
            dropped[reason] = dropped.get(reason, 0) + rest
    return {
        "log": log.log,
        "source": log.source,
        "label": log.label,
        "date": _day(reading, today),
        "verdict": "refused" if reason else "kept",
        "reason": reason or None,
        "rows_in": reading.rows_in,
        "rows_kept": kept,
        "pulls": 0 if reason else pulls,
        "dialect": reading.dialect,
        "findings": [{"code": f.code, "channel": f.channel or None, "row": f.row, "rows": f.rows} for f in findings],
        "dropped": [{"reason": code, "rows": rows} for code, rows in dropped.items()],
    }
