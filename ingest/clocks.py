"""Times of every kind to seconds, and every channel onto one clock."""

from dataclasses import dataclass
from datetime import UTC, date, datetime

import numpy as np
import polars as pl

from ingest.log_date import date_in
from ingest.table import Values, finite, quantile
from ingest.units import scale_and_offset, unit_of

INTERPOLATED_MAX_S = 0.5  # a fast channel is interpolated across a gap of at most this
HELD_INTERVALS = 3.0  # a slow channel is held for so many of its own usual intervals
_HALF_DAY_S = 43_200.0
_EPOCH_FROM_S, _EPOCH_TO_S = 631_152_000.0, 4_102_444_800.0  # 1990 to 2100

_TIME_OF_DAY = (
    r"(?:^|[T\s])(?P<hour>\d{1,2}):(?P<minute>\d\d)(?::(?P<second>\d\d)(?:[.,:](?P<fraction>\d+))?)?"
    r"\s*(?P<half>[AaPp])?"
)


@dataclass(frozen=True)
class Clock:
    """Seconds from the column's own zero, NaN where missing.

    assumed: finding code that tells what was assumed, or "". over_midnight: how often the day changed.
    day: the date of the first sample where the clock tells it. of: columns whose clock it is, where there are
    several clocks.
    """

    seconds: Values
    assumed: str = ""
    over_midnight: int = 0
    day: date | None = None
    of: frozenset[int] = frozenset()


def clock_of_numbers(values: Values, unit_text: str) -> Clock | None:
    """A clock of plain numbers; None where neither unit nor values tell what they count.

    Without a unit the usual step decides: up to 2 it is seconds, from 5 to 2,000 milliseconds, from 5,000
    microseconds. Times between 1990 and 2100 as Unix time tell the day too.

    >>> clock_of_numbers(np.array([0.0, 50.0, 100.0]), "").seconds.tolist()
    [0.0, 0.05, 0.1]
    """
    known = finite(values)
    if known.size < 2:
        return None
    unit = unit_of(unit_text) if unit_text else None
    stated = unit is not None and unit.quantity == "time"
    step = 0.0 if stated else _usual_step(known)
    if stated and unit is not None:
        scale = scale_and_offset(unit.name, "second")[0]
    elif 0 < step <= 2:
        scale = 1.0
    elif 5 <= step <= 2000:
        scale = 1e-3
    elif 5000 <= step <= 2e6:
        scale = 1e-6
    else:
        return None
    start = float(known[0]) * scale
    day = datetime.fromtimestamp(start, UTC).date() if _EPOCH_FROM_S <= start <= _EPOCH_TO_S else None
    return Clock(values * scale, "" if stated else "clock_unit_assumed", day=day)


def _usual_step(times: Values) -> float:
    steps = np.abs(np.diff(times))
    moves = steps if steps.all() else steps[steps > 0]
    return quantile(moves, 0.5) if moves.size else 0.0


def clock_of_stamps(stamps: pl.Series) -> Clock | None:
    """A clock of dates and times of day, or of elapsed h:mm:ss; None where no cell is one.

    Offsets from UTC are left out: within one log they do not change.

    >>> clock_of_stamps(pl.Series(["23:59:59.5", "00:00:00.5"])).seconds.tolist()
    [86399.5, 86400.5]
    """
    parts = pl.DataFrame(stamps.rename("stamp")).select(pl.col("stamp").str.extract_groups(_TIME_OF_DAY))
    parts = parts.unnest("stamp")
    numbers = {name: _numbers(parts[name]) for name in ("hour", "minute", "second")}
    if not np.isfinite(numbers["hour"]).any():
        return None
    digits = parts["fraction"].str.len_chars().to_numpy().astype(np.float64)
    fraction = np.nan_to_num(_numbers(parts["fraction"]) / 10.0**digits)
    hour = numbers["hour"]
    if parts["half"].is_not_null().any():
        afternoon = parts["half"].str.to_lowercase().eq("p").fill_null(False).to_numpy()
        hour = hour % 12 + 12 * afternoon
    of_day = hour * 3600 + numbers["minute"] * 60 + np.nan_to_num(numbers["second"]) + fraction
    seconds, changes = _over_midnight(of_day)
    first = stamps.drop_nulls().head(1)
    return Clock(seconds, over_midnight=changes, day=date_in(first[0]) if len(first) else None)


def _numbers(column: pl.Series) -> Values:
    return column.cast(pl.Float64, strict=False).to_numpy().astype(np.float64)


def _over_midnight(of_day: Values) -> tuple[Values, int]:
    """Times of day that go on after midnight; a step back of less than half a day is left as it is."""
    known = np.isfinite(of_day)
    steps = np.diff(of_day[known], prepend=of_day[known][:1])
    days = np.cumsum(steps < -_HALF_DAY_S)
    seconds = of_day.copy()
    seconds[known] += 86_400.0 * days
    return seconds, int(days[-1]) if days.size else 0


def onto(clock_s: Values, channel_s: Values, values: Values, *, held: bool = False) -> Values:
    """Values of a channel at the times of `clock_s`, NaN where none is near enough.

    channel_s, values: the channel's own times and values, same length; NaN in either is left out.
    A fast channel (usual interval up to INTERPOLATED_MAX_S) is interpolated between two values at most that far
    apart; a slow or `held` one keeps its last value for HELD_INTERVALS of its usual intervals.

    >>> onto(np.array([0.0, 0.1, 0.2]), np.array([0.0, 0.2]), np.array([1.0, 3.0])).tolist()
    [1.0, 2.0, 3.0]
    """
    known = np.isfinite(channel_s) & np.isfinite(values)
    times, known_values = channel_s[known], values[known]
    if times.size < 2:
        return np.full(clock_s.shape, known_values[0] if times.size else np.nan)
    steps = np.diff(times)
    if (steps < 0).any():
        order = np.argsort(times, kind="stable")
        times, known_values = times[order], known_values[order]
        steps = np.diff(times)
    usual = quantile(steps, 0.5)
    before = np.clip(np.searchsorted(times, clock_s, side="right") - 1, 0, times.size - 1)
    if held or usual > INTERPOLATED_MAX_S:
        age = clock_s - times[before]
        limit = max(INTERPOLATED_MAX_S, HELD_INTERVALS * usual)
        return np.where((age >= -usual) & (age <= limit), known_values[before], np.nan)
    after = np.clip(np.searchsorted(times, clock_s, side="left"), 0, times.size - 1)
    gap = times[after] - times[before]
    near = (gap <= INTERPOLATED_MAX_S) & (np.abs(clock_s - times[before]) <= INTERPOLATED_MAX_S)
    return np.where(near, np.interp(clock_s, times, known_values), np.nan)
