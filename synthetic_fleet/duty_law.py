"""The invented fleet's own physics: air to fuel volume, fuel volume to pump duty."""

import numpy as np

from synthetic_fleet.setups import BOOST_KNOTS_RPM, ENGINE_KNOTS_RPM, Engine, Floats, Pump, Setup, fuel

AIR_J_PER_G_K = 0.287053  # dry air, US Standard Atmosphere 1976
FLANK_SHARE = 0.25  # of the up-stroke, at either end of a flanked lobe
PORT_SHARE = 0.22  # of the fuel, where port injectors help
SQUEEZE_PER_BAR = 1.0e-4  # volume lost to squeezing the fuel: about 1 % per 100 bar
SHAPE_CENTRE_RPM, SHAPE_WIDTH_RPM = 4400.0, 2200.0


def air_mass_per_fuel_ml(ethanol_pct: Floats | float) -> Floats:
    """Air that one millilitre of the blend burns with at lambda 1, by volume share. [g/ml at 15 degC]

    >>> petrol, e85 = air_mass_per_fuel_ml(0.0), air_mass_per_fuel_ml(85.0)
    >>> round(float(petrol / e85), 4)
    1.4196
    """
    f, share = fuel(), np.asarray(ethanol_pct, dtype=float) / 100.0
    ethanol = share * f.ethanol_stoich * f.ethanol_kg_m3
    return (ethanol + (1.0 - share) * f.gasoline_stoich * f.gasoline_kg_m3) / 1000.0


def air_mass_g(engine: Engine, rpm: Floats, manifold_kpa: Floats, charge_c: Floats | float) -> Floats:
    """Air drawn in an engine cycle by the ideal gas law. [g]"""
    filling = np.interp(rpm, ENGINE_KNOTS_RPM, engine.volumetric_efficiency)
    return manifold_kpa * engine.displacement_l * filling / (AIR_J_PER_G_K * (np.asarray(charge_c) + 273.15))


def standard_barometer_kpa(height_m: float) -> float:
    """Pressure of the US Standard Atmosphere 1976 at a height, good to the tropopause. [kPa]

    >>> round(standard_barometer_kpa(500.0), 1)
    95.5
    """
    return 101.325 * (1.0 - 2.25577e-5 * height_m) ** 5.25588


def fuel_volume_ml(air_g: Floats, lambda_ratio: Floats, ethanol_pct: Floats | float, fuel_c: Floats | float) -> Floats:
    """Fuel for the air of an engine cycle, as warm as it is in the pump. [ml]"""
    swollen = 1.0 + fuel().expansion_per_k * (np.asarray(fuel_c) - 15.0)
    return air_g / (lambda_ratio * air_mass_per_fuel_ml(ethanol_pct)) * swollen


def pump_capacity_ml(pump: Pump, engine: Engine, rpm: Floats, rail_bar: Floats) -> Floats:
    """What the pump gives in an engine cycle at full stroke: it turns with the cam. [ml]"""
    filling = 0.965 - 0.03 * np.clip((rpm - 3000.0) / 4000.0, 0.0, None) ** 2
    return pump.stroke_ml * engine.strokes_per_cycle * filling * (1.0 - SQUEEZE_PER_BAR * rail_bar)


def healthy_leak_ml(pump: Pump, rpm: Floats) -> Floats:
    """A little flows past every piston, the same each second. [ml an engine cycle]"""
    return pump.leak_ml_s * 120.0 / np.maximum(rpm, 500.0)


def delivered_share(duty_share: Floats, lobe: str) -> Floats:
    """Share of the full stroke delivered with the valve shut for so much of the up-stroke, both 0..1.

    straight: the control unit has straightened it. round: harmonic lift. flanked: piston speed rises over
    the first quarter of the up-stroke, stays, and falls over the last quarter. Delivery ends at the top.

    >>> [round(100 * float(delivered_share(np.array(d), "round"))) for d in (0.3, 0.5, 0.6, 0.7, 0.8, 0.9)]
    [21, 50, 65, 79, 90, 98]
    """
    d = np.clip(duty_share, 0.0, 1.0)
    if lobe == "straight":
        return d
    if lobe == "round":
        return (1.0 - np.cos(np.pi * d)) / 2.0
    f = FLANK_SHARE
    middle = (d - f / 2.0) / (1.0 - f)
    curved = 2.0 * f * (1.0 - f)
    return np.where(d < f, d**2 / curved, np.where(d > 1.0 - f, 1.0 - (1.0 - d) ** 2 / curved, middle))


def duty_share(share: Floats, lobe: str) -> Floats:
    """Inverse of `delivered_share`; shares above 1 ask for all there is."""
    s = np.clip(share, 0.0, 1.0)
    if lobe == "straight":
        return s
    if lobe == "round":
        return np.arccos(1.0 - 2.0 * s) / np.pi
    f = FLANK_SHARE
    curved = 2.0 * f * (1.0 - f)
    knee = f / (2.0 * (1.0 - f))
    low, high = np.sqrt(s * curved), 1.0 - np.sqrt((1.0 - s) * curved)
    return np.where(s < knee, low, np.where(s > 1.0 - knee, high, f / 2.0 + (1.0 - f) * s))


def shape(rpm: Floats, level: float, tilt: float, bow: float) -> Floats:
    """A car's own curve, in log volume: how far it needs more or less than the drawing says."""
    z = (rpm - SHAPE_CENTRE_RPM) / SHAPE_WIDTH_RPM
    return level + tilt * z + bow * (z**2 - 0.33)


def full_boost_kpa(setup: Setup, rpm: Floats) -> Floats:
    """Boost asked for at full pedal. [kPa gauge]"""
    return np.interp(rpm, BOOST_KNOTS_RPM, setup.boost_hardware.boost_kpa)


def full_load_share(setup: Setup, rpm: Floats, ethanol_pct: float, boost_tune: float = 1.0) -> Floats:
    """Share of the full stroke that a car without any error of its own needs at full load on a mild day."""
    engine = setup.engine
    air = air_mass_g(engine, rpm, 100.0 + boost_tune * full_boost_kpa(setup, rpm), 50.0)
    lambda_full = np.interp(rpm, ENGINE_KNOTS_RPM, engine.lambda_full)
    volume = fuel_volume_ml(air, lambda_full, ethanol_pct, 38.0) * (1.0 - PORT_SHARE * setup.port_injection)
    rail = np.full_like(rpm, engine.rail_full_bar)
    return (volume + healthy_leak_ml(setup.pump, rpm)) / pump_capacity_ml(setup.pump, engine, rpm, rail)
