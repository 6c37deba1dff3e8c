"""Codes into words: signals, pump limits, patterns, checks, changes, findings, hazards (see advice.toml)."""

import tomllib
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Any

from ingest.findings import meanings
from models.schemas import CHECKS, PATTERNS, WISHES

SIGNAL_CODES = ("action", "warning", "clear", "undecided")
LIMIT_CODES = ("rail_short", "reached", "none", "unknown")
FAULT_CODES = ("all_speeds", "top", "bottom", "drift", "dropouts")
TEST_CODES = ("level", "shape_low", "shape_mid", "shape_high", "trend")
CHANGE_CODES = ("new", "worse", "better", "gone", "repaired", "same")


@dataclass(frozen=True)
class Word:
    """A short word and what it means."""

    word: str
    meaning: str


@dataclass(frozen=True)
class Pattern:
    """What the log shows, what commonly causes that, and what a qualified technician checks first."""

    word: str
    seen: str
    causes: tuple[str, ...]
    first: tuple[str, ...]
    source: str


@dataclass(frozen=True)
class Check:
    """What must be confirmed before anyone acts, and how."""

    word: str
    step: str


@dataclass(frozen=True)
class Caution:
    """A hazard, and how to keep clear of it."""

    title: str
    text: str


@cache
def _advice() -> dict[str, Any]:
    """advice.toml, every code of every table present; ValueError names all that are missing or left over."""
    advice = tomllib.loads(files("reports").joinpath("advice.toml").read_text(encoding="utf-8"))
    wanted = {
        "signals": SIGNAL_CODES,
        "limits": LIMIT_CODES,
        "changes": CHANGE_CODES,
        "faults": FAULT_CODES,
        "patterns": PATTERNS,
        "checks": CHECKS,
        "tests": TEST_CODES,
        "wishes": WISHES,
    }
    wrong = [
        f"advice.toml, {table}.{code}: {'no words' if code in codes else 'nobody gives this code'}"
        for table, codes in wanted.items()
        for code in sorted(set(codes) ^ set(advice[table]))
    ]
    if wrong:
        raise ValueError("\n".join(wrong))
    return advice


def signal(code: str) -> Word:
    """What readers see of a signal.

    >>> signal("clear").word
    'like its peers'
    """
    return Word(**_advice()["signals"][code])


def signal_words() -> dict[str, str]:
    """Signal code -> word, in the order of urgency."""
    return {code: signal(code).word for code in SIGNAL_CODES}


def limit(code: str) -> Word:
    """What readers see of a pump limit."""
    return Word(**_advice()["limits"][code])


def change(code: str) -> str:
    """What readers see of a change since the last quarter.

    >>> change("gone")
    "not in this quarter's logs"
    """
    words: dict[str, str] = _advice()["changes"]
    return words[code]


def fault(code: str) -> str:
    """What readers see of a fault that a drill plants.

    >>> fault("drift")
    'growing over the quarter'
    """
    words: dict[str, str] = _advice()["faults"]
    return words[code]


def evidence(code: str) -> str:
    """What readers see of a test behind a signal.

    >>> evidence("trend")
    'trend over dates'
    """
    words: dict[str, str] = _advice()["tests"]
    return words[code]


def wish(code: str) -> str:
    """What readers see of a wish for the next log; {count}, {low} and {high} are to be filled in.

    >>> wish("more_logs")
    '{count} of three full-load pulls, on another day.'
    """
    words: dict[str, str] = _advice()["wishes"]
    return words[code]


def pattern(code: str) -> Pattern:
    """The words of one code of PATTERNS."""
    entry = _advice()["patterns"][code]
    return Pattern(entry["word"], entry["seen"], tuple(entry["causes"]), tuple(entry["first"]), entry["source"])


def check(code: str) -> Check:
    """The words of one code of CHECKS."""
    return Check(**_advice()["checks"][code])


def alone(told: Check) -> Check:
    """A check in words that tell nothing of other cars, for a card that leaves the club's page."""
    for code, entry in _advice()["alone"].items():
        if told == check(code):
            return Check(**entry)
    return told


def cautions() -> tuple[Caution, ...]:
    """The hazards every report says."""
    return tuple(Caution(**entry) for entry in _advice()["cautions"])


def finding(code: str) -> Word:
    """What a finding means and what to do; a code of another version is shown as it stands.

    >>> finding("a_code_of_tomorrow").word
    'a code of tomorrow'
    """
    known = meanings().get(code)
    return Word(known.message, known.remedy) if known else Word(code.replace("_", " "), "")


def codes(joined: str | None) -> tuple[str, ...]:
    """The codes of a column that joins several by ";".

    >>> codes("growing;no_headroom"), codes(""), codes(None)
    (('growing', 'no_headroom'), (), ())
    """
    return tuple(part for part in (joined or "").split(";") if part)
