"""Who drives what: invented members, their cars, their logs' days and what is wrong with them."""

from dataclasses import dataclass, replace
from datetime import date, timedelta

import numpy as np

from synthetic_fleet.duty_law import duty_share, full_load_share, standard_barometer_kpa
from synthetic_fleet.faults import KINDS, NO_FAULT, QUARTER_START, Fault, draw_fault
from synthetic_fleet.recorders import RECORDERS, Recorder
from synthetic_fleet.setups import Setup, pumps, setups

# fmt: off
NAMES = (
    "amber", "basil", "cedar", "clover", "comet", "copper", "coral", "dune", "ember", "fern", "flint",
    "frost", "garnet", "hazel", "heath", "ivory", "jasper", "juniper", "kelp", "lark", "lotus", "maple",
    "meadow", "mica", "moss", "nettle", "olive", "onyx", "opal", "pearl", "pebble", "quartz", "reed",
    "ripple", "robin", "saffron", "sage", "slate", "sorrel", "thistle", "topaz", "velvet", "willow",
)
# fmt: on
SWAP_SHARE = 0.06
STRONG_BLEND_PCT, STRONG_MEASURED_SHARE = 30.0, 0.7  # of strong-blend owners whose recorder alone would not tell it
HOT_SHARE = 0.07
CARRIED_DUTY_SHARE, HOT_VOLUME_SHARE = 0.88, 1.0
FIRST_DAY, LAST_DAY = 2, 90  # of the quarter, counted from 0


@dataclass(frozen=True)
class Healthy:
    """How healthy cars differ, standard deviations of log volume."""

    car_level: float = 0.019
    pump_level: float = 0.019  # with the car's: 2.7 %
    tilt: float = 0.009
    bow: float = 0.007
    log: float = 0.009
    pull: float = 0.008
    sample: float = 0.010


@dataclass(frozen=True)
class Spell:
    """A car's setup between two dates; the roster may state another one."""

    setup: Setup
    stated: Setup
    fault: Fault
    level: float
    tilt: float
    bow: float
    since: date | None = None
    until: date | None = None

    def holds(self, day: date) -> bool:
        return (self.since is None or self.since <= day) and (self.until is None or day <= self.until)


@dataclass(frozen=True)
class Car:
    """One car. ethanol_pct: what is in its tank; stated_ethanol_pct: the roster's, None where left empty."""

    name: str
    key: tuple[int, int]  # seeds all chance of this car
    recorder: Recorder
    channels: tuple[str, ...]
    ethanol_pct: float
    stated_ethanol_pct: float | None
    ethanol_error_pct: float
    boost_tune: float
    lambda_offset: float
    barometer_kpa: float
    spells: tuple[Spell, ...]
    days: tuple[date, ...]  # a day a log
    found: str = ""
    found_on: date | None = None

    def spell(self, day: date) -> Spell:
        return next(s for s in self.spells if s.holds(day))


def draw_cars(cars: int, seed: int, faulty_share: float, physics: str) -> list[Car]:
    """The whole fleet; the same arguments give the same cars."""
    rng = np.random.default_rng((seed, cars))
    driven = _share_out(cars, setups(physics), rng)
    faulty = _some(rng, cars, faulty_share)
    swapped = _swapping(rng, cars, faulty)
    names = rng.permutation(NAMES)
    return [
        _draw_car(f"{names[i % len(names)]}-{i + 1:03d}", (seed, i), driven[i], i in faulty, i in swapped, physics)
        for i in range(cars)
    ]


