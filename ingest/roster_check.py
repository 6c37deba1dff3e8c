"""A roster against the logs it is about: rows without logs, logs without a row, days that no row holds, odd entries."""

import fnmatch
from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from itertools import combinations, pairwise
from pathlib import Path, PurePosixPath

from ingest.findings import printable
from ingest.labels import plain_name
from ingest.log_date import log_date
from ingest.near_labels import edits
from ingest.roster import Places, Remark, Spell, look_at_roster, places_of
from ingest.roster_draft import cars_of, places_of_logs, some
from ingest.schemas import SETUP_WORDS

NEAR_EDITS = 2  # of a car's name and a folder's: more is another name
MISSPELT_MIN = 5  # letters; a shorter word one slip from another may well be another word
DAY = timedelta(days=1)

_Logs = Mapping[str, list[tuple[PurePosixPath, date | None]]]  # by plain name of the car, with the day if told
_Spells = Mapping[str, list[Spell]]


@dataclass(frozen=True)
class RosterCheck:
    """What a roster and its logs say of each other.

    problems: what ingest would refuse, or logs that would go to no car. questions: what may be meant otherwise.
    logs: how many there are. undated: how many carry no date in their names, so that their day was not looked at.
    """

    roster: Path
    rows: int
    cars: int
    logs: int
    undated: int
    problems: tuple[Remark, ...]
    questions: tuple[Remark, ...]


def check_roster(logs: Path, roster: Path, today: date | None = None) -> RosterCheck:
    """Everything at once that does not fit between a roster and a folder of logs. Nothing is written.

    A log's day is taken from its name alone. today: a later day cannot have been yet; by default the system's.
    Raises InputError where there are no logs, or the roster is a broken workbook.
    """
    seen = look_at_roster(roster)
    places = places_of_logs(logs, [roster])
    where = places_of((spell.car, spell.logs) for spell in seen.spells)
    sheet = roster.name
    of_car: dict[str, list[tuple[PurePosixPath, date | None]]] = defaultdict(list)
    disputed: dict[tuple[str, ...], list[PurePosixPath]] = defaultdict(list)
    for place in places:
        claims = tuple(sorted(where.claims(place)))
        if len(claims) == 1:
            of_car[claims[0]].append((place, log_date(str(place), "", None, None)[0]))
        elif claims:
            disputed[claims].append(place)
    spells: dict[str, list[Spell]] = defaultdict(list)
    for spell in seen.spells:
        if spell.car:
            spells[plain_name(spell.car)].append(spell)
    wrong_days = {one.row for one in seen.problems if one.column in ("since", "until")}
    dated = {car: own for car, own in spells.items() if not wrong_days & {spell.row for spell in own}}
    problems = [*seen.problems, *_without_logs(sheet, seen.spells, of_car, disputed, places)]
    problems += _claimed_twice(sheet, disputed, spells)
    problems += _outside(sheet, dated, of_car)
    problems.sort(key=_row_of)
    if seen.spells:
        problems += _without_row(sheet, places, where)
    questions = [*seen.notes, *_gaps(sheet, dated, of_car), *_misspelt(sheet, seen.spells)]
    questions += _odd_days(sheet, seen.spells, today or date.today())
    questions.sort(key=_row_of)
    undated = sum(day is None for own in of_car.values() for _, day in own)
    return RosterCheck(
        roster, len(seen.spells), len(spells), len(places), undated, tuple(problems), tuple(questions)
    )  # fmt: skip


def _row_of(remark: Remark) -> int:
    return remark.row or 0


def _without_logs(
    sheet: str,
    spells: Sequence[Spell],
    of_car: _Logs,
    disputed: Mapping[tuple[str, ...], list[PurePosixPath]],
    places: Sequence[PurePosixPath],
) -> Iterator[Remark]:
    """Patterns that match nothing, and cars to whom no log belongs."""
    with_logs = set(of_car).union(*disputed)
    taken = {plain_name(spell.car) for spell in spells}
    folders = {plain: part for place in places for part in place.parts[:-1] if (plain := plain_name(part)) not in taken}
    told: set[str] = set()
    for spell in spells:
        car = plain_name(spell.car)
        if spell.logs and not any(fnmatch.fnmatchcase(str(place), spell.logs) for place in places):
            what = f"{spell.logs!r} matches no log. * stands for any text, and folders are divided by /."
            yield Remark(sheet, spell.row, "logs", what)
        elif car and car not in {*with_logs, *told}:
            told.add(car)
            near = sorted((edits(car, plain), folder) for plain, folder in folders.items())
            meant = f" Is {printable(near[0][1])!r} meant?" if near and near[0][0] <= NEAR_EDITS else ""
            what = f"no folder {spell.car!r} with logs in it.{meant or ' Name the folder as the car, or fill in logs.'}"
            yield Remark(sheet, spell.row, "car", what)


def _without_row(sheet: str, places: Sequence[PurePosixPath], where: Places) -> Iterator[Remark]:
    """Folders of cars that are not on the roster, and logs of no car."""
    cars, without_car = cars_of(places, where)
    for car in cars:
        added = f"`pumpcensus roster LOGS --out {sheet}` adds one."
        what = f"no row for {printable(car.name)!r}, of whom there {_counted(len(car.places))}. {added}"
        yield Remark(sheet, None, "car", what)
    if without_car:
        count = _counted(len(without_car))
        what = (
            f"there {count} of no car ({some(list(map(str, without_car)))}). Put each into a folder named as the car."
        )
        yield Remark(sheet, None, "logs", what)


