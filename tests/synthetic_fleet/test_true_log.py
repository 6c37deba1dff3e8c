"""Every fault shows in what truly happens, and nothing else changes."""

from dataclasses import replace
from datetime import date

import numpy as np
import polars as pl
import pytest

from synthetic_fleet.cars import Car, draw_cars
from synthetic_fleet.driving import OVERRUN
from synthetic_fleet.duty_law import delivered_share, duty_share, healthy_leak_ml
from synthetic_fleet.faults import Fault, extra_share
from synthetic_fleet.true_log import TrueLog, lagged, true_log

SETTLED_S = 1.0


@pytest.fixture(scope="module")
def sound() -> Car:
    """A car without fault, well below its ceiling."""
    cars = draw_cars(40, 77, 0.0, "mixed")
    return next(c for c in cars if all(true_log(c, i).saturated_share == 0.0 for i in range(len(c.days))))


def with_fault(car: Car, kind: str, severity_pct: float = 0.0) -> Car:
    spell = replace(car.spells[0], fault=Fault(kind, severity_pct), since=None, until=None)
    return replace(car, spells=(spell,))


def pulls(log: TrueLog) -> pl.DataFrame:
    start = pl.col("time_s").min().over("pull")
    return log.frame.filter(pl.col("pull") > 0).filter(pl.col("time_s") > start + SETTLED_S)


@pytest.mark.parametrize(
    ("kind", "severity_pct"),
    [("worn", 12.0), ("starved", 20.0), ("leak", 15.0), ("drift", 18.0), ("hot_feed", 15.0)],
)
def test_a_fault_asks_for_as_much_more_volume_as_it_is_large(sound: Car, kind: str, severity_pct: float) -> None:
    car = with_fault(sound, kind, severity_pct)
    last = len(car.days) - 1
    before, after = true_log(with_fault(sound, ""), last).frame, true_log(car, last).frame
    rpm = before["engine_speed_rpm"].to_numpy()
    leak = healthy_leak_ml(car.spells[0].setup.pump, rpm)
    flows = before["asked_ml"].to_numpy() > 0.0
    more = (after["asked_ml"].to_numpy() - leak)[flows] / (before["asked_ml"].to_numpy() - leak)[flows] - 1.0
    expected = extra_share(car.spells[0].fault, rpm, car.days[last], before["heat"].to_numpy())
    np.testing.assert_allclose(more, expected[flows], atol=1e-9)
    assert more.max() > 0.01
    assert after["pump_duty_pct"].to_numpy()[flows].mean() > before["pump_duty_pct"].to_numpy()[flows].mean()


def test_feed_pressure_dips_when_starved_or_hot_but_not_when_worn(sound: Car) -> None:
    last = len(sound.days) - 1
    lowest = {
        kind: pulls(true_log(with_fault(sound, kind, size), last))["feed_pressure_bar"].min()
        for kind, size in (("", 0.0), ("worn", 20.0), ("starved", 25.0))
    }
    assert lowest["worn"] == lowest[""]
    assert lowest["starved"] < lowest[""] - 0.8  # type: ignore[operator]
    hot = true_log(with_fault(sound, "hot_feed", 20.0), last)
    plain = true_log(with_fault(sound, "", 0.0), last)
    dip = (plain.frame["feed_pressure_bar"] - hot.frame["feed_pressure_bar"]).to_numpy()
    heat = plain.frame["heat"].to_numpy()
    loaded = plain.frame["manifold_pressure_kpa"].to_numpy() > 160.0
    assert dip[loaded] == pytest.approx(2.2 * heat[loaded], abs=1e-9)


def test_sticking_drops_the_duty_and_the_rail_in_about_half_of_the_pulls(sound: Car) -> None:
    car = with_fault(sound, "sticking")
    days = tuple(date(2026, 7, 2 + i) for i in range(28))
    logs = [true_log(replace(car, days=days), i) for i in range(28)]
    shares, seconds = [], []
    for log in logs:
        for _, one in log.frame.filter(pl.col("pull") > 0).group_by("pull"):
            stuck = one.filter(pl.col("stuck"))
            shares.append(stuck.height > 0)
            if stuck.height:
                seconds.append(stuck.height / 50.0)
                assert stuck["pump_duty_pct"].max() < 10.0  # type: ignore[operator]
                collapse = stuck["rail_pressure_bar"] / stuck["rail_target_bar"]
                assert collapse.min() < 0.6  # type: ignore[operator]
    assert 0.18 <= min(seconds) <= max(seconds) <= 0.42
    # binomial with n = len(shares): four standard deviations
    assert np.mean(shares) == pytest.approx(0.5, abs=2.0 / np.sqrt(len(shares)))
    assert not any(true_log(sound, i).frame["stuck"].any() for i in range(len(sound.days)))


