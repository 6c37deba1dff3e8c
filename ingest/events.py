"""Events within pulls: dropouts of the duty, rail pressure short of its target, lean mixture."""

from dataclasses import dataclass

import numpy as np
import polars as pl

from ingest.pulls import Pulls
from ingest.runs import Flags, Index, Runs, Values, changes, longest_s, runs_of, spread

_LOOK_MAX = 200  # samples


@dataclass(frozen=True)
class EventRule:
    """What counts as an event."""

    dropout_duty_pct: float = 20.0
    around_duty_pct: float = 50.0  # the duty before and after a dropout
    around_samples: int = 2  # falling and rising may take a sample each
    dropout_min_samples: int = 2
    dropout_min_s: float = 0.1
    after_s: float = 1.0  # past the pull's end, pedal still down: a dropout can end the climb
    limiter_margin_rpm: float = 150.0  # of the highest in the log: a cut, if the rail holds
    shift_fall_share: float = 0.12  # a cut after which engine speed has fallen further is a shift's
    shift_look_s: float = 0.6
    collapse_share: float = 0.85  # of target, or of the level before where that is lower
    collapse_look_s: float = 0.3
    deficit_share: float = 0.93
    deficit_min_s: float = 0.2
    deficit_grace_s: float = 0.8  # at tip-in; a rail lags behind its target
    target_lag_samples: int = 3
    lean_lambda: float = 0.98
    lean_pressure_kpa: float = 150.0
    lean_grace_s: float = 1.0  # at tip-in; the gas takes its time to the sensor
    recovery_s: float = 0.3  # after a dropout, until the rail has come back


@dataclass(frozen=True)
class Events:
    """What happened in each pull (an entry a pull), and what each sample of the pulls is worth.

    rows: the samples of all pulls, as indices into the batch; pull: which pull each belongs to.
    dip: sample of a dropout, of its falling or rising, or a single one between normal ones.
    settling: tip-in, or just after a dropout.
    Counts and durations are NaN where a channel is not logged.
    """

    rows: Index
    pull: Index
    dip: Flags
    settling: Flags
    dropouts: Index
    collapsing: Index
    dropout_rpm: Values
    rail_deficits: Values
    rail_deficit_s: Values
    rail_deficit_rpm: Values
    lean_s: Values


def find_events(batch: pl.DataFrame, pulls: Pulls, tip_in_s: float, rule: EventRule | None = None) -> Events:
    """Events in the pulls of a batch; the first `tip_in_s` after full pedal count as settling. [s]"""
    rule = rule or EventRule()
    drops = _dropouts(batch, pulls, rule)
    rows, pull = spread(pulls.rows)
    time_s = batch["time_s"].to_numpy()
    since_s = time_s[rows] - pulls.full_since_s[pull]
    dip = np.zeros(len(batch), dtype=bool)
    dip[spread(drops.dips)[0]] = True
    half_way = batch["pump_duty_pct"].to_numpy() < rule.around_duty_pct
    dip[1:-1] |= half_way[1:-1] & (dip[:-2] | dip[2:])
    count = len(pulls.log)
    return Events(
        rows,
        pull,
        dip[rows],
        (since_s < tip_in_s) | _recovering(time_s, drops.runs, rule.recovery_s)[rows],
        np.bincount(drops.pull, minlength=count),
        np.bincount(drops.pull[drops.collapsing], minlength=count),
        _first(drops.pull, batch["engine_speed_rpm"].to_numpy()[drops.before], count),
        *_rail_deficits(batch, rows, pull, since_s, count, rule),
        _lean_s(batch, rows, pull, since_s, count, rule),
    )


@dataclass(frozen=True)
class _Dropouts:
    """Dropouts of a batch, an entry each; runs and before (the sample before) are indices into the batch."""

    runs: Runs
    pull: Index
    before: Index
    collapsing: Flags
    dips: Runs  # with the single samples that are too short to be dropouts


def _dropouts(batch: pl.DataFrame, pulls: Pulls, rule: EventRule) -> _Dropouts:
    time_s, duty = batch["time_s"].to_numpy(), batch["pump_duty_pct"].to_numpy()
    engine = batch["engine_speed_rpm"].to_numpy()
    rows, pull = spread(Runs(pulls.rows.first, _watched_until(time_s, pulls, rule.after_s)))
    begins = changes(pull)
    low = runs_of(duty[rows] < rule.dropout_duty_pct, begins)
    fell = _near(duty[rows], pull, low.first, -1, rule) > rule.around_duty_pct
    rose = _near(duty[rows], pull, low.last, 1, rule) > rule.around_duty_pct
    dips = low.where(fell & rose)
    before, after = dips.first - 1, dips.last + 1  # inside, for the duty was high there
    runs, before_row = Runs(rows[dips.first], rows[dips.last]), rows[before]
    long = (dips.samples >= rule.dropout_min_samples) & (
        time_s[rows[after]] - time_s[runs.first] >= rule.dropout_min_s - 1e-6
    )
    log = batch["nr"].to_numpy()
    top = np.zeros(log.max(initial=0) + 1)
    np.maximum.at(top, log, engine)
    highest = np.maximum(engine[before_row], -_lowest(-engine, runs.first, runs.last))
    limiter = highest >= top[pulls.log[pull[before]]] - rule.limiter_margin_rpm
    look = _later(time_s, runs.last, rule.shift_look_s)
    shift = _lowest(engine, runs.first, look) < (1 - rule.shift_fall_share) * engine[before_row]
    until = np.minimum(_later(time_s, runs.last, rule.collapse_look_s), pulls.stretch_last[pull[before]])
    collapsing = _collapsing(batch, Runs(runs.first, until), before_row, rule)
    real = long & ~shift & (collapsing | ~limiter)
    return _Dropouts(runs.where(real), pull[before][real], before_row[real], collapsing[real], runs)


