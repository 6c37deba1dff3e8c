"""Clocks that start anew within a log, as recorders do that were stopped and started: carried on after a pause."""

from dataclasses import dataclass

import numpy as np
import polars as pl

from ingest.findings import Finding
from ingest.quality import Findings
from ingest.runs import Index, Values


@dataclass(frozen=True)
class RestartRule:
    """What counts as a restart; any other step back is a fault of the clock, whose rows are dropped."""

    back_min_s: float = 2.0
    samples_min: int = 20  # that stay behind: after fewer the clock has come back by itself
    pause_s: float = 10.0  # laid in between, long enough that nothing spans it


def carry_on_clocks(batch: pl.DataFrame, rule: RestartRule | None = None) -> tuple[pl.DataFrame, Findings]:
    """Batch with each log's clock going on after a restart, and what was found.

    Rows before a false leap ahead and after it are told apart the same way, and both kept.
    """
    rule = rule or RestartRule()
    log, time_s = batch["nr"].to_numpy(), batch["time_s"].to_numpy()
    back = np.flatnonzero((np.diff(time_s) < 0) & (np.diff(log) == 0)) + 1
    if not len(back):
        return batch, {}
    carried, findings = time_s.copy(), dict[int, list[Finding]]()
    bounds = np.searchsorted(log, log[back], side="right")
    for nr in np.unique(log[back]).tolist():
        own = log[back] == nr
        first = int(np.searchsorted(log, nr))
        starts = _carry_on(carried, first, back[own], int(bounds[own][0]), rule)
        if starts:
            row = int(batch["row"][starts[0]])
            findings[nr] = [Finding("clock_restarted", "time_s", row=row, rows=len(starts))]
    return batch.with_columns(pl.Series("time_s", carried)), findings


def _carry_on(time_s: Values, first: int, back: Index, end: int, rule: RestartRule) -> list[int]:
    """Change one log's clock in place; gives the rows at which it started anew."""
    latest, starts = time_s[first : back[0]].max(), []
    for start, stop in zip(back, [*back[1:], end], strict=True):
        behind = np.count_nonzero(time_s[start:stop] < latest)
        if behind >= rule.samples_min and time_s[start] <= latest - rule.back_min_s:
            time_s[start:stop] += latest + rule.pause_s - time_s[start]
            starts.append(int(start))
        latest = max(latest, time_s[start:stop].max())
    return starts
