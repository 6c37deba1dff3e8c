"""A roster drafted from where logs lie: a folder is a car, else the names of files tell; people fill in the rest."""

import fnmatch
import re
from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

from ingest.findings import InputError, UnreadableError, printable
from ingest.labels import plain_name
from ingest.log_date import ARCHIVE, around_date
from ingest.log_files import LogFile, files_under
from ingest.roster import COLUMNS, Places, Remark, column_names, header_problems, look_at_roster, places_of
from ingest.roster_sheet import add_rows, read_sheet, write_sheet
from ingest.unpack import ZIP, unpack

NAMES_SHOWN = 5
NO_LOG = frozenset({
    ".pdf", ".jpg", ".jpeg", ".png", ".gif", ".webp", ".heic", ".svg", ".doc", ".docx", ".odt", ".html", ".md", ".toml",
    ".mp4", ".mov", ".ini", ".db", ".lnk",
})  # fmt: skip
# words that name an occasion or a program's habit, not a car
_NO_CAR = frozenset({
    "log", "logs", "datalog", "datalogs", "data", "pull", "pulls", "run", "runs", "dyno", "street", "road", "track",
    "session", "record", "recording", "recordings", "export", "exports", "file", "files", "untitled", "new", "test",
    "tests", "club", "roster", "messung", "messungen", "fahrt", "fahrten", "aufzeichnung", "aufzeichnungen",
})  # fmt: skip
_NO_CAR_ALONE = frozenset({"car", "cars", "auto", "autos"})  # with a number they do
_YEAR = re.compile(r"(19|20)\d\d([-_. ]?([qQ][1-4]|\d\d))?")
_COUNTER = re.compile(r"[_ ]+\(?\d{1,4}\)?$|\(\d{1,4}\)$")
_EDGES = " _-.,()"


@dataclass(frozen=True)
class CarLogs:
    """A car as its logs tell it. pattern: what the roster's `logs` needs, or "" where the folder's name does."""

    name: str
    pattern: str
    places: tuple[PurePosixPath, ...]


@dataclass(frozen=True)
class RosterDraft:
    """What a draft wrote, and what it leaves to a person.

    roster: the file. rows: car rows in it. new: names of cars added by this run. missing: what a study needs and
    is not filled in, or filled in wrongly. questions: what the program cannot know.
    """

    roster: Path
    rows: int
    new: tuple[str, ...]
    missing: tuple[Remark, ...]
    questions: tuple[str, ...]


def draft_roster(logs: Path, roster: Path) -> RosterDraft:
    """Write a roster of the cars whose logs lie under a folder, or add the cars that are not on it yet.

    roster: CSV or XLSX, by its ending. What a person has written there stays as it is: its rows, their order,
    columns of other names. Engine and pump are left empty. The file is written whole or not at all.
    Raises InputError with every problem at once; then nothing was written.
    """
    places = places_of_logs(logs, [roster])
    is_new = not roster.exists()
    sheet = [list(COLUMNS)] if is_new else read_sheet(roster)
    problems = header_problems(roster.name, column_names(sheet[0])) if sheet else look_at_roster(roster).problems
    if problems:
        raise InputError(list(map(str, problems)))
    header = column_names(sheet[0])
    found, without_car = cars_of(places, _places_on(sheet, header))
    no_column = [car for car in found if car.pattern and "logs" not in header]
    found = [car for car in found if car not in no_column]
    rows = [_row(header, car) for car in found]
    if is_new:
        if not rows:
            raise InputError(
                [*_questions(logs, found, without_car, no_column), "No car could be told from these names."]
            )
        write_sheet(roster, [list(COLUMNS), *rows])
    elif rows:
        add_rows(roster, rows)
    seen = look_at_roster(roster)
    return RosterDraft(
        roster,
        len(seen.spells),
        tuple(car.name for car in found),
        seen.problems,
        tuple(_questions(logs, found, without_car, no_column)),
    )


def places_of_logs(logs: Path, leave_out: Sequence[Path]) -> list[PurePosixPath]:
    """Where each log lies under a folder, those in archives too; files that are plainly no logs left out.

    Raises InputError where there is no folder or nothing in it.
    """
    if not logs.is_dir():
        raise InputError([f"{logs}: no folder. Name the folder that holds the logs."])
    files = [file for file in files_under(logs, leave_out) if file.path.suffix.lower() not in NO_LOG]
    places = [PurePosixPath(place) for file in files for place in _places_in(file)]
    if not places:
        raise InputError([f"{logs}: no logs in it. Put each car's logs into a folder named as the car."])
    return places


def _places_in(file: LogFile) -> list[str]:
    """The file's own place, or those of an archive's members."""
    try:
        with file.path.open("rb") as opened:
            if opened.read(len(ZIP)) != ZIP:  # office documents and archives begin alike
                return [file.place]
        return [place for place, _ in unpack(file.place, file.path.read_bytes())]
    except (OSError, UnreadableError):  # ingest says what is wrong with it
        return [file.place]


