"""Each recorder writes what its table says; read back by readers that are not ours."""

import csv
import gzip
import io
from dataclasses import replace
from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd
import polars as pl
import pytest

from synthetic_fleet.recorders import RECORDERS, UNITS, Recorder, file_name, write_log

DAY = date(2026, 8, 14)
TEXT = [r for r in RECORDERS.values() if r.container == "text"]


def sample_log(recorder: Recorder, rows: int = 60) -> pl.DataFrame:
    """Made-up canonical readings for every channel of a recorder."""
    rng = np.random.default_rng(6)
    columns = {c: np.round(rng.uniform(1.0, 90.0, rows), 4) for c in recorder.channels}
    return pl.DataFrame({"time_s": np.arange(rows) / recorder.rate_hz, **columns})


def decoded(path: Path, recorder: Recorder) -> str:
    content = path.read_bytes()
    if recorder.suffix.endswith(".gz"):
        content = gzip.decompress(content)
    return content.decode(recorder.encoding)


def table(text: str, recorder: Recorder) -> list[list[str]]:
    """Rows below the preamble by Python's own csv reader."""
    lines = text.split(recorder.line_end)[len(recorder.preamble) :]
    return list(csv.reader(io.StringIO("\n".join(lines)), delimiter=recorder.delimiter))


def test_there_are_at_least_six_and_the_plain_one_is_the_commonest() -> None:
    assert len(RECORDERS) >= 6
    assert max(RECORDERS.values(), key=lambda r: r.weight).name == "plain"
    plain = RECORDERS["plain"]
    assert (plain.delimiter, plain.encoding, plain.preamble, plain.units_row) == (",", "utf-8", (), False)


def test_the_recorders_differ_in_everything_that_logs_differ_in() -> None:
    assert {r.delimiter for r in TEXT} == {",", ";", "\t", "|"}
    assert {r.encoding for r in TEXT} == {"utf-8", "utf-8-sig", "utf-16", "cp1252"}
    assert {r.decimal_comma for r in TEXT} == {True, False}
    assert {r.clock.unit for r in TEXT} == {"s", "ms", "iso8601", "hh:mm:ss"}
    assert {r.suffix for r in RECORDERS.values()} == {".csv", ".csv.gz", ".parquet"}
    assert any(r.units_row for r in TEXT)
    assert any(r.trailing_delimiter for r in TEXT)
    assert any(r.slow_every > 1 for r in TEXT)
    assert any(r.preamble for r in TEXT)
    assert [r.name for r in TEXT if not r.dated_name] != []


@pytest.mark.parametrize("recorder", TEXT, ids=lambda r: r.name)
def test_a_text_log_has_the_shape_its_dialect_says(recorder: Recorder, tmp_path: Path) -> None:
    frame = sample_log(recorder)
    path = tmp_path / f"log{recorder.suffix}"
    write_log(path, frame, recorder, day=DAY)
    text = decoded(path, recorder)
    assert text.endswith(recorder.line_end)
    assert ("\r\n" in text) == (recorder.line_end == "\r\n")
    if recorder.preamble:
        assert DAY.strftime(recorder.date_format) in text[:200]
    rows = [row for row in table(text, recorder) if row]
    heads = 2 if recorder.units_row else 1
    assert len(rows) == frame.height + heads
    width = 1 + len(recorder.channels) + recorder.trailing_delimiter
    assert {len(row) for row in rows} == {width}
    if recorder.units_row:
        assert rows[1][1 : 1 + len(recorder.channels)] == [s.unit for s in recorder.channels.values()]
    elif recorder.name != "plain":
        assert all(s.name in head for s, head in zip(recorder.channels.values(), rows[0][1:], strict=False))
    assert len(set(rows[0])) == width


@pytest.mark.parametrize("recorder", TEXT, ids=lambda r: r.name)
def test_the_numbers_come_back_in_the_recorders_units(recorder: Recorder, tmp_path: Path) -> None:
    frame = sample_log(recorder)
    path = tmp_path / f"log{recorder.suffix}"
    write_log(path, frame, recorder, day=DAY)
    rows = [row for row in table(decoded(path, recorder), recorder) if row]
    for place, (channel, spelling) in enumerate(recorder.channels.items(), start=1):
        cells = [row[place] for row in rows[2 if recorder.units_row else 1 :]]
        slow = channel in recorder.slow_channels
        assert (cells[1] == "") == slow
        if not recorder.decimal_comma:
            assert not any("," in c for c in cells)
        read = np.array([float(c.replace(",", ".")) if c else np.nan for c in cells])
        factor = UNITS.get(channel.rsplit("_", 1)[-1], {}).get(spelling.unit, 1.0)
        wanted = frame[channel].to_numpy() * factor + (32.0 if spelling.unit == "°F" else 0.0)
        half_step = 0.5 * 10.0**-spelling.decimals * (1.0 + 1e-6)
        assert np.nanmax(np.abs(read - wanted)) <= half_step, channel


