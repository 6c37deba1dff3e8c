"""Who drives what since when: the roster, read from a spreadsheet and checked."""

import fnmatch
import re
from collections import Counter, defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import date
from itertools import pairwise
from pathlib import Path, PurePosixPath
from typing import Any

import polars as pl

from ingest.findings import InputError, printable
from ingest.labels import plain_name
from ingest.roster_sheet import read_sheet
from ingest.schemas import ROSTER, SETUP_WORDS

NEEDED = ("car", "engine", "pump")
OPTIONAL = ("boost_hardware", "calibration", "port_injection", "ethanol_pct", "since", "until", "found")
COLUMNS = (*NEEDED, *OPTIONAL, "found_on", "logs")
FOUND = ("nothing", "pump", "feed", "leak", "wiring", "sensor", "roster", "other")
YES = frozenset({"yes", "y", "true", "1", "x", "ja", "j"})
NO = frozenset({"no", "n", "false", "0", "", "-", "nein"})
_ADDRESS = re.compile(r"\w@\w+[.]\w")
_VEHICLE_NUMBER = re.compile(r"\b(?=[^\W_]*[A-Z])(?=[^\W_]*\d)[A-HJ-NPR-Z0-9]{17}\b")  # ISO 3779: no I, O, Q
NAME_CHARACTERS = 4  # of a car's name that is looked for in its setup


@dataclass(frozen=True)
class Remark:
    """Something to be said of one place of a sheet. row: None for the whole of it; the header is row 1.

    >>> print(Remark("roster.csv", 3, "pump", "empty."))
    roster.csv, row 3, pump: empty.
    """

    sheet: str
    row: int | None
    column: str
    what: str

    def __str__(self) -> str:
        place = [self.sheet, f"row {self.row}" if self.row else "", self.column]
        return f"{', '.join(filter(None, place))}: {self.what}"


@dataclass(frozen=True)
class Spell:
    """One row of the roster: a car's setup between two days, both included; None is open."""

    row: int
    car: str
    engine: str
    pump: str
    boost_hardware: str
    calibration: str
    port_injection: bool
    ethanol_pct: float | None
    since: date | None
    until: date | None
    found: str | None
    found_on: date | None
    logs: str


@dataclass(frozen=True)
class Roster:
    """The spells of all cars in the sheet's order, and notes on what was understood in a way worth saying."""

    spells: tuple[Spell, ...]
    notes: tuple[str, ...]

    @property
    def cars(self) -> list[str]:
        """Names of the cars, each once."""
        return list({plain_name(spell.car): spell.car for spell in reversed(self.spells)}.values())[::-1]

    def table(self, labels: dict[str, str]) -> pl.DataFrame:
        """ROSTER, ordered by label and date, its texts without control characters; labels: plain name -> label."""
        rows = [
            {column: _shown(getattr(spell, column)) for column in ROSTER if column != "label"}
            | {"label": labels[plain_name(spell.car)]}
            for spell in self.spells
        ]
        return pl.DataFrame(rows, schema=dict(ROSTER)).sort("label", "since", nulls_last=False)


def _shown(value: object) -> object:
    return printable(value) if isinstance(value, str) else value


@dataclass(frozen=True)
class Places:
    """Which car a log belongs to, told from where it lies under the folder of logs."""

    folders: dict[str, str]  # plain name of a folder -> plain name of the car
    globs: tuple[tuple[str, str], ...]  # pattern, plain name of the car

    def car_of(self, place: PurePosixPath | str) -> str | None:
        """Plain name of the car, None where no car or more than one claims the place."""
        claims = self.claims(place)
        return claims.pop() if len(claims) == 1 else None

    def claims(self, place: PurePosixPath | str) -> set[str]:
        """Plain names of all cars that claim a place, parted by "/".

        A row's `logs` pattern counts first (`*` also spans folders), then the nearest folder named as a car.
        """
        place = str(place)
        if self.globs:
            claims = {car for pattern, car in self.globs if fnmatch.fnmatchcase(place, pattern)}
            if claims:
                return claims
        for folder in reversed(place.split("/")[:-1]):
            car = self.folders.get(plain_name(folder))
            if car:
                return {car}
        return set()


def places(roster: Roster) -> Places:
    """Where the logs of each car of a roster lie."""
    return places_of((spell.car, spell.logs) for spell in roster.spells)