def cars_of(places: Iterable[PurePosixPath], known: Places) -> tuple[list[CarLogs], list[PurePosixPath]]:
    """(cars that `known` lacks, logs of no car) as folders and file names tell."""
    free = [place for place in places if not known.claims(place)]
    named: dict[tuple[str, bool], list[tuple[str, PurePosixPath]]] = defaultdict(list)
    for place in free:
        name, is_folder = _name_in(place)
        named[plain_name(name), is_folder].append((name, place))
    cars: list[CarLogs] = []
    without_car: list[PurePosixPath] = []
    for (plain, is_folder), logs in named.items():
        own = tuple(place for _, place in logs)
        name = Counter(name for name, _ in logs).most_common(1)[0][0]
        pattern = "" if is_folder else _pattern(name, own, places)
        is_twice = not is_folder and (plain in known.folders or (plain, True) in named)
        if not plain or is_twice or not (is_folder or pattern) or not _can_be_written(name):
            without_car += own
        else:
            cars.append(CarLogs(name, pattern, own))
    return sorted(cars, key=lambda car: (plain_name(car.name), car.name)), without_car


def _name_in(place: PurePosixPath) -> tuple[str, bool]:
    """(name of the car or "", it is a folder's own name): of the outermost folder that tells one, else of the file."""
    folders = [part for part in place.parts[:-1] if not ARCHIVE.search(part)]
    is_dated = False
    for folder in folders:
        if _YEAR.fullmatch(folder) or (is_dated and folder.isdigit()):
            is_dated = True
            continue
        parts = around_date(folder)
        name = folder if parts is None else _longer(parts)
        if _names_a_car(name):
            return name, parts is None
    for text in (*(part for part in place.parts[:-1] if part not in folders), place.name):
        stem = ARCHIVE.sub("", text)
        stem = stem[: -len(PurePosixPath(stem).suffix) or None] if text == place.name else stem
        parts = around_date(stem)
        for name in [_COUNTER.sub("", stem).strip(_EDGES), stem] if parts is None else [_longer(parts)]:
            if _names_a_car(name):
                return name, False
    return "", False


def _longer(parts: tuple[str, str]) -> str:
    """What stands before a date, else after it, without its counter."""
    before, after = (part.strip(_EDGES) for part in parts)
    return before or _COUNTER.sub("", f" {after}").strip(_EDGES)


def _names_a_car(name: str) -> bool:
    """
    >>> _names_a_car("car-7"), _names_a_car("Log 0012"), _names_a_car("")
    (True, False, False)
    """
    words = set(re.findall(r"[^\W\d_]+", plain_name(name)))
    if not words:
        return name.isdigit() and not _YEAR.fullmatch(name)
    if words <= _NO_CAR_ALONE:
        return any(map(str.isdigit, name))
    return not words <= _NO_CAR


def _pattern(name: str, own: Sequence[PurePosixPath], places: Iterable[PurePosixPath]) -> str:
    """A pattern that matches a car's logs and no others; "" where none does."""
    text = re.sub(r"([\[*?])", r"[\1]", name)
    wanted = set(own)
    for pattern in (f"{text}*", f"*/{text}*", f"*{text}*"):
        if {place for place in places if fnmatch.fnmatchcase(str(place), pattern)} == wanted:
            return pattern
    return ""


def _can_be_written(name: str) -> bool:
    return name.isprintable() and name == name.strip() and not any("\ud800" <= sign <= "\udfff" for sign in name)


def _places_on(sheet: Sequence[Sequence[str]], header: Sequence[str]) -> Places:
    """Places of a sheet that need not be filled in yet."""
    rows = [dict(zip(header, cells, strict=False)) for cells in sheet[1:]]
    told = ((row.get("car", ""), row.get("logs", "").strip().replace("\\", "/")) for row in rows)
    return places_of((" ".join(car.split()), pattern) for car, pattern in told)


def _row(header: Sequence[str], car: CarLogs) -> list[str]:
    cells = {"car": car.name, "logs": car.pattern}
    return [cells.get(name, "") for name in header]


def _questions(
    logs: Path, found: Sequence[CarLogs], without_car: Sequence[PurePosixPath], no_column: Sequence[CarLogs]
) -> list[str]:
    told = []
    for car in found:
        inner = sorted({part for place in car.places if (part := _inner_folder(car, place))})
        if len(inner) > 1:
            told.append(
                f"{printable(car.name)}: its folders {some(inner)} count as one car. If each is a car, write "
                "a row for each in its stead."
            )
    if by_file := [car.name for car in found if car.pattern]:
        told.append(f"Named after files, not after a folder: {some(by_file)}. Is each of them one car?")
    if no_column:
        names = some([car.name for car in no_column])
        told.append(
            f"{names}: not added, for the logs lie in no folder of their own and the roster has no column logs. "
            "Add that column and run the command again."
        )
    if without_car:
        count = f"{len(without_car)} log{'' if len(without_car) == 1 else 's'}"
        told.append(
            f"{logs}: {count} of no car ({some(list(map(str, without_car)))}). Put each into a folder named as the "
            "car, or write a pattern into column logs."
        )
    return told


def _inner_folder(car: CarLogs, place: PurePosixPath) -> str:
    """The folder right under the car's own, where it could be a car's as well."""
    plain = [plain_name(part) for part in place.parts[:-1]]
    if car.pattern or plain_name(car.name) not in plain:
        return ""
    inner = place.parts[plain.index(plain_name(car.name)) + 1 : -1]
    return inner[0] if inner and around_date(inner[0]) is None and _names_a_car(inner[0]) else ""


def some(names: Sequence[str]) -> str:
    """The first few of many names.

    >>> some(list("abcdefg"))
    'a, b, c, d, e and 2 more'
    """
    more = len(names) - NAMES_SHOWN
    shown = ", ".join(printable(name) for name in names[:NAMES_SHOWN])
    return f"{shown} and {more} more" if more > 0 else shown
