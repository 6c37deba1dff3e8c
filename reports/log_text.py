"""One inspected log, and the outcome of reading many, as plain text for the terminal."""

from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any, Protocol

import polars as pl

from ingest.findings import meanings, printable
from ingest.tidy_store import Tidied
from reports.pull_picture import pull_picture
from reports.tables import counted

_COLUMNS_SHOWN = 40


class Ingested(Protocol):
    """What reading many logs gave, as ingest counts it."""

    @property
    def kept(self) -> int: ...
    @property
    def refused(self) -> int: ...
    @property
    def skipped(self) -> int: ...
    @property
    def superseded(self) -> int: ...
    @property
    def pulls(self) -> int: ...
    @property
    def findings(self) -> Mapping[str, int]: ...
    @property
    def problems(self) -> tuple[str, ...]: ...


class Inspected(Protocol):
    """One log as `ingest.inspect_logs` gives it."""

    @property
    def told(self) -> Mapping[str, Any]: ...
    @property
    def columns(self) -> Sequence[Any]: ...
    @property
    def pulls(self) -> pl.DataFrame: ...
    @property
    def best_pull(self) -> pl.DataFrame | None: ...
    @property
    def not_found(self) -> Sequence[str]: ...


def inspected_text(log: Inspected) -> str:
    """How one log would be read: channels and what tells them, findings, pulls with a picture of the best one.

    Where a needed channel was not told: the columns there are, and how to name the right one.
    """
    sure = {column.channel: column.sure for column in log.columns if column.channel}
    parts = [log_text(log.told, sure)]
    if sure and not log.told["channels"]:
        parts += [printable(line) for line in _recognised(log.columns)]
    if log.not_found:
        parts += [printable(line) for line in _how_to_name(log)]
    parts += [f"  {line}" for line in _pull_lines(log.pulls)]
    if log.best_pull is not None:
        parts += pull_picture(log.best_pull)
    return "\n".join(parts)


def _recognised(columns: Sequence[Any]) -> Iterator[str]:
    """What the columns of a refused log are taken for, in the log's own units."""
    yield "  channels that were recognised (lowest, median, highest value in the log's own unit):"
    width = max(len(column.channel) for column in columns)
    for column in columns:
        if column.channel:
            yield f"    {column.channel:<{width}}  {_as_logged(column)} by {column.sure}"


def _as_logged(column: Any) -> str:
    unit = f" [{column.unit}]" if column.unit else ""
    values = ", ".join(map(_number, (column.low, column.median, column.high)))
    return f'{values}  from "{column.name}"{unit}'


def _how_to_name(log: Inspected) -> Iterator[str]:
    yield f"  not told: {', '.join(log.not_found)}"
    unused = [column for column in log.columns if not column.channel]
    if not unused:
        return
    yield "  columns not used (lowest, median, highest value in the log's own unit):"
    for column in unused[:_COLUMNS_SHOWN]:
        may_be = f"; may be {', '.join(column.may_be)}" if column.may_be else ""
        yield f"    {_as_logged(column)}{may_be}"
    if len(unused) > _COLUMNS_SHOWN:
        yield f"    and {len(unused) - _COLUMNS_SHOWN} more"
    yield "  If one of them is meant, write into a file (--write-channels drafts it, --channels hands it over):"
    yield f"    [{log.not_found[0]}]"
    yield f'    column = "{next((c.name for c in unused if log.not_found[0] in c.may_be), unused[0].name)}"'


def _pull_lines(pulls: pl.DataFrame) -> Iterator[str]:
    """A line a pull."""
    for pull in pulls.iter_rows(named=True):
        events = f", dropouts: {pull['dropouts']}" if pull["dropouts"] else ""
        events += f", rail deficits: {pull['rail_deficits']}" if pull["rail_deficits"] else ""
        yield (
            f"pull {pull['pull']}: {pull['start_s']:.1f} to {pull['end_s']:.1f} s, {pull['speed_low_rpm']:.0f} to "
            f"{pull['speed_high_rpm']:.0f} 1/min, duty up to {pull['duty_max_pct']:.1f} %{events}"
        )


