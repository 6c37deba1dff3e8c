"""Unit values of NIST SP 811 (app. B.8, from public quotations); gauge and absolute by definition."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest.units import Unit, scale_and_offset, unit_of

# value in unit, unit, value in ours, ours; NIST SP 811 app. B.8
SP_811 = [
    (1.0, "psi", 6.894757, "kPa"),
    (1.0, "psi", 0.06894757, "bar"),
    (1.0, "inHg", 3.386389, "kPa"),  # conventional inch of mercury
    (1.0, "mbar", 0.1, "kPa"),
    (1.0, "kgf/cm**2", 98.0665, "kPa"),
    (1.0, "mmHg", 0.1333224, "kPa"),
    (77.0, "degF", 25.0, "degC"),
    (212.0, "degF", 100.0, "degC"),
    (-40.0, "degF", -40.0, "degC"),
    (273.15, "kelvin", 0.0, "degC"),
    (1.0, "lb/min", 7.559873, "g/s"),
    (1.0, "mile/hour", 1.609344, "km/hour"),
    (1.0, "revolution/second", 60.0, "revolution/minute"),
    (1.0, "MPa", 10.0, "bar"),
    (0.88, "dimensionless", 88.0, "percent"),
]


@pytest.mark.parametrize(("value", "unit", "expected", "ours"), SP_811)
def test_values_of_sp_811(value: float, unit: str, expected: float, ours: str) -> None:
    scale, offset = scale_and_offset(unit, ours)
    assert value * scale + offset == pytest.approx(expected, rel=1e-6, abs=1e-9)


@given(st.floats(-60, 150))
def test_there_and_back(celsius: float) -> None:
    to, back = scale_and_offset("degC", "degF"), scale_and_offset("degF", "degC")
    assert (celsius * to[0] + to[1]) * back[0] + back[1] == pytest.approx(celsius, abs=1e-9)


def test_other_dimension_is_refused() -> None:
    with pytest.raises(ValueError, match="bar cannot be converted to degC"):
        scale_and_offset("bar", "degC")


@pytest.mark.parametrize(
    ("text", "name", "reference"),
    [
        ("psig", "psi", "gauge"),
        ("psia", "psi", "absolute"),
        ("PSI", "psi", ""),
        ("bar(g)", "bar", "gauge"),
        ("barg", "bar", "gauge"),
        ("bara", "bar", "absolute"),
        ("bar ü", "bar", "gauge"),
        ("bar abs", "bar", "absolute"),
        ("kPa abs.", "kPa", "absolute"),
        ("mbar rel", "mbar", "gauge"),
        ("hPa", "hPa", ""),
    ],
)
def test_gauge_and_absolute_are_told_before_pint_is_asked(text: str, name: str, reference: str) -> None:
    """pint 0.25 knows no psig, psia or bar_g, so the reference is a field of our own."""
    assert unit_of(text) == Unit(name, "pressure", reference)


@pytest.mark.parametrize(
    ("texts", "name"),
    [
        (("rpm", "1/min", "U/min", "min-1", "/min"), "revolution/minute"),
        (("°C", "degC", "C", "℃", "deg C"), "degC"),
        (("°F", "degF", "F"), "degF"),
        (("%", "pct", "percent", "Vol.%"), "percent"),
        (("km/h", "kmh", "KPH"), "km/hour"),
        (("s", "sec", "Seconds"), "second"),
        (("MPa", "MPA"), "MPa"),
    ],
)
def test_spellings(texts: tuple[str, ...], name: str) -> None:
    assert {getattr(unit_of(text), "name", None) for text in texts} == {name}


@pytest.mark.parametrize("text", ["", "furlong", "degCg", "rpmg", "bar or so"])
def test_what_is_no_unit(text: str) -> None:
    assert unit_of(text) is None
