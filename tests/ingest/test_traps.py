"""Columns that look like what they are not, scales that look like others: each a whole log, read to its pulls."""

from collections.abc import Mapping
from datetime import date
from types import ModuleType

import numpy as np
import polars as pl
import pytest

from ingest.channels import rules
from ingest.one_batch import Log, Tables, one_batch
from ingest.read_log import read_log
from ingest.reading import Reading

PLAUSIBLE = {name: rule.plausible for name, rule in rules().items()}
PSI_KPA = 6.894757  # NIST SP 811 app. B.8
AIR_KPA = 99.0
Columns = dict[str, np.ndarray]


class Drive:
    """Two pulls, as columns that a test can spell as it likes."""

    def __init__(self, made_up: ModuleType) -> None:
        self.true: Columns = made_up.drive(np.random.default_rng(7))
        self._columns = {made_up.HEADER[name]: values for name, values in self.true.items()}
        self._header: Mapping[str, str] = made_up.HEADER

    def text(self, drop: tuple[str, ...] = (), **spelled: tuple[str, np.ndarray]) -> bytes:
        """The log without `drop`, and with channels spelled otherwise: channel = (header, values)."""
        columns = dict(self._columns)
        for channel in (*drop, *spelled):
            columns.pop(self._header.get(channel, ""), None)
        columns |= dict(spelled.values())
        frame = pl.DataFrame({name: np.round(values, 4) for name, values in columns.items()})
        return frame.write_csv().encode()

    def read(self, drop: tuple[str, ...] = (), **spelled: tuple[str, np.ndarray]) -> Reading:
        return read_log("2026-07-31.csv", self.text(drop, **spelled))

    def tables(self, drop: tuple[str, ...] = (), **spelled: tuple[str, np.ndarray]) -> Tables:
        reading = self.read(drop, **spelled)
        return one_batch([Log("log", "source", "AAAA-AAAA", reading)], PLAUSIBLE, date(2026, 11, 25))

    def is_true(self, reading: Reading, channel: str, within: float) -> bool:
        return bool(np.abs(reading.frame[channel].to_numpy() - self.true[channel]).max() <= within)


@pytest.fixture
def drive(made_up: ModuleType) -> Drive:
    return Drive(made_up)


def codes(reading: Reading) -> set[str]:
    return {finding.code for finding in reading.findings}


# ---- which pump


@pytest.mark.parametrize(
    "name", ["LPFP duty [%]", "Fuel feed pump duty [%]", "Injector duty cycle [%]", "Wastegate duty [%]", "WGDC [%]",
             "Fuel pump duty [%]", "EKP Tastverhältnis [%]", "Boost control duty [%]", "Lift pump duty [%]"],
)  # fmt: skip
def test_another_duty_beside_the_high_pressure_pumps(drive: Drive, name: str) -> None:
    other = np.full(len(drive.true["time_s"]), 55.0) + np.arange(len(drive.true["time_s"])) % 7
    reading = drive.read(other=(name, other))
    assert reading.refused == ""
    assert reading.channels["pump_duty_pct"].column == "HPFP duty"
    assert drive.is_true(reading, "pump_duty_pct", 0.01)


@pytest.mark.parametrize(
    "name", ["LPFP duty [%]", "Fuel feed pump duty [%]", "Injector duty cycle [%]", "Wastegate duty [%]", "WGDC [%]",
             "Fuel pump duty [%]", "EKP Tastverhältnis [%]", "Boost control duty [%]", "Duty [%]", "PWM 1 [%]"],
)  # fmt: skip
def test_another_duty_instead_of_it_is_never_taken(drive: Drive, name: str) -> None:
    reading = drive.read(pump_duty_pct=(name, drive.true["pump_duty_pct"]))
    assert reading.refused in ("channel_missing", "needed_channel_ambiguous")


@pytest.mark.parametrize("words", [("requested", "actual"), ("target", "measured"), ("Soll", "Ist"), ("cmd", "act")])
def test_requested_beside_actual(drive: Drive, words: tuple[str, str]) -> None:
    wanted, actual = (f"HPFP duty {word} [%]" for word in words)
    duty = drive.true["pump_duty_pct"]
    reading = drive.read(wanted=(wanted, np.clip(duty + 5, 0, 100)), pump_duty_pct=(actual, duty))
    assert drive.is_true(reading, "pump_duty_pct", 0.01)
    assert "requested_not_actual" not in codes(reading)


def test_requested_alone_is_used_and_said(drive: Drive) -> None:
    reading = drive.read(pump_duty_pct=("HPFP duty requested [%]", drive.true["pump_duty_pct"]))
    assert reading.refused == ""
    assert "requested_not_actual" in codes(reading)


