"""One truth in any combination of habits: delimiter, marks, encoding, line ends, header, preamble, units, order."""

import csv
import io
from dataclasses import dataclass
from pathlib import Path

import polars as pl
from hypothesis import given, settings
from hypothesis import strategies as st

from ingest.read_log import read_log

TRUTH = pl.read_csv(Path(__file__).parent / "dialects" / "truth.csv", schema_overrides={"gear": pl.Float64})
TOLERANCE = {"lambda_ratio": 0.001, "time_s": 0.001}
DECIMALS = {"pump_duty_pct": 2, "lambda_ratio": 3, "engine_speed_rpm": 0, "gear": 0, "pedal_pct": 0}

# channel -> names it may go by; every one of them is clear by itself
NAMES = {
    "time_s": ["Time", "Zeit", "Elapsed time", "t"],
    "engine_speed_rpm": ["RPM", "Engine speed", "Motordrehzahl", "EngineSpeed", "engine_speed"],
    "pump_duty_pct": ["HPFP duty", "High pressure pump duty cycle", "HDP Tastverhältnis", "HPFP_Duty_Actual"],
    "manifold_pressure_kpa": ["MAP", "Manifold absolute pressure", "Saugrohrdruck absolut"],
    "barometric_pressure_kpa": ["BARO", "Barometric pressure", "Umgebungsdruck", "Ambient pressure"],
    "rail_pressure_bar": ["Rail pressure", "FRP", "Raildruck Ist", "FuelRailPressure"],
    "rail_target_bar": ["Rail pressure target", "Raildruck Soll", "Fuel rail pressure desired"],
    "lambda_ratio": ["Lambda", "Commanded EQ_RAT", "Lambdawert"],
    "intake_air_c": ["IAT", "Intake air temp", "Ansauglufttemperatur"],
    "pedal_pct": ["Pedal", "APP_D", "Accelerator pedal position", "Fahrpedalstellung"],
    "gear": ["Gear", "Gang"],
}
# channel -> (unit, factor, offset, extra decimals)
UNITS = {
    "time_s": [("s", 1, 0, 0), ("ms", 1000, 0, 0)],
    "engine_speed_rpm": [("rpm", 1, 0, 0), ("1/min", 1, 0, 0), ("U/min", 1, 0, 0)],
    "pump_duty_pct": [("%", 1, 0, 0)],
    "manifold_pressure_kpa": [("kPa", 1, 0, 0), ("mbar", 10, 0, 0), ("bar", 0.01, 0, 3), ("psi", 0.1450377, 0, 3)],
    "barometric_pressure_kpa": [("kPa", 1, 0, 0), ("hPa", 10, 0, 0), ("inHg", 0.2952998, 0, 3)],
    "rail_pressure_bar": [("bar", 1, 0, 0), ("MPa", 0.1, 0, 1), ("kPa", 100, 0, 0), ("psi", 14.50377, 0, 1)],
    "rail_target_bar": [("bar", 1, 0, 0), ("MPa", 0.1, 0, 1), ("psi", 14.50377, 0, 1)],
    "lambda_ratio": [("-", 1, 0, 0), ("lambda", 1, 0, 0), ("AFR", 14.7, 0, 1)],
    "intake_air_c": [("°C", 1, 0, 0), ("°F", 1.8, 32, 1), ("K", 1, 273.15, 1)],
    "pedal_pct": [("%", 1, 0, 0)],
    "gear": [("-", 1, 0, 0)],
}


@dataclass(frozen=True)
class Habit:
    delimiter: str
    decimal: str
    encoding: str
    line_end: str
    unit_style: str
    preamble: str
    quoting: int
    trailing: bool
    last_break: bool


habits = st.builds(
    Habit,
    delimiter=st.sampled_from([",", ";", "\t", "|"]),
    decimal=st.sampled_from([".", ","]),
    encoding=st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "cp1252"]),
    line_end=st.sampled_from(["\n", "\r\n", "\r"]),
    unit_style=st.sampled_from(["{n} [{u}]", "{n} ({u})", "{n}[{u}]", "row"]),
    preamble=st.sampled_from(["", "Third gear\n\n", "Date: 2026-07-31\nNote: a, b; c\n", "# made up\n# for a test\n"]),
    quoting=st.sampled_from([csv.QUOTE_MINIMAL, csv.QUOTE_ALL]),
    trailing=st.booleans(),
    last_break=st.booleans(),
)
channel_habits = st.fixed_dictionaries(
    {c: st.tuples(st.sampled_from(NAMES[c]), st.sampled_from(UNITS[c])) for c in NAMES}
)


def written(habit: Habit, spelled: dict, order: list[str]) -> bytes:
    whole = io.StringIO()
    writer = csv.writer(whole, delimiter=habit.delimiter, quoting=habit.quoting, lineterminator="\n")
    end = [""] if habit.trailing else []
    names = {c: spelled[c][0] for c in order}
    units = {c: spelled[c][1][0] for c in order}
    if habit.unit_style == "row":
        writer.writerow([*names.values(), *end])
        writer.writerow([*units.values(), *end])
    else:
        writer.writerow([*(habit.unit_style.format(n=names[c], u=units[c]) for c in order), *end])
    columns = {}
    for c in order:
        _, factor, offset, extra = spelled[c][1]
        digits = DECIMALS.get(c, 1) + extra
        columns[c] = [f"{x * factor + offset:.{digits}f}".replace(".", habit.decimal) for x in TRUTH[c]]
    writer.writerows([*cells, *end] for cells in zip(*columns.values(), strict=True))
    text = habit.preamble + whole.getvalue()
    text = text if habit.last_break else text.rstrip("\n")
    return text.replace("\n", habit.line_end).encode(habit.encoding)


@settings(max_examples=60, deadline=None)
@given(habits, channel_habits, st.permutations(list(NAMES)))
def test_any_combination_of_habits_is_the_same_log(habit: Habit, spelled: dict, order: list[str]) -> None:
    reading = read_log("2026-07-31.csv", written(habit, spelled, order))
    assert reading.refused == "", reading.findings
    assert (reading.rows_in, reading.frame.height, reading.dropped) == (TRUTH.height, TRUTH.height, {})
    for name, truth in TRUTH.to_dict().items():
        off = (reading.frame[name] - truth).abs().max()
        assert off <= TOLERANCE.get(name, 0.06), f"{name} is {off} off"  # type: ignore[operator]
