"""Whether a pump is at the end of what it delivers, and which of four words says so."""

from typing import Any

import polars as pl
import pytest

from models.pump_limit import counted_events, pump_limit

PLAIN: dict[str, Any] = {"rail_deficits": 0, "dropouts_collapsing": 0, "lean_s": 0.0, "pulls_with_rail": 6}


def limit(saturated_pulls: int | None = 0, **events: Any) -> str:
    table = pl.DataFrame([{"spell": 4} | PLAIN | events])
    saturated = (
        pl.DataFrame({"spell": [4], "saturated_pulls": [saturated_pulls]}) if saturated_pulls is not None else None
    )
    none = pl.DataFrame(schema={"spell": pl.Int64, "saturated_pulls": pl.Int64})
    return str(pump_limit(table, none if saturated is None else saturated)["pump_limit"][0])


@pytest.mark.parametrize(
    ("events", "saturated_pulls", "word"),
    [
        ({}, 0, "none"),
        ({"rail_deficits": 1}, 0, "rail_short"),
        ({"dropouts_collapsing": 1}, 0, "rail_short"),
        ({"lean_s": 0.2}, 0, "rail_short"),
        ({"lean_s": 0.19}, 0, "none"),
        ({}, 2, "reached"),
        ({}, 1, "none"),
        ({}, None, "none"),
        ({"rail_deficits": 1}, 5, "rail_short"),  # the graver of the two
        # nothing logged of the rail: what is seen counts, what is not is unknown
        ({"pulls_with_rail": 0, "rail_deficits": None, "lean_s": None}, 0, "unknown"),
        ({"pulls_with_rail": 0, "rail_deficits": None}, 2, "reached"),
        ({"pulls_with_rail": 0, "rail_deficits": None, "lean_s": 0.5}, 0, "rail_short"),
    ],
)
def test_a_spell_and_its_word(events: dict[str, Any], saturated_pulls: int | None, word: str) -> None:
    assert limit(saturated_pulls, **events) == word


def test_events_are_summed_over_the_quarters_pulls() -> None:
    pulls = pl.DataFrame(
        {
            "spell": [1, 1, 1, 2, 2], "log": ["a", "a", "b", "c", "d"], "date": [1, 1, 2, 3, 3],
            "dropouts": [1, 0, 2, 0, 5], "dropouts_collapsing": [1, 0, 1, 0, 5], "rail_deficits": [1, None, 0, None, 9],
            "lean_s": [0.1, 0.4, None, None, 9.0], "duty_max_pct": [80.0, 90.0, 85.0, 70.0, 99.0],
            "in_quarter": [True, True, True, True, False],
        }
    )  # fmt: skip
    found = {row["spell"]: row for row in counted_events(pulls).iter_rows(named=True)}
    one = found[1]
    assert (one["logs"], one["pulls"], one["days"], one["dropouts"], one["dropouts_collapsing"]) == (2, 3, 2, 3, 2)
    assert (one["pulls_collapsing"], one["rail_deficits"], one["pulls_with_rail"]) == (2, 1, 2)
    assert one["lean_s"] == 0.4
    assert (found[2]["pulls"], found[2]["dropouts"], found[2]["pulls_with_rail"]) == (1, 0, 0)
