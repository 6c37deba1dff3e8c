"""A fleet of cells in which some cars get another pump: two roster rows in the quarter, and the truth of both."""

from dataclasses import dataclass, replace
from datetime import date, timedelta

import numpy as np
import polars as pl
from numpy.typing import NDArray

from synthetic_fleet.direct_cells import (
    CEILINGS_PCT,
    LABEL_SD_PCT,
    PUMP_SIZES,
    RPM,
    Car,
    DirectFleet,
    DirectSetup,
    RosterRow,
    Spread,
    car_logs,
    draw_fault,
    draw_setups,
    fault_curve,
    label_of,
    ledger_of,
    roster_of,
)

Array = NDArray[np.float64]
QUARTER_START = date(2026, 7, 1)
LEVEL = np.array([1.0, 0.0, 0.0])  # of level, tilt, bow
SMALLEST = min(PUMP_SIZES, key=PUMP_SIZES.__getitem__)
SICK = ("worn", "worn", "starved", "leak", "drift")
BLENDS_PCT, BLEND_SHARES = (8.0, 10.0, 22.0, 35.0), (0.4, 0.3, 0.2, 0.1)

# one row a car; before and after are halves of its logs where its pump stayed
SWAPS = {
    "label": pl.String,
    "swapped": pl.Boolean,  # a second roster row; else `after` is the later half of the logs
    "larger": pl.Boolean,  # another kind of pump, else a new one of the same kind
    "fault_before": pl.String,
    "fault_after": pl.String,
    "severity_before_pct": pl.Float64,
    "severity_after_pct": pl.Float64,
    "before_until": pl.Date,  # last day of the earlier logs
    "after_since": pl.Date,
    "before_pct": pl.Float64,  # true excess, own level and fault, mean over engine speed and logs
    "after_pct": pl.Float64,
}


@dataclass(frozen=True)
class SwapRule:
    """Shares of what happens. swap: of cars get a pump. sick: of old pumps. larger: of swaps bring a larger kind.

    sick_smallest: of old pumps of the smallest kind, where it fares worse than the others.
    cured: of sick old pumps whose fault goes with them; else its cause stayed in the car. spoilt: of sound ones whose
    successor is sick. pump: of the variance of healthy levels that is the pump's own and goes with it. refuelled: of
    cars with unmeasured ethanol whose later tank holds something else under the same label.
    """

    swap: float = 0.2
    sick: float = 1 / 3
    sick_smallest: float = 1 / 3
    larger: float = 0.5
    cured: float = 0.5
    spoilt: float = 0.1
    pump: float = 0.5
    refuelled: float = 0.5
    measured_ethanol: float = 0.7


def swap_fleet(
    cars: int, seed: int, *, round_share: float = 1.0, rule: SwapRule = SwapRule(), spread: Spread = Spread()
) -> tuple[DirectFleet, pl.DataFrame]:
    """Invent a fleet in which pumps are changed in mid-quarter: its tables, and SWAPS. The same seed, the same fleet.

    The `truth` of the fleet is empty: SWAPS tells of the spells.
    """
    rng = np.random.default_rng((seed, cars, 5))
    setups = draw_setups(rng, cars)
    cells, pulls, swaps = [], [], []
    roster: list[RosterRow] = []
    for number in range(cars):
        setup = setups[number % len(setups)]
        before, after, days = _draw_pair(rng, label_of(number), setup, setups, round_share, spread, rule)
        first = len(days[0])
        for car, own, start in ((before.car, days[0], 0), (after.car, days[1], first)):
            one_cells, one_pulls, _ = car_logs(rng, car, own, start)
            cells.append(one_cells)
            pulls.append(one_pulls)
        swapped = after.since is not None
        roster.append(before.row)
        if swapped:
            roster.append(after.row)
        swaps.append((before.car.label, swapped, before.car.size != after.car.size,
                      before.car.fault, after.car.fault, 100 * before.car.severity, 100 * after.car.severity,
                      _day(days[0][-1]), after.since or _day(days[1][0]),
                      true_excess_pct(before.car, days[0]), true_excess_pct(after.car, days[1])))  # fmt: skip
    table = pl.concat(pulls)
    fleet = DirectFleet(pl.concat(cells), table, ledger_of(table), roster_of(roster), pl.DataFrame(), spread)
    return fleet, pl.DataFrame(swaps, schema=SWAPS, orient="row")


