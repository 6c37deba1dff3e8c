"""Which files are in the store already, so that unchanged ones are skipped. Private: it names files."""

import csv
import io
import sys
from collections.abc import Iterable
from pathlib import Path
from typing import NamedTuple

from ingest.formula_guard import guarded, unguarded
from ingest.labels import write_private
from ingest.whole_files import append


class Seen(NamedTuple):
    """One log as it was when it went in (or was refused). A tuple, for it is quick to make, and there are many.

    file: where the file lies under the folder of logs. place: the same, or file/member of an archive.
    log: keyed digest; "" where the file does not hold the log any more. label: "" where the car was not on the
    roster. reading: how logs were read then.
    segment: of the store; the row counts only if the segment does.
    """

    file: str
    place: str
    size: int
    mtime_ns: int
    log: str
    label: str
    reading: str
    segment: str


class SeenFiles:
    """The list of paths of one store. Only for who holds the store for writing."""

    def __init__(self, path: Path, segments: Iterable[str]) -> None:
        """path: paths.csv, which may be missing. segments: those that count."""
        self._path = path
        self.uncounted: list[Seen] = []  # rows of segments that do not count
        self._by_file: dict[str, dict[str, Seen]] = {}
        counts = set(segments)
        whole, rows = _read(path)
        for row in rows:
            if row.segment in counts and not row.log:
                self._by_file.get(row.file, {}).pop(row.place, None)
            elif row.segment in counts:
                self._by_file.setdefault(row.file, {})[row.place] = row
            else:
                self.uncounted.append(row)
                whole = False
        if not whole or len(rows) > 2 * sum(map(len, self._by_file.values())):
            self.rewrite()

    def of(self, file: str) -> dict[str, Seen]:
        """Place -> what is known of each log of a file."""
        return self._by_file.get(file, {})

    def add(self, rows: Iterable[Seen]) -> None:
        """Append; called before the segment is committed, so that nothing committed is ever unknown."""
        append(self._path, _text(rows).encode("utf-8", "surrogateescape"))

    def remove(self, label: str) -> None:
        """Forget every file of a label."""
        self._by_file = {
            file: rows for file, rows in self._by_file.items() if label not in {row.label for row in rows.values()}
        }
        self.rewrite()

    def by_segment(self) -> dict[str, list[Seen]]:
        """Segment -> its rows."""
        found: dict[str, list[Seen]] = {}
        for rows in self._by_file.values():
            for row in rows.values():
                found.setdefault(row.segment, []).append(row)
        return found

    def rewrite(self) -> None:
        """Write the list anew: a row a log, as it was when last seen."""
        rows = [row for rows in self._by_file.values() for row in rows.values()]
        write_private(self._path, ",".join(Seen._fields) + "\n" + _text(rows))


def _text(rows: Iterable[Seen]) -> str:
    text = io.StringIO()
    csv.writer(text, lineterminator="\n").writerows(map(_guarded, rows))
    return text.getvalue()


def _guarded(seen: Seen) -> tuple[object, ...]:
    file, place, *rest = seen
    return guarded(file), guarded(place), *rest


def _read(path: Path) -> tuple[bool, list[Seen]]:
    """Rows, and whether the file is in order: a killed run may have left a torn line."""
    if not path.exists():
        return False, []
    text = path.read_text(encoding="utf-8", errors="surrogateescape")
    rows, whole = [], text.endswith("\n")
    lines = csv.reader(io.StringIO(text, newline=""))
    del text  # with a row a log it is large
    next(lines, None)
    for cells in lines:
        try:
            file, place, size, mtime_ns, log, *same = cells
            own = unguarded(file)
            inner = own if place == file else unguarded(place)
            rows.append(Seen(own, inner, int(size), int(mtime_ns), log, *map(sys.intern, same)))  # said once a log
        except (ValueError, TypeError):
            whole = False
    return whole, rows