def _share_out(cars: int, choices: tuple[Setup, ...], rng: np.random.Generator) -> list[Setup]:
    """Setups for all cars by weight: a club's cars cluster, about eight a setup, in five setups where they can."""
    used = choices[: int(np.clip(cars // 8, min(5, max(cars // 3, 1)), len(choices)))]
    weights = np.array([s.weight for s in used])
    least = min(3, cars // len(used))
    want = (cars - least * len(used)) * weights / weights.sum()
    counts = least + np.floor(want).astype(int)
    for i in np.argsort(np.floor(want) - want, kind="stable")[: cars - int(counts.sum())]:
        counts[i] += 1
    spread = [s for s, n in zip(used, counts, strict=True) for _ in range(n)]
    return [spread[i] for i in rng.permutation(cars)]


def _some(rng: np.random.Generator, cars: int, share: float) -> set[int]:
    """About `share` of the cars; exactly none or all for 0 and 1."""
    count = int(np.floor(cars * share + rng.uniform()))
    return set(rng.permutation(cars)[:count].tolist())


def _swapping(rng: np.random.Generator, cars: int, faulty: set[int]) -> set[int]:
    """Cars that get another pump: about half of them had a sick one."""
    sound = [i for i in range(cars) if i not in faulty]
    half = SWAP_SHARE * cars / 2.0
    counts = np.floor(half + rng.uniform(size=2)).astype(int)
    picked = [
        *rng.permutation(sorted(faulty))[: counts[0]].tolist(),
        *rng.permutation(sound)[: counts[1]].tolist(),
    ]
    return {int(i) for i in picked}


def _draw_car(name: str, key: tuple[int, int], setup: Setup, faulty: bool, swaps: bool, physics: str) -> Car:
    rng = np.random.default_rng((*key, 1))
    kinds = ("worn", "starved", "leak") if swaps else tuple(KINDS)
    fault = draw_fault(rng, kinds) if faulty else NO_FAULT
    label, tune = _tuned(setup, rng)
    recorder, channels = _recorder(rng)
    if label > STRONG_BLEND_PCT and "ethanol_pct" in recorder.channels and rng.uniform() < STRONG_MEASURED_SHARE:
        channels = tuple(dict.fromkeys((*channels, "ethanol_pct")))  # a strong blend is driven with a sensor
    measured = "ethanol_pct" in channels
    ethanol = _true_ethanol(rng, label)
    days = _draw_days(rng, swaps)
    error = float(rng.normal(0.0, 0.6))
    stated = setup
    stated_ethanol: float | None = label if not measured or rng.uniform() < 0.85 else None
    if fault.kind == "ethanol_sensor":
        channels = (*channels, "ethanol_pct") if not measured else channels
        error = fault.severity_pct * (1.0 if ethanol < 22.0 or rng.uniform() < 0.3 else -1.0)
        fault = replace(fault, severity_pct=round(error, 1))
    if fault.kind == "wrong_roster":
        stated, stated_ethanol, channels, fault = _wrong_roster(rng, setup, label, channels, fault, physics)
    car = Car(
        name,
        key,
        recorder,
        channels,
        ethanol,
        stated_ethanol,
        error,
        tune,
        float(rng.normal(0.0, 0.008)),
        standard_barometer_kpa(float(min(rng.gamma(1.5, 130.0), 900.0))),
        _draw_spells(rng, setup, stated, fault, days, swaps, physics),
        days,
    )
    return _inspected(rng, car)


def _tuned(setup: Setup, rng: np.random.Generator) -> tuple[float, float]:
    """Ethanol and boost that the pump carries; a few owners ask for all it can give."""
    hot = rng.uniform() < HOT_SHARE
    label = float(rng.choice(setup.ethanol_pct))
    tune = float(np.exp(rng.normal(0.0, 0.03)))
    while _peak_duty(setup, label, tune) > CARRIED_DUTY_SHARE:
        if label > 10.0:
            label -= 10.0
        else:
            tune *= 0.97
    while hot and _peak_share(setup, label, tune) < HOT_VOLUME_SHARE and tune < 1.35:
        tune *= 1.02
    return label, tune


def _peak_share(setup: Setup, label: float, tune: float) -> float:
    return float(full_load_share(setup, np.arange(2500.0, 6501.0, 250.0), label, tune).max())


def _peak_duty(setup: Setup, label: float, tune: float) -> float:
    return float(duty_share(np.array(_peak_share(setup, label, tune)), setup.pump.lobe))


def _recorder(rng: np.random.Generator) -> tuple[Recorder, tuple[str, ...]]:
    """A recorder by how common it is, and what this owner lets it log."""
    names = list(RECORDERS)
    weights = np.array([RECORDERS[n].weight for n in names])
    recorder = RECORDERS[str(rng.choice(names, p=weights / weights.sum()))]
    kept = []
    for channel in recorder.channels:
        chance = recorder.logged_share.get(channel, 1.0)
        if rng.uniform() < chance:
            kept.append(channel)
    return recorder, tuple(kept)


def _true_ethanol(rng: np.random.Generator, label: float) -> float:
    spread = 3.0 if label <= 10.0 else 5.0 if label <= 30.0 else 9.0
    return float(np.clip(label + np.clip(rng.normal(0.0, spread), -2 * spread, 2 * spread), 0.0, 88.0))


def _draw_days(rng: np.random.Generator, swaps: bool) -> tuple[date, ...]:
    """Two to six logs; now and then two on one day. A car that changes its pump has logs before and after."""
    count = int(rng.integers(4, 7) if swaps else rng.choice((2, 3, 4, 5, 6), p=(0.12, 0.2, 0.3, 0.22, 0.16)))
    numbers = np.sort(rng.choice(np.arange(FIRST_DAY, LAST_DAY + 1), count, replace=False))
    if swaps:
        numbers[:2] = np.sort(rng.choice(np.arange(3, 32), 2, replace=False))
        numbers[2:] = np.sort(rng.choice(np.arange(48, LAST_DAY), count - 2, replace=False))
    elif count > 2 and rng.uniform() < 0.25:
        numbers[1] = numbers[0]
    return tuple(QUARTER_START + timedelta(days=int(n)) for n in numbers)


def _wrong_roster(
    rng: np.random.Generator,
    setup: Setup,
    label: float,
    channels: tuple[str, ...],
    fault: Fault,
    physics: str,
) -> tuple[Setup, float, tuple[str, ...], Fault]:
    """The roster row names another pump or blend than the car has; severity is the excess it feigns."""
    if rng.uniform() < 0.5:
        others = [p for p in pumps(physics).values() if p.name != setup.pump.name]
        pump = others[int(rng.integers(len(others)))]
        feigned = 100.0 * (pump.stroke_ml / setup.pump.stroke_ml - 1.0)
        return replace(setup, pump=pump), label, channels, replace(fault, severity_pct=round(feigned, 1))
    stated = label - 25.0 if label >= 30.0 else label + 30.0
    rpm = np.array([4000.0])
    ratio = full_load_share(setup, rpm, label) / full_load_share(setup, rpm, stated)
    unmeasured = tuple(c for c in channels if c != "ethanol_pct")
    return setup, stated, unmeasured, replace(fault, severity_pct=round(100.0 * (float(ratio[0]) - 1.0), 1))


def _draw_spells(
    rng: np.random.Generator,
    setup: Setup,
    stated: Setup,
    fault: Fault,
    days: tuple[date, ...],
    swaps: bool,
    physics: str,
) -> tuple[Spell, ...]:
    spread = Healthy()
    car_level = rng.normal(0.0, spread.car_level)
    tilt, bow = float(rng.normal(0.0, spread.tilt)), float(rng.normal(0.0, spread.bow))
    level = float(car_level + rng.normal(0.0, spread.pump_level))
    if fault.kind == "sticking":
        fault = replace(fault, since=days[int(rng.integers(0, max(1, len(days) - 1)))])
    first = Spell(setup, stated, fault, level, tilt, bow)
    if not swaps:
        return (first,)
    changed = days[1] + timedelta(days=int(rng.integers(5, 15)))
    level = float(car_level + rng.normal(0.0, spread.pump_level))
    after = _next_pump(rng, setup, physics)
    return (
        replace(first, until=changed - timedelta(days=1)),
        Spell(after, after, NO_FAULT, level, tilt, bow, since=changed),
    )


def _next_pump(rng: np.random.Generator, setup: Setup, physics: str) -> Setup:
    """A larger pump as others of the same engine and hardware have it, else a new one of the same kind."""
    peers = [
        s
        for s in setups(physics)
        if (s.engine, s.boost_hardware, s.calibration) == (setup.engine, setup.boost_hardware, setup.calibration)
        and s.pump.stroke_ml > setup.pump.stroke_ml
        and s.port_injection == setup.port_injection
    ]
    return peers[0] if peers and rng.uniform() < 0.8 else setup


def _inspected(rng: np.random.Generator, car: Car) -> Car:
    """A few cars were looked at afterwards, sick ones more often."""
    fault = car.spells[0].fault
    if rng.uniform() > (0.3 if fault.kind else 0.04):
        return car
    if len(car.spells) > 1:  # the row that ended, on the day of the work
        return replace(car, found=fault.found, found_on=car.spells[1].since)
    return replace(car, found=fault.found, found_on=car.days[-1] + timedelta(days=int(rng.integers(3, 21))))
