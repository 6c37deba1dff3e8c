"""Every channel of a log onto one clock, the duty's, from its first sample."""

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from ingest.channels import CLOCK, Claims
from ingest.clocks import Clock, clock_of_numbers, clock_of_stamps, onto
from ingest.column_fit import Fit
from ingest.findings import Finding
from ingest.mapping import ChannelMap
from ingest.own_clocks import in_turns, is_rising, may_be_clocks, named_clocks, plain_clocks, runs_beside
from ingest.table import Table, Values, finite

_HELD = ("gear",)  # has no values in between


@dataclass(frozen=True)
class Aligned:
    """row, time_s and channels: one value a kept row; rows without clock or duty are in `dropped`."""

    row: np.ndarray
    time_s: Values
    channels: dict[str, Values]
    dropped: dict[str, int]
    findings: tuple[Finding, ...]


def read_clocks(
    claims: Claims, table: Table, names: tuple[str, ...], units: tuple[str, ...], mapping: ChannelMap
) -> dict[int, Clock]:
    """Clock columns that can be understood: one, or where channels have clocks of their own, all of these."""
    said = mapping.of(CLOCK)
    clocks: dict[int, Clock] = {}
    for candidate in claims.candidates.get(CLOCK, ()):
        if clock := _clock(candidate.column, table, said.unit or units[candidate.column]):
            clocks[candidate.column] = clock
    first = dict(list(clocks.items())[:1])
    if said.column:
        same = [c.column for c in claims.candidates.get(CLOCK, ()) if c.column in clocks]
        return _owning(clocks, in_turns(sorted(same), len(names))) or first
    by_name = {clock: frozenset({owner}) for clock, owner in named_clocks(names, units).items()}
    named = {column: clock for column in by_name if (clock := _clock(column, table, units[column]))}
    named = {column: clock for column, clock in named.items() if is_rising(clock.seconds)}
    if len(named) > 1 or (named and not clocks):
        return {**first, **_owning(named, by_name)}
    read = {column: clocks.get(column) or _clock(column, table, units[column]) for column in plain_clocks(names, units)}
    several = len(read) > 1
    plain = {column: clock for column, clock in read.items() if several and clock and is_rising(clock.seconds)}
    owning = _owning(plain, in_turns(list(read), len(names))) if len(plain) > 1 else {}
    unnamed = may_be_clocks(names, units) - claims.columns if owning else ()
    for column in sorted(unnamed):
        owning = _without_unnamed(owning, column, table, units)
    return owning or first


def _without_unnamed(
    clocks: Mapping[int, Clock], column: int, table: Table, units: tuple[str, ...]
) -> dict[int, Clock]:
    """The clocks, less the channels that another one, whose name was lost, stands before or behind.

    It runs as theirs does, or stands where one would stand: between two columns where others have one.
    """
    in_pairs = sum(len(clock.of) == 1 for clock in clocks.values()) > len(clocks) / 2
    told = dict(clocks)
    for place, clock in clocks.items():
        unnamed = _clock(column, table, units[place]) if column in clock.of else None
        is_between = in_pairs and sorted(clock.of)[1:-1] == [column]
        if is_between or (unnamed and runs_beside(unnamed.seconds, clock.seconds)):
            theirs = {c for c in clock.of if (c >= column if place < column else c <= column)}
            told[place] = replace(clock, of=clock.of - theirs)
    return told


def _clock(column: int, table: Table, unit: str) -> Clock | None:
    clock = clock_of_stamps(table.stamps[column]) if column in table.stamps else None
    if clock is None and column in table.numbers:
        clock = clock_of_numbers(table.numbers[column], unit)
    return clock


def _owning(clocks: Mapping[int, Clock], owned: Mapping[int, frozenset[int]]) -> dict[int, Clock]:
    """The clocks that have channels of their own, each told which."""
    return {column: replace(clocks[column], of=own) for column, own in owned.items() if column in clocks}


def align(fits: Mapping[str, Fit], clocks: Mapping[int, Clock], table: Table) -> Aligned:
    """`fits` on the duty's clock. pump_duty_pct must be among them, and `clocks` must not be empty."""
    first = _first if len(clocks) > 1 else _least
    start = min(first(clock.seconds) for clock in clocks.values())
    seconds = {column: clock.seconds - start for column, clock in clocks.items()}
    duty = fits["pump_duty_pct"]
    own = seconds[_clock_of(duty.candidate.column, clocks)]
    timed = np.isfinite(own)
    kept = timed & np.isfinite(duty.values)
    steady = {column: _steady(times) for column, times in seconds.items()} if len(seconds) == 1 else seconds
    at = steady[_clock_of(duty.candidate.column, clocks)]
    channels = {}
    everything = bool(kept.all())
    for name, fitted in fits.items():
        times = steady[_clock_of(fitted.candidate.column, clocks)]
        if times is at and everything and fitted.complete:
            channels[name] = fitted.values
            continue
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
    without = {"row_without_clock": ~timed, "row_without_duty": ~kept}
    findings = [
        Finding(code, row=int(table.row[np.argmax(without[code])]), rows=count) for code, count in dropped.items()
    ]
    return Aligned(table.row[kept], own[kept], channels, dropped, tuple(findings))


def _first(seconds: Values) -> float:
    """The first time that is known; a later one that is damaged may be less."""
    return float(seconds[np.argmax(np.isfinite(seconds))])


def _least(seconds: Values) -> float:
    return float(finite(seconds).min())


def without_clock(fits: Mapping[str, Fit], clocks: Mapping[int, Clock]) -> list[str]:
    """Channels that have none of the clocks, where each clock has channels of its own."""
    if any(not clock.of for clock in clocks.values()):
        return []
    owned = frozenset().union(*(clock.of for clock in clocks.values()))
    return [channel for channel, fitted in fits.items() if fitted.candidate.column not in owned]


def _clock_of(column: int, clocks: Mapping[int, Clock]) -> int:
    """The clock that a column is told to have, else the first."""
    if len(clocks) == 1:
        return next(iter(clocks))
    return next((place for place, clock in clocks.items() if column in clock.of), next(iter(clocks)))


def _steady(seconds: Values) -> Values:
    """Times that never go back, for finding neighbours; where the clock jumps back it stands still instead."""
    times = finite(seconds)
    steps = np.diff(times)
    if not (steps < 0).any():
        return seconds
    steady = seconds.copy()
    steady[np.isfinite(seconds)] = times[0] + np.concatenate(([0.0], np.cumsum(np.maximum(steps, 0.0))))
    return steady
