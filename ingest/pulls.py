"""Full-load pulls: pedal to the floor, one gear, engine speed climbing. A whole batch of logs at once."""

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from ingest.runs import Flags, Index, Runs, Values, changes, runs_of, spread


@dataclass(frozen=True)
class PullRule:
    """What counts as a full-load pull."""

    pedal_share: float = 0.95  # of the log's own full travel
    travel_min_pct: float = 65.0  # a raw scale may end at 78
    pressure_share: float = 0.80  # of the log's highest, where neither pedal nor throttle is logged
    pressure_top_min_kpa: float = 85.0
    climb_min_rpm: float = 1500.0
    duration_min_s: float = 2.0
    gap_max_s: float = 0.8  # between two samples of one pull
    window_s: float = 0.3  # to each side, over which engine speed is smoothed
    slope_min_rpm_s: float = 40.0
    slope_max_rpm_s: float = 4000.0  # faster is a shift down or a spinning wheel
    pause_max_s: float = 1.2  # without climbing: noise, or an interruption of the pump
    fall_max_rpm: float = 150.0  # over such a pause
    fall_max_share: float = 0.10  # over a pause with a dropout; a shift falls further
    dropout_duty_pct: float = 20.0
    cut_from_duty_pct: float = 30.0  # a duty that was lower before is a large pump's, not a cut
    falling_share: float = 0.75  # of the sample before: it is part of the cut already
    limiter_margin_rpm: float = 150.0  # a cut this near the log's highest engine speed is the limiter's
    ratio_drift_max: float = 0.20  # of engine to vehicle speed: a slipping clutch is no gear


@dataclass(frozen=True)
class Pulls:
    """Pulls of a batch, in its order; an entry a pull.

    rows: first and last row in the batch. full_since_s: when the pedal reached the floor. gear: 0 if unknown.
    stretch_last: last row in the batch with the pedal still down in the same gear.
    """

    rows: Runs
    log: Index
    full_since_s: Values
    stretch_last: Index
    gear: Index

    def where(self, chosen: Flags) -> "Pulls":
        """The pulls for which `chosen` holds."""
        return Pulls(
            self.rows.where(chosen),
            self.log[chosen],
            self.full_since_s[chosen],
            self.stretch_last[chosen],
            self.gear[chosen],
        )


def find_pulls(batch: pl.DataFrame, rule: PullRule | None = None) -> Pulls:
    """Pulls in a batch of logs.

    batch: `nr` (number of the log in the batch) and ingest.schemas.CHANNELS, sorted by log and time.
    """
    rule = rule or PullRule()
    log, time_s = batch["nr"].to_numpy(), batch["time_s"].to_numpy()
    gear = gears(batch)
    full = full_load(batch, rule)
    gap = np.diff(time_s, prepend=time_s[:1]) > rule.gap_max_s
    stretches = runs_of(full, changes(log, gear) | gap)
    stretches = stretches.where(time_s[stretches.last] - time_s[stretches.first] >= rule.duration_min_s * 0.9)
    rows, stretch = _climbs(batch, stretches, rule)
    pulls = Pulls(
        rows,
        log[rows.first].astype(np.intp),
        time_s[stretches.first[stretch]],
        stretches.last[stretch],
        gear[rows.first],
    )
    return pulls.where(_one_gear(batch, pulls, rule))


def full_load(batch: pl.DataFrame, rule: PullRule) -> Flags:
    """True where the pedal is down: by pedal, else throttle, else manifold pressure near its highest."""
    log = batch["nr"].to_numpy()
    full = np.zeros(len(log), dtype=bool)
    told = np.zeros(len(log), dtype=bool)  # an earlier channel of the list already tells for this log
    for channel, share, top_min in (
        ("pedal_pct", rule.pedal_share, rule.travel_min_pct),
        ("throttle_pct", rule.pedal_share, rule.travel_min_pct),
        ("manifold_pressure_kpa", rule.pressure_share, rule.pressure_top_min_kpa),
    ):
        value = batch[channel].fill_null(np.nan).to_numpy()
        top = _top(value, log)
        with np.errstate(invalid="ignore"):
            full |= ~told & (top >= top_min) & (value >= share * top)
        told |= np.isfinite(top)
        if told.all():
            break
    return full