def true_excess_pct(car: Car, days: list[int]) -> float:
    """Volume asked for beyond a healthy average car's, mean over engine speed and logs. [%]"""
    z = (RPM - 4400) / 2200
    own: Array = np.asarray(car.traits[0] + car.traits[1] * z + car.traits[2] * (z**2 - 0.33))
    logs = [float((own + fault_curve(car.fault, car.severity, RPM, day / 90)).mean()) for day in days]
    return float(100 * np.expm1(np.mean(logs)))


@dataclass(frozen=True)
class _Half:
    """A car between two dates, and its roster row."""

    car: Car
    setup: DirectSetup
    stated_pct: float
    since: date | None = None
    until: date | None = None

    @property
    def row(self) -> RosterRow:
        return (self.car.label, *self.setup[:4], round(self.stated_pct, 1), self.since, self.until)


def _draw_pair(
    rng: np.random.Generator,
    label: str,
    setup: DirectSetup,
    setups: list[DirectSetup],
    round_share: float,
    spread: Spread,
    rule: SwapRule,
) -> tuple[_Half, _Half, tuple[list[int], list[int]]]:
    """One car before and after, and the days of its logs."""
    own = np.array([spread.level * np.sqrt(1 - rule.pump), spread.tilt, spread.bow])
    traits, pump_sd = rng.normal(0, own), spread.level * np.sqrt(rule.pump)
    levels = rng.normal(0, pump_sd, 2)
    fault, severity = draw_fault(rng, rule.sick_smallest if setup[1] == SMALLEST else rule.sick, SICK)
    blend, measured = float(rng.choice(BLENDS_PCT, p=BLEND_SHARES)), bool(rng.random() < rule.measured_ethanol)
    stated = blend if measured else max(0.0, blend - rng.normal(0, LABEL_SD_PCT))
    swapped = bool(rng.random() < rule.swap)
    gain = setup[5] * np.exp(rng.normal(0, 0.05))
    car = Car(label, fault, severity, traits + levels[0] * LEVEL, blend, measured, gain, setup[4],
              CEILINGS_PCT[setup[3]], round_share, spread)  # fmt: skip
    refuelled = not measured and bool(rng.random() < rule.refuelled)
    later_blend = max(0.0, stated + rng.normal(0, LABEL_SD_PCT)) if refuelled else blend
    if not swapped:
        days = np.sort(rng.choice(90, size=int(rng.integers(2, 7)), replace=False)).tolist()
        half = len(days) // 2
        both = _Half(car, setup, stated)
        return both, replace(both, car=replace(car, ethanol_pct=later_blend)), (days[:half], days[half:])
    change = int(rng.integers(38, 51))
    before_days = np.sort(rng.choice(change, size=int(rng.integers(1, 4)), replace=False)).tolist()
    after_days = np.sort(rng.choice(np.arange(change, 90), size=int(rng.integers(1, 4)), replace=False)).tolist()
    later = _later_setup(rng, setup, setups, rule)
    new_fault, new_severity = (fault, severity)
    if fault and rng.random() < rule.cured:
        new_fault, new_severity = "", 0.0
    elif not fault and rng.random() < rule.spoilt:
        new_fault, new_severity = draw_fault(rng, 1.0, SICK)
    new = replace(car, fault=new_fault, severity=new_severity, traits=traits + levels[1] * LEVEL, size=later[4],
                  ethanol_pct=later_blend)  # fmt: skip
    until = _day(change - 1)
    return (
        _Half(car, setup, stated, until=until),
        _Half(new, later, stated, since=_day(change)),
        (before_days, after_days),
    )


def _later_setup(
    rng: np.random.Generator, setup: DirectSetup, setups: list[DirectSetup], rule: SwapRule
) -> DirectSetup:
    """The same pump anew, or the next larger one that somebody in the fleet has, be it in another engine."""
    larger = sorted({(s[4], s[1]) for s in setups if s[4] > setup[4]})
    if not larger or rng.random() >= rule.larger:
        return setup
    size, pump = larger[0]
    return (setup[0], pump, *setup[2:4], size, setup[5])


def _day(number: int) -> date:
    return QUARTER_START + timedelta(days=int(number))
