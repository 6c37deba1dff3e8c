"""One file's bytes to a Reading: the steps in order."""

from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import date

import numpy as np

from ingest.assignment import NEEDED, assign
from ingest.car_column import by_car, car_column, with_text
from ingest.channels import Claims, claims
from ingest.clocks import Clock
from ingest.column_fit import Fit, is_bare_equivalence_ratio
from ingest.duty_scale import is_upside_down
from ingest.findings import Finding, UnreadableError
from ingest.log_date import log_date
from ingest.mapping import EMPTY_MAP, ChannelMap
from ingest.number_format import marks
from ingest.on_one_clock import align, read_clocks, without_clock
from ingest.own_clocks import may_be_clocks, named_clocks, plain_clocks
from ingest.pressures import resolve
from ingest.read_columnar import ColumnarError, open_columnar
from ingest.read_mdf4 import open_mdf4
from ingest.read_text import TextSource, mostly_ragged, open_text, read_together
from ingest.read_workbook import WorkbookSource, open_workbook
from ingest.reading import Channel, Reading, refusal
from ingest.schemas import CHANNELS
from ingest.table import Source, Table, Values
from ingest.unpack import unpack

_PRESSURES = ("manifold_pressure_kpa", "boost_kpa", "boost_target_kpa", "barometric_pressure_kpa")
_NAMES_MIN = 3  # a line of so many names was meant as a header
_FULL_LOAD_SHARE = 0.1  # of the samples, those of highest manifold pressure
_RICH_OR_LEAN = 0.02  # mixture at full load must be this far from 1 to tell lambda from its inverse


def read_logs(
    name: str, content: bytes, *, modified: date | None = None, mapping: ChannelMap | None = None
) -> list[tuple[str, Reading]]:
    """(name, Reading) of every log in a file: an archive may hold several. Never raises for bad content."""
    try:
        logs = unpack(name, content)
    except UnreadableError as error:
        return [(name, refusal(error.finding))]
    return [(inner, _guarded(inner, data, modified, mapping or EMPTY_MAP)) for inner, data in logs]


def read_log(name: str, content: bytes, *, modified: date | None = None, mapping: ChannelMap | None = None) -> Reading:
    """The one log in a file. Never raises for bad content: a log that cannot be used is refused with a finding.

    name: the file's; only its date and nothing else is taken from it. modified: day of its time stamp on disk.
    An archive of several logs is refused: use `read_logs`.

    >>> text = "Time [s],RPM,HPFP duty [%],MAP [kPa]\\n" + "".join(f"{i/10},{2000+i},50,200\\n" for i in range(30))
    >>> read_log("2026-07-31.csv", text.encode()).frame.columns
    ['row', 'time_s', 'engine_speed_rpm', 'pump_duty_pct', 'manifold_pressure_kpa', 'boost_kpa']
    """
    logs = read_logs(name, content, modified=modified, mapping=mapping)
    if len(logs) > 1:
        return refusal(Finding("archive_of_many", detail=f"{len(logs)} logs"))
    return logs[0][1]


def read_many(files: Sequence[tuple[str, bytes, date | None]], mapping: ChannelMap) -> list[Reading]:
    """What `read_log` gives for each (name, content, day on disk) of unpacked files, with less work."""
    opened = [_safely_opened(content) for _, content, _ in files]
    with suppress(Exception):  # an odd one is left to the steps below, which refuse it alone
        opened = _prepared(opened, mapping)
    return [
        source if isinstance(source, Reading) else _read(name, source, modified, mapping)
        for (name, _, modified), source in zip(files, opened, strict=True)
    ]


def _prepared(opened: Sequence[Source | Reading], mapping: ChannelMap) -> list[Source | Reading]:
    """The same, the texts among them read together."""
    texts = [source for source in opened if isinstance(source, TextSource)]
    wanted = [_wanted(source, mapping) for source in texts]
    read = iter(read_together(texts, wanted))
    return [next(read) if isinstance(source, TextSource) else source for source in opened]


