"""Why a car has its signal, in words."""

from typing import Any

import pytest

from models.schemas import CARS
from reports.why import why


def row(**known: Any) -> dict[str, Any]:
    usual = {"level_z": 0.3, "shape_low_z": 0.1, "shape_mid_z": -0.2, "shape_high_z": 0.4, "trend_z": None}
    usual |= {
        "p_value": 0.5,
        "q_value": 0.9,
        "signal": "clear",
        "pattern": "",
        "check_first": "",
        "logs": 3,
        "dropouts": 0,
    }
    return dict.fromkeys(CARS) | usual | known


def test_the_test_that_spoke_is_named_with_how_loudly() -> None:
    text = why(row(signal="action", p_value=0.0004, q_value=0.01, level_z=3.8))
    assert text.startswith(
        "What spoke: level at all engine speeds (+3.8); evidence like this or stronger comes from 4 of"
    )
    assert "4 of 10,000 healthy cars." in text


def test_one_loud_test_of_a_quiet_car_is_not_said_to_speak() -> None:
    text = why(row(shape_high_z=2.6, p_value=0.13))
    assert text.startswith("No test spoke: evidence like this or stronger comes from 13 of 100 healthy cars.")
    assert "high third +2.6" in text


def test_a_car_just_short_of_a_signal_is_told_how_much_it_takes() -> None:
    assert "a signal needs 2 of 100 or fewer" in why(row(level_z=2.1, p_value=0.03))


def test_dropouts_speak_too_and_what_is_not_known_is_left_out() -> None:
    text = why(row(signal="action", p_value=1e-9, q_value=1e-8, dropouts=9))
    assert text.startswith("What spoke: dropouts (9); evidence like this or stronger comes from fewer than 1 of 10,000")
    assert "trend" not in text


@pytest.mark.parametrize(
    ("known", "reason"),
    [
        ({"logs": 1}, "but for being one log only"),
        ({"check_first": "ethanol_not_measured"}, "the blend was not measured"),
        ({}, "not surely large enough"),
    ],
)
def test_what_holds_a_strong_signal_back(known: dict[str, Any], reason: str) -> None:
    text = why(row(signal="warning", p_value=0.0004, q_value=0.01, level_z=3.8, **known))
    assert reason in text


def test_a_low_car_and_one_that_could_not_be_judged() -> None:
    text = why(row(signal="warning", pattern="low_for_peers", level_z=-2.7))
    assert "on the low side (\N{MINUS SIGN}2.7)" in text
    assert why(row(p_value=None)) == ""