def places_of(rows: Iterable[tuple[str, str]]) -> Places:
    """The same of a roster's rows, each a car's name and its `logs` pattern or "", parted as on any system."""
    named = [(plain_name(car), pattern.replace("\\", "/")) for car, pattern in rows if car]
    return Places({car: car for car, _ in named}, tuple(sorted({(logs, car) for car, logs in named if logs})))


@dataclass(frozen=True)
class Looked:
    """A sheet as far as it could be read: what stands in the way of using it, and what is worth saying of it."""

    spells: tuple[Spell, ...]
    problems: tuple[Remark, ...]
    notes: tuple[Remark, ...]


def read_roster(path: Path) -> Roster:
    """A roster from CSV (comma, semicolon or tab) or XLSX.

    Raises InputError with every problem of the sheet at once, each with its column and row (the
    header is row 1).
    """
    seen = look_at_roster(path)
    if seen.problems:
        raise InputError(list(map(str, seen.problems)))
    return Roster(seen.spells, tuple(map(str, seen.notes)))


def look_at_roster(path: Path) -> Looked:
    """A roster with all its problems, as far as it can be read. Raises InputError for a broken workbook."""
    rows = read_sheet(path)
    if not rows:
        what = f"empty. Its first line must name the columns: {', '.join(COLUMNS)}."
        return Looked((), (Remark(path.name, None, "", what),), ())
    header = column_names(rows[0])
    problems = header_problems(path.name, header)
    if problems:
        return Looked((), tuple(problems), ())
    notes = [
        Remark(path.name, None, f"column {name}", "not a column of a roster, not used.")
        for name in header
        if name and name not in COLUMNS
    ]
    spells = []
    for number, cells in enumerate(rows[1:], 2):
        values = dict(zip(header, (cell.strip() for cell in cells), strict=False))
        if any(values.values()):
            spells.append(_Row(path.name, number, values, problems, notes).spell())
    if not spells and not problems:
        problems.append(Remark(path.name, None, "", "no car in it. Write a row for each car."))
    problems += _overlaps(path.name, spells)
    spells, merged = _one_spelling(path.name, spells)
    return Looked(tuple(spells), tuple(problems), tuple(notes + merged))


def column_names(header: Iterable[str]) -> list[str]:
    """Names of columns as they are compared.

    >>> column_names([" Ethanol pct", "Car"])
    ['ethanol_pct', 'car']
    """
    return [name.strip().casefold().replace(" ", "_") for name in header]


def header_problems(sheet: str, header: list[str]) -> list[Remark]:
    """What is wrong with the first row; header: as `column_names` gives it."""
    wrong = [f"no column {name}. A roster needs {', '.join(NEEDED)}." for name in NEEDED if name not in header]
    twice = [name for name, count in Counter(header).items() if name in COLUMNS and count > 1]
    wrong += [f"column {name} stands twice. Leave one." for name in twice]
    return [Remark(sheet, 1, "", what) for what in wrong]


