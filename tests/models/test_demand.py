"""Fuel volume a cycle against published fuel properties and the chemistry of blending."""

import numpy as np
import pytest

from models.demand import demand, fuel_factor, fuel_factor_slope, fuels

SHARES_PCT = [10, 17, 30, 40, 85, 100]
# air-fuel ratios 14.7 and 9.0: US Alternative Fuels Data Center (AFDC), "Properties of Fuels"; 745 kg/m3 within
# EN 228 (from memory); ethanol 793.7 kg/m3 at 15 degC: CoolProp 8.0. Worked out by the closed form of
# test_stoich_blends_by_mass_and_density_by_volume.
REFERENCE = [1.0360, 1.0628, 1.1165, 1.1616, 1.4196, 1.5331]
# the same with AFDC's lightest and heaviest gasoline: 6.0 and 6.5 lb/gal at 60 degF, 719 and 779 kg/m3
LIGHTEST = [1.0336, 1.0586, 1.1082, 1.1497, 1.3825, 1.4826]
HEAVIEST = [1.0392, 1.0686, 1.1277, 1.1778, 1.4723, 1.6062]
# SAE J1979's 14.64 (as quoted) and 8.943 from chemistry, 740 and 789.4 kg/m3 at 20 degC
WARMER = [1.0361, 1.0629, 1.1167, 1.1619, 1.4206, 1.5345]


def blended(share: float, stoich: tuple[float, float], density: tuple[float, float]) -> tuple[float, float]:
    """Stoichiometric ratio and density of a blend by its mass and volume shares."""
    rho = share * density[1] + (1 - share) * density[0]
    by_mass = share * density[1] / rho
    return by_mass * stoich[1] + (1 - by_mass) * stoich[0], rho


@pytest.mark.parametrize(("ethanol_pct", "factor"), list(zip(SHARES_PCT, REFERENCE, strict=True)))
def test_the_same_air_needs_more_volume_of_a_stronger_blend(ethanol_pct: float, factor: float) -> None:
    assert float(fuel_factor(ethanol_pct)) == pytest.approx(factor, abs=6e-5)


def test_gasoline_alone_is_the_reference() -> None:
    assert float(fuel_factor(0.0)) == 1.0


def test_the_factor_is_known_as_well_as_market_gasoline_is() -> None:
    factors = fuel_factor(SHARES_PCT)
    assert (np.array(LIGHTEST) < factors).all()
    assert (factors < np.array(HEAVIEST)).all()
    # the docstring's claim: 0.3 % at E10 and some 3 % at E85 (-2.6, +3.7)
    assert np.array([LIGHTEST[0], HEAVIEST[0]]) / factors[0] == pytest.approx(1.0, abs=0.0032)
    assert np.array([LIGHTEST[4], HEAVIEST[4]]) / factors[4] == pytest.approx(1.0, abs=0.038)


def test_other_handbook_constants_change_it_by_a_thousandth_at_most() -> None:
    assert fuel_factor(SHARES_PCT) == pytest.approx(np.array(WARMER), rel=1e-3)


@pytest.mark.parametrize("share", [0.1, 0.4, 0.85])
def test_stoich_blends_by_mass_and_density_by_volume(share: float) -> None:
    gasoline, ethanol = fuels()["gasoline"], fuels()["ethanol"]
    stoich, density = blended(
        share,
        (gasoline.stoich_ratio, ethanol.stoich_ratio),
        (gasoline.density_kg_m3, ethanol.density_kg_m3),
    )
    expected = gasoline.stoich_ratio * gasoline.density_kg_m3 / (stoich * density)
    assert float(fuel_factor(100 * share)) == pytest.approx(expected, rel=1e-12)


def test_stoich_times_density_is_linear_in_the_volume_share() -> None:
    shares = np.linspace(0, 100, 11)
    assert np.diff(1.0 / fuel_factor(shares), 2) == pytest.approx(0.0, abs=1e-12)


def test_weighting_the_air_fuel_ratio_by_volume_would_be_wrong_at_e40() -> None:
    gasoline, ethanol = fuels()["gasoline"], fuels()["ethanol"]
    naive = 0.4 * ethanol.stoich_ratio + 0.6 * gasoline.stoich_ratio
    density = 0.4 * ethanol.density_kg_m3 + 0.6 * gasoline.density_kg_m3
    wrong = gasoline.stoich_ratio * gasoline.density_kg_m3 / (naive * density)
    assert wrong == pytest.approx(1.1534, abs=6e-5)  # worked out by hand from the same constants
    assert float(fuel_factor(40)) == pytest.approx(1.1616, abs=6e-5)


def test_the_table_of_fuels_agrees_with_sources_it_does_not_name() -> None:
    # C2H5OH + 3 O2, air with 20.946 % oxygen and 28.9647 g/mol, ethanol 46.0684 g/mol: 9.006
    assert fuels()["ethanol"].stoich_ratio == pytest.approx(3 / 0.20946 * 28.9647 / 46.0684, rel=1e-3)
    # CoolProp's equation of state 793.69 kg/m3 at 15 degC; OIML R 22 (1973) 793.51
    assert fuels()["ethanol"].density_kg_m3 == pytest.approx(793.69, rel=5e-4)
    # SAE J1979's text for the commanded equivalence ratio (as quoted)
    assert fuels()["gasoline"].stoich_ratio == pytest.approx(14.64, rel=0.005)


@pytest.mark.parametrize("ethanol_pct", [0.0, 10.0, 40.0, 85.0])
def test_the_slope_is_the_derivative(ethanol_pct: float) -> None:
    h = 1e-4
    rise = np.log(fuel_factor(ethanol_pct + h)) - np.log(fuel_factor(ethanol_pct - h))
    assert float(fuel_factor_slope(ethanol_pct)) == pytest.approx(float(rise) / (2 * h), rel=1e-6)


def test_demand_is_one_at_the_reference_and_follows_air_over_lambda() -> None:
    assert float(demand(100.0, 25.0, 1.0, 0.0)) == 1.0
    assert float(demand(220.0, 25.0, 0.8, 0.0)) == pytest.approx(2.2 / 0.8)
    assert float(demand(100.0, 25.0, 1.0, 85.0)) == pytest.approx(1.4196, abs=6e-5)


def test_with_an_exponent_of_one_the_air_is_an_ideal_gas() -> None:
    # 1.2250 kg/m3 at 101.325 kPa and 15 degC: US Standard Atmosphere 1976; 1.16843 at 100 kPa and 25 degC from
    # the ideal gas, R = 287.05287 J/(kg K)
    ratio = float(demand(101.325, 15.0, 1.0, 0.0, intake_exponent=1.0))
    assert ratio == pytest.approx(1.2250 / 1.16843, rel=1e-4)


def test_demand_broadcasts_over_samples() -> None:
    assert demand([100.0, 200.0], 25.0, 1.0, 0.0).tolist() == [1.0, 2.0]
