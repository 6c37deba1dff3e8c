"""Which logs could not be used and why, and what was noted about those that were."""

from collections import Counter
from dataclasses import dataclass

import polars as pl

from reports import wording
from reports.tables import UNKNOWN, day

UNIT = "_(?:s|rpm|pct|kpa|bar|c|kmh|deg|v|g_s|ratio)$"  # tail of a canonical channel's name
REFUSED_MOST = 5000  # refused logs listed one by one; the rest are counted


@dataclass(frozen=True)
class Noted:
    """One thing found in logs: what, what to do, in how many logs of how many cars."""

    message: str
    remedy: str
    channels: str
    logs: int
    cars: int


@dataclass(frozen=True)
class Refused:
    """Logs of one car that could not be used for one reason. dates: of each, the earliest first."""

    label: str
    dates: str
    reason: str
    remedy: str


@dataclass(frozen=True)
class Quality:
    """Logs and their rows. refusals: of the first REFUSED_MOST refused logs; unlisted: how many more there are."""

    kept: int
    refused: int
    rows_in: int
    rows_kept: int
    noted: tuple[Noted, ...]
    refusals: tuple[Refused, ...]
    unlisted: int


def quality(logs: pl.DataFrame) -> Quality:
    """QUALITY in words."""
    refused = logs.filter(pl.col("verdict") == "refused").sort("label", "date", nulls_last=True)
    kept = logs.filter(pl.col("verdict") != "refused")
    return Quality(
        kept=kept.height,
        refused=refused.height,
        rows_in=int(kept["rows_in"].sum()),
        rows_kept=int(kept["rows_kept"].sum()),
        noted=_noted(kept),
        refusals=_refusals(refused.head(REFUSED_MOST)),
        unlisted=max(0, refused.height - REFUSED_MOST),
    )


def _refusals(refused: pl.DataFrame) -> tuple[Refused, ...]:
    """Every refused log by its date, those of one car and reason together; cars that nobody knows come last."""
    gathered: dict[tuple[str | None, str], list[str]] = {}
    for row in refused.iter_rows(named=True):
        told = day(row["date"]) if row["date"] else "without a date"
        gathered.setdefault((row["label"], row["reason"] or "reason not given"), []).append(told)
    return tuple(
        Refused(label or "not on the roster", _each(told), word.word, word.meaning)
        for (label, reason), told in sorted(gathered.items(), key=lambda one: (one[0][0] is None, str(one[0])))
        for word in [wording.finding(reason)]
    )


def _each(dates: list[str]) -> str:
    """
    >>> _each(["2026-07-01", "2026-07-01", "2026-07-09"])
    '2026-07-01 (2 logs), 2026-07-09'
    """
    counts = Counter(dates)
    return ", ".join(one if count == 1 else f"{one} ({count} logs)" for one, count in counts.items())


def _noted(kept: pl.DataFrame) -> tuple[Noted, ...]:
    """Findings of the logs that were used, the most frequent first."""
    each = (
        kept.select("label", log=pl.int_range(pl.len()), finding=pl.col("findings").fill_null("").str.split(";"))
        .explode("finding")
        .with_columns(
            pl.col("finding").str.strip_chars().str.split_exact(" ", 1).struct.rename_fields(["code", "channel"])
        )
        .unnest("finding")
        .filter(pl.col("code") != "")
    )
    counts = each.group_by("code").agg(
        pl.col("log").n_unique().alias("logs"),
        pl.col("label").n_unique().alias("cars"),
        pl.col("channel")
        .drop_nulls()
        .unique()
        .sort()
        .str.replace(UNIT, "")
        .str.replace_all("_", " ")
        .str.join(", ")
        .alias("channels"),
    )
    return tuple(
        Noted(word.word, word.meaning, row["channels"] or UNKNOWN, row["logs"], row["cars"])
        for row in counts.sort("logs", "code", descending=[True, False]).iter_rows(named=True)
        for word in [wording.finding(row["code"])]
    )
