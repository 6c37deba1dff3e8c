"""Each channel to its column: the values decide, a tie is said and never guessed."""

import numpy as np
import pytest

from ingest.assignment import assign
from ingest.channels import claims
from ingest.column_fit import Fit
from ingest.findings import Finding
from ingest.mapping import EMPTY_MAP
from ingest.table import Table

RAMP = np.linspace(0.0, 1.0, 100)


def assigned(**columns: tuple[str, np.ndarray]) -> tuple[dict[str, Fit], list[Finding]]:
    """Columns as name -> (unit, values); double underscores in names are spaces."""
    names = tuple(name.replace("__", " ") for name in columns)
    numbers = {i: values for i, (_, values) in enumerate(columns.values())}
    table = Table(np.arange(1, 101), numbers, {}, {}, 100, {}, ())
    return assign(claims(names, tuple(unit for unit, _ in columns.values())), table, EMPTY_MAP)


def column_of(fits: dict[str, Fit], channel: str) -> str:
    return fits[channel].candidate.name


def test_fuel_pressure_is_told_high_or_low_by_its_values() -> None:
    high, _ = assigned(Fuel__pressure=("bar", 50 + 150 * RAMP))
    low, _ = assigned(Fuel__pressure=("kPa", 400 + 150 * RAMP))
    assert "rail_pressure_bar" in high
    assert "feed_pressure_bar" not in high
    assert "feed_pressure_bar" in low
    assert "rail_pressure_bar" not in low


def test_two_pumps_are_ambiguous() -> None:
    fits, findings = assigned(HP__pump__duty__1=("%", 90 * RAMP), HP__pump__duty__2=("%", 70 * RAMP))
    assert "pump_duty_pct" not in fits
    assert [f.code for f in findings] == ["needed_channel_ambiguous"]
    assert findings[0].detail == "HP pump duty 1, HP pump duty 2"


def test_two_columns_that_say_the_same_are_no_tie() -> None:
    fits, findings = assigned(HP__pump__duty__1=("%", 90 * RAMP), HP__pump__duty__2=("%", 90 * RAMP + 0.01))
    assert column_of(fits, "pump_duty_pct") == "HP pump duty 1"
    assert [f.code for f in findings] == ["channel_twice"]


@pytest.mark.parametrize("order", [1, -1])
def test_actual_before_requested(order: int) -> None:
    columns = {"HPFP__duty__requested": ("%", 95 * RAMP), "HPFP__duty__actual": ("%", 90 * RAMP)}
    fits, findings = assigned(**dict(list(columns.items())[::order]))
    assert column_of(fits, "pump_duty_pct") == "HPFP duty actual"
    assert not findings


def test_requested_alone_is_used_and_said() -> None:
    fits, findings = assigned(HPFP__duty__requested=("%", 95 * RAMP))
    assert column_of(fits, "pump_duty_pct") == "HPFP duty requested"
    assert [f.code for f in findings] == ["requested_not_actual"]


def test_a_clear_pump_beats_an_unclear_one() -> None:
    fits, _ = assigned(Fuel__pump__duty=("%", 60 * RAMP), High__pressure__pump__duty=("%", 90 * RAMP))
    assert column_of(fits, "pump_duty_pct") == "High pressure pump duty"


def test_an_unclear_pump_is_never_taken_even_beside_a_feed_pump() -> None:
    fits, findings = assigned(Fuel__pump__duty=("%", 60 * RAMP), LPFP__duty=("%", 30 + 9 * RAMP))
    assert "pump_duty_pct" not in fits
    assert "needed_channel_ambiguous" in {f.code for f in findings}


def test_measured_lambda_before_commanded() -> None:
    fits, _ = assigned(EQ_RAT=("", 0.8 + 0.2 * RAMP), Lambda=("", 0.82 + 0.2 * RAMP))
    assert column_of(fits, "lambda_ratio") == "Lambda"


def test_an_empty_column_leaves_its_channel_to_the_other() -> None:
    fits, _ = assigned(RPM=("rpm", np.full(100, np.nan)), Engine__speed=("rpm", 6000 * RAMP))
    assert column_of(fits, "engine_speed_rpm") == "Engine speed"


@pytest.mark.parametrize("name", ["Ladedruck absolut", "Boost pressure absolute", "Absolute boost"])
def test_an_absolute_boost_is_the_manifold_pressure(name: str) -> None:
    fits, findings = assigned(**{name: ("mbar", 400 + 2000 * RAMP)})
    assert list(fits) == ["manifold_pressure_kpa"]
    assert not findings
