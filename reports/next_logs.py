"""Who should log what next, so that something can be said."""

from dataclasses import dataclass
from typing import Any

import polars as pl

from reports import wording
from reports.tables import counted

# checks that a further log answers, most telling first; the rest are questions to people, not to recorders
ANSWERED_BY_LOGGING = (
    "rail_not_logged",
    "ethanol_not_measured",
    "lambda_not_logged",
    "intake_air_not_logged",
    "barometer_not_logged",
    "sensor_at_its_end",
)
WAIT = "No further full-load log until a qualified technician has looked at this car."
DAYS = ("one_log_only", "one_day_only")


@dataclass(frozen=True)
class NextLog:
    """What some cars should log next. wait: no full-load logs until someone has looked.

    cars: name and label of each.
    """

    cars: tuple[tuple[str, str], ...]
    wait: bool
    wishes: tuple[str, ...]


def next_logs(cars: pl.DataFrame) -> list[NextLog]:
    """Cars whose next log would decide something, those to stop logging first; like wishes are gathered.

    cars: CARS with `name`. A car that runs short of fuel is never asked for another full-load log.
    """
    gathered: dict[tuple[str, ...], list[tuple[str, str]]] = {}
    for row in cars.iter_rows(named=True):
        wishes = (WAIT,) if row["pump_limit"] == "rail_short" else _wishes(row)
        if wishes:
            gathered.setdefault(wishes, []).append((row["name"], row["label"]))
    found = [NextLog(tuple(names), wishes == (WAIT,), wishes) for wishes, names in gathered.items()]
    return sorted(found, key=lambda one: not one.wait)


def _wishes(row: dict[str, Any]) -> tuple[str, ...]:
    checks = wording.codes(row["check_first"])
    wishes = []
    if row["signal"] != "clear":
        if row["logs_needed"]:
            more = counted(row["logs_needed"], "more log")
            wishes.append(f"{more.capitalize()} of three full-load pulls, on another day, would decide.")
        elif not row["logs"]:
            wishes.append("A first log of three full-load pulls: none could be used in this quarter.")
        elif set(DAYS) & set(checks):
            wishes.append("One more log of three full-load pulls, on another day.")
        elif row["signal"] == "undecided":
            wishes.append(f"More logs would not decide; more cars of setup {row['setup']} would.")
    wishes += [wording.check(code).step for code in ANSWERED_BY_LOGGING if code in checks]
    return tuple(wishes)
