"""One inspected log, and the outcome of reading many, as plain text for the terminal."""

from collections.abc import Mapping
from typing import Any, Protocol

from ingest.findings import meanings


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


def log_text(seen: Mapping[str, Any]) -> str:
    """How one log would be read.

    seen: as `ingest.inspect_log` gives it; values in canonical units.
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
    width = max((len(name) for name in seen["channels"]), default=0)
    for name, channel in seen["channels"].items():
        values = ", ".join(_number(channel[part]) for part in ("min", "median", "max"))
        unit = f" [{channel['unit']}]" if channel["unit"] else ""
        assumed = f"; assumed: {channel['assumed']}" if channel["assumed"] else ""
        lines.append(f'    {name:<{width}}  {values}  from "{channel["column"]}"{unit}{assumed}')
    for finding in seen["findings"]:
        place = f"{finding['where']}: " if finding["where"] else ""
        lines.append(f"  - {place}{finding['message']} ({finding['code']})")
    return "\n".join(map(_printable, lines))


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
    return "\n".join(map(_printable, lines))


def _number(value: float | None) -> str:
    return "-" if value is None else f"{value:.4g}"


def _printable(line: str) -> str:
    return "".join(sign if sign.isprintable() else "?" for sign in line)
