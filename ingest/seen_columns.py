"""What each column of a log is taken for and how surely, and a mapping file drafted from that."""

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from ingest.assignment import assign
from ingest.channels import CLOCK, TARGET_MALUS, UNIT_BONUS, Candidate, claims, rules
from ingest.clocks import Clock
from ingest.column_fit import Fit
from ingest.findings import Finding
from ingest.mapping import PRESSURES, ChannelMap
from ingest.on_one_clock import read_clocks
from ingest.pressures import low_load, reference
from ingest.read_log import open_log
from ingest.units import unit_of


@dataclass(frozen=True)
class SeenColumn:
    """One column. name, unit: as the file spells them. low, median, high: as the file has them, None without numbers.

    channel: what it is taken for, "" where for nothing. sure: what tells that: "mapping file", "name and unit",
    "name", "part of the name". reference: gauge or absolute, of pressures. assumed: finding codes.
    may_be: channels that it was not taken for, though it might be one of them.
    """

    name: str
    unit: str
    low: float | None
    median: float | None
    high: float | None
    channel: str = ""
    sure: str = ""
    reference: str = ""
    assumed: tuple[str, ...] = ()
    may_be: tuple[str, ...] = ()


def seen_columns(content: bytes, mapping: ChannelMap) -> list[SeenColumn]:
    """Every named column of an unpacked log; none where it cannot be opened."""
    source = open_log(content)
    if isinstance(source, Finding):
        return []
    claimed = claims(source.names, source.units, mapping)
    table = source.table(frozenset(range(len(source.names))))
    fits, _ = assign(claimed, table, mapping)
    clocks = read_clocks(claimed, table, source.names, source.units, mapping)
    channel_of = {fitted.candidate.column: channel for channel, fitted in fits.items()}
    seen = []
    for column, (name, unit) in enumerate(zip(source.names, source.units, strict=True)):
        if not name:
            continue
        own = SeenColumn(name, unit, *_range(table.numbers.get(column)))
        if column in clocks:
            own = _as_clock(own, clocks[column])
        elif channel := channel_of.get(column, ""):
            own = _as_channel(own, channel, fits, mapping)
        else:
            candidates = claimed.candidates.items()
            own = replace(own, may_be=tuple(c for c, found in candidates if any(f.column == column for f in found)))
        seen.append(own)
    return seen


def _range(values: np.ndarray | None) -> tuple[float | None, float | None, float | None]:
    known = np.array([]) if values is None else values[np.isfinite(values)]
    if not known.size:
        return None, None, None
    return float(known.min()), float(np.median(known)), float(known.max())


def _as_clock(column: SeenColumn, clock: Clock) -> SeenColumn:
    sure = "name and unit" if not clock.assumed else "name"
    return replace(column, channel=CLOCK, sure=sure, assumed=(clock.assumed,) if clock.assumed else ())


def _as_channel(column: SeenColumn, channel: str, fits: Mapping[str, Fit], mapping: ChannelMap) -> SeenColumn:
    fitted = fits[channel]
    assumed = [fitted.assumed] if fitted.assumed else []
    kind = ""
    if channel in PRESSURES:
        unloaded = low_load({name: fit.values for name, fit in fits.items()})
        kind, code = reference(fitted, mapping.of(channel).reference, unloaded)
        assumed += [code] if code else []
    sure = "mapping file" if mapping.of(channel).column else _sure(channel, fitted.candidate)
    return replace(column, channel=channel, sure=sure, reference=kind, assumed=tuple(assumed))


def _sure(channel: str, candidate: Candidate) -> str:
    """A name counts in part where some of its words are not explained."""
    has_unit = candidate.unit is not None
    malus = TARGET_MALUS * (candidate.is_target and rules()[channel].target == "either")
    if candidate.score - UNIT_BONUS * has_unit + malus < 1.0:
        return "part of the name, and unit" if has_unit else "part of the name"
    return "name and unit" if has_unit else "name"


_HEAD = """\
# Which column of the log is which channel: a draft, made from how one log was read. Check every line, change
# what is wrong, delete what the log's names tell by themselves, and hand it over with --channels FILE.
"""


def draft_mapping(columns: Sequence[SeenColumn], needed: Sequence[str], refused: str = "") -> str:
    """A mapping file (TOML) that says what was understood anyway, with room for what was not.

    needed: channels that were not found and cannot be done without. refused: the finding that refused the log.
    """
    names = [column.name for column in columns]
    parts = [_HEAD]
    for column in columns:
        if not column.channel or (column.channel == CLOCK and _speaks_for_itself(column, names)):
            continue
        if names.count(column.name) > 1:
            parts.append(f"# [{column.channel}]: its column's name stands more than once: {_quoted(column.name)}\n")
            continue
        parts.append("\n".join(_entry(column, refused)) + "\n")
    for channel in needed:
        parts += ["# Not found. Take the # away, and write a name:", f'# [{channel}]\n# column = "..."\n']
    if unused := [column for column in columns if not column.channel]:
        parts += [
            "# Columns that were not used:",
            *(f"#   {_quoted(c.name)} {_plain(c.unit)}".rstrip() for c in unused),
        ]
    return "\n".join(parts) + "\n"


def _speaks_for_itself(clock: SeenColumn, names: Sequence[str]) -> bool:
    return clock.sure == "name and unit" or names.count(clock.name) > 1


def _entry(column: SeenColumn, refused: str) -> list[str]:
    lines = [f"[{column.channel}]", f"column = {_quoted(column.name)}"]
    if column.unit and unit_of(column.unit):
        lines.append(f"unit = {_quoted(column.unit)}")
    if column.reference:
        is_assumed = any(code in ("gauge_assumed", "absolute_assumed") for code in column.assumed)
        lines.append(f'reference = "{column.reference}"' + ("  # assumed: please confirm" if is_assumed else ""))
    if "lambda_from_afr" in column.assumed:
        lines.append("stoichiometric_ratio = 14.7  # assumed: please confirm")
    if column.channel == "pump_duty_pct" and refused == "duty_upside_down":
        lines.append("# inverted = true  # take the first # away only if you know that the scale is upside down")
    return lines


def _plain(text: str) -> str:
    return " ".join("".join(sign if sign.isprintable() else " " for sign in text).split())


def _quoted(text: str) -> str:
    """As a TOML string."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")
