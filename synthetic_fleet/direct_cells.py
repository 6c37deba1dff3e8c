"""A fleet's cells without its logs: for tests and benchmarks of the study alone, where the truth must be exact.

Same scenario as the written fleets in miniature, with its own few lines of physics.
"""

from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
import polars as pl
from numpy.typing import NDArray

Array = NDArray[np.float64]
# kind: least and greatest severity in per cent of volume; sticking: a dropout in half of the pulls;
# wrong_roster: points of ethanol, or another pump, and what its row feigns becomes its severity
SIZES_PCT = {
    "worn": (8.0, 20.0),
    "starved": (12.0, 28.0),
    "leak": (8.0, 18.0),
    "drift": (10.0, 20.0),
    "sticking": (0.0, 0.0),
    "wrong_roster": (15.0, 30.0),
}
FAULTS = ("worn", "starved", "leak", "drift", "sticking")  # of the pump itself
PUMP_SIZES = {"P1": 2.75, "P2": 3.1, "P3": 3.6}
CEILINGS_PCT = {"K1": 97.5, "K2": 100.0}
LABEL_SD_PCT = 3.0  # points of ethanol, a stated blend around the true one


DirectSetup = tuple[str, str, str, str, float, float]
"""Engine, pump, boost hardware, calibration; pump size, relative; full-load pressure. [kPa absolute]"""


@dataclass(frozen=True)
class Spread:
    """Standard deviations of ln(volume): healthy cars' level, tilt, bow; logs, pulls, cells. [1]"""

    level: float = 0.027
    tilt: float = 0.009
    bow: float = 0.007
    log: float = 0.010
    pull: float = 0.008
    cell: float = 0.012


@dataclass(frozen=True)
class DirectFleet:
    """cells, pulls, ledger, roster: as a store would give them. truth: a row a car, as TRUTH. spread: all cars'."""

    cells: pl.DataFrame
    pulls: pl.DataFrame
    ledger: pl.DataFrame
    roster: pl.DataFrame
    truth: pl.DataFrame
    spread: Spread


TRUTH = {
    "label": pl.String,
    "fault": pl.String,  # empty for a sound car
    "severity_pct": pl.Float64,  # greatest size; wrong_roster: the excess that its row feigns
    "level_pct": pl.Float64,  # a healthy car's own, as tilt and bow in per cent of ln(volume)
    "excess_pct": pl.Float64,  # own level and fault, mean over engine speed and pulls; a roster's error is no part
    "tilt_pct": pl.Float64,
    "bow_pct": pl.Float64,
    "round_share": pl.Float64,
    "ethanol_true_pct": pl.Float64,
    "ethanol_measured": pl.Boolean,
}


def direct_cells(
    cars: int,
    seed: int,
    *,
    faulty_share: float = 0.15,
    round_share: float = 1.0,
    spread: Spread = Spread(),
    measured_ethanol: float = 0.7,
    faults: tuple[str, ...] = FAULTS,
    setups: list[DirectSetup] | None = None,
) -> DirectFleet:
    """Invent a fleet of `cars` cars as cells of 2026Q3; the same seed gives the same fleet.

    round_share: 0 pumps with a straight duty, 1 round lobe. measured_ethanol: share of cars that log it.
    faults: kinds of SIZES_PCT that a faulty car has one of, each as often. setups: as of `draw_setups`, which draws
    them where none are given.
    """
    rng = np.random.default_rng((seed, cars))
    setups = setups or draw_setups(rng, cars)
    parts, truth, pulls = [], [], []
    roster: list[RosterRow] = []
    for number in range(cars):
        label = label_of(number)
        engine, pump, boost, calibration, size, pressure = setups[number % len(setups)]
        fault, severity = draw_fault(rng, faulty_share, faults)
        traits = rng.normal(0, [spread.level, spread.tilt, spread.bow])
        # a pump is chosen for its blend: stronger ones only where there is room
        ethanol_true = float(rng.choice([8.0, 10.0, 22.0, 35.0], p=[0.4, 0.3, 0.2, 0.1]))
        measured = rng.random() < measured_ethanol
        stated = ethanol_true if measured else max(0.0, ethanol_true - rng.normal(0, LABEL_SD_PCT))
        stated_pump = pump
        if fault == "wrong_roster":  # chance of its own, so that the other cars stay as they are
            own = np.random.default_rng((seed, cars, number))
            stated_pump, stated, severity = _wrong_row(own, pump, ethanol_true, stated, 100 * severity)
            measured = measured and stated_pump != pump
        gain = pressure * np.exp(rng.normal(0, 0.05))
        ceiling = CEILINGS_PCT[calibration]
        car = Car(label, fault, severity, traits, ethanol_true, measured, gain, size, ceiling, round_share, spread)
        days = np.sort(rng.choice(90, size=int(rng.integers(2, 7)), replace=False)).tolist()
        cells, rows, extra = car_logs(rng, car, days)
        parts.append(cells)
        pulls.append(rows)
        roster.append((label, engine, stated_pump, boost, calibration, stated, None, None))
        level, tilt, bow = 100 * (np.exp(traits[0]) - 1), 100 * traits[1], 100 * traits[2]
        excess = 100 * (np.exp(extra) - 1)
        truth.append((label, fault, 100 * severity, level, excess, tilt, bow, round_share, ethanol_true, measured))
    pull_table = pl.concat(pulls)
    return DirectFleet(
        pl.concat(parts),
        pull_table,
        ledger_of(pull_table),
        roster_of(roster),
        pl.DataFrame(truth, schema=TRUTH, orient="row"),
        spread,
    )


