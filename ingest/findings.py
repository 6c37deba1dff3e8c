"""What can be wrong with a log: where, what it means, and what to do about it."""

import tomllib
from dataclasses import dataclass
from functools import cache
from pathlib import Path

EFFECTS = ("note", "drop", "refuse")  # keep the log and say so; drop the rows named; refuse the log


@dataclass(frozen=True)
class Finding:
    """One thing found in one log.

    code: a table of findings.toml.
    channel: canonical name, or "" where the whole log is meant.
    row: first data row concerned, from 1.
    rows: how many rows are concerned.
    detail: column names and values for the terminal only. It is free text of the file: never store it.
    """

    code: str
    channel: str = ""
    row: int | None = None
    rows: int | None = None
    detail: str = ""


@dataclass(frozen=True)
class Meaning:
    """What a code does to the log (one of EFFECTS), what it means, and what to do."""

    effect: str
    message: str
    remedy: str


class UnreadableError(Exception):
    """A file says what form it has, and cannot be read; `finding` says why."""

    def __init__(self, finding: Finding) -> None:
        super().__init__(finding.code)
        self.finding = finding


class InputError(Exception):
    """Input that cannot be used. Carries every problem at once, each saying where, what and what to do.

    >>> str(InputError(["roster.csv, row 3, pump: empty.", "roster.csv, row 4, car: empty."]))
    'roster.csv, row 3, pump: empty.\\nroster.csv, row 4, car: empty.'
    """

    def __init__(self, problems: list[str]) -> None:
        super().__init__("\n".join(problems))
        self.problems = problems


@cache
def meanings() -> dict[str, Meaning]:
    """Every code and its meaning, as findings.toml tells them.

    Raises ValueError naming each code whose effect is none of EFFECTS or whose words are missing.
    """
    text = Path(__file__).with_name("findings.toml").read_text(encoding="utf-8")
    table = tomllib.loads(text)
    wrong = [
        code
        for code, entry in table.items()
        if set(entry) != {"effect", "message", "remedy"} or entry["effect"] not in EFFECTS or not all(entry.values())
    ]
    if wrong:
        raise ValueError(f"findings.toml: {', '.join(wrong)}: needs effect (one of {EFFECTS}), message, remedy")
    return {code: Meaning(**entry) for code, entry in table.items()}


def effect(finding: Finding) -> str:
    """Note, drop or refuse.

    >>> effect(Finding("channel_missing", "pump_duty_pct"))
    'refuse'
    """
    return meanings()[finding.code].effect


def where(finding: Finding) -> str:
    """The place of a finding, in words; "" for the whole log.

    >>> where(Finding("value_impossible", "engine_speed_rpm", row=14, rows=3))
    'engine_speed_rpm, from row 14, 3 rows'
    """
    place = [finding.channel] if finding.channel else []
    if finding.row is not None:
        place.append(f"row {finding.row}" if finding.rows in (None, 1) else f"from row {finding.row}")
    if finding.rows is not None and not (finding.row is not None and finding.rows == 1):
        place.append("1 row" if finding.rows == 1 else f"{finding.rows} rows")
    return ", ".join(place)


def printable(text: str) -> str:
    """Text of a file or its name without the signs by which it could steer a terminal.

    >>> printable("red\\x1b[31m.csv")
    'red?[31m.csv'
    """
    return text if text.isprintable() else "".join(sign if sign.isprintable() else "?" for sign in text)


def message(finding: Finding) -> str:
    """What was found, with the file's own words where there are any, and what to do."""
    meaning = meanings()[finding.code]
    detail = f" ({finding.detail})" if finding.detail else ""
    return f"{meaning.message.rstrip('.')}{detail}. {meaning.remedy}"


def in_words(finding: Finding) -> str:
    """Where, what, and what to do, as one line for the terminal.

    >>> print(in_words(Finding("barometer_assumed", "manifold_pressure_kpa")).split(". ")[0])
    manifold_pressure_kpa: No barometric pressure is logged, so sea level (101.325 kPa) was assumed
    """
    place = where(finding)
    return printable(f"{place + ': ' if place else ''}{message(finding)}")
