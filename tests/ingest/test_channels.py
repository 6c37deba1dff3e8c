"""Names of SAE J1979 and of the trade to channels: never the wrong pump, never a guess."""

import tomllib
from pathlib import Path

import pytest

import ingest.channels
from ingest.channels import claims, normalised, rules
from ingest.mapping import ChannelMap, MappedChannel
from ingest.schemas import CHANNELS
from ingest.units import scale_and_offset


def best(name: str, unit: str = "") -> str:
    """The channel that a column on its own would be, "" for none."""
    found = claims((name,), (unit,)).candidates
    return max(found, key=lambda channel: found[channel][0].score, default="")


# display names of SAE J1979 service 01 (names and meaning as quoted by public PID tables; the standard was not opened)
J1979 = [
    ("ECT", "°C", "coolant_c"),  # PID 05
    ("IAT", "°C", "intake_air_c"),  # PID 0F
    ("MAP", "kPa", "manifold_pressure_kpa"),  # PID 0B, absolute
    ("RPM", "1/min", "engine_speed_rpm"),  # PID 0C
    ("VSS", "km/h", "vehicle_speed_kmh"),  # PID 0D
    ("SPARKADV", "°", "ignition_deg"),  # PID 0E
    ("TP", "%", "throttle_pct"),  # PID 11
    ("APP_D", "%", "pedal_pct"),  # PID 49
    ("FRP", "kPa", "rail_pressure_bar"),  # PID 23
    ("BARO", "kPa", "barometric_pressure_kpa"),  # PID 33
    ("EQ_RAT", "", "lambda_ratio"),  # PID 44
    ("Commanded equivalence ratio", "", "lambda_ratio"),  # PID 44
    ("ALCH_PCT", "%", "ethanol_pct"),  # PID 52
    ("VPWR", "V", "battery_v"),  # PID 42
    ("MAF", "g/s", "air_mass_g_s"),  # PID 10
    ("SHRTFT1", "%", "fuel_trim_pct"),  # PID 06
]

TRADE = [
    ("HPFP duty", "%", "pump_duty_pct"),
    ("High Pressure Fuel Pump Duty Cycle (actual)", "%", "pump_duty_pct"),
    ("Hochdruckpumpe Tastverhaeltnis", "%", "pump_duty_pct"),
    ("HDP_Tastverhältnis_Ist", "%", "pump_duty_pct"),
    ("Mengensteuerventil Ansteuerung", "%", "pump_duty_pct"),
    ("LPFP duty", "%", "feed_pump_duty_pct"),
    ("Low pressure fuel pump duty cycle", "%", "feed_pump_duty_pct"),
    ("Vorförderpumpe Tastverhältnis", "%", "feed_pump_duty_pct"),
    ("Raildruck Sollwert", "bar", "rail_target_bar"),
    ("Fuel rail pressure desired", "psi", "rail_target_bar"),
    ("Kraftstoffniederdruck", "bar", "feed_pressure_bar"),
    ("boost_psi", "", "boost_kpa"),
    ("Ladedruck Soll", "mbar", "boost_target_kpa"),
    ("Umgebungsdruck", "hPa", "barometric_pressure_kpa"),
    ("Fahrpedalstellung", "%", "pedal_pct"),
    ("Drosselklappenwinkel", "%", "throttle_pct"),
    ("EngineSpeed", "", "engine_speed_rpm"),
    ("AFR", "", "lambda_ratio"),
    ("Zündwinkel", "°", "ignition_deg"),
    ("Gang", "", "gear"),
    ("Time", "s", "time_s"),
    ("Pump duty", "%", "pump_duty_pct"),
    ("HPFP", "%", "pump_duty_pct"),
    ("HPFP actual", "psi", "rail_pressure_bar"),
    ("HPFP target", "psi", "rail_target_bar"),
    ("LPFP", "bar", "feed_pressure_bar"),
    ("Accelerator position D", "%", "pedal_pct"),
    ("Rail temp", "°C", "fuel_c"),
]

NOBODY = [
    ("Turbo speed", "rpm"),
    ("Idle speed target", "rpm"),
    ("Injection time", "ms"),
    ("Brake pedal position", "%"),
    ("Oil temperature", "°C"),
    ("Oil pressure", "bar"),
    ("Exhaust manifold pressure", "kPa"),
    ("Lambda sensor voltage", "V"),
    ("Lambda", "V"),
    ("Boost error", "kPa"),
    ("Gear ratio", ""),
    ("Fuel level", "%"),
    ("Long term fuel trim", "%"),
    ("Latitude", "°"),
    ("Rail pressure deviation", "bar"),
]

