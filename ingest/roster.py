"""Who drives what since when: the roster, read from a spreadsheet and checked."""

import csv
import fnmatch
from collections import Counter, defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import date
from itertools import pairwise
from pathlib import Path, PurePosixPath

import polars as pl

from ingest.findings import InputError
from ingest.labels import plain_name
from ingest.schemas import ROSTER

NEEDED = ("car", "engine", "pump")
SETUP = ("engine", "pump", "boost_hardware", "calibration")
OPTIONAL = ("boost_hardware", "calibration", "port_injection", "ethanol_pct", "since", "until", "found")
COLUMNS = (*NEEDED, *OPTIONAL, "found_on", "logs")
FOUND = ("nothing", "pump", "feed", "leak", "wiring", "sensor", "roster", "other")
YES = frozenset({"yes", "y", "true", "1", "x", "ja", "j"})
NO = frozenset({"no", "n", "false", "0", "", "-", "nein"})


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
        """ROSTER, ordered by label and date; labels: plain name -> label."""
        rows = [
            {column: getattr(spell, column) for column in ROSTER if column != "label"}
            | {"label": labels[plain_name(spell.car)]}
            for spell in self.spells
        ]
        return pl.DataFrame(rows, schema=dict(ROSTER)).sort("label", "since", nulls_last=False)


@dataclass(frozen=True)
class Places:
    """Which car a log belongs to, told from where it lies under the folder of logs."""

    folders: dict[str, str]  # plain name of a folder -> plain name of the car
    globs: tuple[tuple[str, str], ...]  # pattern, plain name of the car

    def car_of(self, place: PurePosixPath) -> str | None:
        """Plain name of the car, None where no car or more than one claims the place.

        A row's `logs` pattern counts first (`*` also spans folders), then the nearest folder named as a car.
        """
        if self.globs:
            claims = {car for pattern, car in self.globs if fnmatch.fnmatchcase(str(place), pattern)}
            if claims:
                return claims.pop() if len(claims) == 1 else None
        for folder in reversed(place.parts[:-1]):
            car = self.folders.get(plain_name(folder))
            if car:
                return car
        return None


def places(roster: Roster) -> Places:
    """Where the logs of each car of a roster lie."""
    names = [plain_name(car) for car in roster.cars]
    globs = {(spell.logs, plain_name(spell.car)) for spell in roster.spells if spell.logs}
    return Places({name: name for name in names}, tuple(sorted(globs)))


def read_roster(path: Path) -> Roster:
    """A roster from CSV (comma, semicolon or tab) or XLSX.

    Raises InputError with every problem of the sheet at once, each with its column and row (the
    header is row 1).
    """
    rows = _sheet(path)
    if not rows:
        raise InputError([f"{path.name}: empty. Its first line must name the columns: {', '.join(COLUMNS)}."])
    header = [name.strip().casefold().replace(" ", "_") for name in rows[0]]
    problems = _header_problems(path.name, header)
    if problems:
        raise InputError(problems)
    notes = [
        f"{path.name}, column {name}: not a column of a roster, not used."
        for name in header
        if name and name not in COLUMNS
    ]
    spells = []
    for number, cells in enumerate(rows[1:], 2):
        values = dict(zip(header, (cell.strip() for cell in cells), strict=False))
        if any(values.values()):
            spells.append(_Row(path.name, number, values, problems, notes).spell())
    if not spells and not problems:
        problems.append(f"{path.name}: no car in it. Write a row for each car.")
    problems += _overlaps(path.name, spells)
    if problems:
        raise InputError(problems)
    spells, merged = _one_spelling(path.name, spells)
    return Roster(tuple(spells), tuple(notes + merged))


