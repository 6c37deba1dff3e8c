"""Shapes of evidence and what to check first, case by case."""

from typing import Any

import polars as pl
import pytest

from models.patterns import SHAPES, check_first, patterns
from models.schemas import CHECKS, PATTERNS

PLAIN: dict[str, Any] = {
    "strongest": "level", "high": False, "low": False, "p_curve": 0.5, "dropouts": 0, "dropouts_collapsing": 0,
    "saturated_share": 0.0, "pump_limit": "none", "ethanol_logged": True, "lambda_logged": True,
    "intake_logged": True, "rail_logged": True, "barometer_assumed": False, "sensor_at_end": False, "logs": 3,
    "days": 3, "peers": 9, "peers_mostly_high": False, "told_apart": True, "signal": "clear", "fits_other": False,
}  # fmt: skip
HIGH = {"high": True, "p_curve": 0.001, "signal": "action"}


def described(**car: Any) -> tuple[list[str], list[str]]:
    """Codes of pattern and of check_first."""
    table = check_first(patterns(pl.DataFrame([PLAIN | car])))
    return tuple([code for code in table[name][0].split(";") if code] for name in ("pattern", "check_first"))  # type: ignore[return-value]


@pytest.mark.parametrize(("template", "pattern"), SHAPES.items())
def test_the_template_that_fits_best_names_the_shape(template: str, pattern: str) -> None:
    assert described(**HIGH, strongest=template)[0] == [pattern]


def test_a_car_that_does_not_stand_out_has_neither() -> None:
    assert described() == ([], [])
    assert described(ethanol_logged=False, barometer_assumed=True, peers=1) == ([], [])


def test_a_signal_that_rests_on_dropouts_alone_names_no_shape() -> None:
    pattern, _ = described(**(HIGH | {"p_curve": 0.6}), dropouts=3, dropouts_collapsing=3)
    assert pattern == ["dropouts_rail_collapses"]


@pytest.mark.parametrize(
    ("car", "pattern"),
    [
        ({"dropouts": 2, "dropouts_collapsing": 2}, ["dropouts_rail_collapses"]),
        ({"dropouts": 2, "dropouts_collapsing": 0}, ["dropouts_rail_holds"]),
        ({"dropouts": 2, "dropouts_collapsing": 0, "rail_logged": False}, ["dropouts_rail_unknown"]),
        ({"dropouts": 3, "dropouts_collapsing": 1}, ["dropouts_rail_collapses", "dropouts_rail_holds"]),
        ({"pump_limit": "rail_short", "saturated_share": 0.1}, ["out_of_volume"]),
        ({"pump_limit": "rail_short", "saturated_share": 0.0}, []),
        ({"pump_limit": "reached", "saturated_share": 0.1}, ["no_headroom"]),
        ({"low": True}, ["low_for_peers"]),
        ({"fits_other": True}, ["fits_other_pump"]),
        ({"dropouts": None, "dropouts_collapsing": None}, []),
    ],
)
def test_events_and_limits_are_named(car: dict[str, Any], pattern: list[str]) -> None:
    assert described(**car)[0] == pattern


@pytest.mark.parametrize(
    ("car", "check"),
    [
        ({"ethanol_logged": False}, "ethanol_not_measured"),
        ({"lambda_logged": False}, "lambda_not_logged"),
        ({"intake_logged": False}, "intake_air_not_logged"),
        ({"barometer_assumed": True}, "barometer_not_logged"),
        ({"rail_logged": False}, "rail_not_logged"),
        ({"sensor_at_end": True}, "sensor_at_its_end"),
        ({"logs": 1, "days": 1}, "one_log_only"),
        ({"logs": 3, "days": 1}, "one_day_only"),
        ({"peers": 3}, "few_peers"),
        ({"peers_mostly_high": True}, "peers_also_high"),
        ({"told_apart": False}, "setup_not_told_apart"),
    ],
)
@pytest.mark.parametrize("signal", ["action", "warning"])
def test_what_to_check_before_anyone_acts(car: dict[str, Any], check: str, signal: str) -> None:
    assert described(**(HIGH | {"strongest": "high", "signal": signal}), **car)[1] == [check]


def test_a_steady_excess_or_a_low_car_asks_for_the_roster() -> None:
    assert "roster_to_confirm" in described(**HIGH)[1]
    assert "roster_to_confirm" not in described(**HIGH, strongest="drift")[1]
    low = described(low=True, signal="warning")[1]
    assert low == ["roster_to_confirm", "duty_scale_to_confirm"]


def test_codes_come_in_their_declared_order() -> None:
    pattern, check = described(
        **HIGH, dropouts=3, dropouts_collapsing=1, pump_limit="rail_short", saturated_share=0.2, low=True,
        ethanol_logged=False, lambda_logged=False, intake_logged=False, barometer_assumed=True, rail_logged=False,
        sensor_at_end=True, peers=1, logs=1, days=1, peers_mostly_high=True, told_apart=False,
    )  # fmt: skip
    assert pattern == sorted(pattern, key=PATTERNS.index)
    assert check == sorted(check, key=CHECKS.index)
    assert len(check) == 11
