"""A drive: streets, and full-load pulls between them, as engine speed, pedal and gear over time."""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

from synthetic_fleet.setups import Engine, Floats

RATE_HZ = 50  # the grid of the true log; recorders take their samples from it
IDLE, PART, CRUISE, PULL, OVERRUN, SHIFT = range(6)
GEAR_TIME = (0.25, 0.5, 1.0, 1.75, 2.6, 3.6)  # how long a climb takes in each gear, third being 1


@dataclass(frozen=True)
class Drive:
    """Arrays of equal length, RATE_HZ apart."""

    engine_speed_rpm: Floats
    pedal_share: Floats
    gear: NDArray[np.int64]  # 0 is neutral
    phase: NDArray[np.int64]
    pull: NDArray[np.int64]  # from 1, 0 outside pulls

    @property
    def time_s(self) -> Floats:
        return np.arange(len(self.pedal_share)) / RATE_HZ


@dataclass
class _Road:
    """Pieces of road laid one after another; engine speed goes on where it stood."""

    engine: Engine
    rng: np.random.Generator
    rpm: float = 0.0
    gear: int = 0
    pieces: list[tuple[Floats, Floats, int, int, int]] = field(default_factory=list)

    def lay(self, seconds: float, to_rpm: float, pedal: tuple[float, float], phase: int, pull: int = 0) -> None:
        steps = max(2, round(seconds * RATE_HZ))
        way = np.arange(1, steps + 1) / steps
        if phase == PULL:  # slower while boost builds up and again near the limiter
            way = way - 0.04 * np.sin(2.0 * np.pi * way) + 0.05 * np.sin(np.pi * way)
        speed = self.rpm + (to_rpm - self.rpm) * way
        foot = pedal[0] + (pedal[1] - pedal[0]) * np.minimum(1.0, np.arange(steps) / (0.2 * RATE_HZ))
        self.pieces.append((speed, foot, self.gear, phase, pull))
        self.rpm = to_rpm

    def idle(self, low_s: float, high_s: float) -> None:
        self.gear = 0
        self.lay(0.8, self.engine.idle_rpm, (0.0, 0.0), IDLE)
        self.lay(self.rng.uniform(low_s, high_s), self.engine.idle_rpm, (0.0, 0.0), IDLE)

    def shift(self, gear: int, pedal: float) -> None:
        """Foot off for a moment, fuel cut, engine speed to what the next gear asks for."""
        ratio = self.engine.kmh_per_1000_rpm
        target = self.rpm * ratio[self.gear - 1] / ratio[gear - 1]
        self.lay(self.rng.uniform(0.25, 0.45), target, (0.0, 0.0), SHIFT)
        self.gear = gear
        self.lay(0.3, target + 20.0, (0.0, pedal), PART)

    def climb(self, to_rpm: float, pedal: float) -> None:
        pace = self.engine.pull_rpm_per_s / GEAR_TIME[self.gear - 1] * max(0.12, 0.7 * pedal)
        self.lay(abs(to_rpm - self.rpm) / pace, to_rpm, (pedal * 0.6, pedal), PART)

    def pull_off(self, gear: int) -> None:
        """From standing to cruising, through the gears."""
        self.rpm, self.gear = 1100.0, 1
        pedal = self.rng.uniform(0.3, 0.5)
        self.climb(self.rng.uniform(2300, 3100), pedal)
        for nxt in range(2, gear + 1):
            self.shift(nxt, pedal)
            self.climb(self.rng.uniform(1900, 2500), pedal)

    def full_load(self, number: int) -> None:
        start = self.rng.uniform(2050, 2450)
        self.lay(abs(self.rpm - start) / 500.0 + 0.3, start, (0.08, 0.08), CRUISE)
        self.lay(self.rng.uniform(1.0, 2.0), start, (0.16, 0.16), CRUISE)
        top = self.engine.limiter_rpm - self.rng.uniform(90, 330)
        seconds = (top - self.rpm) * GEAR_TIME[self.gear - 1] / self.engine.pull_rpm_per_s
        self.lay(seconds * self.rng.uniform(0.96, 1.04), top, (0.16, 1.0), PULL, number)
        if self.rng.uniform() < 0.05:  # held a moment too long: the limiter cuts the fuel
            for _ in range(int(self.rng.integers(2, 4))):
                self.lay(0.1, self.engine.limiter_rpm - 60.0, (1.0, 1.0), SHIFT)
                self.lay(0.14, self.engine.limiter_rpm, (1.0, 1.0), PART)
        if self.gear < 5 and self.rng.uniform() < 0.12:  # foot still down, on into the next gear
            ratio = self.engine.kmh_per_1000_rpm
            self.lay(0.2, self.rpm * ratio[self.gear - 1] / ratio[self.gear], (1.0, 1.0), SHIFT)
            self.gear += 1
            self.lay(self.rng.uniform(0.7, 1.3), self.rpm + 350.0, (1.0, 1.0), PART)
        self.lay(self.rng.uniform(2.2, 4.5), self.rng.uniform(2300, 3200), (0.0, 0.0), OVERRUN)

    def street(self) -> None:
        """Cruising, now and then a part-load acceleration or a lift."""
        for _ in range(int(self.rng.integers(1, 3))):
            pedal = self.rng.uniform(0.1, 0.22)
            self.lay(self.rng.uniform(2.0, 5.0), self.rng.uniform(1700, 2700), (pedal, pedal), CRUISE)
            choice = self.rng.uniform()
            if choice < 0.45:
                self.climb(self.rng.uniform(2800, 3800), self.rng.uniform(0.4, 0.7))
            if choice < 0.6:
                self.lay(self.rng.uniform(1.5, 3.0), self.rng.uniform(1600, 2300), (0.0, 0.0), OVERRUN)


def drive(engine: Engine, pulls: int, rng: np.random.Generator) -> Drive:
    """One logged drive with so many full-load pulls, about 60 to 150 s.

    >>> from synthetic_fleet.setups import setups
    >>> road = drive(setups()[0].engine, 3, np.random.default_rng(1))
    >>> int(road.pull.max()), bool((road.pedal_share <= 1).all())
    (3, True)
    """
    road = _Road(engine, rng, rpm=engine.idle_rpm)
    road.idle(4.0, 12.0)
    gear = int(rng.choice((3, 4), p=(0.6, 0.4)))
    road.pull_off(gear)
    for number in range(1, pulls + 1):
        road.street()
        if road.gear > gear:
            road.gear = gear
        road.full_load(number)
    road.street()
    while road.gear > 2:
        road.lay(rng.uniform(2.0, 4.0), rng.uniform(1300, 1700), (0.0, 0.0), OVERRUN)
        road.gear -= 1
    road.idle(4.0, 12.0)
    return _joined(road, rng)


def _joined(road: _Road, rng: np.random.Generator) -> Drive:
    speed = np.concatenate([p[0] for p in road.pieces])
    foot = np.concatenate([p[1] for p in road.pieces])
    lengths = [len(p[0]) for p in road.pieces]
    gear, phase, pull = (np.repeat([p[k] for p in road.pieces], lengths) for k in (2, 3, 4))
    wander = lfilter([1.0], [1.0, -0.96], rng.normal(0.0, 1.0, len(speed)))
    calm = np.where(phase == PULL, 0.25, 1.0)
    foot = np.where((foot > 0.01) & (foot < 0.99), np.clip(foot + 0.004 * wander, 0.0, 0.99), foot)
    return Drive(np.maximum(speed + wander * calm, 350.0), foot, gear, phase, pull)
