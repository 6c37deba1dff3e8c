"""A fleet of cells whose cars later drive a stronger blend, with the traits they had: what their pumps are then asked.

Also cars that join later, of setups that are there already.
"""

from dataclasses import dataclass, replace

import numpy as np
import polars as pl
from numpy.typing import NDArray

from synthetic_fleet.direct_cells import (
    CEILINGS_PCT,
    FAULTS,
    LABEL_SD_PCT,
    Car,
    DirectFleet,
    RosterRow,
    Spread,
    car_logs,
    draw_fault,
    draw_setups,
    label_of,
    ledger_of,
    roster_of,
)

Array = NDArray[np.float64]
OVERSIZED = 4.0  # a pump so large never meets its ceiling, so that what is asked of it can be read off


@dataclass(frozen=True)
class Later:
    """earlier: tables of the quarter before anyone changed anything. setups: label -> the setup's words.

    logged: cars that the tables hold. joined: cars of the same setups that they do not.
    """

    earlier: DirectFleet
    setups: dict[str, str]
    logged: dict[str, Car]
    joined: dict[str, Car]


def later_blend(
    cars: int,
    seed: int,
    *,
    joining: int,
    faulty_share: float = 0.15,
    round_share: float = 1.0,
    spread: Spread = Spread(),
    measured_ethanol: float = 0.7,
    faults: tuple[str, ...] = FAULTS,
) -> Later:
    """Invent `cars` cars as cells of 2026Q3, and `joining` sound ones of their setups; a seed gives one fleet."""
    rng = np.random.default_rng((seed, cars, 7))
    setups = draw_setups(rng, cars)
    words: dict[str, str] = {}
    logged: dict[str, Car] = {}
    joined: dict[str, Car] = {}
    cells, pulls = [], []
    roster: list[RosterRow] = []
    for number in range(cars + joining):
        label = label_of(number)
        setup = setups[number % len(setups)]
        stays = number < cars
        fault, severity = draw_fault(rng, faulty_share if stays else 0.0, faults)
        blend = float(rng.choice([8.0, 10.0, 22.0, 35.0], p=[0.4, 0.3, 0.2, 0.1]))
        measured = bool(rng.random() < measured_ethanol)
        stated = blend if measured else max(0.0, blend - rng.normal(0, LABEL_SD_PCT))
        traits = rng.normal(0, [spread.level, spread.tilt, spread.bow])
        car = Car(label, fault, severity, traits, blend, measured, setup[5] * np.exp(rng.normal(0, 0.05)), setup[4],
                  CEILINGS_PCT[setup[3]], round_share, spread)  # fmt: skip
        words[label] = " | ".join(setup[:4])
        (logged if stays else joined)[label] = car
        if stays:
            days = np.sort(rng.choice(90, size=int(rng.integers(2, 7)), replace=False)).tolist()
            one_cells, one_pulls, _ = car_logs(rng, car, days)
            cells.append(one_cells)
            pulls.append(one_pulls)
            roster.append((label, *setup[:4], stated, None, None))
    table = pl.concat(pulls)
    fleet = DirectFleet(pl.concat(cells), table, ledger_of(table), roster_of(roster), pl.DataFrame(), spread)
    return Later(fleet, words, logged, joined)


def asked_shares(rng: np.random.Generator, car: Car, ethanol_pct: float, boost_kpa: float, day: int = 90) -> Array:
    """One later pull: share of what its pump gives at its ceiling that each band asks for; may exceed 1. (bands,)

    boost_kpa: gauge, the highest of the pull. day: of the earlier quarter, for a fault that grows.
    """
    later = replace(
        car, ethanol_pct=ethanol_pct, measured=True, pressure_kpa=boost_kpa + 101.325,
        size=OVERSIZED * car.size, round_share=0.0, ceiling_pct=100.0,
    )  # fmt: skip
    cells, _, _ = car_logs(rng, later, [day])
    asked = OVERSIZED * cells.filter(pl.col("pull") == 1)["duty_pct"].to_numpy() / 100.0
    full = car.ceiling_pct / 100.0
    lobe = (1.0 - np.cos(np.pi * full)) / 2.0
    return np.asarray(asked / ((1.0 - car.round_share) * full + car.round_share * lobe))


def usual_boost_kpa(car: Car) -> float:
    """The highest boost of its pulls, on average. [kPa gauge]"""
    return car.pressure_kpa - 101.325
