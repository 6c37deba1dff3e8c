"""What is wrong with the samples of a batch of logs: findings, and a true/false column a reason to drop."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date

import numpy as np
import polars as pl

from ingest.findings import Finding
from ingest.pulls import Pulls
from ingest.runs import Flags, Index, Values, changes, longest_s, runs_of, spread
from ingest.schemas import CHANNELS

NEEDED = ("engine_speed_rpm", "pump_duty_pct", "manifold_pressure_kpa")
REASONS = ("needed_value_missing", "value_impossible", "clock_back")  # the first that holds drops the row
STICKS = (*NEEDED[::2], "rail_pressure_bar", "lambda_ratio")  # never constant in a log that holds a drive
Findings = dict[int, list[Finding]]  # of each log, by its number in the batch


@dataclass(frozen=True)
class QualityRule:
    """Limits of the checks."""

    duty_move_min_pct: float = 1.0
    changes_min_per_s: float = 4.0
    interval_max_s: float = 0.25  # the same, of rows
    moving_duty_pct: float = 2.0  # within half a second to each side: else the duty is on a plateau
    moving_min_s: float = 1.0  # less says nothing about the rate
    stuck_min_samples: int = 20
    sensor_end_min_s: float = 1.0
    byte_end_kpa: float = 255.0  # a pressure of one byte ends here (SAE J1979, PID 0B)
    byte_end_min_s: float = 0.4
    coarse_kpa: float = 2.0  # wider steps make plateaus of their own


def blank_impossible(
    batch: pl.DataFrame, plausible: Mapping[str, tuple[float, float]]
) -> tuple[pl.DataFrame, Findings]:
    """Batch without the values that cannot be, and what was found.

    plausible: channel -> lowest and highest value that can be. A needed channel's impossible value stays, so
    that `mark` drops its row; another channel's becomes null.
    """
    outside = {name: ~pl.col(name).is_between(*plausible[name]) for name in CHANNELS if name in plausible}
    low, high = (batch.select(how(*outside)).row(0, named=True) for how in (pl.min, pl.max))
    bad = [c for c in outside if low[c] is not None and not plausible[c][0] <= low[c] <= high[c] <= plausible[c][1]]
    if not bad:
        return batch, {}
    counts = (
        batch.group_by("nr", maintain_order=True)
        .agg(
            *(outside[name].sum().alias(name) for name in bad),
            *(pl.col("row").filter(outside[name]).first().alias(f"{name} row") for name in bad),
        )
        .iter_rows(named=True)
    )
    findings: Findings = {}
    for log in counts:
        for name in bad:
            if log[name]:
                code = "value_impossible" if name in NEEDED else "value_blanked"
                finding = Finding(code, name, row=log[f"{name} row"], rows=log[name])
                findings.setdefault(log["nr"], []).append(finding)
    blanked = [pl.when(~outside[name]).then(pl.col(name)).alias(name) for name in bad if name not in NEEDED]
    return batch.with_columns(blanked), findings


def mark(batch: pl.DataFrame, plausible: Mapping[str, tuple[float, float]]) -> pl.DataFrame:
    """One true/false column for each of REASONS, a row a row of the batch."""
    impossible = [~pl.col(name).is_between(*plausible[name]) for name in NEEDED if name in plausible]
    return batch.select(
        pl.any_horizontal(pl.col(name).is_null() for name in NEEDED).alias("needed_value_missing"),
        pl.any_horizontal(pl.lit(False), *impossible).fill_null(False).alias("value_impossible"),
        pl.Series("clock_back", _clock_back(batch["nr"].to_numpy(), batch["time_s"].to_numpy())),
    )


def _clock_back(log: Index, time_s: Values) -> Flags:
    """True where the clock is before the latest time of the same log so far. Coarse clocks may stand still."""
    begins = changes(log)
    if not ((np.diff(time_s) < 0) & ~begins[1:]).any():
        return np.zeros(len(log), dtype=bool)
    offset = np.cumsum(begins) * (np.ptp(time_s) + 1.0)  # each log starts past the end of the one before
    clock = time_s + offset
    late = np.zeros(len(log), dtype=bool)
    late[1:] = clock[1:] < np.maximum.accumulate(clock)[:-1]
    return late & ~begins


def drop_marked(batch: pl.DataFrame, marks: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Rows without a mark, and a table (nr, reason, row, rows) of what was dropped by its first reason."""
    reason = pl.coalesce(pl.when(pl.col(name)).then(pl.lit(name)) for name in REASONS)
    first = marks.select(reason.alias("reason")).to_series()
    if first.null_count() == len(first):
        none = pl.DataFrame(schema={"nr": pl.Int64, "reason": pl.String, "row": pl.Int64, "rows": pl.Int64})
        return batch, none
    dropped = (
        batch.select("nr", "row")
        .with_columns(first)
        .drop_nulls("reason")
        .group_by("nr", "reason", maintain_order=True)
        .agg(pl.col("row").first(), pl.len().cast(pl.Int64).alias("rows"))
    )
    return batch.filter(first.is_null()), dropped


