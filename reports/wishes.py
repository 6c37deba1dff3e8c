"""What one car's next log should bring, in words."""

from typing import Any

import polars as pl

from models.signals import TELLING_EXCESS_PCT
from reports import wording
from reports.tables import counted, figure

ROUNDED_PCT = 0.05
IF_IT_STAYS = "That would decide, if the excess stays what it is."
DECIDES = "That would decide."
NOT_ENOUGH = "That would help, and not yet decide."
WOULD_FIND = "After that an excess of {} % at all engine speeds would be found in four of five cases."


def in_words(wishes: pl.DataFrame, signal: str, *, with_figure: bool = False) -> tuple[str, ...]:
    """One car's rows of NEXT_LOGS as sentences, and whether they would decide, where that is known.

    with_figure: say too how small an excess would then be found.
    """
    told = [_sentence(row) for row in wishes.iter_rows(named=True)]
    reckoned = wishes["would_find_pct"].drop_nulls()
    if reckoned.len():
        enough = "more_cars" not in wishes["wish"] and reckoned[-1] <= TELLING_EXCESS_PCT + ROUNDED_PCT
        verdict = DECIDES if enough else NOT_ENOUGH
        told.append(f"{verdict} {WOULD_FIND.format(figure(reckoned[-1]))}" if with_figure else verdict)
    elif signal == "warning" and "more_logs" in wishes["wish"]:
        told.append(IF_IT_STAYS)
    return tuple(told)


def _sentence(row: dict[str, Any]) -> str:
    if row["wish"] == "more_peers":
        count = counted(row["count"], "more car") if row["count"] else "More cars"
    else:
        count = counted(row["count"], "more log")
    low, high = (f"{row[name]:,}" if row[name] else "" for name in ("low_rpm", "high_rpm"))
    return wording.wish(row["wish"]).format(count=count, low=low, high=high)
