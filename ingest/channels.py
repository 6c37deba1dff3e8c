"""Which column may be which canonical channel, by words and unit. What the values say is `column_fit`'s."""

import re
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import cache, lru_cache
from typing import Any

from ingest.dialect import split_tail
from ingest.mapping import EMPTY_MAP, ChannelMap
from ingest.schemas import channel_tables
from ingest.units import Unit, unit_of

CLOCK = "time_s"
COVERAGE_MIN = 0.6  # share of a column's words that a phrase must explain
UNIT_BONUS = 0.2  # a fitting unit counts as much as a fifth of the words
LONGER_PHRASE_BONUS = 0.02  # a word, so that "fuel rail pressure" beats "fuel pressure"
TARGET_MALUS = 0.3  # a requested value stands behind an actual one where both would do
TIE = 0.05  # two columns whose scores are closer than this claim a channel equally well
SAME_COLUMN_TIE = 0.01  # of one column's claims to two channels the one that explains more words wins

_CAMEL = re.compile(r"(?<=[a-zäöüß])(?=[A-ZÄÖÜ])|(?<=[A-ZÄÖÜ])(?=[A-ZÄÖÜ][a-zäöüß])")
_UMLAUTS = str.maketrans({"ä": "ae", "ö": "oe", "ü": "ue", "ß": "ss"})

Words = frozenset[str]


@dataclass(frozen=True)
class Rule:
    """A table of channels.toml, its words normalised. Lists of phrases keep the file's order."""

    name: str
    words: tuple[Words, ...]
    quantity: str
    unit: str
    plausible: tuple[float, float]
    target: str
    bare: tuple[str, ...] = ()
    alone: tuple[Words, ...] = ()
    with_unit: tuple[Words, ...] = ()
    ruled_out: tuple[Words, ...] = ()
    unclear: tuple[Words, ...] = ()
    neutral: tuple[Words, ...] = ()
    implies_target: tuple[Words, ...] = ()
    reaches: float = float("-inf")
    may_be_share: bool = False
    unclear_up_to: float = float("-inf")
    lean: str = ""


@dataclass(frozen=True)
class Candidate:
    """A column that may be a channel.

    name, unit_text: as the file spells them. unit: what the text means; None where it says nothing.
    known_unit: False where the file states a unit that is no unit of such a channel.
    words: the column's words, normalised. is_target: a requested value. unclear: fits the feed side as well.
    """

    column: int
    name: str
    unit_text: str
    unit: Unit | None
    known_unit: bool
    score: float
    words: Words
    is_target: bool = False
    unclear: bool = False
    lean: str = ""


@dataclass(frozen=True)
class Claims:
    """candidates: channel -> its columns, best first. repeated: names that stand on several columns."""

    candidates: Mapping[str, tuple[Candidate, ...]]
    repeated: tuple[str, ...] = ()
    columns: frozenset[int] = field(default_factory=frozenset)


def normalised(text: str) -> tuple[str, ...]:
    """Words of a name: lower case, camelCase and signs split, umlauts spelled out.

    >>> normalised("HPFPDuty_Actual (Öl)")
    ('hpfp', 'duty', 'actual', 'oel')
    """
    spaced = _CAMEL.sub(" ", text)
    return tuple(re.findall(r"[a-z]+|[0-9]+|λ|φ", spaced.casefold().translate(_UMLAUTS)))


def _phrases(texts: list[str]) -> tuple[Words, ...]:
    return tuple(frozenset(normalised(text)) for text in texts)


@cache
def rules() -> dict[str, Rule]:
    """Every canonical channel and its rule, time_s among them."""
    return {name: _rule(name, entry) for name, entry in channel_tables().items() if not name.startswith("_")}


def _rule(name: str, entry: dict[str, Any]) -> Rule:
    phrases = {"words": "words", "ruled_out": "not"}
    phrases |= {key: key for key in ("alone", "with_unit", "unclear", "neutral", "implies_target")}
    values: dict[str, Any] = {ours: _phrases(entry.get(theirs, [])) for ours, theirs in phrases.items()}
    own = split_tail(name)  # a log written in our own names is read too
    ours = frozenset(normalised(own[0] if own else name))
    if ours not in values["alone"]:
        values["words"] += (ours,)
    plain = ("quantity", "unit", "target", "reaches", "may_be_share", "unclear_up_to", "lean")
    values |= {key: entry[key] for key in plain if key in entry}
    return Rule(name=name, bare=tuple(entry["bare"]), plausible=tuple(entry["plausible"]), **values)


@cache
def shared_words(kind: str) -> tuple[Words, ...]:
    """Words that mean the same on every channel: kind is target, noise, gauge or absolute."""
    return _phrases(channel_tables()["_words"][kind])


def says(kind: str, words: Words) -> bool:
    """Whether a column's words say target, gauge or absolute."""
    return any(phrase <= words for phrase in shared_words(kind))


