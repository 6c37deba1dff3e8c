"""Three pulls as an enthusiast would describe them, among peers whose pumps run at 55 to 66 % duty.

The description is common practice and has no source: a pump that runs out of volume asks for ever more duty with engine
speed, loses delivery for a moment, and ends at its ceiling with the rail short. The numbers are invented.
"""

from collections.abc import Callable
from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import polars as pl
import pytest

from ingest.schemas import CELLS, PULLS
from models.schemas import Study
from synthetic_fleet.direct_cells import DirectFleet, direct_cells

BANDS_RPM = np.arange(2000, 6750, 250)
# what the peers' pumps need, 56 to 63.5 %, give or take a car
PEERS_PCT = np.interp(BANDS_RPM, [2000, 2400, 4000, 5700, 6600], [56.0, 59.0, 62.5, 63.5, 61.0])
OUT_OF_VOLUME_PCT = np.interp(BANDS_RPM, [2000, 5000, 6000, 6500], [65.0, 90.0, 91.9, 99.99])
LIKE_ITS_PEERS_PCT = np.interp(BANDS_RPM, [2000, 2400, 5700, 6600], [57.5, 59.6, 64.0, 62.0])
SETUP = {"engine": "E1", "pump": "P1", "boost_hardware": "B1", "calibration": "K1"}
FLEET = direct_cells(2, 1)  # lends its tables' rows that say nothing of the pump


def cells_of(log: str, label: str, day: date, pull: int, duty: np.ndarray, kpa: float, short: bool) -> pl.DataFrame:
    n, stuck = len(duty), duty >= 99.5
    rail = np.where((BANDS_RPM >= 6000) & short, 150.0, 180.0)
    frame = pl.DataFrame(
        {
            "band_rpm": BANDS_RPM, "engine_speed_rpm": BANDS_RPM + 125.0, "duty_pct": duty,
            "duty_max_pct": np.where(stuck, duty, duty + 0.5), "duty_top_share": np.where(stuck, 0.8, 0.2),
            "manifold_pressure_kpa": np.full(n, kpa), "rail_pressure_bar": rail, "rail_target_bar": np.full(n, 180.0),
        }
    ).with_columns(
        log=pl.lit(log), label=pl.lit(label), date=pl.lit(day), pull=pl.lit(pull), samples=pl.lit(5),
        pressure_log_sd=pl.lit(0.01), barometer_assumed=pl.lit(False), boost_kpa=pl.lit(kpa - 101.3),
        intake_air_c=pl.lit(38.0), lambda_ratio=pl.lit(0.85), ethanol_pct=pl.lit(10.0), dropout_samples=pl.lit(0),
    )  # fmt: skip
    rest = [pl.lit(None, dtype).alias(name) for name, dtype in CELLS.items() if name not in frame.columns]
    return frame.with_columns(rest).select(pl.col(name).cast(dtype) for name, dtype in CELLS.items())


def pull_row(log: str, label: str, day: date, pull: int, duty: np.ndarray, short: bool) -> pl.DataFrame:
    like = FLEET.pulls[:1].with_columns(
        log=pl.lit(log), label=pl.lit(label), date=pl.lit(day), pull=pl.lit(pull),
        duty_max_pct=pl.lit(float(duty.max())), duty_max_rpm=pl.lit(float(BANDS_RPM[duty.argmax()])),
        dropouts=pl.lit(int(short)), dropouts_collapsing=pl.lit(int(short)),
        dropout_rpm=pl.lit(5200.0 if short else None, pl.Float64), rail_deficits=pl.lit(int(short)),
        rail_deficit_s=pl.lit(0.5 * short), rail_deficit_rpm=pl.lit(6000.0 if short else None, pl.Float64),
    )  # fmt: skip
    return like.select(pl.col(name).cast(dtype) for name, dtype in PULLS.items())


def club(described: np.ndarray, logs: int, *, short: bool, peers: int = 16) -> DirectFleet:
    """Peers with three logs of three pulls each, and the car "C" with `logs` logs of three pulls as described."""
    rng = np.random.default_rng(1)
    cars = {f"P{number:02d}": (PEERS_PCT, 3, rng.normal(0, 0.027), False) for number in range(peers)}
    cars["C"] = (described, logs, 0.0, short)
    cells, pulls = [], []
    for label, (curve, count, level, fails) in cars.items():
        for log in range(count):
            day, of_day = date(2026, 7, 6) + timedelta(days=14 * log), rng.normal(0, 0.010)
            for pull in (1, 2, 3):
                noise = np.exp(level + of_day + rng.normal(0, 0.012, len(curve)))
                # the described car is given as it reads; its peers scatter
                duty = curve if label == "C" else curve * noise
                name = f"{label}-{log}"
                cells.append(cells_of(name, label, day, pull, duty, 200.0, fails))
                pulls.append(pull_row(name, label, day, pull, duty, fails))
    table = pl.concat(pulls)
    logged = table.select("log", "label", "date").unique(maintain_order=True)
    ledger = logged.join(FLEET.ledger[:1].drop("log", "source", "label", "date"), how="cross")
    ledger = ledger.with_columns(source="log").select(FLEET.ledger.columns)
    roster = FLEET.roster[:1].drop("label").join(pl.DataFrame({"label": list(cars)}), how="cross")
    roster = roster.with_columns(**{name: pl.lit(value) for name, value in SETUP.items()}).select(FLEET.roster.columns)
    return replace(FLEET, cells=pl.concat(cells), pulls=table, ledger=ledger, roster=roster)


def car_c(study: Study) -> dict[str, object]:
    return study.cars.filter(pl.col("label") == "C").row(0, named=True)


def test_the_peers_are_where_the_description_has_them() -> None:
    duty = club(LIKE_ITS_PEERS_PCT, 2, short=False).cells.filter(pl.col("label") != "C")["duty_pct"]
    assert (float(duty.quantile(0.02)), float(duty.quantile(0.98))) == pytest.approx((55, 66), abs=1)  # type: ignore[arg-type]


def test_a_pump_out_of_volume_in_two_logs_is_action(study_of: Callable[..., Study]) -> None:
    study = study_of(club(OUT_OF_VOLUME_PCT, 2, short=True))
    car = car_c(study)
    assert car["signal"] == "action"
    assert car["pump_limit"] == "rail_short"
    assert {"dropouts_rail_collapses", "out_of_volume"} <= set(str(car["pattern"]).split(";"))
    assert study.cars["label"][0] == "C"
    assert "action" not in study.cars.filter(pl.col("label") != "C")["signal"]


def test_one_such_log_alone_is_a_warning(study_of: Callable[..., Study]) -> None:
    car = car_c(study_of(club(OUT_OF_VOLUME_PCT, 1, short=True)))
    assert car["signal"] == "warning"
    assert car["pump_limit"] == "rail_short"
    assert "one_log_only" in str(car["check_first"]).split(";")


def test_a_pump_like_its_peers_is_clear(study_of: Callable[..., Study]) -> None:
    car = car_c(study_of(club(LIKE_ITS_PEERS_PCT, 2, short=False)))
    assert car["signal"] == "clear"
    assert car["pump_limit"] == "none"
    assert car["pattern"] == ""
