"""Every channel of a log onto one clock, the duty's, from its first sample."""

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from ingest.channels import CLOCK, Claims
from ingest.clocks import Clock, clock_of_numbers, clock_of_stamps, onto
from ingest.column_fit import Fit
from ingest.findings import Finding
from ingest.mapping import ChannelMap
from ingest.table import Table, Values

_HELD = ("gear",)  # has no values in between


@dataclass(frozen=True)
class Aligned:
    """row, time_s and channels: one value a kept row; rows without clock or duty are in `dropped`."""

    row: np.ndarray
    time_s: Values
    channels: dict[str, Values]
    dropped: dict[str, int]
    findings: tuple[Finding, ...]


def read_clocks(claims: Claims, table: Table, units: tuple[str, ...], mapping: ChannelMap) -> dict[int, Clock]:
    """Clock columns that can be understood: one, or where the channels have a clock each, all of these."""
    columns = [c.column for c in claims.candidates.get(CLOCK, ())]
    said = mapping.of(CLOCK).unit
    clocks: dict[int, Clock] = {}
    for column in columns:
        clock = clock_of_stamps(table.stamps[column]) if column in table.stamps else None
        if clock is None and column in table.numbers:
            clock = clock_of_numbers(table.numbers[column], said or units[column])
        if clock is not None:
            clocks[column] = clock
    if not clocks:
        return {}
    candidates = {c.column: c for c in claims.candidates[CLOCK]}
    first = candidates[next(iter(clocks))]
    same_name = {column: clock for column, clock in clocks.items() if candidates[column].words == first.words}
    in_order = sorted(same_name)
    alternating = len(in_order) > 1 and all(b - a > 1 for a, b in pairwise(in_order))
    return same_name if alternating else {first.column: clocks[first.column]}


def align(fits: Mapping[str, Fit], clocks: Mapping[int, Clock], table: Table) -> Aligned:
    """`fits` on the duty's clock. pump_duty_pct must be among them, and `clocks` must not be empty."""
    start = min(float(np.nanmin(clock.seconds)) for clock in clocks.values())
    seconds = {column: clock.seconds - start for column, clock in clocks.items()}
    duty = fits["pump_duty_pct"]
    own = seconds[_clock_of(duty.candidate.column, seconds)]
    timed = np.isfinite(own)
    kept = timed & np.isfinite(duty.values)
    steady = {column: _steady(times) for column, times in seconds.items()} if len(seconds) == 1 else seconds
    at = steady[_clock_of(duty.candidate.column, seconds)]
    channels = {}
    everything = bool(kept.all())
    for name, fitted in fits.items():
        times = steady[_clock_of(fitted.candidate.column, seconds)]
        if times is at:
            values = fitted.values if everything else fitted.values[kept]
            gaps = ~np.isfinite(values)
        else:
            values, gaps = np.full(int(kept.sum()), np.nan), np.ones(int(kept.sum()), dtype=bool)
        if gaps.any():
            values = values.copy()
            values[gaps] = onto(at[kept][gaps], times, fitted.values, held=name in _HELD)
        channels[name] = values
    lost = {"row_without_clock": int((~timed).sum()), "row_without_duty": int((timed & ~kept).sum())}
    if len(seconds) > 1:  # rows in which other channels go on after the duty's last sample
        lost = {"row_without_duty": int((~kept).sum())}
    dropped = {code: count for code, count in lost.items() if count}
    first = {"row_without_clock": ~timed, "row_without_duty": ~kept}
    findings = [
        Finding(code, row=int(table.row[np.argmax(first[code])]), rows=count) for code, count in dropped.items()
    ]
    return Aligned(table.row[kept], own[kept], channels, dropped, tuple(findings))


def _clock_of(column: int, seconds: Mapping[int, Values]) -> int:
    """The nearest clock at or before a column, else the first."""
    before = [clock for clock in seconds if clock <= column]
    return max(before) if before else min(seconds)


def _steady(seconds: Values) -> Values:
    """Times that never go back, for finding neighbours; where the clock jumps back it stands still instead."""
    known = np.isfinite(seconds)
    steady = seconds.copy()
    if known.any():
        times = seconds[known]
        steps = np.diff(times)
        if (steps < 0).any():
            steady[known] = times[0] + np.concatenate(([0.0], np.cumsum(np.maximum(steps, 0.0))))
    return steady
