"""ASAM MDF 4, written by a reference library (asammdf) and read back: exactly, with units, each group's own rate."""

import sys
from datetime import UTC, date, datetime, timedelta, timezone
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest

from ingest import read_mdf4
from ingest.findings import UnreadableError, in_words
from ingest.many_logs import ingest_logs
from ingest.read_log import read_log
from ingest.read_mdf4 import open_mdf4
from ingest.store import Store

asammdf = pytest.importorskip("asammdf")
FAST_S, SLOW_S = np.arange(200) * 0.05, np.arange(100) * 0.1
SPEED_RPM = np.linspace(1500.0, 6000.0, 200)
DUTY_PCT = np.linspace(20.0, 80.0, 200) + np.sin(np.arange(200))
MAP_KPA = np.linspace(60, 240, 200).astype(np.uint16)
RAIL_MPA = np.linspace(8.0, 20.0, 100)
START = datetime(2026, 7, 31, 23, 30, tzinfo=timezone(timedelta(hours=2)))


def signal(values: np.ndarray, seconds: np.ndarray, name: str, unit: str, **more: object) -> object:
    return asammdf.Signal(values, seconds, name=name, unit=unit, **more)


def fast() -> list[object]:
    return [
        signal(SPEED_RPM, FAST_S, "Engine speed", "1/min"),
        signal(DUTY_PCT, FAST_S, "HPFP duty", "%"),
        signal(MAP_KPA, FAST_S, "MAP", "kPa"),
    ]


def slow() -> list[object]:
    return [signal(RAIL_MPA, SLOW_S, "Fuel rail pressure", "MPa")]


def measurement(folder: Path, *groups: list[object], compression: int = 0, version: str = "4.10") -> bytes:
    mdf = asammdf.MDF(version=version)
    mdf.header.start_time = START
    for group in groups:
        mdf.append(group, common_timebase=True, comment="Jane Roe, VIN WVWZZZ1JZXW000001")
    return Path(mdf.save(folder / "measured", overwrite=True, compression=compression)).read_bytes()


def test_two_groups_come_back_exactly(tmp_path: Path) -> None:
    source = open_mdf4(measurement(tmp_path, fast(), slow()))
    assert source
    assert source.names == ("time", "Engine speed", "HPFP duty", "MAP", "time", "Fuel rail pressure")
    assert source.units == ("s", "1/min", "%", "kPa", "s", "MPa")
    numbers = source.table(frozenset(range(6))).numbers
    for column, written in ((0, FAST_S), (1, SPEED_RPM), (2, DUTY_PCT), (3, MAP_KPA), (4, SLOW_S), (5, RAIL_MPA)):
        assert numbers[column][: len(written)].tolist() == written.tolist()
        assert np.isnan(numbers[column][len(written) :]).all()


@pytest.mark.parametrize("compression", [0, 1, 2], ids=["plain", "deflated", "transposed and deflated"])
@pytest.mark.parametrize("slow_first", [False, True])
def test_every_channel_lands_on_the_dutys_clock(tmp_path: Path, slow_first: bool, compression: int) -> None:
    groups = (slow(), fast()) if slow_first else (fast(), slow())
    reading = read_log("evening.mf4", measurement(tmp_path, *groups, compression=compression))
    assert reading.refused == "", reading.findings
    assert (reading.dialect, reading.rows_in, reading.frame.height) == ("mdf4", 200, 200)
    assert reading.frame["time_s"].to_list() == FAST_S.tolist()
    assert reading.frame["engine_speed_rpm"].to_list() == SPEED_RPM.tolist()
    assert reading.frame["pump_duty_pct"].to_list() == DUTY_PCT.tolist()
    rail_bar = np.interp(FAST_S, SLOW_S, 10 * RAIL_MPA)
    assert reading.frame["rail_pressure_bar"].to_list()[:199] == pytest.approx(rail_bar[:199])
    assert (reading.channels["rail_pressure_bar"].column, reading.channels["rail_pressure_bar"].unit) == (
        "Fuel rail pressure",
        "MPa",
    )


def test_a_slow_duty_sets_the_clock(tmp_path: Path) -> None:
    groups = [[*fast()[:1], fast()[2]], [signal(DUTY_PCT[::2], SLOW_S, "HPFP duty", "%")]]
    reading = read_log("evening.mf4", measurement(tmp_path, *groups))
    assert (reading.rows_in, reading.frame.height, reading.dropped) == (200, 100, {"row_without_duty": 100})
    assert reading.frame["engine_speed_rpm"].to_list() == pytest.approx(SPEED_RPM[::2].tolist())


