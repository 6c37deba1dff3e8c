"""A club's own mapping file: which column is which channel, where the names alone do not tell."""

import tomllib
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from ingest.findings import InputError
from ingest.schemas import CHANNELS
from ingest.units import unit_of

_REFERENCES = ("gauge", "absolute")
PRESSURES = ("manifold_pressure_kpa", "boost_kpa", "boost_target_kpa")
_KEYS = {"column": str, "unit": str, "reference": str, "inverted": bool, "stoichiometric_ratio": (int, float)}


@dataclass(frozen=True)
class MappedChannel:
    """What a mapping file says of one channel.

    column: the name in the log's header without its unit; "" keeps what the names tell.
    unit: overrides the log's. reference: gauge or absolute. inverted: the duty is upside down, and that is known.
    stoichiometric_ratio: the air-fuel ratio that the gauge shows at lambda 1.
    """

    channel: str
    column: str = ""
    unit: str = ""
    reference: str = ""
    inverted: bool = False
    stoichiometric_ratio: float = 14.7


_NOTHING_SAID = MappedChannel("")


@dataclass(frozen=True)
class ChannelMap:
    """A whole mapping file; empty by default."""

    entries: tuple[MappedChannel, ...] = ()

    def of(self, channel: str) -> MappedChannel:
        """What is said of a channel; of one that is not mentioned, nothing."""
        return next((e for e in self.entries if e.channel == channel), _NOTHING_SAID)


EMPTY_MAP = ChannelMap()


def read_mapping(path: Path) -> ChannelMap:
    """The mapping in a TOML file: a table a channel, e.g.

        [pump_duty_pct]
        column = "Valve 7"
        unit = "%"
        inverted = true

    Raises InputError with every problem at once.
    """
    try:
        table = tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except OSError as error:
        raise InputError([f"{path.name}: cannot be read ({error.strerror}). Check the name."]) from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise InputError(
            [f'{path.name}: is not TOML: {error}. Write [channel] and below it column = "name".']
        ) from error
    problems = list(_problems(path.name, table))
    if problems:
        raise InputError(problems)
    return ChannelMap(tuple(MappedChannel(channel, **entry) for channel, entry in table.items()))


def _problems(file: str, table: dict[str, Any]) -> Iterable[str]:
    known = ["time_s", *CHANNELS]
    columns: dict[str, str] = {}
    for channel, entry in table.items():
        place = f"{file}, [{channel}]"
        if channel not in known:
            yield f"{place}: is no channel. Use one of {', '.join(known)}."
            continue
        if not isinstance(entry, dict):
            yield f'{place}: should be a table. Write [{channel}] on a line of its own and column = "..." below it.'
            continue
        yield from _entry_problems(place, channel, entry)
        column = entry.get("column")
        if isinstance(column, str) and column:
            if column in columns:
                yield f"{place}, column: '{column}' is already [{columns[column]}]. A column can be one channel only."
            columns.setdefault(column, channel)


def _entry_problems(place: str, channel: str, entry: dict[str, Any]) -> Iterable[str]:
    for key, value in entry.items():
        if key not in _KEYS:
            yield f"{place}, {key}: is not known. Use {', '.join(_KEYS)}."
        elif not isinstance(value, _KEYS[key]) or (isinstance(value, bool) and _KEYS[key] is not bool):  # type: ignore[arg-type]
            yield f"{place}, {key}: {value!r} is of the wrong kind. Write {_EXAMPLES[key]}."
    unit, reference, ratio = (entry.get(key) for key in ("unit", "reference", "stoichiometric_ratio"))
    if isinstance(unit, str) and unit and unit_of(unit) is None:
        yield f"{place}, unit: '{unit}' is not a unit known here. Write it as in kPa, bar, psi, degC, %, 1/min, km/h."
    if isinstance(reference, str) and reference not in _REFERENCES:
        yield f"{place}, reference: '{reference}'. Write gauge or absolute."
    if reference in _REFERENCES and channel not in PRESSURES:
        yield f"{place}, reference: only {', '.join(PRESSURES)} have one. Leave it out."
    if "inverted" in entry and channel != "pump_duty_pct":
        yield f"{place}, inverted: only pump_duty_pct can be. Leave it out."
    if isinstance(ratio, int | float) and not 5 <= ratio <= 20:
        yield f"{place}, stoichiometric_ratio: {ratio}. Petrol has 14.7, ethanol 9.0."


_EXAMPLES = {
    "column": 'column = "name in the header"',
    "unit": 'unit = "kPa"',
    "reference": 'reference = "gauge"',
    "inverted": "inverted = true",
    "stoichiometric_ratio": "stoichiometric_ratio = 14.7",
}
