"""What a club is about to give to others, and what others gave, as plain lines for the terminal."""

import textwrap
from collections.abc import Iterator
from datetime import date

import polars as pl

from ingest.pooled import Pooled
from ingest.schemas import SETUP_WORDS
from models.contribution import Contribution
from reports.tables import counted
from reports.terminal import WIDTH, plain

SAMPLE_ROWS = 4
HOLDS = (
    "Every row is one full-load pull of one car within 250 1/min. Labels of cars are made for this file alone and "
    "their key is thrown away; logs and pulls are numbered in no order of days; values are rounded. No days, no "
    "samples, no names, no label that a report of yours shows."
)
REMAINS = (
    "What somebody could still learn: who holds a log of a car can find it here by its duty and pressure, and then "
    "sees that car's other rows. Whoever knows that one member alone drives a blend in a setup knows that member's "
    "rows. Ask your members before you give this away; it cannot be called back."
)
WORTH = "{count} share their ethanol band with no other car of their setup here."
AGAIN = (
    "{quarter} was given before, on {day}. Who holds both files can tell by comparing them who came in between: give "
    "this one only where the first was not sent, or was withdrawn."
)
EARLY = "{quarter} has not ended. A second file for it, later, would show who came in between: wait, if you can."
LEANED = (
    "Studies made from now on lean on these, setup by setup, where three clubs know a setup, this one among them if it "
    "has three cars of it; make studies anew that shall."
)
NOTHING = (
    "Nothing can be given: no setup, merged with those of its engine and pump, has as many cars with full-load pulls "
    "in {quarter} as a published one needs."
)


def contribution_text(made: Contribution, given: str | None, today: date) -> str:
    """All that would leave: setups with their cars, what stays, columns, sample rows, what remains to be known.

    given: the day on which this quarter was given before.
    """
    if made.cells.is_empty():
        return plain(["Setups of this club:", *_setups(made), *_wrapped(NOTHING.format(quarter=made.quarter))])
    cars, rows = counted(made.cars, "car"), counted(made.cells.height, "row")
    pulls = made.cells.select("car", "log", "pull").n_unique()
    lines = [
        f"What would leave of {made.quarter}: {rows} of {counted(pulls, 'pull')} of {cars}, nothing else.",
        "",
        "Setups of this club:",
        *_setups(made),
        "",
        *_wrapped(HOLDS),
        "",
        "Columns, with the least and the greatest value that would leave:",
        *_columns(made.cells),
        "",
        "The first rows:",
        *_sample(made.cells),
        "",
        *_wrapped(WORTH.format(count=counted(made.ethanol_alone, "car"))),
        *_wrapped(REMAINS),
    ]
    if given:
        lines += _wrapped(AGAIN.format(quarter=made.quarter, day=given))
    if today < made.ends:
        lines += _wrapped(EARLY.format(quarter=made.quarter))
    return plain(lines)


def pooled_text(pooled: Pooled) -> str:
    """What was added, what was known already, and a line a club and quarter of all there is."""
    lines = [f"Added: {row['club']}, {row['quarter']}." for row in pooled.added.iter_rows(named=True)]
    lines += [f"{name}: its content is here already, passed over." for name in pooled.known]
    if pooled.sources.is_empty():
        return plain([*lines, "Nothing of other clubs is pooled here."])
    lines += [f"{'club':<11}{'quarter':<9}{'cars':>6}{'pulls':>8}{'setups':>8}"]
    lines += [f"{club:<11}{quarter:<9}{cars:>6}{pulls:>8}{setups:>8}"
              for club, quarter, cars, pulls, setups in pooled.sources.iter_rows()]  # fmt: skip
    return plain([*lines, *_wrapped(LEANED)])


def _setups(made: Contribution) -> Iterator[str]:
    for row in made.setups.iter_rows(named=True):
        setup = " | ".join(str(row[name]) for name in SETUP_WORDS) + " | port injection" * bool(row["port_injection"])
        became = f"left out: {row['why']}" if row["why"] else "as it is"
        if row["published_as"] not in ("", setup):
            became = f"as {row['published_as']}"
        yield from textwrap.wrap(
            f"{setup}: {counted(row['cars'], 'car')}, {became}", WIDTH, initial_indent="  ", subsequent_indent="    "
        )


def _columns(cells: pl.DataFrame) -> Iterator[str]:
    for column in cells:
        low, high = (str(value) for value in (column.drop_nulls().min(), column.drop_nulls().max()))
        held = f"{low} to {high}" if low != high else low
        yield f"  {column.name:<24}{held[: WIDTH - 28]}"


def _sample(cells: pl.DataFrame) -> Iterator[str]:
    for row in cells.head(SAMPLE_ROWS).iter_rows():
        yield from textwrap.wrap(", ".join(map(str, row)), WIDTH, initial_indent="  ", subsequent_indent="    ")


def _wrapped(text: str) -> list[str]:
    return textwrap.wrap(text, WIDTH)
