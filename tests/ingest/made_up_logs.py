"""Made-up readings with known pulls, for the tests of this room. No physics: shapes only."""

from datetime import date
from pathlib import Path

import numpy as np
import polars as pl

from ingest.one_batch import Log
from ingest.reading import Channel, Reading

DAY = date(2026, 7, 4)


def drive(
    rng: np.random.Generator,
    *,
    rate_hz: float = 10.0,
    pulls: int = 2,
    pedal_top_pct: float = 100.0,
    noise_rpm: float = 8.0,
    step_rpm: float = 1.0,
    pull_s: float = 6.0,
    part_load: bool = True,
) -> dict[str, np.ndarray]:
    """Idle, then pulls from 2,200 to 6,300 1/min, each followed by a lift and, if asked, a part-load climb."""
    dt = 1.0 / rate_hz
    parts: list[tuple[np.ndarray, float, float]] = [(_line(5.0, dt, 850, 850), 0.0, 35.0)]
    for _ in range(pulls):
        parts.append((_line(3.0, dt, 2200, 2200), 0.2, 60.0))
        parts.append((_line(pull_s, dt, 2200, 6300), 1.0, 220.0))
        parts.append((_line(2.0, dt, 6300, 2500), 0.0, 30.0))
        if part_load:
            parts.append((_line(6.0, dt, 2000, 4500), 0.45, 140.0))
    engine = np.concatenate([part[0] for part in parts])
    pedal = np.concatenate([np.full(len(part[0]), part[1]) for part in parts])
    pressure = np.concatenate([np.full(len(part[0]), part[2]) for part in parts])
    kernel = np.exp(-np.arange(int(2 * rate_hz)) * dt / 0.4)
    pressure = pressure[0] + np.convolve(pressure - pressure[0], kernel / kernel.sum())[: len(pressure)]
    n = len(engine)
    duty = np.where(pedal > 0, 25 + 0.25 * pressure + (engine - 4000) / 400, 8.0) + rng.normal(0, 0.4, n)
    rail = np.where(pedal > 0, 195.0, 90.0)
    return {
        "time_s": np.arange(n) * dt,
        "engine_speed_rpm": np.round((engine + rng.normal(0, noise_rpm, n)) / step_rpm) * step_rpm,
        "pump_duty_pct": np.clip(duty, 0, 100),
        "manifold_pressure_kpa": pressure + rng.normal(0, 0.8, n),
        "barometric_pressure_kpa": np.full(n, 99.0),
        "pedal_pct": pedal * pedal_top_pct + rng.normal(0, 0.2, n),
        "lambda_ratio": np.where(pedal == 1, 0.85, 1.0) + rng.normal(0, 0.004, n),
        "rail_pressure_bar": rail + rng.normal(0, 2.0, n),
        "rail_target_bar": rail,
        "intake_air_c": np.full(n, 31.0),
        "ethanol_pct": np.full(n, 10.0),
    }


def _line(seconds: float, dt: float, start: float, end: float) -> np.ndarray:
    return np.linspace(start, end, round(seconds / dt), endpoint=False)


def reading(channels: dict[str, np.ndarray], **changed: object) -> Reading:
    """A Reading of these channels."""
    n = len(channels["time_s"])
    facts: dict = {
        "dialect": "text, utf-8, comma",
        "row": np.arange(1, n + 1),
        "values": channels,
        "channels": {name: Channel(name, "", "") for name in channels if name != "time_s"},
        "findings": (),
        "rows_in": n,
        "dropped": {},
        "date": DAY,
        "refused": "",
    }
    return Reading(**(facts | changed))


def log(channels: dict[str, np.ndarray], name: str = "a", **changed: object) -> Log:
    """A Log of these channels, its digests made up."""
    return Log(f"log-{name}", f"source-{name}", "AAAA-AAAA", reading(channels, **changed))


HEADER = {
    "time_s": "Time [s]",
    "engine_speed_rpm": "Engine speed [1/min]",
    "pump_duty_pct": "HPFP duty [%]",
    "manifold_pressure_kpa": "Manifold absolute pressure [kPa]",
    "barometric_pressure_kpa": "Barometric pressure [kPa]",
    "pedal_pct": "Accelerator pedal [%]",
    "lambda_ratio": "Lambda",
    "rail_pressure_bar": "Fuel rail pressure [bar]",
    "rail_target_bar": "Fuel rail pressure target [bar]",
    "intake_air_c": "Intake air temperature [degC]",
    "ethanol_pct": "Ethanol content [%]",
}


def text(seed: int, **how: object) -> str:
    """A whole log as delimited text."""
    channels = drive(np.random.default_rng(seed), **how)  # type: ignore[arg-type]
    frame = pl.DataFrame({HEADER[name]: np.round(values, 3) for name, values in channels.items()})
    return frame.write_csv()


def club(folder: Path, cars: int = 2, logs: int = 2) -> tuple[Path, Path, Path]:
    """Logs, roster and (absent) store of a made-up club; car 0 is anna, then bert, cleo, dora."""
    names = ("anna", "bert", "cleo", "dora")[:cars]
    for number, name in enumerate(names):
        (folder / "logs" / name).mkdir(parents=True)
        for log in range(logs):
            content = text(10 * number + log, pulls=1 + log)
            (folder / "logs" / name / f"2026-07-{log + 1:02d}_01.csv").write_text(content, encoding="utf-8")
    rows = "".join(f"{name},2.0 four,original\n" for name in names)
    (folder / "roster.csv").write_text("car,engine,pump\n" + rows, encoding="utf-8")
    return folder / "logs", folder / "roster.csv", folder / "store"
