"""The arguments that several commands share, and the folders they write into."""

import re
import shutil
from datetime import date
from pathlib import Path
from typing import Annotated, NamedTuple

import typer

from door.completion import labels_there, quarters_there
from door.endings import refuse


def read_quarter(text: str | None) -> str | None:
    """
    >>> read_quarter("2026q3")
    '2026Q3'
    """
    if text is not None and not re.fullmatch(r"(19|20)\d\d[Qq][1-4]", text):
        raise typer.BadParameter(f"{text!r} is no quarter. Write year, Q and 1 to 4, as in 2026Q3.")
    return text and text.upper()


def read_label(text: str) -> str:
    """A label with or without its dash, in either case.

    >>> read_label("7k3mq2xw")
    '7K3M-Q2XW'
    """
    plain = text.replace("-", "").strip().upper()
    if not re.fullmatch(r"[0-9A-HJKMNP-TV-Z]{8}", plain):  # Crockford's base 32: no I, L, O, U
        raise typer.BadParameter(f"{text!r} is no label. A label is eight letters and digits, as in 7K3M-Q2XW.")
    return f"{plain[:4]}-{plain[4:]}"


class DayRange(NamedTuple):
    """First and last day, both included."""

    first: date
    last: date


def read_range(text: str) -> DayRange:
    """
    >>> read_range("2026-07-01..2026-07-31").last
    datetime.date(2026, 7, 31)
    """
    try:
        first, last = (date.fromisoformat(day.strip()) for day in text.split(".."))
    except ValueError:
        raise typer.BadParameter(f"{text!r} is no range of days. Write 2026-07-01..2026-07-31.") from None
    return DayRange(first, last)


StoreFolder = Annotated[
    str, typer.Option("--store", metavar="STORE", help="Folder that holds the store, or its URL: s3://club/store.")
]
Quarter = Annotated[
    str | None,
    typer.Option(
        metavar="2026Q3",
        callback=read_quarter,
        autocompletion=quarters_there,
        help="Default: the newest quarter there.",
    ),
]
Label = Annotated[
    str, typer.Argument(metavar="LABEL", callback=read_label, autocompletion=labels_there, help="As in 7K3M-Q2XW.")
]
CarLabel = Annotated[
    str | None,
    typer.Option(
        "--car",
        metavar="LABEL",
        callback=lambda text: text and read_label(text),
        autocompletion=labels_there,
        help="As in 7K3M-Q2XW.",
    ),
]
Before = Annotated[
    DayRange | None,
    typer.Option("--before", metavar="A..B", parser=read_range, help="Days of the earlier logs, both included."),
]
After = Annotated[
    DayRange | None, typer.Option("--after", metavar="C..D", parser=read_range, help="Days of the later logs.")
]
AsJson = Annotated[bool, typer.Option("--json", help="Print JSON and nothing else on standard output.")]
Channels = Annotated[
    Path | None,
    typer.Option(metavar="FILE", exists=True, dir_okay=False, help="Your own channel names, where logs are misread."),
]


def new_file(path: Path | None) -> Path | None:
    """A file to write, that must not be there yet: nobody's work is written over."""
    if path is not None and path.exists():
        raise typer.BadParameter(f"{path} is there already. Name another file, or delete it first.")
    return path


WriteChannels = Annotated[
    Path | None,
    typer.Option(metavar="FILE", callback=new_file, help="Draft a file for --channels from the first log."),
]
CarColumn = Annotated[
    str, typer.Option(metavar="NAME", help="Files hold several cars; this column names the car of each row.")
]
Workers = Annotated[
    int | None,
    typer.Option(
        min=1, max=256, metavar="N", help="Processes that read; by default 2 where that pays: two cores, 800 logs."
    ),
]


ClusterAddress = Annotated[
    str,
    typer.Option(
        "--cluster", metavar="ADDRESS", help="Machines that read: a dask scheduler, as in tcp://10.0.0.1:8786."
    ),
]


def one_file(sheet: Path | None, out: Path | None, check: bool) -> Path:
    """The one roster that `roster` is about, named by --out, or with --check by an argument too."""
    if sheet is not None and (out is not None or not check):
        raise typer.BadParameter(f"Got {sheet} too. Write --out FILE to draft a roster, --check FILE to check one.")
    roster = sheet or out
    if roster is None:
        raise typer.BadParameter("No roster named. Write --out FILE to draft one, --check FILE to check one.")
    if check and not roster.exists():
        raise typer.BadParameter(f"{roster} does not exist. `pumpcensus roster LOGS --out {roster}` drafts it.")
    return roster


def claim(folder: Path, parts: frozenset[str] = frozenset(), mark: str = "") -> None:
    """Make `folder`, or refuse one in use.

    With `mark` in it and nothing but `parts` it is an older one of ours, and is emptied.
    """
    held = sorted(path.name for path in folder.iterdir()) if folder.is_dir() else []
    if folder.is_file() or (held and not (mark in held and parts.issuperset(held))):
        allowed = ", or one that holds an older demo and nothing else" if mark else ""
        refuse(f"{folder}: in use ({', '.join(held[:3]) or 'a file'}). Name a folder new or empty{allowed}.")
    for path in map(folder.joinpath, held):
        shutil.rmtree(path) if path.is_dir() else path.unlink()
    folder.mkdir(parents=True, exist_ok=True)