def log_text(seen: Mapping[str, Any], sure: Mapping[str, str] | None = None) -> str:
    """How one log would be read.

    seen: as `ingest.inspect_log` gives it; values in canonical units. sure: channel -> what tells it.
    Column names are a stranger's text: control characters are shown as "?".
    """
    head = f"{seen['log']}: {seen['verdict']}"
    lines = [
        f"{head} ({seen['reason']})" if seen["reason"] else head,
        f"  rows: {seen['rows_in']} in the file, {seen['rows_kept']} kept; full-load pulls: {seen['pulls']}",
        *(f"  {name}: {value}" for name, value in seen["dialect"].items()),
    ]
    if seen["channels"]:
        lines.append("  channels (lowest, median, highest):")
    sure = sure or {}
    width = max((len(name) for name in seen["channels"]), default=0)
    for name, channel in seen["channels"].items():
        values = ", ".join(_number(channel[part]) for part in ("min", "median", "max"))
        unit = f" [{channel['unit']}]" if channel["unit"] else ""
        told_by = f" by {sure[name]}" if name in sure else " (worked out)"
        assumed = f"; assumed: {channel['assumed']}" if channel["assumed"] else ""
        told_by = told_by if sure else ""
        lines.append(f'    {name:<{width}}  {values}  from "{channel["column"]}"{unit}{told_by}{assumed}')
    for finding in seen["findings"]:
        place = f"{finding['where']}: " if finding["where"] else ""
        lines.append(f"  - {place}{finding['message']} ({finding['code']})")
    return "\n".join(map(printable, lines))


def ingest_text(result: Ingested) -> str:
    """What became of the logs, then each problem on a line of its own, then what was found how often."""
    lines = [
        f"Logs: {result.kept} kept, {result.refused} refused, {result.skipped} unchanged and skipped, "
        f"{result.superseded} replaced by a newer version. Full-load pulls: {result.pulls}.",
        *result.problems,
    ]
    if result.findings:
        lines.append("Findings, and in how many logs:")
        often = sorted(result.findings.items(), key=lambda found: (-found[1], found[0]))
        lines += [f"{count:>6}  {code}: {meanings()[code].message}" for code, count in often]
    return "\n".join(map(printable, lines))


def tidied_text(tidied: Tidied, store: Path | str) -> str:
    """What `store tidy` did."""
    if not (tidied.merged or tidied.removed or tidied.waiting):
        return f"{store}: {counted(tidied.segments, 'segment')}, nothing to tidy."
    lines = []
    if tidied.merged:
        lines.append(
            f"{counted(tidied.merged, 'segment')} became {tidied.made} with {counted(tidied.logs, 'log')}; "
            f"{counted(tidied.dropped, 'superseded log')} dropped."
        )
    if tidied.removed:
        lines.append(f"{counted(tidied.removed, 'segment')} removed, {tidied.freed_bytes / 1e6:.1f} MB.")
    if tidied.waiting:
        lines.append(
            f"{counted(tidied.waiting, 'segment')} of which nothing counts any more stay an hour for who is reading; "
            "the next `store tidy` removes them."
        )
    return "\n".join([f"{store}: {counted(tidied.segments, 'segment')} now.", *lines])


def forgotten_text(car: str, store: Path | str, logs: int) -> str:
    """That a car's logs are gone, and what is left to a person."""
    return (
        f"{car}: {logs} log{'' if logs == 1 else 's'} removed from {store}, and the studies that showed the car; "
        "later runs of ingest pass it over.\n"
        "Still to do by hand: take the car off the roster, delete its log files and the reports that show its label, "
        "and make studies anew."
    )


def _number(value: float | None) -> str:
    return "-" if value is None else f"{value:.4g}"
