"""One clock a log, nothing of the file's own words beyond the terminal, all that is missing at once."""

import io
import zipfile
from datetime import date
from pathlib import Path

import numpy as np
import pytest

from ingest.mapping import EMPTY_MAP, ChannelMap, MappedChannel
from ingest.read_log import read_log, read_logs, read_many
from ingest.schemas import CHANNELS

HERE = Path(__file__).parent
HEADER = "Time [s],RPM [rpm],HPFP duty [%],MAP [kPa],IAT [°C],Gear"


def log(rows: list[str], header: str = HEADER) -> bytes:
    return ("\n".join((header, *rows)) + "\n").encode()


def test_everything_lands_on_the_clock_of_the_duty() -> None:
    """Request-and-answer links read one channel after another: each row holds one new value."""
    rows = []
    for i in range(160):
        t = i * 0.025
        cells = [f"{1000 + 100 * t:.3f}", f"{20 + 10 * t:.3f}", f"{60 + 20 * t:.2f}", "31", str(2 + (t > 2))]
        rows.append(
            f"{t:.3f},"
            + ",".join(c if i % 4 == min(k, 3) and (k < 4 or i % 40 == 3) else "" for k, c in enumerate(cells))
        )
    reading = read_log("2026-07-31.csv", log(rows))
    frame = reading.frame
    assert reading.dropped == {"row_without_duty": 120}
    assert frame["row"].to_list() == list(range(2, 161, 4))
    t = frame["time_s"].to_numpy()
    assert t == pytest.approx(np.arange(40) * 0.1 + 0.025)
    inside = slice(1, -1)
    assert frame["engine_speed_rpm"].to_numpy()[inside] == pytest.approx((1000 + 100 * t)[inside], abs=0.01)
    assert frame["manifold_pressure_kpa"].to_numpy()[inside] == pytest.approx((60 + 20 * t)[inside], abs=0.01)
    assert set(frame["gear"].drop_nulls()) == {2.0, 3.0}


def test_channels_that_never_meet_are_refused() -> None:
    early = [f"{i / 10},{1000 + i},,,," for i in range(40)]
    late = [f"{100 + i / 10},,{20 + i},{60 + i},,4" for i in range(40)]
    reading = read_log("2026-07-31.csv", log([*early, *late]))
    assert (reading.refused, reading.findings[0].channel) == ("channel_apart", "engine_speed_rpm")
    assert (reading.rows_in, reading.dropped) == (80, {"channel_apart": 80})


def test_a_mapping_names_the_clock() -> None:
    header = HEADER.replace("Time [s]", "Ticks")
    rows = [f"{i * 5},{1000 + i},{20 + i},{60 + i},31,4" for i in range(40)]
    assert read_log("a.csv", log(rows, header)).refused == "clock_missing"
    said = ChannelMap((MappedChannel("time_s", column="Ticks", unit="ms"),))
    assert read_log("a.csv", log(rows, header), mapping=said).frame["time_s"][-1] == pytest.approx(0.195)


def test_a_clock_that_jumps_back_stays_in_the_file_s_order() -> None:
    rows = [f"{i % 20 / 10},{1000 + i},{20 + i},{60 + i},{'' if i % 3 else 31},4" for i in range(40)]
    reading = read_log("2026-07-31.csv", log(rows))
    assert reading.frame["time_s"].to_list() == pytest.approx([i % 20 / 10 for i in range(40)])
    assert reading.frame["intake_air_c"].to_list() == [31.0] * 40


def test_all_that_is_missing_is_said_at_once() -> None:
    reading = read_log("2026-07-31.csv", log([f"{i},5" for i in range(20)], "Oil [bar],Steering"))
    missing = [f.channel for f in reading.findings if f.code == "channel_missing"]
    assert missing == ["engine_speed_rpm", "pump_duty_pct", "manifold_pressure_kpa"]
    assert "clock_missing" in {f.code for f in reading.findings}
    assert (reading.rows_in, reading.dropped) == (20, {"channel_missing": 20})


def test_nothing_of_the_file_s_words_beyond_detail_and_columns() -> None:
    secret = "Mustermann"
    header = HEADER.replace("Gear", f"Gear {secret}")
    rows = [f"{i / 10},{1000 + i},{20 + i},{60 + i},{secret if i == 7 else 31},4" for i in range(40)]
    reading = read_log(f"2026-07-31 {secret}.csv", f"Driver: {secret}\n".encode() + log(rows, header))
    assert reading.refused == ""
    stored = (
        reading.dialect,
        [(f.code, f.channel, f.row, f.rows) for f in reading.findings],
        reading.frame.write_csv(),
    )
    assert secret not in repr(stored)


def test_columns_are_those_declared() -> None:
    rows = [f"{i / 10},{1000 + i},{20 + i},{60 + i},31,4" for i in range(40)]
    reading = read_log("2026-07-31.csv", log(rows))
    assert set(reading.frame.columns) <= {"row", "time_s", *CHANNELS}
    assert list(reading.channels) == reading.frame.columns[2:]
    assert reading.frame.schema["row"].is_integer()
    assert all(reading.frame.schema[c].is_float() for c in reading.channels)
    assert reading.date == date(2026, 7, 31)


def test_an_archive_of_several_logs() -> None:
    rows = [f"{i / 10},{1000 + i},{20 + i},{60 + i},31,4" for i in range(40)]
    whole = io.BytesIO()
    with zipfile.ZipFile(whole, "w") as archive:
        archive.writestr("a.csv", log(rows))
        archive.writestr("b.txt", "no log")
    readings = read_logs("2026-07-31.zip", whole.getvalue())
    assert [(name, reading.refused) for name, reading in readings] == [
        ("2026-07-31.zip/a.csv", ""),
        ("2026-07-31.zip/b.txt", "not_a_log"),
    ]
    assert readings[0][1].date == date(2026, 7, 31)
    assert read_log("2026-07-31.zip", whole.getvalue()).refused == "archive_of_many"


@pytest.mark.parametrize(("at_full_load", "expected"), [(0.82, 0.82), (1.22, 1 / 1.22), (1.0, None)])
def test_a_bare_equivalence_ratio_is_told_by_full_load(at_full_load: float, expected: float | None) -> None:
    """Below 1 at full load it is lambda (rich), above 1 it is phi."""
    header = HEADER.replace("Gear", "Equivalence ratio")
    rows = [f"{i / 10},{1000 + i},{20 + i},{60 + i},31,{at_full_load if i > 20 else 1.0}" for i in range(40)]
    frame = read_log("2026-07-31.csv", log(rows, header)).frame
    assert (frame["lambda_ratio"][-1] if expected else None) == (pytest.approx(expected) if expected else None)
    assert ("lambda_ratio" in frame.columns) is (expected is not None)


def test_files_read_together_are_what_each_is_by_itself() -> None:
    """Files of one layout, of another, and such as cannot be read, in any mixture."""
    folders = (HERE / "dialects", HERE / "refused")
    files = [path for folder in folders for path in sorted(folder.iterdir()) if path.suffix in (".csv", ".txt")]
    contents = [(f"2026-07-31_{path.name}", path.read_bytes(), None) for path in files if "packed" not in path.name]
    twice = [*contents, *reversed(contents)]
    together = read_many(twice, EMPTY_MAP)
    for (name, content, _), reading in zip(twice, together, strict=True):
        alone = read_log(name, content)
        assert reading.frame.equals(alone.frame), name
        assert (reading.refused, reading.findings, reading.rows_in, reading.dropped, reading.date) == (
            alone.refused, alone.findings, alone.rows_in, alone.dropped, alone.date,
        ), name  # fmt: skip
