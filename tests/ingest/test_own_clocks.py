"""A clock a channel, of differing rate and length: each channel is a known function of time, so every value on
the duty's clock can be worked out."""

import io
from collections.abc import Callable

import numpy as np
import polars as pl
import pytest

from ingest.mapping import ChannelMap
from ingest.own_clocks import in_turns, named_clocks, plain_clocks
from ingest.read_log import read_log, read_many
from ingest.reading import Reading

TIMES = {
    "rpm": np.arange(0.0, 20.0, 0.1),
    "duty": np.arange(0.03, 18.0, 0.1),
    "map": np.arange(0.01, 20.0, 0.2),
    "iat": np.arange(0.5, 20.0, 1.0),
}
VALUES: dict[str, Callable] = {
    "rpm": lambda t: 1500.0 + 200.0 * t,
    "duty": lambda t: 20.0 + 3.0 * t,
    "map": lambda t: 60.0 + 8.0 * t,
    "iat": lambda t: 30.0 + np.floor(t),
}
NAMES = {"rpm": "RPM", "duty": "HPFP duty", "map": "MAP", "iat": "IAT"}
UNITS = {"rpm": "rpm", "duty": "%", "map": "kPa", "iat": "degC"}
CHANNELS = {"rpm": "engine_speed_rpm", "duty": "pump_duty_pct", "map": "manifold_pressure_kpa", "iat": "intake_air_c"}

CLOCKS = {
    "the same name": lambda name, i: "Time [s]",
    "the same name without unit": lambda name, i: "Time",
    "numbered": lambda name, i: f"Time {i + 1} [s]",
    "made distinct": lambda name, i: "Time" if not i else f"Time.{i}",
    "German, numbered": lambda name, i: f"Zeit_{i} [s]",
    "time, then the channel": lambda name, i: f"Time {name} [s]",
    "the channel, then time": lambda name, i: f"{name} time [s]",
    "the channel in brackets": lambda name, i: f"Time ({name})",
    "t and the channel": lambda name, i: f"t_{name}",
}


def laid_out(clock: Callable, order: str = "before") -> list[tuple[str, np.ndarray]]:
    pairs = [
        ((clock(NAMES[key], i), times), (f"{NAMES[key]} [{UNITS[key]}]", VALUES[key](times)))
        for i, (key, times) in enumerate(TIMES.items())
    ]
    if order == "in front":
        return [*(time for time, _ in pairs), *(value for _, value in pairs)]
    return [column for pair in pairs for column in (pair if order == "before" else reversed(pair))]


def as_text(columns: list[tuple[str, np.ndarray]]) -> bytes:
    rows = max(len(values) for _, values in columns)
    lines = [";".join(name for name, _ in columns)]
    cells = [[f"{value:.4f}" for value in values] + [""] * (rows - len(values)) for _, values in columns]
    lines += map(";".join, zip(*cells, strict=True))
    return ("\n".join(lines) + "\n").encode()


def check(reading: Reading) -> None:
    assert reading.refused == "", reading.findings
    duty_s = TIMES["duty"]
    assert reading.rows_in == len(TIMES["rpm"]) == reading.frame.height + sum(reading.dropped.values())
    assert reading.dropped == {"row_without_duty": len(TIMES["rpm"]) - len(duty_s)}
    assert reading.frame["time_s"].to_list() == pytest.approx(duty_s.tolist(), abs=1e-4)
    for key in ("rpm", "duty", "map"):
        assert reading.frame[CHANNELS[key]].to_list() == pytest.approx(VALUES[key](duty_s).tolist(), abs=0.05), key
    held = 30.0 + np.floor(duty_s - 0.5 + 1e-9)  # the last value logged before, at 0.5, 1.5, ...
    known = reading.frame[CHANNELS["iat"]].to_numpy()
    assert known[5:].tolist() == held[5:].tolist()


@pytest.mark.parametrize("clock", CLOCKS.values(), ids=CLOCKS)
def test_each_channel_has_the_clock_before_it(clock: Callable) -> None:
    check(read_log("2026-07-31.csv", as_text(laid_out(clock))))


@pytest.mark.parametrize("name", ["the same name", "numbered", "the channel, then time"])
def test_or_behind_it(name: str) -> None:
    check(read_log("2026-07-31.csv", as_text(laid_out(CLOCKS[name], "behind"))))


def test_or_all_clocks_in_front_named_as_the_channels() -> None:
    check(read_log("2026-07-31.csv", as_text(laid_out(CLOCKS["the channel, then time"], "in front"))))


@pytest.mark.parametrize("clock", CLOCKS.values(), ids=CLOCKS)
def test_and_where_many_files_are_read_together(clock: Callable) -> None:
    content = as_text(laid_out(clock))
    for reading in read_many([("2026-07-31.csv", content, None)] * 3, ChannelMap()):
        check(reading)


def test_a_table_of_columns_too() -> None:
    rows = len(TIMES["rpm"])
    frame = pl.DataFrame(
        {name: np.append(values, np.full(rows - len(values), np.nan)) for name, values in laid_out(CLOCKS["numbered"])}
    )
    whole = io.BytesIO()
    frame.fill_nan(None).write_parquet(whole)
    check(read_log("2026-07-31.parquet", whole.getvalue()))