def test_a_healthy_rail_holds_and_lambda_stays_rich(sound: Car) -> None:
    for i in range(len(sound.days)):
        frame = pulls(true_log(sound, i))
        held = frame["rail_pressure_bar"] / frame["rail_target_bar"]
        assert held.min() > 0.93  # type: ignore[operator]
        assert frame["lambda_ratio"].max() < 0.98  # type: ignore[operator]


def test_out_of_volume_the_rail_falls_in_proportion_and_lambda_leans(sound: Car) -> None:
    car = with_fault(replace(sound, boost_tune=1.25), "worn", 45.0)
    setup = car.spells[0].setup
    frame = pulls(true_log(car, 0)).filter(pl.col("saturated"))
    assert frame.height > 50
    ceiling = setup.calibration.ceiling_pct
    assert set(frame["pump_duty_pct"].round(6)) == {ceiling}
    most = float(delivered_share(np.array(ceiling / 100.0), setup.pump.lobe))
    settled = frame.tail(40)
    short = most / settled["asked_share"].to_numpy()
    held = (settled["rail_pressure_bar"] / settled["rail_target_bar"]).to_numpy()
    assert held.mean() == pytest.approx(short.mean(), abs=0.03)
    plain = pulls(true_log(with_fault(sound, ""), 0))
    assert short.mean() < 0.85
    assert settled["lambda_ratio"].mean() > 1.03 * plain["lambda_ratio"].tail(40).mean()  # type: ignore[operator]


def test_duty_is_the_inverse_of_the_share_asked_for(sound: Car) -> None:
    frame = pulls(true_log(sound, 0))
    duty = 100.0 * duty_share(frame["asked_share"].to_numpy(), sound.spells[0].setup.pump.lobe)
    np.testing.assert_allclose(frame["pump_duty_pct"].to_numpy(), duty, atol=1e-9)


def test_fuel_is_cut_on_overrun_while_the_rail_holds(sound: Car) -> None:
    frame = true_log(sound, 0).frame.filter(pl.col("phase") == OVERRUN)
    assert frame["pump_duty_pct"].max() < 2.0  # type: ignore[operator]
    assert (frame["rail_pressure_bar"] / frame["rail_target_bar"]).min() > 0.8  # type: ignore[operator]


def test_idle_is_low_and_full_load_is_high(sound: Car) -> None:
    frame = true_log(sound, 0).frame
    idle = frame.filter(pl.col("phase") == 0)
    assert idle["manifold_pressure_kpa"].median() < 45.0  # type: ignore[operator]
    assert idle["pump_duty_pct"].median() < 30.0  # type: ignore[operator]
    assert pulls(true_log(sound, 0))["manifold_pressure_kpa"].max() > 200.0  # type: ignore[operator]


def test_logs_and_pulls_scatter_as_declared() -> None:
    logs = []
    for car in draw_cars(60, 31, 0.0, "straight"):
        for i in range(len(car.days)):
            frame = pulls(true_log(car, i)).filter(pl.col("asked_ml") > 0.0)
            leak = healthy_leak_ml(car.spell(car.days[i]).setup.pump, frame["engine_speed_rpm"].to_numpy())
            error = np.log((frame["asked_ml"].to_numpy() - leak) / frame["fuel_ml"].to_numpy()) - frame["own_log"]
            means = frame.select("pull", error=error).group_by("pull").agg(pl.col("error").mean())["error"]
            logs.append(means.to_numpy())
    within = np.sqrt(np.mean([m.var(ddof=1) for m in logs if len(m) > 1]))
    # 0.8 % a pull and what of 1 % sample noise is left in a mean of some seconds
    assert within == pytest.approx(0.0085, abs=0.0012)
    several = np.array([m.mean() for m in logs])
    assert several.std() == pytest.approx(0.0105, abs=0.0018)


def test_a_barometer_differs_between_days_and_not_within_one() -> None:
    car = draw_cars(5, 1, 0.0, "mixed")[0]
    days = (date(2026, 7, 3), date(2026, 7, 3), date(2026, 8, 9))
    car = replace(car, days=days, spells=(replace(car.spells[0], since=None, until=None),))
    first, again, later = (float(true_log(car, i).frame["barometric_pressure_kpa"][0]) for i in range(3))
    assert first == again
    assert first != later


def test_a_lag_settles_without_overshoot() -> None:
    step = lagged(np.r_[np.zeros(10), np.ones(200)], 0.2)
    assert step[:10].tolist() == [0.0] * 10
    assert float(step[10 + 9]) == pytest.approx(1 - np.exp(-1.0), abs=1e-6)  # after one time constant
    assert np.all(np.diff(step) >= 0.0)
