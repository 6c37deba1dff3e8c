"""Invented recorders, each with its own spelling of a log: names, units, clock, delimiter, encoding."""

import gzip
import tomllib
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from pathlib import Path
from types import MappingProxyType
from typing import Any

import polars as pl

EXAMPLE_DAY = date(2026, 8, 14)
START_OF_DAY_S = 64_800.0  # 18:00


@dataclass(frozen=True)
class Spelling:
    """How a recorder names a channel, in which unit and to how many decimals (-1: to tens)."""

    name: str
    unit: str
    decimals: int


@dataclass(frozen=True)
class Recorder:
    """One recorder; defaults are those of plain, clean CSV."""

    name: str
    weight: float
    rate_hz: float
    clock: Spelling
    channels: dict[str, Spelling]
    logged_share: dict[str, float]  # how many of its owners log a channel, 1 where absent
    header: str = "{name} [{unit}]"
    delimiter: str = ","
    decimal_comma: bool = False
    encoding: str = "utf-8"
    line_end: str = "\n"
    suffix: str = ".csv"
    container: str = "text"
    pressure: str = "absolute"
    units_row: bool = False
    trailing_delimiter: bool = False
    dated_name: bool = True
    date_format: str = "%Y-%m-%d"
    preamble: tuple[str, ...] = ()
    slow_every: int = 1
    slow_channels: tuple[str, ...] = ()
    pedal_rest_pct: float = 0.0
    pedal_top_pct: float = 100.0  # a raw scale may end lower


def _load() -> tuple[dict[str, Recorder], dict[str, dict[str, float]]]:
    tables = tomllib.loads((Path(__file__).parent / "recorders.toml").read_text(encoding="utf-8"))
    return {name: _recorder(name, row) for name, row in tables["recorders"].items()}, tables["units"]


def _recorder(name: str, row: dict[str, Any]) -> Recorder:
    plain: dict[str, Any] = {key: tuple(v) if isinstance(v, list) else v for key, v in row.items()}
    plain["clock"] = Spelling(*row["clock"])
    plain["channels"] = {channel: Spelling(*spelling) for channel, spelling in row["channels"].items()}
    return Recorder(name=name, **plain)


_RECORDERS, UNITS = _load()
RECORDERS = MappingProxyType(_RECORDERS)


def file_name(recorder: Recorder, day: date, number: int) -> str:
    """Name of a car's log number `number` of a day."""
    stem = f"{day:%Y-%m-%d}_{number:02d}" if recorder.dated_name else f"drive_{day:%j}{number:02d}"
    return stem + recorder.suffix


def write_log(
    path: Path,
    frame: pl.DataFrame,
    recorder: str | Recorder,
    *,
    day: date = EXAMPLE_DAY,
    start_s: float = START_OF_DAY_S,
) -> None:
    """Write a log as `recorder` spells it.

    frame: `time_s` and canonical channels in canonical units (kPa, bar, degC, km/h, %), a row a sample.
        A recorder of gauge pressure makes boost from manifold and barometric pressure.
    day, start_s: date, and seconds after midnight at time_s = 0. [s]
    Raises ValueError for an unknown recorder, or naming all channels that it has no words for.
    """
    recorder = _named(recorder)
    spelled, columns = _spelled(frame, recorder, day, start_s)
    if recorder.container == "parquet":
        spelled.write_parquet(path, compression="zstd", statistics=False)
        return
    content = _text(spelled, columns, recorder, day).encode(recorder.encoding)
    path.write_bytes(gzip.compress(content, 6, mtime=0) if recorder.suffix.endswith(".gz") else content)


def _named(recorder: str | Recorder) -> Recorder:
    if isinstance(recorder, Recorder):
        return recorder
    if recorder not in RECORDERS:
        raise ValueError(f"recorder '{recorder}': unknown. Choose one of {', '.join(RECORDERS)}.")
    return RECORDERS[recorder]


def _spelled(frame: pl.DataFrame, recorder: Recorder, day: date, start_s: float) -> tuple[pl.DataFrame, list[Spelling]]:
    """The frame in the recorder's units and names, and the spelling of each column."""
    gauge = {"manifold_pressure_kpa", "barometric_pressure_kpa"} <= set(frame.columns)
    if gauge and "boost_kpa" in recorder.channels and "boost_kpa" not in frame.columns:
        frame = frame.with_columns(boost_kpa=pl.col("manifold_pressure_kpa") - pl.col("barometric_pressure_kpa"))
        frame = frame.drop("manifold_pressure_kpa")
    unknown = [c for c in frame.columns if c not in recorder.channels and c != "time_s"]
    if unknown:
        raise ValueError(f"recorder '{recorder.name}' has no words for {', '.join(unknown)}. Leave these out.")
    logged = [c for c in recorder.channels if c in frame.columns]
    columns = [recorder.clock, *(recorder.channels[c] for c in logged)]
    names = [_heading(recorder, s) for s in columns]
    values = [_clock(recorder.clock, day, start_s)] + [_values(c, recorder) for c in logged]
    return frame.select(v.alias(n) for v, n in zip(values, names, strict=True)), columns


def _heading(recorder: Recorder, spelling: Spelling) -> str:
    if spelling.unit in ("iso8601", "hh:mm:ss"):
        return spelling.name
    return recorder.header.format(name=spelling.name, unit=spelling.unit)


def _clock(spelling: Spelling, day: date, start_s: float) -> pl.Expr:
    time = pl.col("time_s")
    if spelling.unit == "ms":
        return (time * 1000.0).round(0).cast(pl.Int64)
    if spelling.unit == "s":
        return time.round(spelling.decimals)
    start = datetime(day.year, day.month, day.day) + timedelta(seconds=start_s)
    stamp = pl.lit(start) + (time * 1000.0).round(0).cast(pl.Int64).cast(pl.Duration("ms"))
    form = "%Y-%m-%dT%H:%M:%S%.3f" if spelling.unit == "iso8601" else "%H:%M:%S%.3f"
    return stamp.dt.to_string(form)


def _values(channel: str, recorder: Recorder) -> pl.Expr:
    spelling = recorder.channels[channel]
    quantity = channel.rsplit("_", 1)[-1]
    factor = UNITS.get(quantity, {}).get(spelling.unit, 1.0)
    value = pl.col(channel) * factor + (32.0 if spelling.unit == "°F" else 0.0)
    if spelling.decimals > 0:
        value = value.round(spelling.decimals)
    else:
        coarse = 10**-spelling.decimals
        value = (value / coarse).round(0).cast(pl.Int64) * coarse
    if channel in recorder.slow_channels:
        value = pl.when(pl.int_range(pl.len()) % recorder.slow_every == 0).then(value)
    return value


def _text(spelled: pl.DataFrame, columns: list[Spelling], recorder: Recorder, day: date) -> str:
    heads = [recorder.delimiter.join(spelled.columns) + "\n"]
    if recorder.units_row:
        heads.append(recorder.delimiter.join(s.unit for s in columns) + "\n")
    table = "".join(heads) + spelled.write_csv(
        include_header=False,
        separator=recorder.delimiter,
        decimal_comma=recorder.decimal_comma,
        quote_style="never",
    )
    if recorder.trailing_delimiter:
        table = table.replace("\n", recorder.delimiter + "\n")
    stamp = day.strftime(recorder.date_format)
    text = "".join(line.format(date=stamp) + "\n" for line in recorder.preamble) + table
    return text.replace("\n", recorder.line_end)
