"""Measurements in ASAM MDF 4, the open standard: each channel group with the clock of its own."""

import gc
import io
import logging
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cached_property, partial
from typing import Any, TypeVar

import numpy as np

from ingest.channels import CLOCK, claims
from ingest.dialect import split_brackets
from ingest.findings import Finding, UnreadableError
from ingest.table import Table, Values
from ingest.unpack import UNPACKED_MAX_BYTES

_MARKS = (b"MDF     ", b"UnFinMF ")  # the latter where the recorder lost its power before the end
_VERSION = slice(8, 9)
_VIRTUAL_MASTER, _MASTER, _BY_TIME = 3, 2, 1  # cn_type, cn_type and cn_sync_type of a channel block
_SAMPLES_MIN = 2  # in a group; fewer make no clock
_MISSING_BLOCK = 'Expected "##'  # how the library begins when a block is not where the file says

T = TypeVar("T")


@dataclass(frozen=True)
class _Column:
    """group, channel: where the file has it; samples: how many; a clock where `is_clock`."""

    group: int
    channel: int
    name: str
    unit: str
    samples: int
    is_clock: bool


def open_mdf4(content: bytes) -> "Mdf4Source | None":
    """A measurement; None where the file is none.

    Raises UnreadableError where it is broken, older than version 4, or the library that reads it is missing.
    """
    if not content.startswith(_MARKS):
        return None
    if content[_VERSION] != b"4":
        raise UnreadableError(Finding("mdf_before_4"))
    try:
        import asammdf  # an extra, large, and loaded only when such a file comes
    except ImportError as error:
        raise UnreadableError(Finding("mdf4_not_installed")) from error

    def opened() -> Mdf4Source:
        measurement = asammdf.MDF(io.BytesIO(content))
        return Mdf4Source(measurement, tuple(_columns(measurement)))

    return _or_broken(opened)


class _Complaints(logging.Handler):
    """Keeps what the library would print: of a file in which blocks are missing it reads the rest, and says so."""

    def __init__(self) -> None:
        super().__init__(logging.ERROR)
        self.blocks: list[str] = []

    def emit(self, record: logging.LogRecord) -> None:
        if _MISSING_BLOCK in (text := record.getMessage()):
            self.blocks.append(text)


@contextmanager
def _listening() -> Iterator[list[str]]:
    """Gives what the library complains of meanwhile, and keeps it from the terminal."""
    logger, complaints = logging.getLogger("asammdf"), _Complaints()
    handlers, propagates = logger.handlers, logger.propagate
    logger.handlers, logger.propagate = [complaints], False
    try:
        yield complaints.blocks
    finally:
        logger.handlers, logger.propagate = handlers, propagates


def _or_broken(read: Callable[[], T]) -> T:
    """What `read` gives; whatever the library says of a file it cannot read becomes a finding."""
    try:
        with _listening() as complaints:
            result = read()
        if complaints:
            raise UnreadableError(Finding("mdf4_broken", detail=complaints[0]))
        return result
    except UnreadableError:
        raise
    except Exception as error:  # a damaged file fails anywhere in the library, in any way
        problem = f"{type(error).__name__}: {error}"
    _clear_away()
    raise UnreadableError(Finding("mdf4_broken", detail=problem))


def _clear_away() -> None:
    """Let half-made objects die now and in silence: later their complaints would come at any odd place."""
    hook = sys.unraisablehook
    sys.unraisablehook = lambda _: None
    try:
        gc.collect()
    finally:
        sys.unraisablehook = hook


def _columns(measurement: Any) -> Iterator[_Column]:
    """Each group's clock, and behind it the group's channels, as a table with a clock a channel has them."""
    size = 0
    for number, group in enumerate(measurement.groups):
        block = group.channel_group
        samples = int(block.cycles_nr)
        size += samples * int(block.samples_byte_nr + block.invalidation_bytes_nr)
        if size > UNPACKED_MAX_BYTES:
            raise UnreadableError(Finding("mdf4_too_large"))
        master = measurement.masters_db.get(number)
        if master is None or samples < _SAMPLES_MIN or group.channels[master].sync_type != _BY_TIME:
            continue  # by angle or distance, or a single value
        kinds = (_MASTER, _VIRTUAL_MASTER)
        channels = [
            _Column(number, place, name, unit, samples, False)
            for place, channel in enumerate(group.channels)
            if channel.channel_type not in kinds
            for name, unit in [_name_and_unit(channel)]
            if CLOCK not in claims((name,), (unit,)).candidates
        ]
        if channels:
            yield _Column(number, master, "time", "s", samples, True)
            yield from channels


def _name_and_unit(channel: Any) -> tuple[str, str]:
    """As the file spells them; what follows a backslash is the device."""
    name = str(channel.name).split("\\")[0].strip()
    unit = str(channel.unit or (channel.conversion.unit if channel.conversion else "") or "").strip()
    return (name, unit) if unit else split_brackets(name)


@dataclass(frozen=True)
class Mdf4Source:
    """A measurement; a `table.Source`. Groups shorter than the longest end in missing values."""

    measurement: Any
    columns: tuple[_Column, ...]
    findings: tuple[Finding, ...] = ()

    @cached_property
    def names(self) -> tuple[str, ...]:
        return tuple(column.name for column in self.columns)

    @cached_property
    def units(self) -> tuple[str, ...]:
        return tuple(column.unit for column in self.columns)

    @property
    def stamp_columns(self) -> frozenset[int]:
        return frozenset()

    @property
    def preamble(self) -> str:
        """The day it was started on, at the place where it was."""
        start = self.measurement.header.start_time
        return f"Date: {start.date().isoformat()}" if start.year > 1970 else ""

    def in_short(self) -> str:
        return "mdf4"

    def table(self, wanted: frozenset[int]) -> Table:
        rows = max((column.samples for column in self.columns), default=0)
        numbers: dict[int, Values] = {}
        odd: dict[int, list[str]] = {}
        clocks = {i for i, column in enumerate(self.columns) if column.is_clock}
        for i in sorted(wanted | clocks):
            values, odd_cells = _or_broken(partial(self._values, self.columns[i]))
            numbers[i] = np.full(rows, np.nan)
            numbers[i][: len(values)] = values
            if odd_cells:
                odd[i] = odd_cells
        return Table(np.arange(1, rows + 1), numbers, {}, odd, rows, {}, ())

    def _values(self, column: _Column) -> tuple[Values, list[str]]:
        """Physical values, NaN where the file calls them invalid; and what is no number."""
        if column.is_clock:
            return np.asarray(self.measurement.get_master(column.group), dtype=np.float64), []
        samples, invalid = self.measurement.get(
            group=column.group, index=column.channel, samples_only=True, ignore_invalidation_bits=True
        )
        if samples.ndim != 1 or samples.dtype.kind not in "biuf":
            return np.full(column.samples, np.nan), ["text"] if samples.dtype.kind in "SU" else []
        values = samples.astype(np.float64)
        usable = np.isfinite(values) if invalid is None else np.isfinite(values) & ~np.asarray(invalid, dtype=bool)
        return np.where(usable, values, np.nan), []
