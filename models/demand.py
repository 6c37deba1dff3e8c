"""How much fuel volume an engine asks of its pump in one cycle, relative to a fixed reference.

A cam-driven pump turns with the engine, so what it must deliver a stroke follows the fuel *per engine cycle*:
air per cycle over (lambda x stoichiometric ratio x fuel density). Displacement and filling of the cylinders
are the same for all cars of an engine and belong to the engine's curve, not here.
"""

import csv
from dataclasses import dataclass
from functools import cache
from importlib.resources import files

import numpy as np
from numpy.typing import ArrayLike, NDArray

REFERENCE_PRESSURE_KPA = 100.0
REFERENCE_INTAKE_K = 298.15


@dataclass(frozen=True)
class Fuel:
    """A pure fuel. stoich_ratio: air to fuel by mass. [1]  density_kg_m3: at 15 degC. [kg/m3]"""

    stoich_ratio: float
    density_kg_m3: float


@cache
def fuels() -> dict[str, Fuel]:
    """The pure fuels of fuels.csv, each with its source there.

    >>> fuels()["ethanol"].stoich_ratio
    9.0
    """
    table = files("models").joinpath("fuels.csv").read_text(encoding="utf-8")
    return {
        row["fuel"]: Fuel(float(row["stoich_ratio"]), float(row["density_kg_m3"]))
        for row in csv.DictReader(table.splitlines())
    }


def fuel_factor(ethanol_pct: ArrayLike) -> NDArray[np.float64]:
    """Fuel volume for the same air at the same lambda, relative to gasoline. [1]

    ethanol_pct: share by volume. [%]
    Stoichiometric ratio blends by mass and density by volume; their product is linear in the volume share.
    Known to about 0.3 % at E10 and 3 % at E85 from the spread of market gasoline alone.

    >>> fuel_factor([0, 10, 85]).round(4).tolist()
    [1.0, 1.036, 1.4196]
    """
    gasoline, ethanol = (f.stoich_ratio * f.density_kg_m3 for f in (fuels()["gasoline"], fuels()["ethanol"]))
    share = np.asarray(ethanol_pct, dtype=np.float64) / 100.0
    return np.asarray(gasoline / (share * ethanol + (1.0 - share) * gasoline))


def fuel_factor_slope(ethanol_pct: ArrayLike) -> NDArray[np.float64]:
    """Change of ln(fuel_factor) for one point of ethanol. [1/%]

    >>> float(fuel_factor_slope(10.0).round(5))
    0.0036
    """
    gasoline, ethanol = (f.stoich_ratio * f.density_kg_m3 for f in (fuels()["gasoline"], fuels()["ethanol"]))
    return np.asarray((gasoline - ethanol) / gasoline * fuel_factor(ethanol_pct) / 100.0)


def demand(
    manifold_pressure_kpa: ArrayLike,
    intake_air_c: ArrayLike,
    lambda_ratio: ArrayLike,
    ethanol_pct: ArrayLike,
    intake_exponent: float = 0.5,
) -> NDArray[np.float64]:
    """Fuel volume per engine cycle relative to gasoline at lambda 1, 100 kPa and 25 degC. [1]

    manifold_pressure_kpa: absolute. [kPa]  intake_air_c: [degC]  lambda_ratio: [1]  ethanol_pct: volume. [%]
    intake_exponent: 1 would be the ideal gas at the sensor's temperature; the port evens out part of it, and a
    heat-soaked sensor overstates the rest, so half of it is the start and the regression may move it.

    >>> float(demand(200.0, 25.0, 1.0, 0.0))
    2.0
    """
    intake_k = np.asarray(intake_air_c, dtype=np.float64) + 273.15
    air = np.asarray(manifold_pressure_kpa, dtype=np.float64) / REFERENCE_PRESSURE_KPA
    air = air * (REFERENCE_INTAKE_K / intake_k) ** intake_exponent
    return np.asarray(air / np.asarray(lambda_ratio, dtype=np.float64) * fuel_factor(ethanol_pct))
