"""Which day a log was made on: its file name, its header, its own clock, else the file's time stamp on disk."""

import re
from collections.abc import Iterator
from datetime import date

from ingest.findings import Finding

_MONTHS = (
    ("jan",), ("feb",), ("mar", "mär", "mrz"), ("apr",), ("may", "mai"), ("jun",),
    ("jul",), ("aug",), ("sep",), ("oct", "okt"), ("nov",), ("dec", "dez"),
)  # fmt: skip
_MONTH = r"(jan|feb|mar|mär|mrz|apr|may|mai|jun|jul|aug|sep|oct|okt|nov|dec|dez)[a-zä]*"

ARCHIVE = re.compile(r"\.(zip|gz|zst)$", re.IGNORECASE)
_SAYS_DATE = re.compile(r"\b(date|datum|day|tag|recorded|logged|aufgezeichnet|aufnahme|start)", re.IGNORECASE)
_YEAR_FIRST = re.compile(r"(?<!\d)((?:19|20)\d\d)([-_./]?)(\d\d)\2(\d\d)(?=$|\D|[0-2]\d[0-5]\d(?:[0-5]\d)?(?:\D|$))")
_YEAR_LAST = re.compile(r"(?<!\d)(\d{1,2})([-_./])(\d{1,2})\2((?:19|20)\d\d)(?!\d)")
_WORDED = re.compile(rf"(?<!\d)(\d{{1,2}})[.\s_-]*{_MONTH}[.,\s_-]*((?:19|20)\d\d)(?!\d)", re.IGNORECASE)
_WORDED_US = re.compile(rf"{_MONTH}[.\s_-]*(\d{{1,2}})(?:st|nd|rd|th)?[,\s_-]+((?:19|20)\d\d)(?!\d)", re.IGNORECASE)


def date_in(text: str) -> date | None:
    """The first date in a text, or None. A day and month that could be swapped are no date, except with dots.

    >>> date_in("2026-07-31_01.csv"), date_in("log_20260731_1405"), date_in("Datum: 31.07.2026")
    (datetime.date(2026, 7, 31), datetime.date(2026, 7, 31), datetime.date(2026, 7, 31))
    >>> date_in("07/31/2026"), date_in("03/04/2026"), date_in("31 Juli 2026")
    (datetime.date(2026, 7, 31), None, datetime.date(2026, 7, 31))
    """
    return next((day for day, _ in _dates_in(text)), None)


def around_date(text: str) -> tuple[str, str] | None:
    """What stands before and after the first date of a text; None where it has none.

    >>> around_date("car-7_2026-07-31_01"), around_date("car-7")
    (('car-7_', '_01'), None)
    """
    return next(((text[: found.start()], text[found.end() :]) for _, found in _dates_in(text)), None)


def _dates_in(text: str) -> Iterator[tuple[date, re.Match[str]]]:
    """Each date of a text and where it stands, by the kinds of spelling."""
    for found in _YEAR_FIRST.finditer(text):
        if day := _valid(found[1], found[3], found[4]):
            yield day, found
    for found in _YEAR_LAST.finditer(text):
        if day := _day_or_month_first(found[1], found[3], found[4], dotted=found[2] == "."):
            yield day, found
    for found in _WORDED.finditer(text):
        if day := _valid(found[3], _month(found[2]), found[1]):
            yield day, found
    for found in _WORDED_US.finditer(text):
        if day := _valid(found[3], _month(found[1]), found[2]):
            yield day, found


def log_date(
    name: str, preamble: str, clock_day: date | None, modified: date | None
) -> tuple[date | None, Finding | None]:
    """(day, finding): from the file's own name, the text above its header, its clock, else its time stamp.

    A log in an archive may have the archive's date; its folder's is not its own. Above the header a line that
    speaks of a date goes before others, which may hold the date of some software.
    """
    own, *outer = reversed(name.replace("\\", "/").split("/"))
    names = [own, *(part for part in outer if ARCHIVE.search(part))]
    told = [line for line in preamble.splitlines() if _SAYS_DATE.search(line)]
    day = next(filter(None, map(date_in, (*names, *told, preamble))), None) or clock_day
    if day:
        return day, None
    if modified:
        return modified, Finding("date_from_file_time")
    return None, Finding("date_missing")


def day_on_disk(changed_s: float) -> date | None:
    """The day of a file's time stamp, in this machine's time zone; None for one that is no day here.

    changed_s: since 1970. A damaged one may lie far from it, and Windows knows none before.

    >>> day_on_disk(1e12) is None
    True
    """
    try:
        return date.fromtimestamp(changed_s)
    except (ValueError, OverflowError, OSError):
        return None


def _day_or_month_first(one: str, other: str, year: str, *, dotted: bool) -> date | None:
    """Dots mean day first (German use); otherwise only a number above 12 tells the day."""
    if dotted or int(one) > 12 or one == other:
        return _valid(year, other, one)
    return _valid(year, one, other) if int(other) > 12 else None


def _month(word: str) -> str:
    return str(next(i for i, starts in enumerate(_MONTHS, 1) if word.casefold().startswith(starts)))


def _valid(year: str, month: str, day: str) -> date | None:
    try:
        return date(int(year), int(month), int(day))
    except ValueError:
        return None
