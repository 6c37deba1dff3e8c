"""Pulls found as made, at every rate and noise a recorder has; what is no pull is not found."""

from types import ModuleType

import numpy as np
import pytest
from forms import batch
from hypothesis import given
from hypothesis import strategies as st

from ingest.pulls import PullRule, find_pulls, smoothed


def climb(
    seconds: float, start_rpm: float, end_rpm: float, *, rate_hz: float = 10.0, pedal_pct: float = 100.0
) -> dict[str, np.ndarray]:
    """Two seconds with the pedal up, a climb with the pedal at `pedal_pct`, two seconds up."""
    n, idle = int(seconds * rate_hz) + 1, int(2 * rate_hz)
    engine = np.concatenate(
        (np.full(idle, start_rpm), np.linspace(start_rpm, end_rpm, n), np.linspace(end_rpm, start_rpm, idle))
    )
    down = np.concatenate((np.zeros(idle), np.ones(n), np.zeros(idle)))
    return {
        "time_s": np.arange(len(engine)) / rate_hz,
        "engine_speed_rpm": engine,
        "pump_duty_pct": 10 + 60 * down,
        "manifold_pressure_kpa": 60 + 140 * down,
        "pedal_pct": pedal_pct * down,
    }


def count(*logs: dict[str, np.ndarray]) -> list[int]:
    return np.bincount(find_pulls(batch(*logs)).log, minlength=len(logs)).tolist()


@pytest.mark.parametrize("rate_hz", [5, 8, 10, 15, 25])
@pytest.mark.parametrize(("noise_rpm", "step_rpm"), [(0, 1), (15, 1), (8, 25), (4, 50)])
@pytest.mark.parametrize("pedal_top_pct", [78, 88, 100])
@pytest.mark.parametrize("pull_s", [3.0, 6.0, 14.0])
def test_every_pull_is_found_whole(
    made_up: ModuleType, rate_hz: float, noise_rpm: float, step_rpm: float, pedal_top_pct: float, pull_s: float
) -> None:
    log = made_up.drive(
        np.random.default_rng(7),
        rate_hz=rate_hz,
        pulls=3,
        pedal_top_pct=pedal_top_pct,
        noise_rpm=noise_rpm,
        step_rpm=step_rpm,
        pull_s=pull_s,
    )
    pulls = find_pulls(batch(log))
    made = np.flatnonzero(np.diff((log["pedal_pct"] > 0.9 * pedal_top_pct).astype(int), prepend=0) == 1)
    assert len(pulls.log) == 3
    slack = 0.35 * rate_hz + 1  # samples
    assert np.abs(pulls.rows.first - made).max() <= slack
    assert np.abs(pulls.rows.last - (made + pull_s * rate_hz - 1)).max() <= slack


@pytest.mark.parametrize(
    ("seconds", "rise_rpm", "found"),
    [(2.0, 1500, 1), (1.8, 2500, 0), (4.0, 1400, 0), (4.0, 1550, 1), (20.0, 2000, 1)],
)
def test_a_pull_lasts_two_seconds_and_climbs_1500(seconds: float, rise_rpm: float, found: int) -> None:
    assert count(climb(seconds, 2500, 2500 + rise_rpm)) == [found]


@pytest.mark.parametrize(("pedal_pct", "found"), [(100, 1), (78, 1), (66, 1), (60, 0)])
def test_full_pedal_is_the_logs_own_and_at_least_65(pedal_pct: float, found: int) -> None:
    assert count(climb(4.0, 2500, 5500, pedal_pct=pedal_pct)) == [found]


def test_part_load_in_a_log_that_shows_the_full_pedal() -> None:
    full, part = climb(4.0, 2500, 5500), climb(4.0, 2500, 5500, pedal_pct=90)
    both = {name: np.concatenate((full[name], part[name])) for name in full}
    both["time_s"] = np.arange(len(both["pedal_pct"])) / 10
    assert count(both) == [1]


def test_one_false_reading_of_the_pedal_sets_no_scale() -> None:
    log = climb(4.0, 2500, 5500, pedal_pct=78)
    log["pedal_pct"][3] = 100.0
    assert count(log) == [1]


def test_throttle_then_pressure_where_the_pedal_is_not_logged() -> None:
    by_throttle = climb(4.0, 2500, 5500)
    by_throttle["throttle_pct"] = by_throttle.pop("pedal_pct")
    by_pressure = climb(4.0, 2500, 5500)
    del by_pressure["pedal_pct"]
    closed = climb(4.0, 2500, 5500)
    closed["pedal_pct"] *= 0.5
    assert count(by_throttle, by_pressure, closed) == [1, 1, 0]


def test_a_lift_ends_a_pull() -> None:
    log = climb(6.0, 2000, 6200)
    log["pedal_pct"][50:54] = 20.0
    assert count(log) == [2]


def shifted(fall_rpm: float) -> dict[str, np.ndarray]:
    """Pedal down throughout, a shift up in the middle that takes 0.3 s."""
    log = climb(8.0, 3000, 6000)
    low = 6000 - fall_rpm
    log["engine_speed_rpm"][20:101] = np.concatenate(
        (np.linspace(3000, 6000, 40), np.linspace(6000, low, 3), np.linspace(low, low + 1600, 38))
    )
    return log


def test_a_shift_parts_two_pulls_with_and_without_a_gear_channel() -> None:
    plain, with_gear = shifted(1300), shifted(1300)
    with_gear["gear"] = np.where(np.arange(len(with_gear["time_s"])) < 62, 3.0, 4.0)
    assert count(plain, with_gear) == [2, 2]
    assert find_pulls(batch(with_gear)).gear.tolist() == [3, 4]
    assert find_pulls(batch(plain)).gear.tolist() == [0, 0]


