"""The files under a folder of logs: which are new or changed, and what a share of them becomes."""

import os
import stat
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import NamedTuple

import polars as pl

from ingest.far_files import is_far
from ingest.findings import Finding, UnreadableError, effect, in_words, printable
from ingest.labels import Key, plain_name
from ingest.log_date import day_on_disk
from ingest.mapping import ChannelMap
from ingest.one_batch import Log, one_batch
from ingest.read_log import read_cars, read_many
from ingest.reading import Reading, refusal
from ingest.roster import Places
from ingest.seen_files import Seen
from ingest.store import write_tables
from ingest.unpack import UNPACKED_MAX_BYTES, unpack

BATCH_LOGS = 200
LEAST_LOGS = 25  # where several read: reading them takes longer than handing them out
AHEAD_LOGS, AHEAD_BYTES = 16, 4_000_000  # so many are read together
BATCH_BYTES = 24_000_000  # of unpacked text: a process that reads so much of 13 columns takes 260 MB
_NOT_OPENED = (
    "unreadable", "folder_unreadable", "link_out", "file_too_large", "archive_broken", "archive_too_large",
    "archive_without_log",
)  # fmt: skip
CAR_MARK = "//"  # between the place of a file of several cars and the car; no path holds it
_TRIED_AGAIN = (
    "unreadable",
    "folder_unreadable",
    "mdf4_not_installed",
)  # by the next run: what stands in the way is not in the file


class LogFile(NamedTuple):
    """A file to read. place: under the folder `logs`, with "/". known: its logs in the store, by place."""

    logs: Path
    place: str
    size: int
    mtime_ns: int
    known: Mapping[str, Seen] = {}

    @property
    def path(self) -> Path:
        """Where it lies. Made anew each time, for a path takes more memory than all the rest."""
        return self.logs / self.place


@dataclass(frozen=True)
class Setting:
    """What reading needs to know, the same for all files.

    labels: plain name of a car -> label. run: in the names of its segments, so that what a killed run's
    processes still write is not taken for this one's. car_column: names the cars in files of several, or "".
    """

    key: Key = field(repr=False)
    places: Places = field(repr=False)  # like the next ones not for a worker's own log
    labels: Mapping[str, str] = field(repr=False)
    forgotten: frozenset[str] = field(repr=False)
    mapping: ChannelMap = field(repr=False)
    plausible: Mapping[str, tuple[float, float]] = field(repr=False)
    today: date
    reading: str
    segments: Path
    run: str
    car_column: str = ""

    def label_of(self, place: str) -> str | None:
        """Label of the car a place belongs to."""
        _, named, car_named = place.partition(CAR_MARK)
        car = plain_name(car_named) if named else self.places.car_of(place)
        return self.labels.get(car) if car else None


@dataclass(frozen=True)
class Made:
    """A segment on the disk that waits for its ledger; without `segment`, news of unchanged files only.

    places: source -> place. problems: source -> why it was refused, in words. passed_over: forgotten cars'.
    sums: checksums of its files.
    """

    segment: str
    ledger: pl.DataFrame | None
    seen: list[Seen]
    places: dict[str, str]
    problems: dict[str, str]
    findings: Counter[str]
    unchanged: int
    passed_over: int
    sums: Mapping[str, str] = field(default_factory=dict)


def files_under(logs: Path, leave_out: Sequence[Path]) -> list[LogFile]:
    """Every file under `logs` in the order of its name, hidden ones and those of `leave_out` left out."""
    out = {path.resolve() for path in leave_out if not is_far(path)}
    names_out = {path.name for path in out}

    def is_out(folder: str, name: str) -> bool:
        return name.startswith(".") or (name in names_out and Path(folder, name).resolve() in out)

    places: list[tuple[str, bool]] = []  # and whether it is told though it is no file
    closed: list[OSError] = []
    for folder, names, files in os.walk(logs, onerror=closed.append):
        here = "" if folder == os.fspath(logs) else Path(folder).relative_to(logs).as_posix() + "/"
        names[:] = [name for name in names if not is_out(folder, name)]
        places += [(here + name, True) for name in names if os.path.islink(os.path.join(folder, name))]
        places += [(here + name, False) for name in files if not is_out(folder, name)]
    places += [(Path(error.filename).relative_to(logs).as_posix(), True) for error in closed]
    found, root = [], os.path.join(logs, "")
    for place, is_told in places:
        try:
            state = os.stat(root + place)
        except FileNotFoundError:  # it has vanished, or is a link to nothing
            continue
        if is_told or stat.S_ISREG(state.st_mode):
            found.append(LogFile(logs, place, state.st_size, state.st_mtime_ns))
    return sorted(found, key=lambda file: file.place)