@pytest.mark.parametrize(("name", "top"), [("HPFP duty [%]", 1.0), ("HPFP duty", 1.0), ("HPFP duty [0-1]", 1.0)])
def test_duty_as_a_fraction(drive: Drive, name: str, top: float) -> None:
    reading = drive.read(pump_duty_pct=(name, drive.true["pump_duty_pct"] / 100 * top))
    assert drive.is_true(reading, "pump_duty_pct", 0.02)
    assert "duty_as_share" in codes(reading)


def test_an_upside_down_duty_is_refused(drive: Drive) -> None:
    reading = drive.read(pump_duty_pct=("HPFP duty [%]", 100 - drive.true["pump_duty_pct"]))
    assert reading.refused == "duty_upside_down"


# ---- which pressure


@pytest.mark.parametrize(
    ("name", "factor", "gauge", "finding"),
    [
        ("Boost [kPa]", 1.0, False, "absolute_assumed"),  # absolute under a gauge's name
        ("Boost pressure [mbar]", 10.0, False, "absolute_assumed"),
        ("Ladedruck", 10.0, False, "absolute_assumed"),  # mbar, with no word of it
        ("Ladedruck [hPa]", 10.0, False, "absolute_assumed"),
        ("Boost", 10.0, True, "unit_assumed"),
        ("Boost", 1 / PSI_KPA, True, "unit_assumed"),
        ("Boost [psi]", 1 / PSI_KPA, True, None),
        ("Boost pressure [bar]", 0.01, True, None),
        ("Manifold pressure gauge [psi]", 1 / PSI_KPA, True, None),
        ("MAP [psi]", 1 / PSI_KPA, False, None),
        ("MAP", 1.0, False, None),
        ("MAP", 10.0, False, "unit_assumed"),
        ("MAP", 0.01, False, "unit_assumed"),
        ("Saugrohrdruck [mbar]", 10.0, False, None),
    ],
)
def test_boost_and_manifold_pressure(drive: Drive, name: str, factor: float, gauge: bool, finding: str | None) -> None:
    kpa = drive.true["manifold_pressure_kpa"] - (AIR_KPA if gauge else 0.0)
    reading = drive.read(manifold_pressure_kpa=(name, kpa * factor))
    assert reading.refused == ""
    assert drive.is_true(reading, "manifold_pressure_kpa", 0.05)
    assert finding is None or finding in codes(reading)


@pytest.mark.parametrize(
    ("unit", "factor"), [("kPa", 100.0), ("MPa", 0.1), ("psi", 14.503774), ("hPa", 1000.0), ("bar", 1.0)]
)
@pytest.mark.parametrize("said", [True, False])
def test_rail_pressure_in_any_unit_said_or_not(drive: Drive, unit: str, factor: float, said: bool) -> None:
    name = f"Fuel rail pressure [{unit}]" if said else "Fuel rail pressure"
    reading = drive.read(rail_pressure_bar=(name, drive.true["rail_pressure_bar"] * factor))
    assert drive.is_true(reading, "rail_pressure_bar", 0.05)
    assert ("unit_assumed" in codes(reading)) == (not said)


@pytest.mark.parametrize("top_bar", [120.0, 200.0, 350.0])
@pytest.mark.parametrize("factor", [100.0, 0.1, 14.503774, 1000.0, 1.0])
def test_rail_pressures_of_any_height_without_a_unit(drive: Drive, factor: float, top_bar: float) -> None:
    rail = np.where(drive.true["pedal_pct"] > 50, top_bar, 50.0)
    reading = drive.read(rail_pressure_bar=("Fuel rail pressure", rail * factor), drop=("rail_target_bar",))
    assert float(reading.frame["rail_pressure_bar"].max()) == pytest.approx(top_bar, rel=1e-3)  # type: ignore[arg-type]


# ---- mixture and temperature


@pytest.mark.parametrize("name", ["Commanded equivalence ratio", "Commanded EQ_RAT", "EQ_RAT [-]"])
def test_the_equivalence_ratio_of_pid_44_is_lambda(drive: Drive, name: str) -> None:
    """SAE J1979, PID 44, as public PID tables quote it: below 1 is rich."""
    reading = drive.read(lambda_ratio=(name, drive.true["lambda_ratio"]))
    assert drive.is_true(reading, "lambda_ratio", 0.001)