def _sheet(path: Path) -> list[list[str]]:
    """All cells as text."""
    content = path.read_bytes()
    if content[:4] == b"PK\x03\x04":
        return _sheet_of_workbook(path)
    try:
        text = content.decode("utf-16" if content[:2] in (b"\xff\xfe", b"\xfe\xff") else "utf-8-sig")
    except UnicodeDecodeError:
        text = content.decode("cp1252", errors="replace")
    lines = text.splitlines()
    first = lines[0] if lines else ""
    delimiter = max(",;\t", key=first.count)
    return list(csv.reader(lines, delimiter=delimiter))


def _sheet_of_workbook(path: Path) -> list[list[str]]:
    import fastexcel  # loaded when a workbook comes: it is rare and large

    try:
        book = fastexcel.read_excel(path)
        sheet = book.load_sheet(0, header_row=None, dtypes="string").to_polars()
    except fastexcel.FastExcelError as problem:
        raise InputError([f"{path.name}: no readable workbook. Save it again as XLSX or CSV."]) from problem
    return [["" if cell is None else cell for cell in row] for row in sheet.iter_rows()]


def _header_problems(sheet: str, header: list[str]) -> list[str]:
    problems = [
        f"{sheet}, row 1: no column {name}. A roster needs {', '.join(NEEDED)}."
        for name in NEEDED
        if name not in header
    ]
    twice = [name for name, count in Counter(header).items() if name in COLUMNS and count > 1]
    return problems + [f"{sheet}, row 1: column {name} stands twice. Leave one." for name in twice]


@dataclass(frozen=True)
class _Row:
    """One line of the sheet on its way to a Spell; problems and notes are added to the lists handed in."""

    sheet: str
    number: int
    values: dict[str, str]
    problems: list[str]
    notes: list[str]

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
            engine=self._text("engine"),
            pump=self._text("pump"),
            boost_hardware=self._text("boost_hardware"),
            calibration=self._text("calibration"),
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

    def _problem(self, column: str, what: str) -> None:
        self.problems.append(f"{self.sheet}, row {self.number}, {column}: {what}")

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
        return text or None

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
            self.notes.append(
                f"{self.sheet}, row {self.number}, ethanol_pct: {text.upper()!r} is a station's label, not a "
                f"measurement; taken as {share:g} %. Log the ethanol content, or write what was measured."
            )
        return share


def _overlaps(sheet: str, spells: Iterable[Spell]) -> list[str]:
    by_car = defaultdict(list)
    for spell in spells:
        by_car[plain_name(spell.car)].append(spell)
    problems = []
    for own in by_car.values():
        own.sort(key=lambda spell: spell.since or date.min)
        for earlier, later in pairwise(own):
            if earlier.car and (later.since or date.min) <= (earlier.until or date.max):
                problems.append(
                    f"{sheet}, row {later.row}, since: overlaps row {earlier.row} of the same car. "
                    "End one row the day before the next begins."
                )
    return problems


def _one_spelling(sheet: str, spells: list[Spell]) -> tuple[list[Spell], list[str]]:
    """Spellings that differ in case alone become the most frequent one; other near ones are named."""
    notes = []
    for column in SETUP:
        counts = Counter(getattr(spell, column) for spell in spells if getattr(spell, column))
        alike: dict[str, list[str]] = defaultdict(list)
        nearly: dict[str, set[str]] = defaultdict(set)
        for text in sorted(counts, key=lambda text: (-counts[text], text)):
            alike[text.casefold()].append(text)
            nearly["".join(filter(str.isalnum, text.casefold()))].add(alike[text.casefold()][0])
        for texts in alike.values():
            if len(texts) > 1:
                others = ", ".join(repr(text) for text in texts[1:])
                notes.append(f"{sheet}, {column}: {others} taken as {texts[0]!r}. Write one way.")
        for near in nearly.values():
            if len(near) > 1:
                names = " and ".join(repr(text) for text in sorted(near))
                notes.append(f"{sheet}, {column}: {names} count as different. Write one way if they are one.")
        usual = {text: texts[0] for texts in alike.values() for text in texts}
        spells = [
            replace(spell, **{column: usual.get(getattr(spell, column), getattr(spell, column))}) for spell in spells
        ]
    return spells, notes