def is_unchanged(file: LogFile, known: Mapping[str, Seen], setting: Setting) -> bool:
    """True if size, time, way of reading and car are what they were. known: its logs in the store."""
    for seen in known.values():
        same = (file.size, file.mtime_ns, setting.reading, setting.label_of(seen.place) or "")
        if (seen.size, seen.mtime_ns, seen.reading, seen.label) != same:
            return False
    return bool(known)


def shares(files: Sequence[LogFile], readers: int = 1) -> Iterator[list[LogFile]]:
    """Files in shares of a batch's size, in their order; towards the end smaller ones where several read.

    So all have something to do until the end, and none keeps the others waiting.
    """
    share: list[LogFile] = []
    size = 0
    most = _most(len(files), readers)
    for number, file in enumerate(files):
        if share and (len(share) == most or size + file.size > BATCH_BYTES):
            yield share
            share, size, most = [], 0, _most(len(files) - number, readers)
        share.append(file)
        size += file.size
    if share:
        yield share


def _most(left: int, readers: int) -> int:
    """Logs of the next share."""
    return BATCH_LOGS if readers <= 1 else min(BATCH_LOGS, max(LEAST_LOGS, left // (2 * readers)))


def make_segments(number: int, files: Sequence[LogFile], setting: Setting) -> list[Made]:
    """Read files and write the tables of their segments, `number` being the first part of their names.

    Mostly one segment; more where archives hold more than a batch.
    """
    made: list[Made] = []
    batch = _Batch(setting)
    for file in files:
        found = _with_gone(file, _logs_in(file, setting))
        while log := next(found, None):  # which lets go of the last one's content
            batch.take(file, *log)
            if batch.is_full:
                made.append(batch.made(f"{number:08d}-{len(made):04d}-{setting.run}"))
                batch = _Batch(setting)
    made.append(batch.made(f"{number:08d}-{len(made):04d}-{setting.run}"))
    return made


_Found = tuple[str, bytes, Reading | None]  # place, content, and a Reading where there is one already


def _logs_in(file: LogFile, setting: Setting) -> Iterator[_Found]:
    """Each log of a file; an archive has several, and so has a file whose column names the cars."""
    content = b""
    try:
        _may_be_read(file)
        content = file.path.read_bytes()
        for place, member in unpack(file.place, content):
            if not setting.car_column:
                yield place, member, None
                continue
            day = day_on_disk(file.mtime_ns / 1e9)
            for car, reading in read_cars(place, member, setting.car_column, modified=day, mapping=setting.mapping):
                mark = "" if car is None else f"{CAR_MARK}{car}"
                yield place + mark, mark.encode() + member, reading
    except UnreadableError as error:
        yield file.place, content, refusal(error.finding)
    except OSError as error:
        yield file.place, content, refusal(Finding("unreadable", detail=error.strerror or ""))


def _may_be_read(file: LogFile) -> None:
    """Raise UnreadableError where a file must not be opened: it is reached by a link out of the logs, or is huge."""
    path, logs = file.path, file.logs
    if path.is_symlink() and (path.is_dir() or not path.resolve().is_relative_to(logs.resolve())):
        raise UnreadableError(Finding("link_out"))
    if path.is_dir():
        raise UnreadableError(Finding("folder_unreadable"))
    if file.size > UNPACKED_MAX_BYTES:
        raise UnreadableError(Finding("file_too_large", detail=f"{file.size / 1e9:.1f} GB"))


def _with_gone(file: LogFile, found: Iterator[_Found]) -> Iterator[_Found]:
    """All logs found in a file, and a refusal for each that it held once and does not any more."""
    gone, is_whole = set(file.known), True
    for log in found:
        gone.discard(log[0])
        is_whole = is_whole and not (log[2] and log[2].refused in _NOT_OPENED)
        yield log
    if is_whole:
        yield from ((place, b"", refusal(Finding("log_gone"))) for place in sorted(gone))


@dataclass(frozen=True)
class _Waiting:
    """A log that is taken but perhaps not read. day: of its time stamp on disk."""

    seen: Seen
    label: str | None
    content: bytes
    day: date | None
    reading: Reading | None


class _Batch:
    """Logs taken until there are enough for a segment."""

    def __init__(self, setting: Setting) -> None:
        self._setting = setting
        self._waiting: list[_Waiting] = []
        self._logs: list[Log] = []
        self._digests: set[tuple[str, str | None]] = set()
        self._seen: list[Seen] = []
        self._kept_seen: list[Seen] = []
        self._bytes = 0
        self._passed_over = 0
        self._unread: dict[str, str] = {}  # source -> why; these keep what was read of them earlier

    @property
    def is_full(self) -> bool:
        return len(self._logs) + len(self._waiting) >= BATCH_LOGS or self._bytes >= BATCH_BYTES

    def take(self, file: LogFile, place: str, content: bytes, reading: Reading | None) -> None:
        setting = self._setting
        label = setting.label_of(place)
        if label in setting.forgotten:
            self._passed_over += 1
            return
        if file.known and reading and reading.refused == "unreadable":
            words = " ".join(map(in_words, reading.findings))
            self._unread[setting.key.source(place)] = f"{printable(place)}: {words} What was read earlier is kept."
            return
        log = setting.key.log(label or "", content)
        seen = Seen(file.place, place, file.size, file.mtime_ns, log, label or "", setting.reading, "")
        known = file.known.get(place)
        if known and (known.log, known.label, known.reading) == (log, label or "", setting.reading):
            self._kept_seen.append(seen._replace(segment=known.segment))
            return
        self._waiting.append(_Waiting(seen, label, content, day_on_disk(file.mtime_ns / 1e9), reading))
        self._bytes += len(content)
        if len(self._waiting) == AHEAD_LOGS or sum(len(one.content) for one in self._waiting) >= AHEAD_BYTES:
            self._read_waiting()

    def _read_waiting(self) -> None:
        """Read what waits, together, for that is quicker."""
        unread = [(one.seen.place, one.content, one.day) for one in self._waiting if one.reading is None]
        readings = iter(read_many(unread, self._setting.mapping))
        for one in self._waiting:
            reading, seen = one.reading or next(readings), one.seen
            if reading.refused in _TRIED_AGAIN:
                seen = seen._replace(reading="")
            elif reading.refused == "log_gone":
                seen = seen._replace(log="")
            log = Log(one.seen.log, self._setting.key.source(seen.place), one.label, reading, self._is_twice(one))
            self._logs.append(log)
            self._seen.append(seen)
        self._waiting.clear()

    def _is_twice(self, one: "_Waiting") -> bool:
        is_twice = (one.seen.log, one.label) in self._digests
        self._digests.add((one.seen.log, one.label))
        return is_twice

    def made(self, segment: str) -> Made:
        self._read_waiting()
        if not self._logs:
            return Made("", None, self._kept_seen, {}, self._unread, Counter(), len(self._kept_seen), self._passed_over)
        setting = self._setting
        tables = one_batch(self._logs, setting.plausible, setting.today)
        sums = write_tables(
            setting.segments / segment,
            {"samples": tables.samples, "pulls": tables.pulls, "cells": tables.cells},
        )
        problems, findings = dict(self._unread), Counter[str]()
        for log, seen, own in zip(self._logs, self._seen, tables.findings, strict=True):
            findings.update({finding.code for finding in own})
            refused = [in_words(finding) for finding in own if effect(finding) == "refuse"]
            if refused:
                problems[log.source] = f"{printable(seen.place)}: {' '.join(refused)}"
        return Made(
            segment,
            tables.ledger,
            [seen._replace(segment=segment) for seen in self._seen] + self._kept_seen,
            {log.source: seen.place for log, seen in zip(self._logs, self._seen, strict=True)},
            problems,
            findings,
            len(self._kept_seen),
            self._passed_over,
            sums,
        )
