"""What a reader makes of one log file."""

from dataclasses import dataclass
from datetime import date

import polars as pl

from ingest.findings import Finding


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

    dialect: in short, without free text of the file, e.g. "text utf-8 ; decimal comma".
    frame: row (Int64, data row in the file, from 1), time_s (Float64, from the log's first sample) and
        those of ingest.schemas.CHANNELS that were found, Float64; all on the duty's clock, in the file's order.
        Empty where the log is refused.
    channels: canonical name -> where it came from.
    rows_in: data rows of the file, counted independently of the parser; rows_in = frame.height + dropped.
    dropped: finding code -> rows lost while reading.
    date: the day of the log; None where nothing tells it.
    refused: "" or the finding code that refuses the log.
    """

    dialect: str
    frame: pl.DataFrame
    channels: dict[str, Channel]
    findings: tuple[Finding, ...]
    rows_in: int
    dropped: dict[str, int]
    date: date | None
    refused: str


def refusal(finding: Finding, *, dialect: str = "", rows_in: int = 0, notes: tuple[Finding, ...] = ()) -> Reading:
    """A Reading of a log that cannot be used: no rows kept, `finding` says why."""
    dropped = {finding.code: rows_in} if rows_in else {}
    frame = pl.DataFrame(schema={"row": pl.Int64, "time_s": pl.Float64})
    return Reading(dialect, frame, {}, (finding, *notes), rows_in, dropped, None, finding.code)
