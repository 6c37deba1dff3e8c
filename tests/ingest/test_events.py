"""Events as made: dropouts counted, cuts not, rails that collapse told from rails that hold."""

import math
from types import ModuleType

import numpy as np
import pytest
from forms import batch

from ingest.events import EventRule, Events, find_events
from ingest.pulls import Pulls, find_pulls

RATE_HZ = 10.0
FIRST = 81  # a sample well inside the first pull of `drive`, which begins at 80


@pytest.fixture
def log(made_up: ModuleType) -> dict[str, np.ndarray]:
    return made_up.drive(np.random.default_rng(1), rate_hz=RATE_HZ, pulls=1, pull_s=8.0)


def events(log: dict[str, np.ndarray]) -> Events:
    whole = batch(log)
    return find_events(whole, find_pulls(whole), 0.3)


def test_a_healthy_pull_has_none(log: dict[str, np.ndarray]) -> None:
    found = events(log)
    assert found.dropouts.tolist() == found.collapsing.tolist() == [0]
    assert found.rail_deficits.tolist() == found.rail_deficit_s.tolist() == found.lean_s.tolist() == [0.0]
    assert math.isnan(found.dropout_rpm[0])


@pytest.mark.parametrize(("samples", "dropouts"), [(1, 0), (2, 1), (5, 1), (9, 1)])
def test_a_dropout_lasts_two_samples_and_a_tenth_of_a_second(
    log: dict[str, np.ndarray], samples: int, dropouts: int
) -> None:
    log["pump_duty_pct"][FIRST + 30 : FIRST + 30 + samples] = 4.0
    found = events(log)
    assert found.dropouts.tolist() == [dropouts]
    assert np.flatnonzero(found.dip).size == samples
    if dropouts:
        assert found.dropout_rpm[0] == log["engine_speed_rpm"][FIRST + 29]


def test_at_25_a_second_two_samples_are_too_short(made_up: ModuleType) -> None:
    for samples, dropouts in ((2, 0), (3, 1)):
        fast = made_up.drive(np.random.default_rng(1), rate_hz=25.0, pulls=1, pull_s=8.0)
        fast["pump_duty_pct"][300 : 300 + samples] = 4.0
        assert events(fast).dropouts.tolist() == [dropouts]


def test_falling_and_rising_may_take_a_sample_each(log: dict[str, np.ndarray]) -> None:
    log["pump_duty_pct"][FIRST + 30 : FIRST + 35] = [35, 5, 5, 5, 30]
    found = events(log)
    assert found.dropouts.tolist() == [1]
    assert np.flatnonzero(found.dip).size == 5


def test_a_duty_that_was_low_before_is_no_dropout(log: dict[str, np.ndarray]) -> None:
    log["pump_duty_pct"][FIRST : FIRST + 30] = 40.0
    log["pump_duty_pct"][FIRST + 30 : FIRST + 34] = 5.0
    assert events(log).dropouts.tolist() == [0]


def test_the_limiters_cut_is_no_dropout(log: dict[str, np.ndarray]) -> None:
    peak = int(log["engine_speed_rpm"].argmax())
    log["pump_duty_pct"][peak - 3 : peak] = 2.0
    assert events(log).dropouts.tolist() == [0]


def test_a_cut_at_the_limiter_with_the_rail_collapsing_is_a_dropout(log: dict[str, np.ndarray]) -> None:
    peak = int(log["engine_speed_rpm"].argmax())
    log["pump_duty_pct"][peak - 4 : peak - 1] = 2.0
    log["rail_pressure_bar"][peak - 3 : peak] = 70.0
    found = events(log)
    assert (found.dropouts.tolist(), found.collapsing.tolist()) == ([1], [1])


def test_what_follows_the_limiters_cut_is_not_lean(log: dict[str, np.ndarray]) -> None:
    peak = int(log["engine_speed_rpm"].argmax())
    log["pump_duty_pct"][peak - 3 : peak - 1] = 2.0
    log["lambda_ratio"][peak - 3 : peak + 1] = 1.4
    assert events(log).lean_s.tolist() == [0.0]


def test_a_rail_that_falls_with_the_pedal_has_not_collapsed(log: dict[str, np.ndarray]) -> None:
    last = int(np.flatnonzero(log["pedal_pct"] > 95)[-1])
    log["engine_speed_rpm"][90] += 900  # elsewhere in the log, so that this is not the limiter
    log["pump_duty_pct"][last - 4 : last - 1] = 2.0
    log["rail_pressure_bar"][last + 1 :] = 60.0
    found = events(log)
    assert found.collapsing.tolist() == [0]


def test_a_shifts_cut_is_no_dropout(log: dict[str, np.ndarray]) -> None:
    at = FIRST + 55
    log["pump_duty_pct"][at : at + 3] = 2.0
    log["engine_speed_rpm"][at : at + 24] = np.linspace(4000, 4900, 24)
    found = events(log)
    assert found.dropouts.sum() == 0


def test_a_dropout_that_ends_the_climb_counts(log: dict[str, np.ndarray]) -> None:
    at = FIRST + 60
    log["pump_duty_pct"][at : at + 4] = 2.0
    log["engine_speed_rpm"][at : at + 19] = log["engine_speed_rpm"][at - 1] - 300.0
    log["engine_speed_rpm"][95] += 900  # elsewhere in the log, so that this is not the limiter
    assert events(log).dropouts.sum() == 1