def _watched_until(time_s: Values, pulls: Pulls, after_s: float) -> Index:
    """Last row of each pull's watch: some time past its end, but before the next pull and before any lift."""
    last = np.minimum(_later(time_s, pulls.rows.last, after_s), pulls.stretch_last)
    last[:-1] = np.minimum(last[:-1], pulls.rows.first[1:] - 1)
    return last


def _later(time_s: Values, row: Index, after_s: float) -> Index:
    """Last row within `after_s` after each of `row`, of the same log."""
    last, going, until_s = row.copy(), np.arange(len(row)), time_s[row] + after_s
    for ahead in range(1, _LOOK_MAX):
        going = going[row[going] + ahead < len(time_s)]
        time = time_s[row[going] + ahead]
        going = going[(time <= until_s[going]) & (time >= time_s[row[going]])]
        if not len(going):
            break
        last[going] += 1
    return last


def _near(duty: Values, pull: Index, edge: Index, step: int, rule: EventRule) -> Values:
    """Highest duty of the next samples before (-1) or after (1) each edge, within its pull."""
    highest = np.full(len(edge), -np.inf)
    still = np.ones(len(edge), dtype=bool)  # the samples so far belong to the pull
    for k in range(1, rule.around_samples + 1):
        at = edge + k * step
        still &= (at >= 0) & (at < len(duty))
        at = np.clip(at, 0, max(len(duty) - 1, 0))
        still &= pull[at] == pull[edge]
        highest = np.where(still, np.maximum(highest, duty[at]), highest)
    return highest


def _collapsing(batch: pl.DataFrame, looks: Runs, before: Index, rule: EventRule) -> Flags:
    """True where, in a look, rail pressure falls clearly under its target and its level before."""
    rail = batch["rail_pressure_bar"].fill_null(np.nan).to_numpy()
    target = batch["rail_target_bar"].fill_null(np.nan).to_numpy()
    lowest = _lowest(rail, looks.first, looks.last)
    return lowest < rule.collapse_share * np.fmin(rail[before], target[before])


def _lowest(value: Values, first: Index, last: Index) -> Values:
    """Lowest of `value` from each of `first` to `last`; NaN where none is known."""
    return np.array([np.fmin.reduce(value[a : b + 1]) for a, b in zip(first, last, strict=True)], dtype=float)


def _recovering(time_s: Values, runs: Runs, recovery_s: float) -> Flags:
    """True for the samples just after each run."""
    after = np.zeros(len(time_s), dtype=bool)
    for last, until in zip(runs.last, _later(time_s, runs.last, recovery_s), strict=True):
        after[last + 1 : until + 1] = True
    return after


def _rail_deficits(
    batch: pl.DataFrame, rows: Index, pull: Index, since_s: Values, count: int, rule: EventRule
) -> tuple[Values, Values, Values]:
    """Number, duration and first engine speed of the stretches with the rail short of its target."""
    rail = batch["rail_pressure_bar"].fill_null(np.nan).to_numpy()[rows]
    target = batch["rail_target_bar"].fill_null(np.nan).to_numpy()[rows]
    begins, asked = changes(pull), target.copy()
    for lag in range(1, rule.target_lag_samples + 1):  # a target that has just risen is not asked for yet
        same = np.append(np.zeros(min(lag, len(pull)), dtype=bool), pull[lag:] == pull[:-lag])
        asked = np.where(same, np.fmin(asked, np.roll(target, lag)), asked)
    short = (rail < rule.deficit_share * asked) & (since_s >= rule.deficit_grace_s)
    time_s = batch["time_s"].to_numpy()[rows]
    ends_s = _ends(time_s, begins)
    runs = runs_of(short, begins)
    runs = runs.where((runs.samples >= 2) & (ends_s[runs.last] - time_s[runs.first] >= rule.deficit_min_s - 1e-6))
    of = pull[runs.first]
    logged = np.bincount(pull, np.isfinite(rail) & np.isfinite(target), count) > 0
    return (
        np.where(logged, np.bincount(of, minlength=count), np.nan),
        np.where(logged, np.bincount(of, ends_s[runs.last] - time_s[runs.first], count), np.nan),
        _first(of, batch["engine_speed_rpm"].to_numpy()[rows][runs.first], count),
    )


def _lean_s(batch: pl.DataFrame, rows: Index, pull: Index, since_s: Values, count: int, rule: EventRule) -> Values:
    """Longest stretch at or above the lean limit under load. [s]"""
    ratio = batch["lambda_ratio"].fill_null(np.nan).to_numpy()[rows]
    pressure = batch["manifold_pressure_kpa"].to_numpy()[rows]
    lean = (ratio >= rule.lean_lambda) & (pressure >= rule.lean_pressure_kpa)
    begins = changes(pull)
    time_s = batch["time_s"].to_numpy()[rows]
    runs = runs_of(lean & (since_s >= rule.lean_grace_s), begins)
    longest = longest_s(runs, pull, time_s, _ends(time_s, begins), count)
    return np.where(np.bincount(pull, np.isfinite(ratio), count) > 0, longest, np.nan)


def _ends(time_s: Values, begins: Flags) -> Values:
    """Until when each sample holds: the next sample of its pull. [s]"""
    return np.where(np.append(begins[1:], True), time_s, np.append(time_s[1:], 0.0))


def _first(group: Index, value: Values, groups: int) -> Values:
    """The first value of each group; NaN where a group has none."""
    first = np.full(groups, np.nan)
    first[group[::-1]] = value[::-1]
    return first