def read_cars(
    name: str, content: bytes, column: str, *, modified: date | None = None, mapping: ChannelMap | None = None
) -> list[tuple[str | None, Reading]]:
    """(car, Reading) for every car that a column of an unpacked file names. Never raises for bad content.

    column: its name in the header. A file without it gives a single (None, Reading). The car "" stands for
    rows that name none.
    """
    try:
        source = open_log(content)
        place = None if isinstance(source, Finding) else car_column(source, column)
        if isinstance(source, Finding) or place is None:
            reading = _guarded(name, content, modified, mapping or EMPTY_MAP)
            return [(None, replace(reading, findings=(*reading.findings, Finding("car_column_missing"))))]
        whole = _opened(with_text(source, place), mapping or EMPTY_MAP, frozenset({place}))
        try:
            _check_rows(whole)
        except _RefusedError as refused:
            return [("", _refused(whole, refused))]
        tables, lost = by_car(whole.table, place)
        logs = [(car, replace(whole, table=table, findings=[*whole.findings])) for car, table in tables.items()]
        readings: list[tuple[str | None, Reading]] = [(car, _finished(log, name, modified)) for car, log in logs]
        if lost:
            without = Finding("rows_without_car", rows=lost)
            readings.append(("", refusal(without, dialect=source.in_short(), rows_in=lost)))
        return readings
    except Exception as error:
        return [("", _failed(error))]


def _guarded(name: str, content: bytes, modified: date | None, mapping: ChannelMap) -> Reading:
    source = _safely_opened(content)
    return source if isinstance(source, Reading) else _read(name, source, modified, mapping)


def _safely_opened(content: bytes) -> Source | Reading:
    """The opened file, or the refusal of one that cannot be opened."""
    try:
        source = open_log(content)
    except Exception as error:
        return _failed(error)
    return refusal(source) if isinstance(source, Finding) else source


def _read(name: str, source: Source, modified: date | None, mapping: ChannelMap) -> Reading:
    try:
        return _finished(_opened(source, mapping), name, modified)
    except Exception as error:
        return _failed(error)


def _failed(error: Exception) -> Reading:
    """One odd file must not end a run over ten thousand."""
    if isinstance(error, UnreadableError):
        return refusal(error.finding)
    return refusal(Finding("reader_failed", detail=f"{type(error).__name__}: {error}"))


def open_log(content: bytes) -> Source | Finding:
    """The first reader that takes the file as its own, or why there is none."""
    if not content.strip():
        return Finding("empty")
    try:
        for opened in (open_columnar, open_workbook, open_mdf4, open_text):
            if source := opened(content):
                return _without_numbers(source) or source
    except ColumnarError as error:
        return Finding("columnar_broken", detail=str(error))
    except UnreadableError as error:
        return error.finding
    return Finding("not_a_log")


def _without_numbers(source: Source) -> Finding | None:
    """Why a table without rows of numbers is no log: its header stands alone, or it is something else."""
    text = source.cells if isinstance(source, WorkbookSource) else source
    if not isinstance(text, TextSource) or not text.dialect.of_words:
        return None
    is_log = len(claims(text.names, text.units, EMPTY_MAP).candidates) >= _NAMES_MIN
    return Finding("no_rows" if is_log and not text.has_rows else "not_a_log")


@dataclass
class _Log:
    """A log while it is being read."""

    source: Source
    claims: Claims
    table: Table
    mapping: ChannelMap
    findings: list[Finding]


class _RefusedError(Exception):
    """The log cannot be used. All reasons at once, the first of them is the verdict's."""

    def __init__(self, *reasons: Finding) -> None:
        super().__init__(reasons[0].code)
        self.reasons = reasons