def label_of(number: int) -> str:
    """An invented car's label.

    >>> label_of(7), label_of(12345)
    ('C007-0000', '0001-2345')
    """
    return f"C{number:03d}-0000" if number < 1000 else f"{number:08d}"[:4] + "-" + f"{number:08d}"[4:]


def draw_setups(rng: np.random.Generator, cars: int) -> list[DirectSetup]:
    """Some of the 3 x 3 x 3 x 2 combinations, more for more cars."""
    sizes = PUMP_SIZES
    pressures = {"B1": 190.0, "B2": 215.0, "B3": 240.0}
    every = [(f"E{i % 3 + 1}", p, b, f"K{i % 2 + 1}") for i in range(6) for p in sizes for b in pressures]
    # a larger charger comes with a larger pump, mostly
    fitting = [s for s in every if abs(int(s[1][1]) - int(s[2][1])) <= (1 if s[1] > s[2].replace("B", "P") else 0)]
    chosen = rng.permutation(len(fitting))[: max(2, round(cars / 11))]
    return [(*fitting[i], sizes[fitting[i][1]], pressures[fitting[i][2]]) for i in sorted(chosen)]


def draw_fault(rng: np.random.Generator, share: float, kinds: tuple[str, ...]) -> tuple[str, float]:
    """A fault and its severity [0..1] for a share of the cars, else none."""
    if rng.random() >= share:
        return "", 0.0
    fault = str(rng.choice(kinds))
    return fault, float(rng.uniform(*SIZES_PCT[fault])) / 100


def _wrong_row(
    rng: np.random.Generator, pump: str, ethanol_true: float, stated: float, points: float
) -> tuple[str, float, float]:
    """Pump and blend of a roster row that is wrong in one of them, and the excess it feigns as a share."""
    if rng.random() < 0.5:
        other = str(rng.choice([name for name in PUMP_SIZES if name != pump]))
        return other, stated, PUMP_SIZES[other] / PUMP_SIZES[pump] - 1.0
    less = ethanol_true >= points and rng.random() < 0.5
    wrong = ethanol_true - points if less else ethanol_true + points
    return pump, wrong, _air_per_fuel(wrong) / _air_per_fuel(ethanol_true) - 1.0


def _air_per_fuel(ethanol_pct: float) -> float:
    """Air that a volume of the blend burns with, relative to gasoline: linear in the volume share. [1]"""
    return 1.0 - 0.3477 * ethanol_pct / 100.0


def fault_curve(fault: str, severity: float, rpm: Array, quarter_share: float) -> Array:
    """ln of the extra volume a fault asks for at each engine speed, at this share of the quarter. [1]"""
    shape = {
        "worn": np.ones_like(rpm),
        "starved": np.clip((rpm - 4500) / 2000, 0, 1),
        "leak": np.clip((5500 - rpm) / 3000, 0, 1),
        "drift": np.full_like(rpm, quarter_share),
    }.get(fault, np.zeros_like(rpm))
    return np.asarray(np.log1p(severity * shape))


