"""Which logs of a car are held against which: those of a roster row that ended and the next, or of two date ranges."""

from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

import polars as pl

from ingest.findings import InputError
from ingest.near_labels import unknown_label
from models.observations import spell_of_logs
from models.one_car import LABELS_SHOWN

Range = tuple[date, date]

HOW_TO_LOG = "Log three full-load pulls in one gear, on a closed course or a dynamometer"
REST_OF_ROW = ("engine", "boost_hardware", "calibration", "port_injection", "ethanol_pct")


@dataclass(frozen=True)
class Side:
    """One side of a comparison. spell: row of `spells`. logs: their digests. first, last: days of the logs."""

    spell: int
    logs: tuple[str, ...]
    first: date
    last: date


@dataclass(frozen=True)
class Sides:
    """Both sides. changed_on: first day of the newer roster row, None for two ranges of one row.

    pump_kept: the same pump on both sides, as far as the roster tells: within one row, or where the pump's name stays
    and another word of the row changes. A new row with all the same words is taken for a new pump of the same kind.
    """

    before: Side
    after: Side
    changed_on: date | None
    pump_kept: bool


def find_sides(
    ledger: pl.DataFrame,
    spell_table: pl.DataFrame,
    label: str,
    before: Range | None,
    after: Range | None,
    today: date,
    days_each_side: int,
) -> Sides:
    """The logs with full-load pulls on both sides of the newest change on the roster, or in two ranges of days.

    ledger: LEDGER. spell_table: of `spells`. before, after: first and last day, both included. today: later logs count
    for nothing. days_each_side: without ranges, how far from the change a log may lie.
    Raises InputError, all problems at once: unknown label, no change, ranges that overlap or hold no log.
    """
    known = {*spell_table["label"], *ledger["label"].drop_nulls()}
    if label not in known:
        raise unknown_label(label, known, "this store", LABELS_SHOWN)
    driven = (pl.col("verdict") == "kept") & (pl.col("pulls") > 0) & (pl.col("date") <= today)
    own = ledger.filter(driven & (pl.col("label") == label)).select("log", "label", "date")
    logs = own.join(spell_of_logs(own, spell_table), on="log").sort("date", "log")
    rows = spell_table.filter(pl.col("label") == label)
    if before is None and after is None:
        first, second, changed_on = _newest_change(label, rows, logs, days_each_side)
    else:
        first, second = _two_ranges(label, logs, before, after)
        changed_on = None
    one, other = (rows.row(by_predicate=pl.col("spell") == side.spell, named=True) for side in (first, second))
    if one["spell"] != other["spell"]:
        changed_on = other["since"] or (one["until"] and one["until"] + timedelta(days=1))
    return Sides(first, second, changed_on, one["spell"] == other["spell"] or _pump_kept(one, other))


def _pump_kept(one: dict[str, Any], other: dict[str, Any]) -> bool:
    return one["pump"] == other["pump"] and any(one[word] != other[word] for word in REST_OF_ROW)


def _newest_change(label: str, rows: pl.DataFrame, logs: pl.DataFrame, days: int) -> tuple[Side, Side, date]:
    if rows.height < 2:
        raise InputError(
            [
                f"{label}: its roster has one row, so nothing changed. Write what was changed as a second row with "
                "`since` and ingest again, or name two ranges of days with --before A..B --after C..D. "
                + _days_of(logs)
            ]
        )
    old, new = rows.sort("spell")[-2:].iter_rows(named=True)
    change: date = new["since"] or old["until"] + timedelta(days=1)
    far = timedelta(days=days)
    own = logs.filter(pl.col("date").is_between(change - far, change + far))
    parts = {name: own.filter(pl.col("spell") == row["spell"]) for name, row in (("before", old), ("after", new))}
    problems = [
        f"{label}: no full-load pull within {days} days {name} its change of {change}. "
        f"{HOW_TO_LOG}, or name two ranges of days with --before and --after. {_days_of(logs)}"
        for name, part in parts.items()
        if part.is_empty()
    ]
    if problems:
        raise InputError(problems)
    return _side(parts["before"]), _side(parts["after"]), change


def _two_ranges(label: str, logs: pl.DataFrame, before: Range | None, after: Range | None) -> tuple[Side, Side]:
    if before is None or after is None:
        raise InputError(["--before and --after belong together: two ranges of days, as in 2026-07-01..2026-07-31."])
    problems, sides = [], []
    for name, (first, last) in (("--before", before), ("--after", after)):
        if last < first:
            problems.append(f"{name} {first}..{last}: ends before it begins. Write the earlier day first.")
            continue
        part = logs.filter(pl.col("date").is_between(first, last))
        if part.is_empty():
            problems.append(f"{name} {first}..{last}: {label} has no log with a full-load pull in it. {_days_of(logs)}")
        elif part["spell"].n_unique() > 1:
            newer = part.filter(pl.col("spell") == part["spell"].max())["date"][0]
            problems.append(
                f"{name} {first}..{last}: its roster row changes on or before {newer}. Stay on one side of it."
            )
        else:
            sides.append(_side(part))
    if before[0] <= before[1] and after[0] <= after[1] and before[1] >= after[0]:
        order = "overlap" if after[1] >= before[0] else "are the wrong way round"
        problems.append(
            f"--before {before[0]}..{before[1]} and --after {after[0]}..{after[1]} {order}. "
            "The first must end before the second begins."
        )
    if problems:
        raise InputError(problems)
    return sides[0], sides[1]


def _side(logs: pl.DataFrame) -> Side:
    dates: list[date] = logs["date"].to_list()
    return Side(int(logs["spell"][0]), tuple(logs["log"]), min(dates), max(dates))


def _days_of(logs: pl.DataFrame) -> str:
    days = logs["date"].unique().sort().to_list()
    if not days:
        return "It has no log with a full-load pull."
    shown = [str(day) for day in days]
    return f"It has pulls of {', '.join(shown if len(shown) <= 6 else [*shown[:3], '...', *shown[-2:]])}."
