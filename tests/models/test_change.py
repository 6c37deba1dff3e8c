"""What changed since the quarter before, case by case."""

import polars as pl
import pytest

from models.change import changes
from models.schemas import CARS, CHANGES


def study(*cars: tuple[str, str, str, float | None], logs: int = 3) -> pl.DataFrame:
    """CARS with label, setup, signal and excess; the rest null."""
    rows = [{"label": a, "setup": b, "signal": c, "excess_pct": d, "logs": logs} for a, b, c, d in cars]
    return pl.DataFrame(rows, schema={name: CARS[name] for name in ("label", "setup", "signal", "excess_pct", "logs")})


@pytest.mark.parametrize(
    ("before", "now", "kind"),
    [
        (("clear", 0.0), ("action", 15.0), "worse"),
        (("clear", 0.0), ("warning", 7.0), "worse"),
        (("warning", 7.0), ("action", 9.0), "worse"),
        (("action", 15.0), ("clear", 1.0), "better"),
        (("warning", 8.0), ("undecided", 4.0), "better"),
        (("clear", 0.0), ("undecided", 1.0), "same"),  # less to go by is no change of the car
        (("action", 12.0), ("action", 13.0), "same"),
        (("action", 12.0), ("action", 17.0), "worse"),
        (("clear", 0.0), ("clear", 4.5), "worse"),
        (("clear", 4.5), ("clear", 0.0), "better"),
        (("undecided", None), ("clear", 1.0), "same"),
    ],
)
def test_one_car_in_both(before: tuple[str, float | None], now: tuple[str, float | None], kind: str) -> None:
    found = changes(study(("A", "s", *before)), study(("A", "s", *now)))
    assert found.row(0, named=True)["change"] == kind
    assert dict(found.schema) == {
        name: dtype() if isinstance(dtype, type) else dtype for name, dtype in CHANGES.items()
    }


def test_a_car_that_came_and_one_that_left() -> None:
    found = changes(study(("A", "s", "clear", 0.0)), study(("B", "s", "warning", 6.0)))
    assert dict(found.select("label", "change").rows()) == {"A": "gone", "B": "new"}


def test_a_pump_that_was_replaced_is_repaired_and_its_new_setup_new() -> None:
    found = changes(study(("A", "old pump", "action", 15.0)), study(("A", "new pump", "clear", 0.0)))
    assert dict(found.select("setup", "change").rows()) == {"old pump": "repaired", "new pump": "new"}


def test_a_like_car_that_changed_its_setup_is_no_repair() -> None:
    found = changes(study(("A", "old", "clear", 0.0)), study(("A", "new", "clear", 0.0)))
    assert dict(found.select("setup", "change").rows()) == {"old": "gone", "new": "new"}


def test_a_replaced_pump_that_stands_out_again_is_no_repair() -> None:
    # docstring of `changes`: the car drives another setup "that does not" stand out
    found = changes(study(("A", "old pump", "action", 15.0)), study(("A", "new pump", "action", 15.0)))
    assert dict(found.select("setup", "change").rows())["old pump"] == "gone"


def test_without_a_study_before_nothing_is_said() -> None:
    assert changes(None, study(("A", "s", "clear", 0.0))).is_empty()


def test_a_setup_without_logs_in_a_quarter_stands_in_none() -> None:
    silent = study(("A", "s", "undecided", None), logs=0)
    assert changes(silent, silent).is_empty()


def test_rows_come_by_label_and_setup() -> None:
    cars = [("B", "s", "clear", 0.0), ("A", "t", "clear", 0.0), ("A", "s", "clear", 0.0)]
    assert changes(study(*cars), study(*cars[::-1])).select("label", "setup").rows() == [
        ("A", "s"),
        ("A", "t"),
        ("B", "s"),
    ]
