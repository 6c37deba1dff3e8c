"""What truly happens in one drive: air, fuel, pump, rail. No sensor has touched it yet."""

from dataclasses import dataclass
from datetime import date

import numpy as np
import polars as pl
from numpy.typing import NDArray
from scipy.signal import lfilter

from synthetic_fleet.cars import Car, Healthy, Spell
from synthetic_fleet.driving import OVERRUN, PULL, RATE_HZ, SHIFT, Drive, drive
from synthetic_fleet.duty_law import (
    PORT_SHARE,
    air_mass_g,
    delivered_share,
    duty_share,
    fuel_volume_ml,
    full_boost_kpa,
    healthy_leak_ml,
    pump_capacity_ml,
    shape,
)
from synthetic_fleet.faults import extra_share
from synthetic_fleet.setups import ENGINE_KNOTS_RPM, Floats

DAY_PRESSURE_SD_KPA = 0.8
FEED_BAR = 5.2
RAIL_LAG_S, RAIL_EMPTIES_S = 0.12, 0.16


@dataclass(frozen=True)
class TrueLog:
    """One drive of a car. frame: RATE_HZ rows a second; `heat` a value a pull, 0 cold to 1 hot."""

    car: Car
    day: date
    number: int  # of the day, from 1
    spell: Spell
    ethanol_pct: float
    heat: tuple[float, ...]
    saturated_share: float  # of the full-load samples, duty at its ceiling
    frame: pl.DataFrame


def true_log(car: Car, index: int) -> TrueLog:
    """The car's log number `index` (from 0), always the same."""
    day = car.days[index]
    spell = car.spell(day)
    rng = np.random.default_rng((*car.key, 2, index))
    pulls = int(rng.choice((1, 2, 3, 4), p=(0.12, 0.33, 0.38, 0.17)))
    road = drive(spell.setup.engine, pulls, rng)
    ethanol = float(np.clip(car.ethanol_pct + rng.normal(0.0, 0.04 * car.ethanol_pct), 0.0, 90.0))
    air = _air(car, spell, road, rng, day)
    fuel = _fuel(car, spell, road, air, ethanol, rng, day)
    pump = _pump(spell, road, air, fuel, rng, day)
    heat = tuple(float(fuel["heat"][road.pull == n].mean()) for n in range(1, pulls + 1))
    plain = {
        "time_s": road.time_s,
        "engine_speed_rpm": road.engine_speed_rpm,
        "pedal_share": road.pedal_share,
        "gear": road.gear,
        "phase": road.phase,
        "pull": road.pull,
    }
    number = 1 + sum(d == day for d in car.days[:index])
    saturated = float(pump["saturated"][road.pull > 0].mean())
    frame = pl.DataFrame({**plain, **air, **fuel, **pump})
    return TrueLog(car, day, number, spell, ethanol, heat, saturated, frame)


def lagged(values: Floats, seconds: float) -> Floats:
    """First-order lag on the grid of the true log, settled at the first value."""
    keep = float(np.exp(-1.0 / (seconds * RATE_HZ)))
    smooth, _ = lfilter([1.0 - keep], [1.0, -keep], values, zi=[keep * values[0]])
    return np.asarray(smooth)


def _wander(rng: np.random.Generator, count: int, sd: float, seconds: float) -> Floats:
    """Noise that keeps for about `seconds`, of standard deviation `sd`."""
    keep = float(np.exp(-1.0 / (seconds * RATE_HZ)))
    return np.asarray(lfilter([sd * np.sqrt(1.0 - keep**2)], [1.0, -keep], rng.normal(size=count)))


def _air(car: Car, spell: Spell, road: Drive, rng: np.random.Generator, day: date) -> dict[str, Floats]:
    rpm, count = road.engine_speed_rpm, len(road.pull)
    weather = np.random.default_rng((*car.key, 3, day.toordinal()))
    barometer = car.barometer_kpa + weather.normal(0.0, DAY_PRESSURE_SD_KPA)
    ambient_c = (
        23.0 + 6.0 * np.sin((day.timetuple().tm_yday - 105) / 365.0 * 2 * np.pi) - 5.0 + weather.normal(0.0, 3.5)
    )
    opened = np.clip(road.pedal_share / 0.95, 0.0, 1.0)
    target = car.boost_tune * full_boost_kpa(spell.setup, rpm) * (1.0 + _wander(rng, count, 0.008, 0.5))
    throttled = np.minimum(barometer, 30.0 + (barometer - 24.0) * np.minimum(1.0, 1.4 * opened) ** 0.8)
    boost = lagged(target * np.clip((opened - 0.35) / 0.6, 0.0, 1.0), spell.setup.boost_hardware.spool_s)
    boost = np.where(throttled >= barometer - 1.0, boost, 0.0)
    manifold = lagged(np.where(road.phase == OVERRUN, 24.0, throttled), 0.08) + lagged(boost, 0.06)
    warm = np.clip(road.time_s / 150.0, 0.0, 1.0) * rng.uniform(2.0, 9.0)
    intake_c = ambient_c + rng.uniform(7.0, 13.0) + warm + lagged(np.where(road.phase == PULL, 7.0, 0.0), 6.0)
    return {
        "barometric_pressure_kpa": np.full(count, barometer),
        "manifold_pressure_kpa": manifold * (1.0 + _wander(rng, count, 0.003, 0.08)),
        "boost_target_kpa": target * np.clip((opened - 0.35) / 0.6, 0.0, 1.0),
        "intake_air_c": intake_c,
        "ambient_c": np.full(count, ambient_c),
        "coolant_c": np.full(count, 91.0) + _wander(rng, count, 1.5, 20.0),
    }