def _top(value: Values, log: NDArray[np.generic]) -> Values:
    """At each sample, the highest value that two neighbours of its log reach; NaN without any."""
    held = np.full(len(value), np.nan)
    if not len(value):
        return held
    held[1:] = np.where(log[1:] == log[:-1], np.minimum(value[1:], value[:-1]), np.nan)
    starts = np.flatnonzero(changes(log))
    top = np.fmax.reduceat(held, starts)
    return np.repeat(top, np.diff(np.append(starts, len(value))))


def gears(batch: pl.DataFrame) -> Index:
    """Logged gear, blips of one sample removed; 0 where unknown."""
    gear = batch["gear"].fill_null(0).fill_nan(0).round().cast(pl.Int64).to_numpy().copy()
    if len(gear) > 2:
        blip = (gear[:-2] == gear[2:]) & (gear[1:-1] != gear[:-2])
        gear[1:-1][blip] = gear[:-2][blip]
    return gear


def _climbs(batch: pl.DataFrame, stretches: Runs, rule: PullRule) -> tuple[Runs, Index]:
    """Climbs of engine speed within stretches, long and high enough, and the stretch of each."""
    lengths = stretches.samples
    stretch = np.repeat(np.arange(len(lengths)), lengths)
    first = np.repeat(np.cumsum(lengths) - lengths, lengths)
    row = np.arange(len(stretch)) - first + np.repeat(stretches.first, lengths)
    time_s = batch["time_s"].to_numpy()[row]
    slope, smooth = smoothed(time_s, batch["engine_speed_rpm"].to_numpy()[row], stretch, rule.window_s)
    jumping = slope > rule.slope_max_rpm_s
    climbing = runs_of((slope >= rule.slope_min_rpm_s) & ~jumping, changes(stretch))
    duty = batch["pump_duty_pct"].to_numpy()[row]
    part = np.cumsum(jumping | changes(stretch), dtype=np.intp)
    joined = _joined(climbing, part, time_s, smooth, duty < rule.dropout_duty_pct, rule)
    joined = _before_cuts(joined, duty, batch["engine_speed_rpm"].to_numpy()[row] >= _limiter(batch, rule)[row], rule)
    long = time_s[joined.last] - time_s[joined.first] >= rule.duration_min_s
    high = smooth[joined.last] - smooth[joined.first] >= rule.climb_min_rpm
    pulls = joined.where(long & high)
    return Runs(row[pulls.first], row[pulls.last]), stretch[pulls.first]


def _joined(climbs: Runs, part: Index, time_s: Values, smooth: Values, low: Flags, rule: PullRule) -> Runs:
    """Climbs of one part become one where only noise or an interruption of the pump lies between."""
    if len(climbs.first) < 2:
        return climbs
    before, after = climbs.last[:-1], climbs.first[1:]
    dropouts = np.concatenate(([0], np.cumsum(low)))
    dropout = dropouts[after] > dropouts[before]
    fall_max_rpm = np.where(dropout, np.maximum(rule.fall_max_share * smooth[before], rule.fall_max_rpm), 0.0)
    fall_max_rpm = np.maximum(fall_max_rpm, rule.fall_max_rpm)
    parted = (
        (part[before] != part[after])
        | (time_s[after] - time_s[before] > rule.pause_max_s)
        | (smooth[before] - smooth[after] > fall_max_rpm)
    )
    return Runs(climbs.first[np.append(True, parted)], climbs.last[np.append(parted, True)])


def _limiter(batch: pl.DataFrame, rule: PullRule) -> Values:
    """At each sample, the engine speed of its log from which a cut is the limiter's."""
    log, engine = batch["nr"].to_numpy(), batch["engine_speed_rpm"].to_numpy()
    top = np.zeros(log.max(initial=0) + 1)
    np.maximum.at(top, log, engine)
    return top[log] - rule.limiter_margin_rpm