def _claimed_twice(
    sheet: str, disputed: Mapping[tuple[str, ...], list[PurePosixPath]], spells: _Spells
) -> Iterator[Remark]:
    for cars, places in disputed.items():
        rows = sorted(
            spell.row
            for car in cars
            for spell in spells[car]
            if spell.logs and any(fnmatch.fnmatchcase(str(place), spell.logs) for place in places)
        )
        others = " and ".join(f"row {row}" for row in rows[:-1])
        what = f"claims what {others} claims: {some(list(map(str, places)))}. A log can have one car; narrow a pattern."
        yield Remark(sheet, rows[-1], "logs", what)


def _outside(sheet: str, spells: _Spells, of_car: _Logs) -> Iterator[Remark]:
    """Logs of days that none of their car's rows holds."""
    for car, own in spells.items():
        lost: dict[tuple[int, str, str], list[PurePosixPath]] = defaultdict(list)
        ordered = sorted(own, key=lambda spell: spell.since or date.min)
        for place, day in of_car.get(car, []):
            if day and not any((s.since or date.min) <= day <= (s.until or date.max) for s in own):
                lost[_beside(ordered, day)].append(place)
        for (row, column, side), places in lost.items():
            what = f"{_dated(len(places))} {side}: {some(list(map(str, places)))}. What was fitted then?"
            yield Remark(sheet, row, column, what)


def _beside(ordered: Sequence[Spell], day: date) -> tuple[int, str, str]:
    """(row, column, words) of the end that a day lies beyond."""
    later = next((spell for spell in ordered if spell.since and spell.since > day), None)
    earlier = next((spell for spell in reversed(ordered) if spell.until and spell.until < day), None)
    if later is None:
        assert earlier is not None  # the day lies in no row, so it lies before one or after one
        return earlier.row, "until", f"after {earlier.until}, the last day on the roster"
    if earlier is None:
        return later.row, "since", f"before {later.since}, the first day on the roster"
    return (
        later.row,
        "since",
        f"after row {earlier.row} ends, {earlier.until}, and before this one begins, {later.since}",
    )


def _gaps(sheet: str, spells: _Spells, of_car: _Logs) -> Iterator[Remark]:
    """Days between two rows of a car of which nothing is said; those with logs are told by `_outside`."""
    for car, own in spells.items():
        ordered = sorted(own, key=lambda spell: spell.since or date.min)
        for earlier, later in pairwise(ordered):
            if not earlier.until or not later.since or later.since - earlier.until <= DAY:
                continue
            first, last = earlier.until + DAY, later.since - DAY
            if not any(day and first <= day <= last for _, day in of_car.get(car, [])):
                what = f"nothing is said of {first} to {last}, after row {earlier.row}. Was the car off the road?"
                yield Remark(sheet, later.row, "since", what)


def _misspelt(sheet: str, spells: Sequence[Spell]) -> Iterator[Remark]:
    """Words one slip apart, of which one is seldom; cars whose names differ in signs alone."""
    for column in SETUP_WORDS:
        counts = Counter(getattr(spell, column) for spell in spells if getattr(spell, column))
        rows = {getattr(spell, column): spell.row for spell in reversed(spells)}
        for one, other in combinations(sorted(counts), 2):
            if _letters(one) != _letters(other) and _is_one_slip(one, other):
                seldom, usual = sorted((one, other), key=lambda text: (counts[text], text))
                yield Remark(sheet, rows[seldom], column, f"{seldom!r}: is {usual!r} meant, as in row {rows[usual]}?")
    alike: dict[str, dict[str, int]] = defaultdict(dict)
    for spell in spells:
        alike[_letters(spell.car)].setdefault(plain_name(spell.car), spell.row)
    for rows in alike.values():
        if len(rows) > 1:
            (_, first), (other, row), *_ = rows.items()
            yield Remark(sheet, row, "car", f"{other!r} counts as another car than that of row {first}. Are they one?")


def _letters(text: str) -> str:
    return "".join(filter(str.isalnum, text.casefold()))


def _is_one_slip(one: str, other: str) -> bool:
    """True for words that differ by one letter; a differing number is another version.

    >>> _is_one_slip("original", "orignal"), _is_one_slip("club map 2", "club map 3")
    (True, False)
    """
    digits = ["".join(filter(str.isdigit, text)) for text in (one, other)]
    is_long = min(sum(map(str.isalpha, text)) for text in (one, other)) >= MISSPELT_MIN
    return is_long and digits[0] == digits[1] and edits(one.casefold(), other.casefold()) == 1


def _odd_days(sheet: str, spells: Iterable[Spell], today: date) -> Iterator[Remark]:
    for spell in spells:
        if spell.found and not spell.found_on:
            yield Remark(sheet, spell.row, "found_on", f"empty, and found says {spell.found!r}. On which day?")
        if spell.found_on and not spell.found:
            yield Remark(sheet, spell.row, "found", f"empty, and found_on says {spell.found_on}. What was found?")
        if spell.found_on and spell.since and spell.found_on < spell.since:
            what = f"{spell.found_on} is before since, {spell.since}. Does the finding belong to an earlier row?"
            yield Remark(sheet, spell.row, "found_on", what)
        for column in ("since", "found_on"):
            day = getattr(spell, column)
            if day and day > today:
                yield Remark(sheet, spell.row, column, f"{day} has not been yet. Is the year right?")


def _counted(count: int) -> str:
    """
    >>> _counted(1), _counted(3)
    ('is 1 log', 'are 3 logs')
    """
    return "is 1 log" if count == 1 else f"are {count} logs"


def _dated(count: int) -> str:
    return "1 log is dated" if count == 1 else f"{count} logs are dated"