def _wanted(source: Source, mapping: ChannelMap) -> frozenset[int]:
    """Columns that may be channels or clocks."""
    names, units = source.names, source.units
    clocks = (named_clocks(names, units), plain_clocks(names, units), may_be_clocks(names, units))
    return claims(names, units, mapping).columns.union(*clocks)


def _opened(source: Source, mapping: ChannelMap, more: frozenset[int] = frozenset()) -> _Log:
    """The columns that may be channels, and `more`."""
    claimed = claims(source.names, source.units, mapping)
    table = source.table(_wanted(source, mapping) | more)
    clocks = {source.names[column] for column in plain_clocks(source.names, source.units)}
    repeated = [Finding("column_name_twice", detail=name) for name in claimed.repeated if name not in clocks]
    return _Log(source, claimed, table, mapping, [*source.findings, *table.findings, *repeated])


def _finished(log: _Log, name: str, modified: date | None) -> Reading:
    try:
        return _read_table(log, name, modified)
    except _RefusedError as refused:
        return _refused(log, refused)


def _refused(log: _Log, refused: _RefusedError) -> Reading:
    first, *others = refused.reasons
    notes = (*others, *log.findings)
    return refusal(first, dialect=log.source.in_short(), rows_in=log.table.rows_in, notes=notes)


def _read_table(log: _Log, name: str, modified: date | None) -> Reading:
    """From columns to channels on one clock. Raises _RefusedError."""
    _check_rows(log)
    clocks = read_clocks(log.claims, log.table, log.source.names, log.source.units, log.mapping)
    fits = _assigned(log, clocks)
    if lost := without_clock(fits, clocks):
        if set(NEEDED) & set(lost):
            raise _RefusedError(*(Finding("clock_missing", channel) for channel in lost))
        log.findings += [Finding("channel_without_clock", channel) for channel in lost]
        fits = {channel: fitted for channel, fitted in fits.items() if channel not in lost}
    aligned = align(fits, clocks, log.table)
    log.findings += aligned.findings
    on_clock = {c: _with_values(fits[c], v) for c, v in aligned.channels.items() if _has_values(fits[c], v)}
    if apart := [c for c in (*NEEDED, *_PRESSURES[:2]) if c in fits and c not in on_clock]:
        raise _RefusedError(*(Finding("channel_apart", channel) for channel in apart))
    pressures = resolve({c: f for c, f in on_clock.items() if c in _PRESSURES}, aligned.channels, log.mapping)
    log.findings += pressures.findings
    if pressures.refused:
        raise _RefusedError(Finding(pressures.refused, "manifold_pressure_kpa"))
    values = {c: f.values for c, f in on_clock.items() if c not in _PRESSURES} | pressures.values
    _check_lambda(log, on_clock, values)
    _check_duty(log, values)
    clock_day = next((clock.day for clock in clocks.values() if clock.day), None)
    day, undated = log_date(name, log.source.preamble, clock_day, modified)
    findings = [*log.findings, undated] if undated else log.findings
    return Reading(
        dialect=log.source.in_short(),
        row=aligned.row,
        values={"time_s": aligned.time_s, **values},
        channels=_sources(values, on_clock | pressures.fits, findings),
        findings=tuple(findings),
        rows_in=log.table.rows_in,
        dropped={**log.table.dropped, **aligned.dropped},
        date=day,
        refused="",
    )


def _with_values(fitted: Fit, values: Values) -> Fit:
    return fitted if values is fitted.values else replace(fitted, values=values, complete=False)


def _has_values(fitted: Fit, values: Values) -> bool:
    return (fitted.complete and values is fitted.values) or bool(np.isfinite(values).any())


def _check_rows(log: _Log) -> None:
    table = log.table
    if not any(log.source.names):
        above = log.source.preamble.split("\n")[-2:]
        several = any(line.count(sign) >= _NAMES_MIN - 1 for line in above for sign in marks()["delimiters"])
        raise _RefusedError(Finding("header_does_not_fit" if several else "no_header"))
    if mostly_ragged(table):
        raise _RefusedError(Finding("rows_mostly_ragged", rows=table.dropped["row_ragged"]))
    if table.rows_in != len(table.row) + sum(table.dropped.values()):
        raise _RefusedError(Finding("rows_unaccounted", rows=table.rows_in))