def test_a_clock_for_several_channels() -> None:
    fast = np.arange(0.0, 10.0, 0.1)
    slow = np.arange(0.05, 10.0, 0.2)
    columns = [
        ("Time", fast),
        ("RPM [rpm]", VALUES["rpm"](fast)),
        ("HPFP duty [%]", VALUES["duty"](fast)),
        ("Time", slow),
        ("MAP [kPa]", VALUES["map"](slow)),
        ("Rail pressure [bar]", 50.0 + slow),
        ("Time", slow),
        ("Battery voltage [V]", 12.0 + slow / 10),
    ]
    reading = read_log("2026-07-31.csv", as_text(columns))
    assert reading.refused == "", reading.findings
    inside = reading.frame.filter(pl.col("time_s").is_between(0.1, 9.8))
    for channel, truth in (
        ("manifold_pressure_kpa", 60.0 + 8.0 * inside["time_s"]),
        ("rail_pressure_bar", 50.0 + inside["time_s"]),
        ("battery_v", 12.0 + inside["time_s"] / 10),
    ):
        assert inside[channel].to_list() == pytest.approx(truth.to_list(), abs=1e-3)


def test_a_channel_without_a_clock_is_not_guessed() -> None:
    columns = [*laid_out(CLOCKS["the channel, then time"]), ("Battery voltage [V]", np.linspace(12.0, 14.0, 50))]
    reading = read_log("2026-07-31.csv", as_text(columns))
    check(reading)
    assert "battery_v" not in reading.frame.columns
    assert ("channel_without_clock", "battery_v") in [(f.code, f.channel) for f in reading.findings]
    bare = [(name, values) for name, values in laid_out(CLOCKS["t and the channel"]) if name != "t_HPFP duty"]
    assert read_log("2026-07-31.csv", as_text(bare)).refused == "clock_missing"


@pytest.mark.parametrize("order", ["before", "behind"])
@pytest.mark.parametrize("lost", ["", "x", "Tame"])
def test_a_clock_that_lost_its_name_is_not_replaced_by_its_neighbour(order: str, lost: str) -> None:
    columns = laid_out(CLOCKS["the same name without unit"], order)
    battery = [("Time", TIMES["iat"]), ("Battery voltage [V]", 12.0 + TIMES["iat"] / 10)]
    columns += battery if order == "before" else battery[::-1]
    clock = [name for name, _ in columns].index("IAT [degC]") + (-1 if order == "before" else 1)
    for values in (columns[clock][1], np.zeros(len(columns[clock][1]))):
        columns[clock] = (lost, values)
        reading = read_log("2026-07-31.csv", as_text(columns))
        assert reading.refused == "", reading.findings
        assert "intake_air_c" not in reading.frame.columns
        assert ("channel_without_clock", "intake_air_c") in [(f.code, f.channel) for f in reading.findings]


@pytest.mark.parametrize("order", ["before", "behind"])
@pytest.mark.parametrize("clock", CLOCKS.values(), ids=CLOCKS)
def test_rows_may_end_where_the_last_channels_have_ended(clock: Callable, order: str) -> None:
    if order == "behind" and clock is not CLOCKS["the same name"]:
        return
    lines = as_text(laid_out(clock, order)).decode().split("\n")
    short = "\n".join(line.rstrip(";") for line in lines)
    assert short != "\n".join(lines)
    check(read_log("2026-07-31.csv", short.encode()))


def test_a_row_that_lacks_cells_for_another_reason_is_ragged() -> None:
    lines = [line.rstrip(";") for line in as_text(laid_out(CLOCKS["the same name"])).decode().split("\n")]
    lines[5] = ";".join(lines[5].split(";")[:4])  # others below go on
    lines[150] = lines[150].rpartition(";")[0]  # a clock without its channel
    reading = read_log("2026-07-31.csv", "\n".join(lines).encode())
    assert reading.dropped["row_ragged"] == 2
    assert reading.rows_in == len(TIMES["rpm"]) == reading.frame.height + sum(reading.dropped.values())


def test_one_clock_stays_one_clock() -> None:
    times = np.arange(0.0, 10.0, 0.1)
    columns = [("Time [s]", times), ("RPM [rpm]", VALUES["rpm"](times)), ("HPFP duty [%]", VALUES["duty"](times))]
    columns += [("MAP [kPa]", VALUES["map"](times)), ("Gear", 0 * times + 3), ("Gear time [s]", times % 2.0)]
    columns += [("Lap time [s]", times % 3.0), ("Injection time [ms]", times)]
    reading = read_log("2026-07-31.csv", as_text(columns))
    assert reading.refused == "", reading.findings
    assert reading.frame["time_s"].to_list() == pytest.approx(times.tolist())


def test_what_names_and_places_tell() -> None:
    assert named_clocks(("Time", "RPM", "Duty"), ("s", "rpm", "%")) == {}
    assert named_clocks(("RPM time", "RPM", "RPM"), ("s", "rpm", "rpm")) == {}, "two columns of that name"
    assert plain_clocks(("Time", "Time.1", "T1", "RPM time"), ("s", "s", "degC", "s")) == (0, 1)
    assert in_turns([0], 3) == {}
    assert in_turns([0, 3], 4) == {}, "a clock without a channel"


@pytest.mark.parametrize("order", ["before", "behind"])
def test_one_damaged_time_costs_a_channel_nothing_but_that_sample(order: str) -> None:
    columns = laid_out(CLOCKS["the same name"], order)
    clock = [name for name, _ in columns].index("IAT [degC]") + (-1 if order == "before" else 1)
    times = columns[clock][1].copy()
    times[9] = -5.0
    columns[clock] = (columns[clock][0], times)
    frame = read_log("2026-07-31.csv", as_text(columns)).frame
    assert frame["time_s"].to_list() == pytest.approx(TIMES["duty"].tolist(), abs=1e-4)
    others = frame.filter(~pl.col("time_s").is_between(9.5, 10.5) & (pl.col("time_s") > 0.5))
    assert others["intake_air_c"].to_list() == [30.0 + np.floor(t - 0.5 + 1e-9) for t in others["time_s"]]