@pytest.mark.parametrize(("rail_bar", "collapsing"), [(60.0, 1), (150.0, 1), (188.0, 0)])
@pytest.mark.parametrize("target", [True, False])
def test_collapsing_rails(log: dict[str, np.ndarray], rail_bar: float, collapsing: int, target: bool) -> None:
    log["pump_duty_pct"][FIRST + 30 : FIRST + 33] = 4.0
    log["rail_pressure_bar"][FIRST + 32 : FIRST + 35] = rail_bar
    if not target:
        del log["rail_target_bar"]
    found = events(log)
    assert (found.dropouts.tolist(), found.collapsing.tolist()) == ([1], [collapsing])


def test_without_rail_pressure_nothing_is_said_of_it(log: dict[str, np.ndarray]) -> None:
    del log["rail_pressure_bar"], log["lambda_ratio"]
    log["pump_duty_pct"][FIRST + 30 : FIRST + 33] = 4.0
    found = events(log)
    assert (found.dropouts.tolist(), found.collapsing.tolist()) == ([1], [0])
    assert all(math.isnan(value[0]) for value in (found.rail_deficits, found.rail_deficit_s, found.lean_s))


@pytest.mark.parametrize(("samples", "deficits"), [(1, 0), (2, 1), (7, 1)])
def test_rail_deficit_lasts_a_fifth_of_a_second(log: dict[str, np.ndarray], samples: int, deficits: int) -> None:
    log["rail_pressure_bar"][FIRST + 40 : FIRST + 40 + samples] = 0.9 * 195
    found = events(log)
    assert found.rail_deficits.tolist() == [deficits]
    assert found.rail_deficit_s[0] == pytest.approx(samples / RATE_HZ if deficits else 0.0)


def test_a_rail_that_lags_at_tip_in_is_no_deficit(log: dict[str, np.ndarray]) -> None:
    log["rail_pressure_bar"][80:86] = [90, 110, 130, 150, 170, 180]
    assert events(log).rail_deficits.tolist() == [0]


def test_a_target_that_has_just_risen_is_not_asked_for_yet(log: dict[str, np.ndarray]) -> None:
    log["rail_pressure_bar"][FIRST + 20 :] = 250.0
    log["rail_pressure_bar"][FIRST + 20 : FIRST + 23] = [200, 220, 235]
    log["rail_target_bar"][FIRST + 20 :] = 250.0
    assert events(log).rail_deficits.tolist() == [0]


def test_lean_under_load(log: dict[str, np.ndarray]) -> None:
    log["lambda_ratio"][FIRST + 40 : FIRST + 45] = 1.02
    log["lambda_ratio"][FIRST + 50 : FIRST + 52] = 1.02
    log["lambda_ratio"][80:85] = 1.3  # at tip-in the gas is still on its way
    assert events(log).lean_s[0] == pytest.approx(0.5)
    log["manifold_pressure_kpa"][FIRST + 40 : FIRST + 45] = 140.0
    assert events(log).lean_s[0] == pytest.approx(0.2)


def plain_dropouts(log: dict[str, np.ndarray], pulls: Pulls, rule: EventRule) -> list[int]:
    """Dropouts counted sample by sample, as the rule reads."""
    duty, time_s = log["pump_duty_pct"], log["time_s"]
    counts = []
    for number, (first, last) in enumerate(zip(pulls.rows.first, pulls.rows.last, strict=True)):
        end = last
        while end < pulls.stretch_last[number] and time_s[end + 1] <= time_s[last] + rule.after_s:
            end += 1
        count, i = 0, first
        while i <= end:
            j = i
            while j <= end and duty[j] < rule.dropout_duty_pct:
                j += 1
            before = [duty[k] for k in (i - 1, i - 2) if k >= first]
            after = [duty[k] for k in (j, j + 1) if k <= end]
            around = bool(before) and bool(after) and max(before) > 50 and max(after) > 50
            if j - i >= 2 and around and time_s[j] - time_s[i] >= 0.1 - 1e-6:
                limiter = log["engine_speed_rpm"][i - 1 : j].max() >= log["engine_speed_rpm"].max() - 150
                count += not limiter
            i = max(j, i + 1)
        counts.append(count)
    return counts


def test_many_dropouts_counted_as_a_plain_loop_counts_them(made_up: ModuleType) -> None:
    logs = []
    for seed in range(25):
        rng = np.random.default_rng(seed)
        log = made_up.drive(rng, rate_hz=rng.choice([8, 10, 20]), pulls=2, pull_s=8.0, part_load=False)
        for _ in range(12):
            at = rng.integers(0, len(log["time_s"]) - 6)
            log["pump_duty_pct"][at : at + rng.integers(1, 5)] = rng.uniform(0, 40)
        logs.append(log)
    whole = batch(*logs)
    pulls = find_pulls(whole)
    counted = find_events(whole, pulls, 0.3).dropouts
    expected = []
    for log in logs:
        alone = find_pulls(batch(log))
        expected += plain_dropouts(log, alone, EventRule())
    assert counted.tolist() == expected
    assert sum(expected) > 20
