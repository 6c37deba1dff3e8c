"""Units told from values, shares, and what becomes lambda."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest.channels import claims, rules
from ingest.column_fit import Fit, fit, is_bare_equivalence_ratio

RAMP = np.linspace(0.0, 1.0, 200)


def tried(channel: str, name: str, unit: str, values: np.ndarray, *, mapped: bool = False) -> Fit | str:
    candidate = claims((name,), (unit,)).candidates[channel][0]
    return fit(candidate, rules()[channel], values, mapped=mapped, stoichiometric=14.7)


def values_of(result: Fit | str) -> np.ndarray:
    assert isinstance(result, Fit), result
    return result.values


@pytest.mark.parametrize(
    ("name", "low", "high", "lowest_bar", "highest_bar"),
    [
        ("Rail pressure", 50, 200, 50, 200),  # bar
        ("Rail pressure", 5, 20, 50, 200),  # MPa: 20 bar at most would be no high side
        ("Rail pressure", 5000, 20000, 50, 200),  # kPa
        ("Rail pressure", 725, 2900, 50, 200),  # psi
    ],
)
def test_a_rail_pressure_without_unit(
    name: str, low: float, high: float, lowest_bar: float, highest_bar: float
) -> None:
    result = tried("rail_pressure_bar", name, "", low + (high - low) * RAMP)
    assert values_of(result)[[0, -1]] == pytest.approx([lowest_bar, highest_bar], rel=2e-3)
    assert isinstance(result, Fit)
    assert result.assumed == "unit_assumed"


@pytest.mark.parametrize(
    ("low", "high", "low_c", "high_c"), [(20, 95, 20, 95), (160, 205, 71.1, 96.1), (293.15, 368.15, 20, 95)]
)
def test_a_coolant_temperature_without_unit(low: float, high: float, low_c: float, high_c: float) -> None:
    result = tried("coolant_c", "ECT", "", low + (high - low) * RAMP)
    assert values_of(result)[[0, -1]] == pytest.approx([low_c, high_c], abs=0.02)


@pytest.mark.parametrize(("unit", "top"), [("", 1.0), ("-", 0.93), ("%", 0.88)])
def test_a_duty_up_to_one_is_a_share(unit: str, top: float) -> None:
    result = tried("pump_duty_pct", "HPFP duty", unit, top * RAMP)
    assert values_of(result)[-1] == pytest.approx(100 * top)
    assert isinstance(result, Fit)
    assert result.assumed == "duty_as_share"


@pytest.mark.parametrize("top", [1.2, 40.0, 100.0])
def test_a_duty_above_one_is_in_per_cent(top: float) -> None:
    assert values_of(tried("pump_duty_pct", "HPFP duty", "%", top * RAMP))[-1] == pytest.approx(top)


def test_steps_of_one_byte_are_not_lost() -> None:
    """SAE J1979 writes many percentages as 100/255 of a byte: steps of 0.392 %."""
    steps = np.arange(256) * 100 / 255
    assert np.array_equal(values_of(tried("pedal_pct", "APP_D", "%", steps)), steps)


def test_a_stated_unit_that_cannot_be() -> None:
    assert tried("manifold_pressure_kpa", "MAP", "bar", 300 + 2000 * RAMP) == "unit_contradicted"
    assert isinstance(tried("manifold_pressure_kpa", "MAP", "bar", 300 + 2000 * RAMP, mapped=True), Fit)


def test_single_glitches_do_not_contradict_a_unit() -> None:
    values = 800 + 5000 * RAMP
    values[50] = 65535.0
    assert isinstance(tried("engine_speed_rpm", "RPM", "rpm", values), Fit)


def test_unknown_unit_empty_column_and_ethanol_up_to_one() -> None:
    assert tried("engine_speed_rpm", "RPM", "furlong", RAMP * 6000) == "unit_unknown"
    assert tried("engine_speed_rpm", "RPM", "rpm", np.full(10, np.nan)) == "channel_empty"
    assert tried("ethanol_pct", "Ethanol", "", np.full(10, 0.85)) == "unit_unclear"
    assert values_of(tried("ethanol_pct", "Ethanol", "%", np.full(10, 0.85)))[0] == 0.85


@pytest.mark.parametrize(
    "name", ["Commanded equivalence ratio", "EQ_RAT", "COMMANDED_EQ_RAT", "Lambda", "Air-fuel equivalence ratio"]
)
def test_commanded_equivalence_ratio_is_lambda(name: str) -> None:
    """SAE J1979 PID 44: below 1 is rich, actual air-fuel ratio = 14.64 x value. It must not be inverted."""
    assert values_of(tried("lambda_ratio", name, "", np.full(10, 0.8)))[0] == 0.8


@pytest.mark.parametrize("name", ["Phi", "Fuel-air equivalence ratio", "Fuel/air phi", "Kraftstoff-Luft-Verhältnis"])
def test_phi_is_inverted(name: str) -> None:
    assert values_of(tried("lambda_ratio", name, "", np.full(10, 1.25)))[0] == pytest.approx(0.8)


@given(st.floats(0.7, 1.5))
def test_afr_of_petrol(ratio: float) -> None:
    """Lambda 1 is 14.7 on a petrol gauge (AFDC, Properties of Fuels), whatever is in the tank."""
    for name, unit in (("AFR", ""), ("Lambda", "AFR"), ("Air fuel ratio", ":1")):
        assert values_of(tried("lambda_ratio", name, unit, np.full(10, 14.7 * ratio)))[0] == pytest.approx(ratio)


def test_only_a_bare_equivalence_ratio_is_open() -> None:
    names = ("Equivalence ratio", "Commanded equivalence ratio", "Fuel-air equivalence ratio", "Lambda")
    found = [claims((name,), ("",)).candidates["lambda_ratio"][0] for name in names]
    assert [is_bare_equivalence_ratio(candidate) for candidate in found] == [True, False, False, False]