@dataclass(frozen=True)
class Car:
    """What one car brings to every pull. pressure_kpa: at full boost. size: of its pump. traits: level, tilt, bow."""

    label: str
    fault: str
    severity: float
    traits: Array
    ethanol_pct: float
    measured: bool
    pressure_kpa: float
    size: float
    ceiling_pct: float
    round_share: float
    spread: Spread


BANDS = np.arange(2250, 6750, 250)
RPM: Array = np.asarray(BANDS + 125.0, dtype=np.float64)


@dataclass(frozen=True)
class Pull:
    """One pull as it was driven. duty_pct, pressure_kpa: (bands,)."""

    log: str
    day: date
    number: int
    duty_pct: Array
    pressure_kpa: Array
    intake_air_c: float
    lambda_ratio: float
    dropped: bool


def car_logs(
    rng: np.random.Generator, car: Car, days: list[int], first: int = 0
) -> tuple[pl.DataFrame, pl.DataFrame, float]:
    """The car's cells, its pulls, and the mean of ln(its true extra volume).

    days: of the quarter, one a log. first: number of the first log.
    """
    z: Array = (RPM - 4400) / 2200
    healthy: Array = np.asarray(car.traits[0] + car.traits[1] * z + car.traits[2] * (z**2 - 0.33), dtype=np.float64)
    pulls, excess = [], []
    for log, day in enumerate(days, first):
        log_effect = float(rng.normal(0, car.spread.log))
        for number in range(1, int(rng.integers(1, 5)) + 1):
            extra = healthy + fault_curve(car.fault, car.severity, RPM, day / 90)
            excess.append(extra.mean())
            driven = _driven(rng, car, extra + log_effect)
            dropped = car.fault == "sticking" and rng.random() < 0.5
            pulls.append(
                Pull(f"{car.label}-{log}", date(2026, 7, 1) + timedelta(days=day), number, *driven, dropped=dropped)
            )
    return _cells(car, pulls), _pull_rows(car, pulls), float(np.mean(excess))


BOOST_SHAPE = np.interp(RPM, [2000, 3000, 5500, 6750], [0.75, 1.0, 1.0, 0.9])
FILLING = np.interp(RPM, [2000, 4500, 6750], [0.86, 1.0, 0.9])
DUTY_GRID_PCT = np.linspace(1, 100, 1000)
LOBE = (1 - np.cos(np.pi * DUTY_GRID_PCT / 100)) / 2


def _driven(rng: np.random.Generator, car: Car, extra: Array) -> tuple[Array, Array, float, float]:
    """Duty, pressure, intake temperature and lambda of a pull; extra: ln of the volume asked for beyond a healthy
    average car's.
    """
    air_c, lam = rng.normal(38, 8), rng.normal(0.85, 0.012)
    kpa = car.pressure_kpa * BOOST_SHAPE * np.exp(rng.normal(0, 0.01))
    need = kpa / 100 * (298.15 / (air_c + 273.15)) ** 0.5 / lam / _air_per_fuel(car.ethanol_pct)
    noise = rng.normal(0, car.spread.pull) + rng.normal(0, car.spread.cell, len(RPM))
    share = need * FILLING * np.exp(extra + noise) / car.size
    delivered = (1 - car.round_share) * DUTY_GRID_PCT / 100 + car.round_share * LOBE
    duty = np.minimum(np.interp(share, delivered, DUTY_GRID_PCT), car.ceiling_pct)
    return duty, kpa, float(air_c), float(lam)


def _named(car: Car, pulls: list[Pull]) -> pl.DataFrame:
    """pull, log, label, date: one row a pull."""
    return pl.DataFrame(
        {
            "pull": pl.Series([pull.number for pull in pulls], dtype=pl.Int32),
            "log": [pull.log for pull in pulls],
            "label": [car.label] * len(pulls),
            "date": [pull.day for pull in pulls],
        }
    )