@dataclass(frozen=True)
class _Row:
    """One line of the sheet on its way to a Spell; problems and notes are added to the lists handed in."""

    sheet: str
    number: int
    values: dict[str, str]
    problems: list[Remark]
    notes: list[Remark]

    def spell(self) -> Spell:
        for column in NEEDED:
            if not self._text(column):
                why = "A row belongs to a car." if column == "car" else "A setup needs engine and pump."
                self._problem(column, f"empty. {why}")
        since, until = self._date("since"), self._date("until")
        if since and until and until < since:
            self._problem("until", f"{until} is before since, {since}.")
        return Spell(
            row=self.number,
            car=self._text("car"),
            engine=self._setup("engine"),
            pump=self._setup("pump"),
            boost_hardware=self._setup("boost_hardware"),
            calibration=self._setup("calibration"),
            port_injection=self._yes("port_injection"),
            ethanol_pct=self._ethanol(),
            since=since,
            until=until,
            found=self._found(),
            found_on=self._date("found_on"),
            logs=self._text("logs").replace("\\", "/"),
        )

    def _text(self, column: str) -> str:
        return " ".join(self.values.get(column, "").split())

    def _setup(self, column: str) -> str:
        """A setup's words, which every report shows: they must not tell who drives the car."""
        text = self._text(column)
        if _ADDRESS.search(text) or _VEHICLE_NUMBER.search(text):
            self._problem(
                column,
                "holds an e-mail address or a vehicle number, and every report would show it. Write it into a column "
                "of your own, which is not read.",
            )
        own, plain = plain_name(self._text("car")), plain_name(text)
        if len(own) >= NAME_CHARACTERS and own in plain and re.search(rf"\b{re.escape(own)}\b", plain):
            self._note(column, "holds the car's own name, which every report shows. Say what it is, not whose.")
        return text

    def _problem(self, column: str, what: str) -> None:
        self.problems.append(Remark(self.sheet, self.number, column, what))

    def _note(self, column: str, what: str) -> None:
        self.notes.append(Remark(self.sheet, self.number, column, what))

    def _date(self, column: str) -> date | None:
        text = self._text(column)
        if not text:
            return None
        try:
            if text.count(".") == 2:  # with dots the day comes first, wherever dates are written so
                day, month, year = map(int, text.split("."))
                return date(year if year >= 100 else 2000 + year, month, day)
            return date.fromisoformat(text[:10] if text[10:] in ("", " 00:00:00", "T00:00:00") else text)
        except ValueError:
            open_end = {"since": ' for "always so"', "until": ' for "still so"'}.get(column, "")
            self._problem(column, f"{text!r} is no date. Write YYYY-MM-DD, or leave it empty{open_end}.")
            return None

    def _yes(self, column: str) -> bool:
        text = self._text(column).casefold()
        if text not in YES | NO:
            self._problem(column, f"{self._text(column)!r} is neither yes nor no.")
        return text in YES

    def _found(self) -> str | None:
        text = self._text("found").casefold()
        if text and text not in FOUND:
            self._problem("found", f"{text!r} is not known. Write one of {', '.join(FOUND)}, or leave it empty.")
        return text if text in FOUND else None

    def _ethanol(self) -> float | None:
        text = self._text("ethanol_pct").casefold().rstrip("% ")
        if not text:
            return None
        number = text.removeprefix("e").replace(",", ".")
        try:
            share = float(number)
        except ValueError:
            share = -1.0
        if not 0 <= share <= 100:
            self._problem(
                "ethanol_pct",
                f"{text!r} is no ethanol content. Write per cent by volume, 0 to 100.",
            )
            return None
        if text.startswith("e"):
            self._note(
                "ethanol_pct",
                f"{text.upper()!r} is a station's label, not a measurement; taken as {share:g} %. "
                "Log the ethanol content, or write what was measured.",
            )
        if 0 < share <= 1:
            self._note(
                "ethanol_pct", f"{text!r} is taken as {share:g} %. Was {100 * share:g} % meant? Write {100 * share:g}."
            )
        return share


def _overlaps(sheet: str, spells: Iterable[Spell]) -> list[Remark]:
    by_car = defaultdict(list)
    for spell in spells:
        by_car[plain_name(spell.car)].append(spell)
    problems = []
    for own in by_car.values():
        own.sort(key=lambda spell: spell.since or date.min)
        for earlier, later in pairwise(own):
            if earlier.car and (later.since or date.min) <= (earlier.until or date.max):
                what = f"overlaps row {earlier.row} of the same car. End one row the day before the next begins."
                problems.append(Remark(sheet, later.row, "since", what))
    return problems


def _one_spelling(sheet: str, spells: list[Spell]) -> tuple[list[Spell], list[Remark]]:
    """Spellings that differ in case alone become the most frequent one; other near ones are named."""
    notes = []
    for column in SETUP_WORDS:
        counts = Counter(getattr(spell, column) for spell in spells if getattr(spell, column))
        alike: dict[str, list[str]] = defaultdict(list)
        nearly: dict[str, set[str]] = defaultdict(set)
        for text in sorted(counts, key=lambda text: (-counts[text], text)):
            alike[text.casefold()].append(text)
            nearly["".join(filter(str.isalnum, text.casefold()))].add(alike[text.casefold()][0])
        first = {getattr(spell, column): spell.row for spell in reversed(spells)}
        for texts in alike.values():
            for other in texts[1:]:
                what = f"{other!r} taken as {texts[0]!r}. Write one way."
                notes.append(Remark(sheet, first[other], column, what))
        for near in nearly.values():
            if len(near) > 1:
                names = " and ".join(repr(text) for text in sorted(near))
                what = f"{names} count as different. Write one way if they are one."
                notes.append(Remark(sheet, max(first[text] for text in near), column, what))
        usual: dict[str, Any] = {other: texts[0] for texts in alike.values() for other in texts[1:]}
        spells = [
            replace(spell, **{column: usual[said]}) if (said := getattr(spell, column)) in usual else spell
            for spell in spells
        ]
    return spells, notes