def _assigned(log: _Log, clocks: Mapping[int, Clock]) -> dict[str, Fit]:
    """Each channel's column. Raises _RefusedError where a needed one has none, with all that is missing."""
    fits, findings = assign(log.claims, log.table, log.mapping)
    told = {f.channel for f in findings if f.code == "needed_channel_ambiguous"}
    problems = [f for f in findings if f.code == "needed_channel_ambiguous"]
    log.findings += [f for f in findings if f not in problems]
    problems += [Finding("channel_missing", c) for c in NEEDED if c not in fits and c not in told]
    if not {"manifold_pressure_kpa", "boost_kpa"} & set(fits):
        problems.append(Finding("channel_missing", "manifold_pressure_kpa"))
    if not clocks:
        unread = log.claims.candidates.get("time_s")
        problems.append(Finding("clock_unclear" if unread else "clock_missing", "time_s"))
    if problems:
        raise _RefusedError(*problems)
    for clock in clocks.values():
        log.findings += [Finding(clock.assumed, "time_s")] if clock.assumed else []
        log.findings += [Finding("clock_over_midnight", "time_s")] if clock.over_midnight else []
    for channel, fitted in fits.items():
        if odd := log.table.odd_cells.get(fitted.candidate.column):
            log.findings.append(Finding("cells_not_numbers", channel, detail=", ".join(odd[:3])))
    return fits


def _check_lambda(log: _Log, fits: Mapping[str, Fit], values: dict[str, Values]) -> None:
    """A bare "equivalence ratio" is lambda where full load is rich below 1, its inverse where above."""
    if "lambda_ratio" not in fits or not is_bare_equivalence_ratio(fits["lambda_ratio"].candidate):
        return
    pressure = values["manifold_pressure_kpa"]
    loaded = pressure >= np.nanquantile(pressure, 1.0 - _FULL_LOAD_SHARE)
    usual = float(np.nanmedian(values["lambda_ratio"][loaded]))
    if usual > 1.0 + _RICH_OR_LEAN:
        values["lambda_ratio"] = 1.0 / values["lambda_ratio"]
        log.findings.append(Finding("lambda_from_phi", "lambda_ratio", detail=fits["lambda_ratio"].candidate.name))
    elif not usual < 1.0 - _RICH_OR_LEAN:
        del values["lambda_ratio"]
        log.findings.append(Finding("equivalence_unclear", "lambda_ratio"))


def _check_duty(log: _Log, values: dict[str, Values]) -> None:
    upside_down = is_upside_down(values["pump_duty_pct"], values["manifold_pressure_kpa"])
    if log.mapping.of("pump_duty_pct").inverted:
        values["pump_duty_pct"] = 100.0 - values["pump_duty_pct"]
    elif upside_down:
        raise _RefusedError(Finding("duty_upside_down", "pump_duty_pct"))


def _sources(values: Mapping[str, Values], fits: Mapping[str, Fit], findings: list[Finding]) -> dict[str, Channel]:
    """Where each channel came from; of two pressures that follow from each other both name the one logged."""
    partner = {"manifold_pressure_kpa": "boost_kpa", "boost_kpa": "manifold_pressure_kpa"}
    assumed = {f.channel: f.code for f in findings if f.code.endswith(("_assumed", "_as_share", "_afr", "_phi"))}
    sources = {}
    for channel in (c for c in CHANNELS if c in values):
        fitted = fits[channel] if channel in fits else fits[partner[channel]]
        sources[channel] = Channel(fitted.candidate.name, fitted.candidate.unit_text, assumed.get(channel, ""))
    return sources
