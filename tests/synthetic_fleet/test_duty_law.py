"""The invented physics against published fuel, air and geometry figures."""

import numpy as np
import pytest

from synthetic_fleet.duty_law import (
    AIR_J_PER_G_K,
    FLANK_SHARE,
    air_mass_g,
    air_mass_per_fuel_ml,
    delivered_share,
    duty_share,
    fuel_volume_ml,
    full_load_share,
    pump_capacity_ml,
    shape,
    standard_barometer_kpa,
)
from synthetic_fleet.setups import fuel, setups

LOBES = ("straight", "round", "flanked")


@pytest.mark.parametrize(
    ("ethanol_pct", "ratio"),
    [(10, 1.0360), (17, 1.0628), (30, 1.1165), (40, 1.1616), (85, 1.4196), (100, 1.5331)],
)
def test_fuel_volume_for_the_same_air_rises_with_ethanol(ethanol_pct: float, ratio: float) -> None:
    # air-fuel ratios 14.7 and 9.0: AFDC "Properties of Fuels"; 745 kg/m3 within EN 228;
    # ethanol 793.7 kg/m3 at 15 degC: CoolProp. Ratios by mass-weighted stoich and volume-weighted density.
    assert float(air_mass_per_fuel_ml(0.0) / air_mass_per_fuel_ml(ethanol_pct)) == pytest.approx(ratio, abs=6e-5)


def test_the_volume_ratio_follows_from_blending_stoich_by_mass_and_density_by_volume() -> None:
    f = fuel()
    for share in (0.1, 0.4, 0.85):
        density = share * f.ethanol_kg_m3 + (1 - share) * f.gasoline_kg_m3
        mass_share = share * f.ethanol_kg_m3 / density
        stoich = mass_share * f.ethanol_stoich + (1 - mass_share) * f.gasoline_stoich
        assert float(air_mass_per_fuel_ml(100 * share)) == pytest.approx(stoich * density / 1000.0)


def test_ethanol_burns_with_as_much_air_as_its_formula_says() -> None:
    # C2H5OH + 3 O2, air with 20.946 % oxygen and 28.9647 g/mol, ethanol 46.0684 g/mol; handbooks round to 9.0
    assert fuel().ethanol_stoich == pytest.approx(3 / 0.20946 * 28.9647 / 46.0684, rel=0.001)


def test_ethanol_is_as_dense_as_legal_metrology_has_it() -> None:
    # 793.51 kg/m3 at 15 degC: OIML R 22 (1973); 0.05 % is between the two equations of state
    assert fuel().ethanol_kg_m3 == pytest.approx(793.51, rel=0.0005)


def test_air_is_as_dense_as_the_standard_atmosphere_has_it() -> None:
    # 1.2250 kg/m3 at 101.325 kPa and 15 degC: US Standard Atmosphere 1976
    assert pytest.approx(1.2250, abs=1e-4) == 101.325 / (AIR_J_PER_G_K * 288.15)
    engine = setups()[0].engine
    air = air_mass_g(engine, np.array([3000.0]), np.array([101.325]), 15.0)
    filling = engine.volumetric_efficiency[2]
    assert float(air[0]) == pytest.approx(1.2250 * engine.displacement_l * filling, rel=1e-4)


@pytest.mark.parametrize(("height_m", "hpa"), [(0, 1013.25), (500, 954.61), (1000, 898.76)])
def test_pressure_falls_with_height(height_m: float, hpa: float) -> None:
    # US Standard Atmosphere 1976, same as ISO 2533:1975 in this range
    assert 10.0 * standard_barometer_kpa(height_m) == pytest.approx(hpa, abs=0.2)


def test_a_two_litre_engine_needs_half_a_millilitre() -> None:
    # worked by hand: 2.0 l of air at 200 kPa and 40 degC weigh 4.450 g; E10 has stoich 14.097 and
    # 0.74987 kg/l, so at lambda 0.85 it takes 4.450 / (0.85 * 14.097 * 0.74987) = 0.495 ml at 15 degC
    air = np.array([200.0 * 2.0 / (AIR_J_PER_G_K * 313.15)])
    volume = fuel_volume_ml(air, np.array([0.85]), 10.0, 15.0)
    assert float(volume[0]) == pytest.approx(0.4953, abs=0.0005)


def test_round_lobe_delivers_as_the_sine_says() -> None:
    # (1 - cos(pi d)) / 2 at 30 to 95 % duty, trigonometric table
    duty = np.array([0.30, 0.50, 0.60, 0.70, 0.80, 0.90, 0.95])
    share = 100 * delivered_share(duty, "round")
    assert np.round(share).tolist() == [21, 50, 65, 79, 90, 98, 99]


@pytest.mark.parametrize("lobe", ["round", "flanked"])
def test_delivery_is_the_piston_speed_summed_up_to_the_top(lobe: str) -> None:
    way = np.linspace(0.0, 1.0, 200_001)
    speed = np.sin(np.pi * way) if lobe == "round" else np.minimum(1.0, np.minimum(way, 1 - way) / FLANK_SHARE)
    steps = (speed[1:] + speed[:-1]) / 2
    for duty in (0.1, 0.24, 0.26, 0.5, 0.74, 0.8, 0.97):
        last = way[1:] > 1.0 - duty
        assert float(delivered_share(np.array(duty), lobe)) == pytest.approx(steps[last].sum() / steps.sum(), abs=2e-5)


@pytest.mark.parametrize("lobe", LOBES)
def test_duty_and_share_are_each_others_inverse(lobe: str) -> None:
    duty = np.linspace(0.0, 1.0, 401)
    share = delivered_share(duty, lobe)
    assert np.all(np.diff(share) > 0)
    assert share[[0, -1]].tolist() == [0.0, 1.0]
    np.testing.assert_allclose(duty_share(share, lobe), duty, atol=1e-7)


def test_lobes_differ_in_what_one_per_cent_more_volume_costs() -> None:
    # round lobe: d ln(duty) / d ln(share) = (1 - cos(pi d)) / (pi d sin(pi d)) = 2.233 at d = 0.9, by hand
    def cost(lobe: str) -> float:
        share = delivered_share(np.array(0.9), lobe)
        return float(np.log(duty_share(share * (1 + 1e-6), lobe) / 0.9) / 1e-6)

    assert cost("straight") == pytest.approx(1.0)
    assert cost("round") == pytest.approx(2.233, abs=0.001)
    assert cost("straight") < cost("flanked") < cost("round")


def test_capacity_follows_strokes_a_cycle_and_falls_with_rail_pressure() -> None:
    setup = setups()[0]
    rpm = np.full(2, 3000.0)
    low, high = pump_capacity_ml(setup.pump, setup.engine, rpm, np.array([100.0, 200.0]))
    assert low == pytest.approx(setup.pump.stroke_ml * setup.engine.strokes_per_cycle, rel=0.06)
    assert 0.985 < high / low < 0.995


def test_a_cars_own_shape_keeps_its_level() -> None:
    rpm = np.linspace(2500.0, 6500.0, 401)
    assert np.ptp(shape(rpm, 0.02, 0.0, 0.0)) == 0.0
    assert float(shape(np.array([4400.0]), 0.0, 0.01, 0.0)[0]) == 0.0
    assert abs(float(shape(rpm, 0.0, 0.01, 0.01).mean())) < 0.002


def test_no_setup_asks_more_of_its_pump_than_it_has_on_mild_fuel() -> None:
    rpm = np.arange(2500.0, 6501.0, 250.0)
    for setup in setups():
        assert 0.4 < full_load_share(setup, rpm, min(setup.ethanol_pct)).max() < 0.95, setup.name