def _before_cuts(climbs: Runs, duty: Values, at_limiter: Flags, rule: PullRule) -> Runs:
    """Climbs that end before the fuel is cut for good: by the limiter, or by a shift that ends the climb."""
    rows, climb = spread(climbs)
    cuts = runs_of(duty[rows] < rule.dropout_duty_pct, changes(climb))
    last = climbs.last.copy()
    for first, end in zip(rows[cuts.first[::-1]], rows[cuts.last[::-1]], strict=True):  # the earliest decides
        own = np.searchsorted(climbs.last, end)
        before = duty[max(first - 2, climbs.first[own]) : first]
        fell = before.max(initial=0.0) >= rule.cut_from_duty_pct
        if fell and (end == climbs.last[own] or at_limiter[first : end + 1].any()):
            half_way = len(before) == 2 and before[1] < rule.falling_share * before[0]
            last[own] = max(first - 1 - half_way, climbs.first[own])
    return Runs(climbs.first, last)


def smoothed(time_s: Values, value: Values, stretch: Index, window_s: float) -> tuple[Values, Values]:
    """Slope and value of the line fitted around each sample in its stretch, `window_s` to each side.

    At least the neighbouring samples take part, however far. A stretch's are the same to the last bit whatever other
    stretches there are: a clock of whole microseconds, and sums that begin with each. [per s], [as value]
    """
    n = len(time_s)
    if not n:
        return np.zeros(0), np.zeros(0)
    begins = np.flatnonzero(changes(stretch))
    lengths = np.diff(np.append(begins, n))
    of_stretch = np.repeat(np.arange(len(begins)), lengths)
    t = time_s - np.repeat(time_s[begins], lengths)
    y = value - np.repeat(value[begins], lengths)
    clock_us, window_us = np.rint(1e6 * t).astype(np.int64), round(1e6 * window_s)
    clock_us += of_stretch * (clock_us.max() + 4 * window_us)
    here = np.arange(n)
    low = np.minimum(np.searchsorted(clock_us, clock_us - window_us), here - 1)
    high = np.maximum(np.searchsorted(clock_us, clock_us + window_us, "right"), here + 2)
    low = np.maximum(low, np.repeat(begins, lengths))
    high = np.minimum(high, np.repeat(begins + lengths, lengths))
    terms, sums = np.stack((t, y, t * t, t * y)), np.zeros((4, n + len(begins)))
    for k, (first, end) in enumerate(zip(begins, begins + lengths, strict=True), 1):  # a nought before each
        np.cumsum(terms[:, first:end], axis=1, out=sums[:, first + k : end + k])
    mean_t, mean_y, mean_tt, mean_ty = (sums[:, high + of_stretch] - sums[:, low + of_stretch]) / (high - low)
    variance = mean_tt - mean_t**2
    slope = np.divide(mean_ty - mean_t * mean_y, variance, out=np.zeros(n), where=variance > 1e-9)
    return slope, np.repeat(value[begins], lengths) + mean_y + slope * (t - mean_t)


def _one_gear(batch: pl.DataFrame, pulls: Pulls, rule: PullRule) -> Flags:
    """True where the gear is logged, or engine and vehicle speed keep their ratio, or nothing tells."""
    speed = batch["vehicle_speed_kmh"].fill_null(np.nan).to_numpy()
    engine, moving = batch["engine_speed_rpm"].to_numpy(), speed > 10
    known = np.concatenate(([0], np.cumsum(moving)))
    third = (known[pulls.rows.last + 1] - known[pulls.rows.first]) // 3
    steady = (pulls.gear > 0) | (third < 2)
    for i in np.flatnonzero(~steady):
        own = np.arange(pulls.rows.first[i], pulls.rows.last[i] + 1)
        own = own[moving[own]]
        ratio = engine[own] / speed[own]
        drift = np.median(ratio[-third[i] :]) / np.median(ratio[: third[i]]) - 1
        steady[i] = abs(drift) <= rule.ratio_drift_max
    return steady
