"""Gauge and absolute: abs - gauge = barometric, always; and what tells them apart."""

import numpy as np
import pytest
from fluids.atmosphere import ATMOSPHERE_1976
from hypothesis import given
from hypothesis import strategies as st

from ingest.channels import claims
from ingest.column_fit import Fit
from ingest.mapping import ChannelMap, MappedChannel
from ingest.pressures import STANDARD_ATMOSPHERE_KPA, Pressures, resolve
from ingest.units import scale_and_offset

PULL = np.concatenate((np.full(20, 0.0), np.full(30, 100.0)))  # pedal: up, then to the floor
PSI_KPA = 6.894757  # NIST SP 811 app. B.8
NOTHING = ChannelMap()


def fitted(channel: str, name: str, unit: str, kpa: np.ndarray) -> Fit:
    return Fit(claims((name,), (unit,)).candidates[channel][0], kpa)


def run(*fits: tuple[str, str, str, np.ndarray], mapping: ChannelMap = NOTHING, pedal: bool = True) -> Pressures:
    found = {channel: fitted(channel, name, unit, kpa) for channel, name, unit, kpa in fits}
    return resolve(found, {"pedal_pct": PULL} if pedal else {}, mapping)


def codes(pressures: Pressures) -> set[str]:
    return {finding.code for finding in pressures.findings}


def over_pull(unloaded: float, loaded: float) -> np.ndarray:
    return np.where(PULL > 0, loaded, unloaded)


def test_the_standard_atmosphere_is_that_of_1976() -> None:
    assert pytest.approx(ATMOSPHERE_1976(0).P / 1000, abs=1e-9) == STANDARD_ATMOSPHERE_KPA


def test_20_psi_gauge_at_1000_m() -> None:
    """20 psi gauge under 89.876 kPa (US Standard Atmosphere 1976) is 227.77 kPa absolute, not 239.2."""
    air = np.full(50, ATMOSPHERE_1976(1000).P / 1000)
    boost = over_pull(-8.0, 20.0) * scale_and_offset("psi", "kPa")[0]
    found = run(("boost_kpa", "Boost", "psig", boost), ("barometric_pressure_kpa", "BARO", "kPa", air))
    assert found.values["manifold_pressure_kpa"][-1] == pytest.approx(227.77, abs=0.01)
    assert codes(found) == set()


def test_without_a_barometer_sea_level_is_assumed_and_said_so() -> None:
    found = run(("boost_kpa", "Boost", "psig", over_pull(-55.0, 20 * PSI_KPA)))
    assert found.values["manifold_pressure_kpa"][-1] == pytest.approx(239.22, abs=0.01)
    assert "barometric_pressure_kpa" not in found.values
    assert codes(found) == {"barometer_assumed"}


@given(st.floats(60, 105), st.floats(30, 300), st.sampled_from(["kPa abs", "kPa gauge"]), st.booleans())
def test_absolute_less_gauge_is_barometric(air: float, above: float, unit: str, logged: bool) -> None:
    kpa = over_pull(20.0, above) if unit == "kPa gauge" else over_pull(air * 0.4, air + above)
    fits = [
        ("boost_kpa" if "gauge" in unit else "manifold_pressure_kpa", "Boost" if "gauge" in unit else "MAP", unit, kpa)
    ]
    fits += [("barometric_pressure_kpa", "BARO", "kPa", np.full(50, air))] if logged else []
    found = run(*fits).values
    expected = air if logged else STANDARD_ATMOSPHERE_KPA
    assert np.allclose(found["manifold_pressure_kpa"] - found["boost_kpa"], expected)


@pytest.mark.parametrize(
    ("name", "unit", "unloaded", "loaded", "manifold", "code"),
    [
        ("Boost pressure", "kPa", -60.0, 140.0, 241.325, None),  # below zero: cannot be absolute
        ("Ladedruck", "mbar", 40.0, 240.0, 240.0, "absolute_assumed"),  # 40 kPa with the pedal up: cannot be gauge
        ("Ladedruck", "mbar", 100.0, 240.0, 240.0, "absolute_assumed"),  # no throttle: idles at ambient
        ("Ladedruck", "bar", 0.0, 140.0, 241.325, "gauge_assumed"),  # no throttle, gauge: idles at zero
        ("Boost pressure absolute", "kPa", 100.0, 240.0, 240.0, None),
        ("Ladedruck relativ", "bar", 0.5, 140.0, 241.325, None),
    ],
)
def test_what_boost_may_be(
    name: str, unit: str, unloaded: float, loaded: float, manifold: float, code: str | None
) -> None:
    channel = "manifold_pressure_kpa" if "absolute" in name else "boost_kpa"
    found = run((channel, name, unit, over_pull(unloaded, loaded)))
    assert found.values["manifold_pressure_kpa"][-1] == pytest.approx(manifold)
    assert codes(found) - {"barometer_assumed", "boost_barometer_assumed"} == ({code} if code else set())


def test_map_below_zero_is_gauge_and_said_so() -> None:
    found = run(("manifold_pressure_kpa", "MAP", "psi", over_pull(-60.0, 140.0)))
    assert found.values["manifold_pressure_kpa"][-1] == pytest.approx(241.325)
    assert "gauge_assumed" in codes(found)


def test_a_pull_alone_does_not_tell_a_neutral_name() -> None:
    found = run(("boost_kpa", "Charge pressure", "kPa", np.linspace(110, 230, 50)), pedal=False)
    assert found.refused == "gauge_unclear"


def test_the_mapping_decides() -> None:
    for reference, manifold in (("gauge", 331.325), ("absolute", 230.0)):
        said = ChannelMap((MappedChannel("boost_kpa", reference=reference),))
        found = run(("boost_kpa", "Charge pressure", "kPa", np.linspace(110, 230, 50)), mapping=said, pedal=False)
        assert found.values["manifold_pressure_kpa"][-1] == pytest.approx(manifold)


def test_an_absolute_target_becomes_gauge() -> None:
    found = run(
        ("manifold_pressure_kpa", "MAP", "kPa", over_pull(40.0, 240.0)),
        ("boost_target_kpa", "Ladedruck Soll absolut", "mbar", over_pull(95.0, 250.0)),
        ("barometric_pressure_kpa", "BARO", "kPa", np.full(50, 95.0)),
    )
    assert found.values["boost_target_kpa"][-1] == pytest.approx(155.0)


def test_boost_that_contradicts_the_manifold_is_a_finding() -> None:
    found = run(
        ("manifold_pressure_kpa", "MAP", "kPa", over_pull(40.0, 240.0)),
        ("boost_kpa", "Boost gauge", "kPa", over_pull(-20.0, 200.0)),
    )
    assert "boost_contradicts_manifold" in codes(found)
    assert found.values["boost_kpa"][-1] == pytest.approx(240.0 - STANDARD_ATMOSPHERE_KPA)
