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
DAYS = ("one_log_only", "one_day_only")


@dataclass(frozen=True)
class NextLog:
    """What one car should log next. wait: no full-load logs until someone has looked."""

    name: str
    label: str
    wait: bool
    wishes: tuple[str, ...]


def next_logs(cars: pl.DataFrame) -> list[NextLog]:
    """Cars whose next log would decide something, those to stop logging first.

    cars: CARS with `name`. A car that runs short of fuel is never asked for another full-load log.
    """
    found = [_next_log(row) for row in cars.iter_rows(named=True)]
    return sorted((one for one in found if one.wishes), key=lambda one: not one.wait)


def _next_log(row: dict[str, Any]) -> NextLog:
    if row["pump_limit"] == "rail_short":
        wishes = ["No further full-load log until a qualified technician has looked at this car."]
        return NextLog(row["name"], row["label"], True, tuple(wishes))
    wishes = []
    checks = wording.codes(row["check_first"])
    if row["signal"] != "clear":
        if row["logs_needed"]:
            more = counted(row["logs_needed"], "more log")
            wishes.append(f"{more.capitalize()} of three full-load pulls, on another day, would decide.")
        elif set(DAYS) & set(checks):
            wishes.append("One more log of three full-load pulls, on another day.")
        elif row["signal"] == "undecided":
            wishes.append("More logs of this car would not decide: more cars of its setup would.")
    wishes += [wording.check(code).todo for code in ANSWERED_BY_LOGGING if code in checks]
    return NextLog(row["name"], row["label"], False, tuple(wishes))