def test_the_day_is_that_of_the_place_and_no_free_text_comes_along(tmp_path: Path) -> None:
    reading = read_log("evening.mf4", measurement(tmp_path, fast()))
    assert reading.date == date(2026, 7, 31)
    assert START.astimezone(UTC).date() == date(2026, 7, 31)
    assert "Roe" not in repr(reading)
    assert "WVWZZZ" not in repr(reading)


def test_scaled_invalid_and_text_channels(tmp_path: Path) -> None:
    invalid = np.arange(200) < 20
    scaled = signal(
        np.arange(200, dtype=np.uint8), FAST_S, "Intake air temperature", "degC", conversion={"a": 0.5, "b": -40.0}
    )
    gear = signal(np.array([b"D4"] * 200), FAST_S, "Gear", "", encoding="utf-8")
    rail = asammdf.Signal(
        np.linspace(80.0, 200.0, 200), FAST_S, name="Fuel rail pressure", unit="bar", invalidation_bits=invalid
    )
    reading = read_log("evening.mf4", measurement(tmp_path, [*fast(), scaled, gear, rail]))
    assert reading.refused == "", reading.findings
    assert reading.frame["intake_air_c"].to_list() == (np.arange(200) * 0.5 - 40.0).tolist()
    assert "gear" not in reading.frame.columns
    assert reading.frame["rail_pressure_bar"][:10].null_count() == 10
    assert reading.frame["rail_pressure_bar"][20:].null_count() == 0


@pytest.mark.parametrize("keep", [66, 100, 500, 0.5, 0.95])
def test_a_damaged_file_is_refused_without_a_sound(
    tmp_path: Path, keep: float, capsys: pytest.CaptureFixture[str]
) -> None:
    content = measurement(tmp_path, fast(), slow(), compression=2)
    reading = read_log("evening.mf4", content[: int(keep if keep > 1 else keep * len(content))])
    assert reading.refused == "mdf4_broken"
    assert "Traceback" not in capsys.readouterr().err


def test_damaged_samples_are_found_when_they_are_read(tmp_path: Path) -> None:
    content = bytearray(measurement(tmp_path, fast(), compression=1))
    block = content.index(b"##DZ")
    content[block + 60 : block + 90] = bytes(30)
    assert read_log("evening.mf4", bytes(content)).refused == "mdf4_broken"


def test_a_missing_block_is_not_passed_over_in_silence(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    """The library reads the rest of such a file; a channel group would be lost and nobody told."""
    content = bytearray(measurement(tmp_path, fast(), slow()))
    second = content.index(b"##DG", content.index(b"##DG") + 4)
    content[second : second + 4] = b"none"
    assert read_log("evening.mf4", bytes(content)).refused == "mdf4_broken"
    assert capfd.readouterr().err == ""


def test_an_older_measurement_is_refused(tmp_path: Path) -> None:
    assert read_log("evening.mdf", measurement(tmp_path, fast(), version="3.30")).refused == "mdf_before_4"


def test_a_measurement_too_large_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    content = measurement(tmp_path, fast())
    monkeypatch.setattr(read_mdf4, "UNPACKED_MAX_BYTES", 1000)
    assert read_log("evening.mf4", content).refused == "mdf4_too_large"


def test_not_mine_is_not_broken() -> None:
    assert open_mdf4(b"time,rpm\n0,900\n") is None
    with pytest.raises(UnreadableError):
        open_mdf4(b"MDF     4.10    " + bytes(300))


def test_without_the_library_the_log_is_refused_and_tried_again_later(
    made_up: ModuleType, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    logs, roster, store = made_up.club(tmp_path, cars=1, logs=1)
    (logs / "anna/2026-07-02.mf4").write_bytes(measurement(tmp_path, fast()))
    monkeypatch.setitem(sys.modules, "asammdf", None)
    refused = read_log("a.mf4", (logs / "anna/2026-07-02.mf4").read_bytes())
    assert refused.refused == "mdf4_not_installed"
    assert "pip install 'pumpcensus[mdf4]'" in in_words(refused.findings[0])
    assert ingest_logs(logs, roster, store).refused == 1
    monkeypatch.undo()
    again = ingest_logs(logs, roster, store)
    assert (again.kept, again.skipped, again.superseded) == (1, 1, 1)
    assert set(Store(store).ledger().collect()["verdict"]) == {"kept"}