def test_pandas_reads_the_german_one(tmp_path: Path) -> None:
    recorder = RECORDERS["workshop"]
    frame = sample_log(recorder)
    write_log(tmp_path / "log.csv", frame, "workshop", day=DAY)
    skipped = len(recorder.preamble)
    read = pd.read_csv(tmp_path / "log.csv", sep=";", decimal=",", encoding="cp1252", skiprows=skipped)
    duty = read["Hochdruckpumpe Tastverhältnis (%)"].to_numpy()
    np.testing.assert_allclose(duty, frame["pump_duty_pct"].to_numpy(), atol=0.0501)
    pressure = read["Saugrohrdruck absolut (mbar)"].to_numpy()
    np.testing.assert_allclose(pressure, 10.0 * frame["manifold_pressure_kpa"].to_numpy(), atol=0.501)


def test_pyarrow_reads_the_columnar_one(tmp_path: Path) -> None:
    frame = sample_log(RECORDERS["columns"])
    write_log(tmp_path / "log.parquet", frame, "columns")
    read = pd.read_parquet(tmp_path / "log.parquet", engine="pyarrow")
    duty = read["high pressure pump duty [%]"].to_numpy()
    np.testing.assert_allclose(duty, frame["pump_duty_pct"].to_numpy(), atol=0.00501)
    assert len(read) == frame.height


@pytest.mark.parametrize(
    ("quantity", "unit", "factor"),
    [
        # NIST SP 811 appendix B.8: 1 psi = 6.894757 kPa; 1 mile = 1.609344 km
        ("kpa", "psi", 1 / 6.894757),
        ("bar", "psi", 100 / 6.894757),
        ("kmh", "mph", 1 / 1.609344),
        ("kpa", "mbar", 10.0),
        ("bar", "MPa", 0.1),
        ("c", "°F", 1.8),
        ("ratio", "AFR", 14.7),  # AFDC "Properties of Fuels", petrol
    ],
)
def test_units_are_the_published_ones(quantity: str, unit: str, factor: float) -> None:
    assert UNITS[quantity][unit] == pytest.approx(factor, rel=1e-6)


def test_fahrenheit_has_its_offset(tmp_path: Path) -> None:
    # NIST SP 811: 25 degC is 77 degF
    frame = pl.DataFrame({"time_s": [0.0], "intake_air_c": [25.0]})
    write_log(tmp_path / "log.csv", frame, replace(RECORDERS["gauge"], slow_every=1))
    assert (tmp_path / "log.csv").read_text("utf-8-sig").splitlines()[-1].endswith(",77")


def test_a_gauge_recorder_makes_boost_from_the_absolute_pressure(tmp_path: Path) -> None:
    # 20 psi gauge at 1,000 m: 137.90 + 89.88 = 227.77 kPa absolute
    frame = pl.DataFrame({"time_s": [0.0], "manifold_pressure_kpa": [227.77], "barometric_pressure_kpa": [89.88]})
    write_log(tmp_path / "log.csv", frame, "gauge")
    assert (tmp_path / "log.csv").read_text("utf-8-sig").splitlines()[-1].split(",")[1] == "20.0"


def test_time_of_day_goes_over_midnight(tmp_path: Path) -> None:
    frame = pl.DataFrame({"time_s": [0.0, 1.25], "pump_duty_pct": [50.0, 51.0]})
    write_log(tmp_path / "log.csv.gz", frame, "night", day=DAY, start_s=86_399.5)
    lines = gzip.decompress((tmp_path / "log.csv.gz").read_bytes()).decode().splitlines()
    assert [line.split("|")[0] for line in lines[1:]] == ["23:59:59.500", "00:00:00.750"]


def test_an_unknown_recorder_or_channel_is_refused_in_words(tmp_path: Path) -> None:
    frame = pl.DataFrame({"time_s": [0.0], "moon_phase": [1.0], "pump_duty_pct": [1.0], "tide": [1.0]})
    with pytest.raises(ValueError, match=r"recorder 'plain' has no words for moon_phase, tide\. Leave these out"):
        write_log(tmp_path / "log.csv", frame, "plain")
    with pytest.raises(ValueError, match=r"recorder 'abacus': unknown\. Choose one of plain, "):
        write_log(tmp_path / "log.csv", frame, "abacus")
    assert list(tmp_path.iterdir()) == []


def test_the_date_is_in_the_name_but_for_one_recorder() -> None:
    assert file_name(RECORDERS["plain"], DAY, 2) == "2026-08-14_02.csv"
    assert "2026" not in file_name(RECORDERS["gauge"], DAY, 2)
    assert "{date}" in "".join(RECORDERS["gauge"].preamble)
