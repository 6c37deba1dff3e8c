"""What invented cars are built from: engines, pumps, boost hardware, calibrations; and what goes together."""

import tomllib
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

ENGINE_KNOTS_RPM = np.arange(1000.0, 7001.0, 1000.0)
BOOST_KNOTS_RPM = np.arange(1500.0, 7501.0, 1000.0)
PHYSICS = {"mixed": "", "straight": "straight", "lobe": "round"}


@dataclass(frozen=True)
class Fuel:
    """Two pure fuels: air-fuel mass ratio at lambda 1, density at 15 degC; one expansion, of volume, for both."""

    gasoline_stoich: float
    gasoline_kg_m3: float
    ethanol_stoich: float
    ethanol_kg_m3: float
    expansion_per_k: float


@dataclass(frozen=True)
class Engine:
    """volumetric_efficiency, lambda_full: a value a knot. pull_rpm_per_s: how fast full load climbs in third gear."""

    name: str
    displacement_l: float
    strokes_per_cycle: int  # pump strokes in two turns of the crankshaft
    idle_rpm: float
    limiter_rpm: float
    rail_idle_bar: float
    rail_full_bar: float
    pull_rpm_per_s: float
    volumetric_efficiency: tuple[float, ...]  # at ENGINE_KNOTS_RPM
    lambda_full: tuple[float, ...]  # at ENGINE_KNOTS_RPM
    kmh_per_1000_rpm: tuple[float, ...]  # a value a gear


@dataclass(frozen=True)
class Pump:
    """stroke_ml: volume of one full stroke. leak_ml_s: what flows past a sound piston."""

    name: str
    stroke_ml: float
    lobe: str  # straight, round or flanked
    leak_ml_s: float


@dataclass(frozen=True)
class BoostHardware:
    """spool_s: time constant with which boost builds up."""

    name: str
    boost_kpa: tuple[float, ...]  # gauge, at BOOST_KNOTS_RPM
    spool_s: float


@dataclass(frozen=True)
class Calibration:
    """ceiling_pct: the highest duty it commands."""

    name: str
    ceiling_pct: float


@dataclass(frozen=True)
class Setup:
    """One combination that owners drive. weight: how many do, relative to the others."""

    engine: Engine
    pump: Pump
    boost_hardware: BoostHardware
    calibration: Calibration
    port_injection: bool
    weight: float
    ethanol_pct: tuple[float, ...]  # what its owners tend to fill

    @property
    def name(self) -> str:
        parts = (self.engine.name, self.pump.name, self.boost_hardware.name, self.calibration.name)
        return " | ".join(parts) + (" | port injection" if self.port_injection else "")


@cache
def _tables() -> dict[str, Any]:
    return tomllib.loads((Path(__file__).parent / "setups.toml").read_text(encoding="utf-8"))


@cache
def fuel() -> Fuel:
    """Real fuel properties, see the sources in setups.toml."""
    return Fuel(**_tables()["fuel"])


def _tupled(row: dict[str, Any]) -> dict[str, Any]:
    return {key: tuple(map(float, v)) if isinstance(v, list) else v for key, v in row.items()}


@cache
def pumps(physics: str = "mixed") -> dict[str, Pump]:
    """All pumps by name; `physics` other than "mixed" gives every pump the same lobe."""
    lobe = PHYSICS[physics]
    plain = {name: Pump(name=name, **row) for name, row in _tables()["pumps"].items()}
    return {name: replace(pump, lobe=lobe or pump.lobe) for name, pump in plain.items()}


@cache
def setups(physics: str = "mixed") -> tuple[Setup, ...]:
    """All setups in the order in which a growing fleet takes them up.

    >>> len({s.engine.name for s in setups()}), len({s.pump.name for s in setups()})
    (3, 3)
    """
    tables = _tables()
    engines = {name: Engine(name=name, **_tupled(row)) for name, row in tables["engines"].items()}
    hardware = {name: BoostHardware(name=name, **_tupled(row)) for name, row in tables["boost_hardware"].items()}
    calibrations = {name: Calibration(name=name, **row) for name, row in tables["calibrations"].items()}
    return tuple(
        Setup(
            engines[row["engine"]],
            pumps(physics)[row["pump"]],
            hardware[row["boost_hardware"]],
            calibrations[row["calibration"]],
            row.get("port_injection", False),
            float(row["weight"]),
            tuple(map(float, row["ethanol_pct"])),
        )
        for row in tables["setups"]
    )