@lru_cache(maxsize=512)
def claims(names: tuple[str, ...], units: tuple[str, ...], mapping: ChannelMap = EMPTY_MAP) -> Claims:
    """Every column's claims to every channel, from its name and unit alone.

    names, units: one a column. A mapping's column has its channel for itself, and no other channel.

    >>> found = claims(("Zeit", "Motordrehzahl", "HDP Tastverhältnis"), ("s", "1/min", "%")).candidates
    >>> {channel: columns[0].column for channel, columns in found.items()}
    {'time_s': 0, 'engine_speed_rpm': 1, 'pump_duty_pct': 2}
    """
    found: dict[str, list[Candidate]] = {}
    mapped = {
        column: entry
        for column, (name, unit) in enumerate(zip(names, units, strict=True))
        for entry in mapping.entries
        if entry.column and entry.column in (name, f"{name} [{unit}]", f"{name} ({unit})")
    }
    taken = {entry.channel for entry in mapped.values()}
    for column, (name, unit_text) in enumerate(zip(names, units, strict=True)):
        if entry := mapped.get(column):
            found.setdefault(entry.channel, []).append(_as_mapped(column, name, entry.unit or unit_text))
            continue
        for channel, candidate in _claims_of(name, unit_text):
            if channel not in taken:
                found.setdefault(channel, []).append(replace(candidate, column=column))
    ordered = {
        channel: tuple(sorted(columns, key=lambda c: (-c.score, c.column))) for channel, columns in found.items()
    }
    repeated = tuple(sorted({name for name in names if name and names.count(name) > 1}))
    return Claims(ordered, repeated, frozenset(c.column for columns in ordered.values() for c in columns))


@lru_cache(maxsize=4096)
def _claims_of(name: str, unit_text: str) -> tuple[tuple[str, Candidate], ...]:
    """(channel, claim) of a column that might stand anywhere: logs of other layouts have most names in common."""
    found = [(rule.name, _best_claim(rule, 0, name, unit_text)) for rule in rules().values()] if name else []
    return tuple((channel, candidate) for channel, candidate in found if candidate)


def _as_mapped(column: int, name: str, unit_text: str) -> Candidate:
    unit = unit_of(unit_text) if unit_text else None
    return Candidate(column, name, unit_text, unit, True, 10.0, frozenset(normalised(name)))


def _best_claim(rule: Rule, column: int, name: str, unit_text: str) -> Candidate | None:
    """The better of two readings of a name: as it stands, and with a unit taken off its tail."""
    readings = [_claim(rule, column, name, name, unit_text)]
    if not unit_text and (split := split_tail(name)):
        readings.append(_claim(rule, column, name, *split))
    return max(filter(None, readings), key=lambda c: c.score, default=None)


def _claim(rule: Rule, column: int, full_name: str, name: str, unit_text: str) -> Candidate | None:
    words = frozenset(normalised(name))
    unit = unit_of(unit_text) if unit_text else None
    is_target = says("target", words) or any(phrase <= words for phrase in rule.implies_target)
    if any(phrase <= words for phrase in rule.ruled_out) or (rule.target, is_target) in (
        ("no", True),
        ("yes", False),
    ):
        return None
    fits = unit is not None and (
        unit.quantity == rule.quantity or (rule.quantity == "ratio" and unit.quantity == "none")
    )
    states_other = bool(unit_text) and not fits and not _says_nothing(unit_text, rule)
    if states_other and unit is not None:
        return None  # a unit of another quantity: not this channel, whatever its name
    phrases = rule.words + (rule.with_unit if fits else ())
    phrases += tuple(phrase for phrase in rule.alone if words <= phrase | _ignorable())
    clear = _best_phrase(phrases, words)
    unclear = _best_phrase(rule.unclear, words)
    score = max(clear[0], unclear[0])
    if score < COVERAGE_MIN:
        return None
    is_neutral = clear[1] in rule.neutral
    return Candidate(
        column,
        full_name,
        unit_text,
        unit if fits else None,
        not states_other,
        score + UNIT_BONUS * fits - TARGET_MALUS * (is_target and rule.target == "either"),
        words,
        is_target,
        unclear[0] > clear[0],
        "" if is_neutral else rule.lean,
    )


def _best_phrase(phrases: tuple[Words, ...], words: Words) -> tuple[float, Words]:
    """(score, phrase) of the phrase that explains most of a column's words."""
    best, which = 0.0, frozenset[str]()
    for phrase in phrases:
        if phrase <= words:
            unexplained = len(words - phrase - _ignorable())
            score = len(phrase) / (len(phrase) + unexplained)
            score += LONGER_PHRASE_BONUS * len(phrase) if score >= COVERAGE_MIN else 0
            if score > best:
                best, which = score, phrase
    return best, which


@cache
def _ignorable() -> Words:
    kinds = ("target", "noise", "gauge", "absolute")
    return frozenset().union(*(phrase for kind in kinds for phrase in shared_words(kind)))


def _says_nothing(unit_text: str, rule: Rule) -> bool:
    """Brackets that hold no unit: "[-]", "[]", or anything where the channel has no unit at all."""
    unit = unit_of(unit_text)
    if unit is not None:
        return unit.quantity == "none"
    return not unit_text.strip("- ") or rule.quantity in ("none", "ratio", "time")
