"""A drafted or checked roster as plain lines for the terminal, a line a problem."""

import textwrap
from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence

from ingest.roster import Remark
from ingest.roster_check import RosterCheck
from ingest.roster_draft import RosterDraft, some
from reports.tables import counted

WIDTH = 80
HOW = (
    "Cars are peers if engine, pump, boost_hardware and calibration agree: write one thing one way everywhere. "
    "A pump that was changed is a second row, with since and until. ethanol_pct counts where logs hold none."
)


def draft_text(draft: RosterDraft) -> str:
    """What a draft added, what a person has still to fill in, and the next step."""
    added = f"added {some(draft.new)}" if draft.new else "no car was added"
    lines = [f"{draft.roster}: {counted(draft.rows, 'row')}; {added}."]
    if draft.missing:
        lines += ["To be filled in or mended before `ingest` takes it:", *_listed(draft.missing)]
    if draft.questions:
        lines += ["Questions:", *(f"- {question}" for question in draft.questions)]
    return "\n".join([*lines, *textwrap.wrap(HOW, WIDTH), f"Then: pumpcensus roster LOGS --check {draft.roster}"])


def check_text(check: RosterCheck) -> str:
    """What does not fit between a roster and its logs, problems first."""
    cars, logs = counted(check.cars, "car"), counted(check.logs, "log")
    lines = [f"{check.roster}: {counted(check.rows, 'row')}, {cars}; {logs}."]
    if check.undated:
        undated = counted(check.undated, "log")
        lines.append(f"Not checked: whether a row holds the day of {undated} without a date in the name.")
    if not check.problems:
        lines.append("No problem: every log has a car, and every car has logs.")
    for what, remarks in (("problem", check.problems), ("question", check.questions)):
        if remarks:
            lines += [f"{counted(len(remarks), what).capitalize()}:", *_listed(remarks)]
    return "\n".join(lines)


def _listed(remarks: Iterable[Remark]) -> Iterator[str]:
    """A line a remark; the same of several rows is said once."""
    rows: dict[tuple[str, str], list[int]] = defaultdict(list)
    for remark in remarks:
        rows[remark.column, remark.what] += [remark.row] if remark.row else []
    for (column, what), own in rows.items():
        yield f"- {', '.join(filter(None, (_rows(own), column)))}: {what}"


def _rows(rows: Sequence[int]) -> str:
    """
    >>> _rows([2, 3, 4, 9]), _rows([5]), _rows([])
    ('rows 2-4, 9', 'row 5', '')
    """
    runs: list[list[int]] = []
    for row in rows:
        if runs and row == runs[-1][-1] + 1:
            runs[-1].append(row)
        else:
            runs.append([row])
    told = ", ".join(f"{run[0]}-{run[-1]}" if len(run) > 1 else str(run[0]) for run in runs)
    return f"row{'s' if len(rows) > 1 else ''} {told}" if told else ""