NOT_THE_PUMP = [
    "Injector duty",
    "Injector duty cycle",
    "IDC",
    "Wastegate duty",
    "WGDC",
    "Boost solenoid duty",
    "Feed pump duty",
    "Fuel feed pump duty",
    "Lift pump duty",
    "LPFP duty",
    "In-tank pump duty",
    "Low pressure pump duty",
    "Coolant pump duty",
    "Water injection pump duty",
    "Purge valve duty",
    "EKP Tastverhältnis",
    "Wasserpumpe Tastverhältnis",
    "Ladedruckregelung Tastverhältnis",
    "Air pump duty",
    "Transmission pump duty",
    "Fuel rail pressure control valve duty",
]


@pytest.mark.parametrize(("name", "unit", "channel"), J1979 + TRADE)
def test_names_find_their_channel(name: str, unit: str, channel: str) -> None:
    assert best(name, unit) == channel


@pytest.mark.parametrize(("name", "unit"), NOBODY)
def test_other_names_find_none(name: str, unit: str) -> None:
    assert best(name, unit) == ""


@pytest.mark.parametrize("name", NOT_THE_PUMP)
def test_no_other_duty_is_taken_for_the_high_pressure_pump(name: str) -> None:
    assert "pump_duty_pct" not in claims((name,), ("%",)).candidates


@pytest.mark.parametrize("name", ["Fuel pump duty", "Fuel pump duty cycle", "Kraftstoffpumpe Tastverhältnis"])
def test_a_fuel_pump_of_neither_side_is_unclear(name: str) -> None:
    assert all(c.unclear for c in claims((name,), ("%",)).candidates["pump_duty_pct"])


@pytest.mark.parametrize("channel", ["time_s", *CHANNELS])
def test_our_own_names_are_read(channel: str) -> None:
    assert best(channel) == channel


@pytest.mark.parametrize("channel", [c for c in CHANNELS if c != "gear"])
def test_a_name_in_upper_case_or_camel_case_is_the_same(channel: str) -> None:
    name = channel.rpartition("_")[0] if channel != "air_mass_g_s" else "air_mass"
    unit = "g/s" if channel == "air_mass_g_s" else channel.rpartition("_")[2]
    unit = {"pct": "%", "ratio": "-", "c": "°C", "kmh": "km/h", "rpm": "rpm"}.get(unit, unit)
    camel = "".join(word.capitalize() for word in name.split("_"))
    assert best(name.upper(), unit) == best(camel, unit) == channel


def test_a_mapping_overrides_words() -> None:
    mapping = ChannelMap((MappedChannel("pump_duty_pct", column="Valve 7"),))
    found = claims(("HPFP duty", "Valve 7"), ("%", "%"), mapping).candidates
    assert [c.name for c in found["pump_duty_pct"]] == ["Valve 7"]


def test_a_mapping_for_a_column_that_is_not_there_changes_nothing() -> None:
    mapping = ChannelMap((MappedChannel("pump_duty_pct", column="Valve 7"),))
    assert [c.name for c in claims(("HPFP duty",), ("%",), mapping).candidates["pump_duty_pct"]] == ["HPFP duty"]


def test_the_table_is_whole() -> None:
    assert set(rules()) == {"time_s", *CHANNELS}
    text = Path(ingest.channels.__file__).with_name("channels.toml").read_text(encoding="utf-8")
    known = {"words", "alone", "with_unit", "not", "unclear", "neutral", "implies_target", "target", "quantity", "unit"}
    known |= {"meaning", "bare", "plausible", "reaches", "may_be_share", "unclear_up_to", "lean"}
    for name, entry in tomllib.loads(text).items():
        assert name.startswith("_") or set(entry) <= known, name
    for rule in rules().values():
        assert rule.plausible[0] < rule.plausible[1]
        assert all(rule.words), f"{rule.name}: an empty phrase would fit every column"
        if rule.quantity not in ("ratio", "none"):
            assert all(scale_and_offset(unit, rule.unit)[0] > 0 for unit in rule.bare)


def test_words_are_split_alike() -> None:
    assert normalised("Kühlmitteltemperatur") == normalised("Kuehlmitteltemperatur") == ("kuehlmitteltemperatur",)
    assert normalised("HPFP_Duty") == normalised("HPFPDuty") == normalised("hpfp duty") == ("hpfp", "duty")
