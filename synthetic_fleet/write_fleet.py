"""A whole invented fleet on disk: logs, roster, truth."""

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import polars as pl

from synthetic_fleet.cars import Car, draw_cars
from synthetic_fleet.recorders import file_name, write_log
from synthetic_fleet.sensors import logged
from synthetic_fleet.setups import PHYSICS
from synthetic_fleet.true_log import TrueLog, true_log
from synthetic_fleet.truth import roster, truth

README = """An invented fleet: no car, owner, engine, pump or recorder in this folder exists.

Made by pumpcensus synthesize: {cars} cars, seed {seed}, {physics} physics,
a share of {faulty_share:g} of the cars with a planted fault.

logs/CAR/     the logs, a folder a car, each car with one of several invented recorders
roster.csv    what the owners state
truth.csv     what is true: faults and their size, and how much more fuel volume each pump is asked for

In truth.csv, severity_pct is a fault's greatest size in per cent of fuel volume. Two faults feign it only:
wrong_roster (severity_pct: the excess that the roster's error makes appear) and ethanol_sensor (points of
ethanol by which the log is off). Neither is part of excess_pct, nor are sticking's short interruptions.
"""


def synthesize(folder: Path, cars: int, seed: int, *, faulty_share: float = 0.15, physics: str = "mixed") -> None:
    """Write an invented fleet: `logs/CAR/DATE_NN.EXT`, `roster.csv`, `truth.csv`, `README.txt`.

    folder: new or empty. cars: 1 or more. seed: the same seed gives the same bytes. faulty_share: 0..1.
    physics: what duty means on the fleet's pumps: "straight" (volume), "lobe" (valve angle) or "mixed".
    Raises ValueError naming every argument out of range, FileExistsError if a fleet lies in `folder` already.
    """
    _check(folder, cars, seed, faulty_share, physics)
    fleet: list[Car] = []
    logs: list[TrueLog] = []
    for car, log, frame in synthesize_frames(cars, seed, faulty_share=faulty_share, physics=physics):
        home = folder / "logs" / car.name
        home.mkdir(parents=True, exist_ok=True)
        name = file_name(car.recorder, log.day, log.number)
        write_log(home / name, frame, car.recorder, day=log.day, start_s=_start_s(log))
        if not fleet or fleet[-1] is not car:
            fleet.append(car)
        logs.append(replace(log, frame=pl.DataFrame()))
    truth(fleet, logs).write_csv(folder / "truth.csv")
    words = README.format(cars=cars, seed=seed, faulty_share=faulty_share, physics=physics)
    (folder / "README.txt").write_text(words, encoding="utf-8")
    roster(fleet).write_csv(folder / "roster.csv")


def synthesize_frames(
    cars: int, seed: int, *, faulty_share: float = 0.15, physics: str = "mixed"
) -> Iterator[tuple[Car, TrueLog, pl.DataFrame]]:
    """Each log of the fleet, car by car: the car, what truly happened, and the frame its recorder sees."""
    for car in draw_cars(cars, seed, faulty_share, physics):
        for index in range(len(car.days)):
            log = true_log(car, index)
            yield car, log, logged(log)


def _start_s(log: TrueLog) -> float:
    """Time of day; the second log of a day comes later, and some drives end after midnight."""
    rng = np.random.default_rng((*log.car.key, 5, log.day.toordinal()))
    if rng.uniform() < 0.03:
        return 84_500.0 + 1_860.0 * (log.number - 1) if log.number > 1 else 86_360.0
    return float(rng.uniform(28_800.0, 79_000.0)) + 2_700.0 * (log.number - 1)


def _check(folder: Path, cars: int, seed: int, faulty_share: float, physics: str) -> None:
    problems = []
    if cars < 1:
        problems.append(f"cars: {cars} is too few. Give 1 or more.")
    if seed < 0:
        problems.append(f"seed: {seed} is negative. Give 0 or more.")
    if not 0.0 <= faulty_share <= 1.0:
        problems.append(f"faulty_share: {faulty_share} is no share. Give 0 to 1.")
    if physics not in PHYSICS:
        problems.append(f"physics: '{physics}' is unknown. Give {', '.join(PHYSICS)}.")
    if problems:
        raise ValueError("\n".join(problems))
    taken = [name for name in ("logs", "roster.csv", "truth.csv") if (folder / name).exists()]
    if taken:
        raise FileExistsError(f"{folder}: {', '.join(taken)} already there. Give a new or empty folder.")