def log_findings(batch: pl.DataFrame, rule: QualityRule | None = None) -> Findings:
    """What is wrong with whole logs: too slow, never moving, stuck, ethanol not measured."""
    rule = rule or QualityRule()
    logs = batch.group_by("nr", maintain_order=True).agg(
        pl.len().alias("samples"),
        pl.col("time_s").diff().median().alias("interval_s"),
        pl.col("ethanol_pct").count().alias("ethanol"),
        (pl.col("pump_duty_pct").max() - pl.col("pump_duty_pct").min()).alias("duty_move_pct"),
        *((pl.col(name).max() == pl.col(name).min()).alias(name) for name in STICKS),
    )
    findings: Findings = {}
    for log in logs.iter_rows(named=True):
        own = findings.setdefault(log["nr"], [])
        if (log["interval_s"] or 0.0) > rule.interval_max_s:
            own.append(Finding("too_slow", detail=f"a row each {log['interval_s']:.2f} s"))
        if log["duty_move_pct"] < rule.duty_move_min_pct:
            own.append(Finding("duty_never_moves", "pump_duty_pct"))
        elif log["samples"] >= rule.stuck_min_samples:
            own += [
                Finding("needed_channel_stuck" if name in NEEDED else "channel_stuck", name)
                for name in STICKS
                if log[name]
            ]
        if not log["ethanol"]:
            own.append(Finding("ethanol_not_measured", "ethanol_pct"))
    return findings


def blank_stuck(batch: pl.DataFrame, findings: Findings) -> pl.DataFrame:
    """Batch without the values of channels that are stuck in a log."""
    for name in STICKS:
        stuck = [nr for nr, own in findings.items() if Finding("channel_stuck", name) in own]
        if stuck:
            kept = pl.when(~pl.col("nr").is_in(stuck)).then(pl.col(name))
            batch = batch.with_columns(kept.alias(name))
    return batch


def too_slow(batch: pl.DataFrame, pulls: Pulls, rule: QualityRule | None = None) -> Flags:
    """Pulls in which engine speed, or the duty outside plateaus, has under 4 changes of value a second."""
    rule = rule or QualityRule()
    rows, pull = spread(pulls.rows)
    if not len(rows):
        return np.zeros(0, dtype=bool)
    begins = changes(pull)
    step_s = np.where(begins, 0.0, np.diff(batch["time_s"].to_numpy()[rows], prepend=0.0))
    slow = np.zeros(len(pulls.log), dtype=bool)
    duty = batch["pump_duty_pct"].to_numpy()[rows]
    moving = _moving(step_s, duty, begins, rule.moving_duty_pct)
    for value, counted in ((batch["engine_speed_rpm"].to_numpy()[rows], ~begins), (duty, moving & ~begins)):
        changed = counted & (np.diff(value, prepend=value[0]) != 0)
        over_s = np.bincount(pull, np.where(counted, step_s, 0.0), len(slow))
        number = np.bincount(pull, changed, len(slow))
        slow |= (over_s >= rule.moving_min_s) & (number < rule.changes_min_per_s * over_s * 0.999)
    return slow


def _moving(step_s: Values, duty: Values, begins: Flags, moving_pct: float) -> Flags:
    """True where the duty half a second later and half a second before differ."""
    clock_us = np.cumsum(np.rint(1e6 * np.where(begins, 10.0, step_s)).astype(np.int64))  # the same in every batch
    after = np.searchsorted(clock_us, clock_us + 500_000, "right") - 1
    before = np.searchsorted(clock_us, clock_us - 500_000)
    return np.abs(duty[after] - duty[before]) > moving_pct


def sensor_at_end(batch: pl.DataFrame, pulls: Pulls, rule: QualityRule | None = None) -> list[int]:
    """Logs (numbers in the batch) whose manifold pressure lies on a plateau at its top within a pull."""
    rule = rule or QualityRule()
    rows, pull = spread(pulls.rows)
    if not len(rows):
        return []
    begins = changes(pull)
    pressure = batch["manifold_pressure_kpa"].to_numpy()[rows]
    time_s = batch["time_s"].to_numpy()[rows]
    ends_s = np.where(np.append(begins[1:], True), time_s, np.append(time_s[1:], 0.0))
    log = pulls.log[pull]
    top = np.full(int(log.max()) + 1, -np.inf)
    np.maximum.at(top, log, pressure)
    flat_s = longest_s(runs_of(pressure >= top[log] - 0.05, begins), log, time_s, ends_s, len(top))
    held_s = longest_s(
        runs_of(np.append(False, np.diff(pressure) == 0) & (pressure < top[log] - 0.05), begins),
        log, time_s, ends_s, len(top),
    )  # fmt: skip
    step = np.abs(np.diff(pressure, prepend=pressure[0]))
    smallest = np.full(len(top), np.inf)
    np.minimum.at(smallest, log[(step > 1e-6) & ~begins], step[(step > 1e-6) & ~begins])
    fine = (smallest < rule.coarse_kpa) & (flat_s >= rule.sensor_end_min_s) & (held_s < 0.5 * flat_s)
    byte = (np.abs(top - rule.byte_end_kpa) < 0.6) & (flat_s >= rule.byte_end_min_s)
    return np.flatnonzero(fine | byte).tolist()


def day_finding(day: date | None, today: date) -> list[Finding]:
    """A day that has not come yet is a finding.

    >>> day_finding(date(2026, 7, 1), today=date(2026, 7, 1))
    []
    """
    return [Finding("date_in_future")] if day is not None and day > today else []