def _cells(car: Car, pulls: list[Pull]) -> pl.DataFrame:
    """The pulls' cells, in the order of pulls and bands."""
    duty = np.concatenate([pull.duty_pct for pull in pulls])
    kpa = np.concatenate([pull.pressure_kpa for pull in pulls])
    stuck, of_pull = duty >= car.ceiling_pct, np.repeat(np.arange(len(pulls)), len(BANDS))
    measured = pl.DataFrame(
        {
            "band_rpm": np.tile(BANDS.astype(np.int32), len(pulls)),
            "engine_speed_rpm": np.tile(RPM, len(pulls)),
            "duty_pct": duty,
            "duty_max_pct": np.where(stuck, duty, np.minimum(duty + 0.4, car.ceiling_pct)),
            "duty_top_share": np.where(stuck, 1.0, 0.2),
            "manifold_pressure_kpa": kpa,
            "boost_kpa": kpa - 101.325,
        }
    ).with_columns(
        samples=pl.lit(5, pl.Int32),
        pressure_log_sd=pl.lit(0.01),
        barometer_assumed=pl.lit(False),
        intake_air_c=pl.Series([pull.intake_air_c for pull in pulls]).gather(of_pull),
        lambda_ratio=pl.Series([pull.lambda_ratio for pull in pulls]).gather(of_pull),
        ethanol_pct=pl.lit(car.ethanol_pct if car.measured else None, pl.Float64),
        rail_pressure_bar=pl.lit(180.0),
        rail_target_bar=pl.lit(180.0),
        dropout_samples=pl.lit(0, pl.Int32),
        **{n: pl.lit(None, pl.Float64) for n in ("boost_target_kpa", "fuel_c", "feed_pressure_bar", "battery_v")},
    )
    return measured.hstack(_named(car, pulls)[of_pull])


def _pull_rows(car: Car, pulls: list[Pull]) -> pl.DataFrame:
    tops = [int(pull.duty_pct.argmax()) for pull in pulls]
    fell = pl.Series([pull.dropped for pull in pulls])
    count, where = fell.cast(pl.Int32), pl.when(fell).then(4000.0)
    driven = pl.DataFrame({"start_s": [10.0] * len(pulls)}).with_columns(
        end_s=pl.lit(16.0), samples=pl.lit(90, pl.Int32), gear=pl.lit(4, pl.Int32),
        speed_low_rpm=pl.lit(2250.0), speed_high_rpm=pl.lit(6700.0),
        duty_max_pct=pl.Series([pull.duty_pct[top] for pull, top in zip(pulls, tops, strict=True)]),
        duty_max_rpm=pl.Series(RPM[tops]), dropouts=count, dropouts_collapsing=count, dropout_rpm=where,
        rail_deficits=count, rail_deficit_s=0.3 * fell.cast(pl.Float64), rail_deficit_rpm=where, lean_s=pl.lit(0.0),
        feed_pressure_min_bar=pl.lit(None, pl.Float64),
    )  # fmt: skip
    return driven.hstack(_named(car, pulls))


def ledger_of(pulls: pl.DataFrame) -> pl.DataFrame:
    """The ledger of the logs that these pulls are from."""
    counted = pulls.group_by("log", "label", "date").agg(pulls=pl.len().cast(pl.Int32)).sort("log")
    return counted.select(
        "log", source=pl.col("log"), label=pl.col("label"), date=pl.col("date"), verdict=pl.lit("kept"),
        reason=pl.lit(""), rows_in=pl.lit(1000, pl.Int64), rows_kept=pl.lit(1000, pl.Int64),
        pulls=pl.col("pulls"), dialect=pl.lit("direct"),
        findings=pl.lit([], pl.List(pl.Struct({"code": pl.String, "channel": pl.String, "row": pl.Int64,
                                               "rows": pl.Int64}))),
        dropped=pl.lit([], pl.List(pl.Struct({"reason": pl.String, "rows": pl.Int64}))),
    )  # fmt: skip


RosterRow = tuple[str, str, str, str, str, float, date | None, date | None]


def roster_of(rows: list[RosterRow]) -> pl.DataFrame:
    """The roster of rows of label, engine, pump, boost hardware, calibration, ethanol, since, until."""
    names = ["label", "engine", "pump", "boost_hardware", "calibration", "ethanol_pct", "since", "until"]
    dates = {"since": pl.Date, "until": pl.Date}
    return pl.DataFrame(rows, schema=names, orient="row", schema_overrides=dates).select(
        *names[:5], pl.lit(False).alias("port_injection"), *names[5:],
        pl.lit(None, pl.String).alias("found"), pl.lit(None, pl.Date).alias("found_on"),
    )  # fmt: skip
