"""What a reader makes of one log file."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from functools import cached_property

import numpy as np
import polars as pl
from numpy.typing import NDArray

from ingest.findings import Finding
from ingest.schemas import CHANNELS
from ingest.table import Values


@dataclass(frozen=True)
class Channel:
    """Where a canonical channel came from, as the file spells it.

    column, unit: the file's own words.
    assumed: "" where the file says everything, else the finding code that tells what was assumed.
    """

    column: str
    unit: str
    assumed: str


@dataclass(frozen=True)
class Reading:
    """One log in canonical columns, or the reason why it was refused.

    dialect: in short, without free text of the file, e.g. "text, utf-8, semicolon, decimal comma".
    row: data row in the file of each sample, from 1. values: time_s, from the log's first sample, and those of
        ingest.schemas.CHANNELS that were found, NaN where missing; all on the duty's clock, in the file's order.
        Both empty where the log is refused.
    channels: canonical name -> where it came from.
    rows_in: data rows of the file, counted independently of the parser; rows_in = len(row) + dropped.
    dropped: finding code -> rows lost while reading.
    date: the day of the log; None where nothing tells it.
    refused: "" or the finding code that refuses the log.
    """

    dialect: str
    row: NDArray[np.int64]
    values: Mapping[str, Values]
    channels: dict[str, Channel]
    findings: tuple[Finding, ...]
    rows_in: int
    dropped: dict[str, int]
    date: date | None
    refused: str

    @cached_property
    def frame(self) -> pl.DataFrame:
        """row (Int64), time_s and the channels (Float64, null where missing)."""
        # a list of series, as a dictionary of arrays would go through a pool of threads
        names = ("time_s", *(name for name in CHANNELS if name in self.values))
        return pl.DataFrame(
            [pl.Series("row", self.row), *(pl.Series(c, self.values[c], nan_to_null=True) for c in names)]
        )


def refusal(finding: Finding, *, dialect: str = "", rows_in: int = 0, notes: tuple[Finding, ...] = ()) -> Reading:
    """A Reading of a log that cannot be used: no rows kept, `finding` says why."""
    dropped = {finding.code: rows_in} if rows_in else {}
    row, values = np.zeros(0, dtype=np.int64), {"time_s": np.zeros(0)}
    return Reading(dialect, row, values, {}, (finding, *notes), rows_in, dropped, None, finding.code)