@pytest.mark.parametrize("name", ["Fuel air equivalence ratio", "phi", "Equivalence ratio", "Fuel/air phi"])
def test_phi_is_the_inverse(drive: Drive, name: str) -> None:
    reading = drive.read(lambda_ratio=(name, 1 / drive.true["lambda_ratio"]))
    assert drive.is_true(reading, "lambda_ratio", 0.001)
    assert "lambda_from_phi" in codes(reading)


@pytest.mark.parametrize(
    "name", ["IAT [F]", "IAT (deg F)", "IAT_F", "Intake air temp degF", "IAT [°F]", "IAT [Fahrenheit]"]
)
def test_fahrenheit_without_a_degree_sign(drive: Drive, name: str) -> None:
    reading = drive.read(intake_air_c=(name, drive.true["intake_air_c"] * 1.8 + 32))
    assert drive.is_true(reading, "intake_air_c", 0.01)


def test_a_coolant_too_hot_for_celsius_is_fahrenheit_and_said(drive: Drive) -> None:
    hot = np.full(len(drive.true["time_s"]), 194.0)
    reading = drive.read(coolant=("Coolant temp", hot))
    assert float(reading.frame["coolant_c"].mean()) == pytest.approx(90.0)  # type: ignore[arg-type]
    assert "unit_assumed" in codes(reading)


# ---- coarse scales


def quantised(values: np.ndarray, step: float) -> np.ndarray:
    return np.round(values / step) * step


def test_steps_of_one_byte_and_of_ten_kpa_are_no_stuck_channels(drive: Drive) -> None:
    """SAE J1979: 100/255 % a count (PID 49), 10 kPa (PID 23), 1 kPa (PID 0B), 1/4 rpm (PID 0C)."""
    tables = drive.tables(
        pump_duty_pct=("HPFP duty [%]", quantised(drive.true["pump_duty_pct"], 100 / 255)),
        pedal_pct=("APP_D [%]", quantised(drive.true["pedal_pct"], 100 / 255)),
        rail_pressure_bar=("FRP [kPa]", quantised(drive.true["rail_pressure_bar"] * 100, 10)),
        manifold_pressure_kpa=("MAP [kPa]", quantised(drive.true["manifold_pressure_kpa"], 1)),
        engine_speed_rpm=("RPM", quantised(drive.true["engine_speed_rpm"], 0.25)),
    )
    (row,) = tables.ledger.to_dicts()
    assert (row["verdict"], row["pulls"]) == ("kept", 2)
    assert not {f["code"] for f in row["findings"]} & {
        "channel_stuck",
        "needed_channel_stuck",
        "too_slow",
        "pull_too_slow",
    }


def test_a_manifold_pressure_that_ends_at_one_byte_is_a_finding(drive: Drive) -> None:
    """PID 0B is one byte, so that 255 kPa is its end and no pressure."""
    true = drive.true["manifold_pressure_kpa"]
    high = np.clip(np.round(true * 1.35), 0, 255)
    (row,) = drive.tables(manifold_pressure_kpa=("MAP [kPa]", high)).ledger.to_dicts()
    assert "sensor_at_end" in {f["code"] for f in row["findings"]}
    (row,) = drive.tables(manifold_pressure_kpa=("MAP [kPa]", np.round(true))).ledger.to_dicts()
    assert "sensor_at_end" not in {f["code"] for f in row["findings"]}


# ---- full load and gear


@pytest.mark.parametrize(("rest", "top"), [(0.0, 78.0), (7.0, 88.0), (14.9, 77.6), (0.0, 100.0)])
def test_a_pedal_that_does_not_reach_100(drive: Drive, rest: float, top: float) -> None:
    pedal = rest + (top - rest) * np.clip(drive.true["pedal_pct"], 0, 100) / 100
    assert drive.tables(pedal_pct=("Accelerator pedal [%]", pedal)).ledger["pulls"].to_list() == [2]


def test_full_load_without_a_pedal(drive: Drive) -> None:
    throttle = np.clip(drive.true["pedal_pct"], 0, 100)
    assert drive.tables(pedal_pct=("Throttle position [%]", throttle)).ledger["pulls"].to_list() == [2]
    assert drive.tables(drop=("pedal_pct",)).ledger["pulls"].to_list() == [2]


def test_the_gear_is_told_from_the_speeds(drive: Drive) -> None:
    engine = drive.true["engine_speed_rpm"]
    one_gear = engine / 45.0
    found = drive.tables(speed=("Vehicle speed [km/h]", one_gear))
    assert found.ledger["pulls"].to_list() == [2]
    slipping = engine / np.interp(engine, [2200, 6300], [80.0, 45.0])  # as no gear does
    assert drive.tables(speed=("Vehicle speed [km/h]", slipping)).ledger["pulls"].to_list() == [0]
