"""Several time columns in one table: whose clock each of them is, told by its name or by where it stands."""

from collections.abc import Sequence
from functools import lru_cache
from itertools import pairwise

import numpy as np

from ingest.channels import CLOCK, Words, normalised, rules
from ingest.table import Values
from ingest.units import unit_of

_TIME = frozenset(
    {
        "time",
        "times",
        "timestamp",
        "timestamps",
        "stamp",
        "zeit",
        "zeitstempel",
        "messzeit",
        "uhrzeit",
        "t",
        "ts",
        "clock",
    }
)
_RISING_SHARE = 0.99  # of a clock's steps; a restart may set it back once
_MANY = 10  # steps, of which one may go back in a short clock too: a damaged cell, say
_SPARE_SHARE = 0.1  # of a clock's length: by so much another channel's may begin earlier or end later


@lru_cache(maxsize=512)
def named_clocks(names: tuple[str, ...], units: tuple[str, ...]) -> dict[int, int]:
    """Clock column -> the column whose name it carries beside a word for time.

    >>> named_clocks(("RPM time", "RPM", "t_Duty", "Duty"), ("s", "rpm", "", "%"))
    {0: 1, 2: 3}
    """
    columns = range(len(names))
    bases = {c: base for c in columns if (base := _beside_time(names[c], units[c])) is not None}
    owners: dict[Words, list[int]] = {}
    for column in columns:
        if column not in bases:
            owners.setdefault(frozenset(normalised(names[column])), []).append(column)
    return {clock: owners[base][0] for clock, base in bases.items() if base and len(owners.get(base, ())) == 1}


def _beside_time(name: str, unit_text: str) -> Words | None:
    """The words of a time column beside those for time, or None where it is none."""
    words = frozenset(normalised(name))
    unit = unit_of(unit_text) if unit_text else None
    if words <= _TIME and unit is not None and unit.quantity not in ("time", "none"):
        return frozenset(normalised(unit_text))  # "Time (RPM)": a name in the brackets that is a unit too
    if not words & _TIME or (unit is not None and unit.quantity not in ("time", "none")):
        return None
    if any(phrase <= words for phrase in rules()[CLOCK].ruled_out):
        return None
    beside = words - _TIME
    seconds = {word for word in beside if (own := unit_of(word)) is not None and own.quantity == "time"}
    return beside - seconds


@lru_cache(maxsize=512)
def plain_clocks(names: tuple[str, ...], units: tuple[str, ...]) -> tuple[int, ...]:
    """Columns called time and nothing else, numbers aside: "Time", "Time.1", "Zeit 2 [s]"."""
    beside = {column: _beside_time(name, unit) for column, (name, unit) in enumerate(zip(names, units, strict=True))}
    return tuple(column for column, words in beside.items() if words is not None and all(map(str.isdigit, words)))


def in_turns(clocks: Sequence[int], width: int) -> dict[int, frozenset[int]]:
    """Clock column -> columns of its own, where clocks and channels take turns; empty where they do not.

    A clock stands before its channels, unless the first column is a channel and the last one a clock.

    >>> in_turns([0, 2], 5), in_turns([1, 3], 4), in_turns([0, 1], 4)
    ({0: frozenset({1}), 2: frozenset({3, 4})}, {1: frozenset({0}), 3: frozenset({2})}, {})
    """
    if len(clocks) < 2 or any(b - a == 1 for a, b in pairwise(clocks)):
        return {}
    if clocks[0] > 0 and clocks[-1] == width - 1:
        starts = [-1, *clocks[:-1]]
        return {clock: frozenset(range(start + 1, clock)) for start, clock in zip(starts, clocks, strict=True)}
    if clocks[-1] == width - 1:
        return {}
    ends = [*clocks[1:], width]
    return {clock: frozenset(range(clock + 1, end)) for clock, end in zip(clocks, ends, strict=True)}


@lru_cache(maxsize=512)
def borders(names: tuple[str, ...], units: tuple[str, ...]) -> tuple[int, ...]:
    """Widths at which a row may end whose last channels have ended before the others, in a file of several clocks.

    >>> borders(("Time", "RPM", "Time", "Duty", "Time", "MAP"), ("",) * 6), borders(("Time", "RPM", "MAP"), ("",) * 3)
    ((2, 4), ())
    """
    width = len(names)
    owned = in_turns(plain_clocks(names, units), width)
    owned |= {clock: frozenset({owner}) for clock, owner in named_clocks(names, units).items()}
    groups = [(min({clock} | of), max({clock} | of)) for clock, of in owned.items()]
    whole = (end for end in range(2, width) if not any(first < end <= last for first, last in groups))
    return tuple(whole) if len(groups) > 1 else ()


@lru_cache(maxsize=512)
def may_be_clocks(names: tuple[str, ...], units: tuple[str, ...]) -> frozenset[int]:
    """Columns that may be clocks whose names were lost, in a file in which clocks and channels take turns."""
    clocks = plain_clocks(names, units)
    if not in_turns(clocks, len(names)):
        return frozenset()
    times = ("", *(unit for unit in units if unit and (known := unit_of(unit)) and known.quantity == "time"))
    return frozenset(c for c in range(len(names)) if units[c] in times and c not in clocks)


def runs_beside(seconds: Values, clock: Values) -> bool:
    """Whether a column without a name runs as a clock beside another: always up, and over the same time."""
    known, other = seconds[np.isfinite(seconds)], clock[np.isfinite(clock)]
    if known.size < 2 or not other.size or (np.diff(known) > 0).mean() < _RISING_SHARE:
        return False
    spare = _SPARE_SHARE * (other[-1] - other[0])
    return bool(other[0] - spare <= known[0] and known[-1] <= other[-1] + spare and known[-1] - known[0] >= 5 * spare)


def is_rising(seconds: Values) -> bool:
    """Whether a column that is called time goes up as a clock does."""
    steps = np.diff(seconds[np.isfinite(seconds)])
    back = np.count_nonzero(steps < 0)
    return bool(steps.size) and bool(back <= (1.0 - _RISING_SHARE) * steps.size or (back == 1 and steps.size >= _MANY))