def _fuel(
    car: Car,
    spell: Spell,
    road: Drive,
    air: dict[str, Floats],
    ethanol: float,
    rng: np.random.Generator,
    day: date,
) -> dict[str, Floats]:
    """Fuel the engine asks the high side for, and how much more this pump needs for it."""
    rpm, count, engine = road.engine_speed_rpm, len(road.pull), spell.setup.engine
    spread = Healthy()
    loaded = np.clip((air["manifold_pressure_kpa"] - 105.0) / 50.0, 0.0, 1.0)
    rich = 1.0 - np.interp(rpm, ENGINE_KNOTS_RPM, engine.lambda_full) - car.lambda_offset
    wanted = 1.0 - rich * loaded + _wander(rng, count, 0.004, 0.2)
    fuel_c = air["ambient_c"] + rng.uniform(6.0, 13.0) + np.clip(road.time_s / 150.0, 0.0, 1.0) * rng.uniform(3.0, 10.0)
    heat = np.clip((fuel_c - 31.0) / 12.0, 0.0, 1.0)
    charge_c = air["intake_air_c"] + 0.15 * (air["coolant_c"] - air["intake_air_c"])
    drawn = air_mass_g(engine, rpm, air["manifold_pressure_kpa"], charge_c)
    volume = fuel_volume_ml(drawn, wanted, ethanol, fuel_c) * (1.0 - PORT_SHARE * spell.setup.port_injection)
    cut = (road.phase == OVERRUN) | (road.phase == SHIFT)
    own = shape(rpm, spell.level, spell.tilt, spell.bow)
    error = rng.normal(0.0, spread.log) + rng.normal(0.0, spread.pull, int(road.pull.max()) + 1)[road.pull]
    error = error + _wander(rng, count, spread.sample, 0.15)
    extra = np.log1p(extra_share(spell.fault, rpm, day, heat))
    feed_dip = spell.fault.severity_pct / 100.0 * heat * loaded * 11.0 if spell.fault.kind == "hot_feed" else 0.0
    starved_dip = 6.0 * (np.exp(extra) - 1.0) * loaded if spell.fault.kind == "starved" else 0.0
    return {
        "lambda_wanted": wanted,
        "ethanol_pct": np.full(count, ethanol),
        "fuel_c": fuel_c,
        "heat": heat,
        "air_mass_g_s": drawn * rpm / 120.0,
        "fuel_ml": np.where(cut, 0.0, volume),
        "own_log": own,
        "fault_log": extra,
        "asked_ml": np.where(cut, 0.0, volume * np.exp(own + error + extra) + healthy_leak_ml(spell.setup.pump, rpm)),
        "feed_pressure_bar": FEED_BAR - 0.5 * loaded - feed_dip - starved_dip + _wander(rng, count, 0.06, 0.3),
    }


def _pump(
    spell: Spell,
    road: Drive,
    air: dict[str, Floats],
    fuel: dict[str, Floats],
    rng: np.random.Generator,
    day: date,
) -> dict[str, Floats]:
    """Duty, its ceiling, and what the rail does when the pump gives less than is asked."""
    rpm, setup = road.engine_speed_rpm, spell.setup
    load = np.clip((air["manifold_pressure_kpa"] - 40.0) / 120.0, 0.0, 1.0)
    target = lagged(setup.engine.rail_idle_bar + (setup.engine.rail_full_bar - setup.engine.rail_idle_bar) * load, 0.2)
    share = fuel["asked_ml"] / pump_capacity_ml(setup.pump, setup.engine, rpm, target)
    ceiling = setup.calibration.ceiling_pct
    duty = np.minimum(100.0 * duty_share(share, setup.pump.lobe), ceiling)
    most = float(delivered_share(np.array(ceiling / 100.0), setup.pump.lobe))
    covered = np.where(share > most, most / np.maximum(share, 1e-9), 1.0)
    duty = np.where(fuel["asked_ml"] > 0.0, np.maximum(duty, 2.5), 0.8)
    stuck = _sticking(spell, road, rng, day)
    duty = np.where(stuck, rng.uniform(1.0, 6.0), duty)
    rail = target * lagged(covered, RAIL_LAG_S) * lagged(np.where(stuck, 0.15, 1.0), RAIL_EMPTIES_S)
    short = np.clip(1.0 - rail / target, 0.0, 0.7)
    lean = 1.0 + np.clip(short - 0.08, 0.0, 0.45)
    return {
        "pump_duty_pct": duty,
        "rail_target_bar": target,
        "rail_pressure_bar": rail + _wander(rng, len(rpm), 1.2, 0.04),
        "lambda_ratio": np.where(fuel["asked_ml"] > 0.0, fuel["lambda_wanted"] * lagged(lean, 0.1), 1.9),
        "asked_share": share,
        "saturated": share >= most,
        "stuck": stuck,
    }


def _sticking(spell: Spell, road: Drive, rng: np.random.Generator, day: date) -> NDArray[np.bool_]:
    """True where delivery stops: 0.2 to 0.4 s, once, in about half of the pulls."""
    stuck = np.zeros(len(road.pull), dtype=bool)
    for number in range(1, int(road.pull.max()) + 1):
        happens, where, seconds = rng.uniform() < 0.5, rng.uniform(0.3, 0.85), rng.uniform(0.2, 0.4)
        if spell.fault.kind == "sticking" and day >= spell.fault.since and happens:
            rows = np.flatnonzero(road.pull == number)
            first = int(rows[int(where * len(rows))])
            stuck[first : first + round(seconds * RATE_HZ)] = True
    return stuck
