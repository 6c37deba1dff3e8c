"""A drill in words: faults planted in this fleet's own cars, and how many the study found."""

from dataclasses import dataclass
from typing import Any

from reports import wording
from reports.tables import Table, cell, figure

COLUMNS = {
    "fault": "planted fault",
    "size_pct": "size (%)",
    "planted": "cars",
    "action": "found",
    "noticed": "noticed",
    "expected_noticed": "expected",
}
EXPLAINED = (
    "Size: extra fuel volume asked for where the fault is largest. Found: given \u201cneeds attention\u201d. Noticed: "
    "that or \u201cwatch\u201d. Expected: how many the study\u2019s own power figures say should be noticed."
)
LAW = (
    "The faults were planted through the study\u2019s own duty law, into cars that gave no signal: a check of power, "
    "not a proof of the law."
)


@dataclass(frozen=True)
class DrillShown:
    """sentence: the table in short, for those who do not see it. sound: of healthy cars, how many were accused."""

    sentence: str
    table: Table
    sound: str
    explained: str = EXPLAINED
    law: str = LAW


def drill_shown(drill: dict[str, Any]) -> DrillShown:
    """A drill, as `models.study_files.drill_of_store` gives it, ready for page and terminal."""
    order = {code: place for place, code in enumerate(wording.FAULT_CODES)}
    found = sorted(drill["found"], key=lambda row: (order[row["fault"]], row["size_pct"] or 0.0))
    rows = tuple(
        (wording.fault(row["fault"]), figure(row["size_pct"], 0), *(cell(row[name]) for name in list(COLUMNS)[2:]))
        for row in found
    )
    table = Table("Planted faults", tuple(COLUMNS.values()), rows, (False, *(True,) * (len(COLUMNS) - 1)))
    return DrillShown(_sentence(found), table, _sound(drill))


def _sentence(found: list[dict[str, Any]]) -> str:
    """How many of each size were noticed.

    >>> rows = [{"size_pct": 5.0, "planted": 4, "noticed": 1}, {"size_pct": None, "planted": 2, "noticed": 2}]
    >>> _sentence(rows).replace("\u00a0", " ")
    'Noticed: 1 of 4 planted faults of 5 %; 2 of 2 with dropouts.'
    """
    sizes = sorted({row["size_pct"] for row in found if row["size_pct"] is not None})
    parts: list[str] = []
    for size in [*sizes, None]:
        of_size = [row for row in found if row["size_pct"] == size]
        noticed, planted = (sum(row[name] for row in of_size) for name in ("noticed", "planted"))
        what = "with dropouts" if size is None else f"of {figure(size, 0)}\u00a0%"
        if of_size:
            parts.append(f"{noticed} of {planted} {'' if parts or size is None else 'planted faults '}{what}")
    return f"Noticed: {'; '.join(parts)}."


def _sound(drill: dict[str, Any]) -> str:
    return (
        f"Of {drill['sound']} sound cars (cars without a planted fault or an earlier signal, counted anew in each "
        f"run) {drill['false_actions']} were given \u201cneeds attention\u201d."
    )