def test_a_shift_down_at_the_start_is_not_part_of_the_pull() -> None:
    log = climb(6.0, 4000, 6500)
    log["engine_speed_rpm"][20:23] = [2000, 2600, 3600]
    log["engine_speed_rpm"][:20] = 2000
    pulls = find_pulls(batch(log))
    assert len(pulls.log) == 1
    assert log["engine_speed_rpm"][pulls.rows.first[0]] >= 3600


def test_a_slipping_clutch_is_no_gear() -> None:
    steady, slipping = climb(4.0, 2500, 5500), climb(4.0, 2500, 5500)
    steady["vehicle_speed_kmh"] = steady["engine_speed_rpm"] / 45
    slipping["vehicle_speed_kmh"] = np.full(len(slipping["time_s"]), 60.0)
    assert count(steady, slipping) == [1, 0]


@pytest.mark.parametrize("samples", [2, 4, 8])
@pytest.mark.parametrize("fall_rpm", [0, 200])
def test_an_interruption_of_the_pump_does_not_end_a_pull(samples: int, fall_rpm: float) -> None:
    log = climb(8.0, 2000, 6000)
    at = slice(60, 60 + samples)
    log["pump_duty_pct"][at] = 3.0
    log["engine_speed_rpm"][at] = np.linspace(
        log["engine_speed_rpm"][59], log["engine_speed_rpm"][59] - fall_rpm, samples
    )
    log["engine_speed_rpm"][60 + samples : 101] = np.linspace(
        log["engine_speed_rpm"][59 + samples] + 50, 6000, 41 - samples
    )
    assert count(log) == [1]


def test_a_pump_so_large_that_it_never_works_hard() -> None:
    log = climb(6.0, 2000, 6000)
    log["pump_duty_pct"] = 2 + 0.08 * (log["manifold_pressure_kpa"] - 60)
    pulls = find_pulls(batch(log))
    assert (pulls.rows.last - pulls.rows.first).tolist() == pytest.approx([60], abs=4)


def test_a_pull_ends_before_the_limiter_cuts() -> None:
    log = climb(6.0, 2000, 6500)
    log["pump_duty_pct"][77:80] = [35.0, 2.0, 2.0]
    assert find_pulls(batch(log)).rows.last.tolist() == [76]


def test_a_gap_in_the_log_ends_a_pull() -> None:
    log = climb(8.0, 2000, 6400)
    log["time_s"][60:] += 2.0
    assert count(log) == [2]


def test_the_rule_can_be_changed() -> None:
    log = batch(climb(4.0, 2500, 3700))
    assert len(find_pulls(log).log) == 0
    assert len(find_pulls(log, PullRule(climb_min_rpm=1000)).log) == 1


def test_nothing_in_nothing_out() -> None:
    assert len(find_pulls(batch(climb(4.0, 2500, 5500)).clear()).log) == 0


def test_the_fitted_line_is_that_of_a_plain_least_squares_fit() -> None:
    # numpy.polyfit, one window at a time
    rng = np.random.default_rng(3)
    stretch = np.repeat([0, 1, 2, 3], [40, 1, 2, 77])
    time_s = np.concatenate([rng.uniform(0, 50) + np.cumsum(rng.uniform(0.02, 0.4, n)) for n in (40, 1, 2, 77)])
    value = 3000 + 400 * time_s + rng.normal(0, 30, len(time_s))
    slope, fitted = smoothed(time_s, value, stretch, 0.3)
    for i in range(len(time_s)):
        own = np.flatnonzero(stretch == stretch[i])
        near = own[(np.abs(time_s[own] - time_s[i]) <= 0.3) | (np.abs(own - i) <= 1)]
        near = np.arange(near.min(), near.max() + 1)
        if len(near) < 2:
            assert (slope[i], fitted[i]) == (0.0, value[i])
            continue
        expected = np.polyfit(time_s[near] - time_s[i], value[near], 1)
        assert slope[i] == pytest.approx(expected[0], rel=1e-6, abs=1e-6)
        assert fitted[i] == pytest.approx(expected[1], rel=1e-9)


def test_a_batch_gives_what_each_log_gives_alone(made_up: ModuleType) -> None:
    logs = [made_up.drive(np.random.default_rng(i), rate_hz=5 + 3 * i, noise_rpm=12) for i in range(6)]
    together = find_pulls(batch(*logs))
    first = 0
    for nr, log in enumerate(logs):
        alone, own = find_pulls(batch(log)), together.where(together.log == nr)
        assert (alone.rows.first + first).tolist() == own.rows.first.tolist()
        assert (alone.rows.last + first).tolist() == own.rows.last.tolist()
        first += len(log["time_s"])


@given(seed=st.integers(0, 10_000), before=st.integers(1, 2_000))
def test_a_stretch_is_smoothed_the_same_to_the_last_bit_whatever_lies_before_it(seed: int, before: int) -> None:
    rng = np.random.default_rng(seed)
    time_s = np.round(57.1 + np.arange(80) * 0.05, 3)  # a window's edge falls on samples
    speed = 2500 + 900 * (time_s - time_s[0]) + rng.normal(0, 5, 80)
    earlier_s, earlier = np.cumsum(rng.uniform(0.01, 0.2, before)), rng.uniform(800, 7000, before)
    alone = smoothed(time_s, speed, np.zeros(80, dtype=np.intp), 0.2)
    stretch = np.repeat(np.arange(2), (before, 80))
    among = smoothed(np.append(earlier_s, time_s), np.append(earlier, speed), stretch, 0.2)
    for one, other in zip(alone, among, strict=True):
        assert np.array_equal(one, other[before:])
