"""What to do next in a folder, told by the names of what lies there. No file is opened and no room is loaded."""

import os
import shlex
import subprocess
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import islice
from pathlib import Path

# a hint only: what a file is, its content tells when it is read
LOG_ENDINGS = {".arrow", ".csv", ".feather", ".gz", ".log", ".mf4", ".parquet", ".tsv", ".txt", ".xlsx", ".zip", ".zst"}
MOST_ENTRIES = 2_000  # looked at in one folder of logs
NO_LOGS = frozenset({"invented.txt", "truth.csv", ".git"})  # a folder that holds one is no folder of logs
INTRODUCTION = """pumpcensus pools the logs of many cars and shows whose high-pressure pump works harder
than its peers' do."""
TRY = "To try it on an invented fleet:\n  pumpcensus demo"
ENDING = "All commands: pumpcensus --help. One of them: pumpcensus COMMAND --help."


@dataclass(frozen=True)
class Here:
    """What a folder holds of a club's work; None where there is none."""

    log: Path | None = None  # the first one
    logs: Path | None = None  # the folder of all
    roster: Path | None = None
    store: Path | None = None
    quarter: str | None = None  # of the newest study
    report: Path | None = None
    is_report_old: bool = False  # a study is newer
    demo: Path | None = None  # the report of one


def look(folder: Path) -> Here:
    """What lies in `folder`, by names and times alone."""
    entries = sorted((one for one in _entries(folder) if one.name.isprintable()), key=_name)
    folders = [one for one in entries if one.is_dir() and not one.name.startswith(".")]
    store = next((one for one in (folder, *folders) if (one / "segments").is_dir()), None)
    studies = sorted((one for one in _entries(store / "studies") if one.is_dir()), key=_name) if store else []
    report = max((page for one in folders if (page := one / "report.html").is_file()), key=_changed, default=None)
    logs = sorted((one for one in folders if _may_hold_logs(one)), key=lambda one: "log" not in one.name.lower())
    log = None if store == folder else next((first for one in logs for first in islice(_logs(one), 1)), None)
    return Here(
        log=log,
        logs=next((one for one in logs if log and log.is_relative_to(one)), None),
        roster=next((one for one in entries if _is_roster(one)), None),
        store=store,
        quarter=studies[-1].name if studies else None,
        report=report,
        is_report_old=bool(report and studies and _changed(report) < max(map(_changed, studies))),
        demo=next((page for one in folders if (page := one / "report" / "report.html").is_file()), None),
    )


def next_step(folder: Path) -> str:
    """What lies in `folder`, and the commands that come next, ready to be typed there."""
    here = look(folder)
    paths = [str(path.relative_to(folder)) for path in (here.logs, here.roster, here.store, here.report) if path]
    lines = [f"Here: {', '.join(paths) or 'no logs, no roster and no store'}", *_steps(here, folder)]
    if not (here.logs or here.store):
        demo = f"The demo's report is {here.demo.relative_to(folder)}." if here.demo else TRY
        lines = [INTRODUCTION, "", *lines, demo]
    return "\n".join([*lines, "", ENDING])


def _steps(here: Here, folder: Path) -> Iterator[str]:
    """The next commands, each below what it is for."""
    logs, roster, store = (_typed(path, folder) for path in (here.logs, here.roster, here.store))
    if here.store == folder:
        yield "This folder is a store, which commands keep in order. Give them from the folder above it:"
        yield "  cd .."
    elif here.store is None and here.log is None:
        yield "Put each car's logs into a folder named as the car, logs/car-7/2026-07-04_01.csv; then"
        yield "  pumpcensus roster logs --out roster.csv"
    elif here.store is None and here.roster is None:
        yield "See how a log would be read, and draft the roster, the sheet that says who drives what:"
        yield f"  pumpcensus inspect {_typed(here.log, folder)}"
        yield f"  pumpcensus roster {logs} --out roster.csv"
    elif here.store is None:
        yield "See whether roster and logs fit each other; then read the logs into a store:"
        yield f"  pumpcensus roster {logs} --check {roster}"
        yield f"  pumpcensus ingest {logs} --roster {roster} --store store"
    elif here.quarter is None:
        yield "Compare each car with its peers:"
        yield f"  pumpcensus study --store {store}"
    elif here.report is None or here.is_report_old:
        yield f"The study of {here.quarter} is newer than the report:" if here.report else "Write the report:"
        out = _typed(here.report.parent, folder) if here.report else "report"
        yield f"  pumpcensus report --store {store} --out {out}"
    else:
        yield f"Open {here.report.relative_to(folder)} in a browser. How far can it be trusted on this fleet?"
        yield f"  pumpcensus drill --store {store}"
        if here.logs and here.roster:
            yield "New logs?"
            yield f"  pumpcensus ingest {logs} --roster {roster} --store {store}"


def _may_hold_logs(folder: Path) -> bool:
    """Not what pumpcensus wrote, nor a project."""
    is_ours = (folder / "report.html").exists() or (folder / "segments").exists() or folder.suffix == ".private"
    return not is_ours and not any((folder / mark).exists() for mark in NO_LOGS)


def _is_roster(path: Path) -> bool:
    return path.suffix.lower() in (".csv", ".xlsx") and "roster" in path.stem.lower()


def _entries(folder: Path) -> list[Path]:
    """What lies in a folder, at most so much; nothing where it may not be looked at."""
    try:
        with os.scandir(folder) as found:
            return [folder / entry.name for entry in islice(found, MOST_ENTRIES)]
    except OSError:
        return []


def _logs(folder: Path) -> Iterator[Path]:
    """What may be logs by their names, in the folder and in the folders of cars in it."""
    entries = sorted(_entries(folder), key=_name)
    yield from (one for one in entries if one.suffix.lower() in LOG_ENDINGS and one.is_file())
    for inner in (one for one in entries if one.is_dir()):
        yield from (one for one in sorted(_entries(inner), key=_name) if one.suffix.lower() in LOG_ENDINGS)


def _name(path: Path) -> str:
    return path.name


def _changed(path: Path) -> float:
    return path.stat().st_mtime


def _typed(path: Path | None, folder: Path) -> str:
    """A path as it is typed in `folder`, quoted where the shell wants it."""
    if path is None:
        return ""
    text = str(path.relative_to(folder))
    return subprocess.list2cmdline([text]) if os.name == "nt" else shlex.quote(text)
