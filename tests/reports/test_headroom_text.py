"""An answer of `headroom` in words: its figures, its limits, and the words it must not use."""

from dataclasses import replace
from typing import Any

import polars as pl
import pytest

from models.headroom import HEADROOM, Headroom
from reports.headroom_text import NO_LIMIT, WHY_NONE, headroom_text

BAND = {
    "band_rpm": 5250, "boost_kpa": 139.6, "demand": 3.04, "share_pct": 87.3, "share_low_pct": 82.7,
    "share_high_pct": 102.3, "duty_pct": 77.7, "duty_low_pct": 73.5, "duty_high_pct": 100.0, "cars_driven": 10,
    "beyond_pct": 0.0,
}  # fmt: skip
TOLD = {
    "quarter": "2026Q3", "label": None, "setup": "2.0 four | larger | original | club map 2", "why_none": "",
    "ethanol_pct": 40.0, "boost_kpa": 139.6, "boost_usual": True, "reserve_pct": 10.0, "share_pct": 88.2,
    "share_upper_pct": 93.2, "share_upper_label_pct": 93.8, "duty_upper_pct": 84.2, "bites_rpm": 5250,
    "keeps_reserve": False, "highest_ethanol_pct": 15.0, "highest_ethanol_by": "reserve",
    "lowest_ethanol_tried_pct": 0.0, "highest_boost_kpa": 131.0, "highest_boost_by": "reserve",
    "lowest_boost_tried_kpa": 70.0, "cars": 10, "logs": 42, "pulls": 109, "first_log": "2026-07-05",
    "last_log": "2026-09-29", "usual_ethanol_pct": 24.5, "usual_boost_kpa": 153.7, "ethanol_logged_share": 1.0,
    "driven_ethanol_low_pct": 3.5, "driven_ethanol_high_pct": 50.0, "ethanol_beyond_points": 0.0, "cars_at_blend": 14,
    "cars_engine_and_pump": 10, "ethanol_margin_points": 15.0, "demand_margin_pct": 15.0, "ceiling_pct": 97.5,
    "ceiling_low_pct": 97.5, "round_share": 0.875, "round_share_low": 0.82, "round_share_high": 0.93,
    "rail_logged_share": 1.0, "rail_bar": 194.2, "rail_100bar_pct": 1.2, "rail_100bar_low_pct": -0.4,
    "rail_100bar_high_pct": 2.8, "rail_part_pct": 0.3, "signal": None, "pump_limit": None, "saturated_share": 0.0,
    "peers_mostly_high": False, "port_injection": False,
    "setup_cars": 10, "setup_cars_at_ceiling": 0, "setup_cars_short": 0,
}  # fmt: skip
ANSWER = Headroom(TOLD, pl.DataFrame([BAND, BAND | {"band_rpm": 5500, "beyond_pct": 12.4}], schema=HEADROOM))


def shown(**told: Any) -> str:
    """The text in one line, some of what was told replaced."""
    return " ".join(headroom_text(replace(ANSWER, told=TOLD | told)).split())


def test_bound_limit_and_engine_speed_are_named() -> None:
    text = shown()
    for part in ("93.2 % of what the pump gives", "does not keep the reserve", "5250 to 5500 1/min", "this boost: 15 %",
                 "40 % ethanol: 131 kPa", "a new, sound car of 2.0 four", "42 logs of 10 cars"):  # fmt: skip
        assert part in text


EVERY = (
    {}, {"label": "7K3M-Q2XW", "signal": "action", "pump_limit": "reached", "setup_cars_at_ceiling": 2},
    {"why_none": "rail_short"}, {"why_none": "ethanol_not_driven", "ethanol_beyond_points": 20.0},
    {"why_none": "demand_not_driven"}, {"rail_logged_share": 0.0, "rail_bar": None, "rail_part_pct": None},
    {"rail_logged_share": 0.4}, {"ceiling_low_pct": 95.0, "ethanol_logged_share": 0.5, "peers_mostly_high": True},
    {"highest_ethanol_pct": None, "highest_ethanol_by": "none_keeps", "highest_boost_by": "driven"},
    {"highest_boost_pct": None, "highest_boost_by": "no_boost", "highest_boost_kpa": None, "share_pct": 101.0},
    {"setup_cars_at_ceiling": 2, "setup_cars_short": 1, "demo": True, "keeps_reserve": True},
)  # fmt: skip


@pytest.mark.parametrize("told", EVERY, ids=str)
def test_no_line_is_too_wide_and_no_word_promises_anything(told: dict[str, Any]) -> None:
    text = headroom_text(replace(ANSWER, told=TOLD | told))
    assert max(len(line) for line in text.splitlines()) <= 80
    assert text.isascii()
    lowered = text.lower()
    for word in ("safe", "good for", "faulty", "guarantee", "recommend"):
        assert word not in lowered
    for part in ("technician", "Parts, seals, lines and oil", "Stop the pull if rail pressure or lambda"):
        assert part in " ".join(text.split())


def test_a_car_that_ran_short_is_told_to_be_looked_at_and_nothing_else() -> None:
    text = shown(label="7K3M-Q2XW", why_none="rail_short")
    assert "No figure" in text
    assert "until a qualified technician has looked" in text
    assert "93.2" not in text
    assert "131 kPa" not in text


@pytest.mark.parametrize("why", ["ethanol_not_driven", "demand_not_driven"])
def test_outside_what_was_driven_the_bands_show_how_far(why: str) -> None:
    empty = dict.fromkeys(name for name in BAND if "share" in name or "duty" in name)
    bands = pl.DataFrame([BAND | empty | {"beyond_pct": 22.0}], schema=HEADROOM)
    text = headroom_text(Headroom(TOLD | {"why_none": why}, bands))
    assert "No figure" in text
    assert "(+22 %)" in text
    assert "15" in " ".join(text.split()).split("No figure")[1][:200]


def test_rail_pressure_that_is_not_logged_is_said() -> None:
    assert "not logged here" in shown(rail_logged_share=0.0, rail_bar=None, rail_part_pct=None)
    assert "194 bar where it is logged" in shown(rail_logged_share=0.4)
    assert "+1.2 % of volume (-0.4 to +2.8)" in shown()


def test_what_stands_in_the_way_of_more_is_said() -> None:
    none = shown(highest_ethanol_pct=None, highest_ethanol_by="none_keeps", lowest_ethanol_tried_pct=4.0)
    assert "of, 4 %, does not keep it" in none
    assert "nobody has driven it" in shown(highest_boost_by="driven")
    assert "is logged with boost" not in shown()
    assert set(WHY_NONE) == {"rail_short", "ethanol_not_driven", "demand_not_driven"}
    assert set(NO_LIMIT) == {"none_keeps", "outside", "no_boost"}


def test_what_makes_a_figure_doubtful_is_said() -> None:
    assert "needs attention" in shown(label="7K3M-Q2XW", signal="action")
    assert "at its ceiling in some band already" in shown(label="7K3M-Q2XW", pump_limit="reached")
    assert "2 stood at the ceiling in some band and none ran short" in shown(setup_cars_at_ceiling=2)
    assert "taken to lie from 95.0 to 97.5 %" in shown(ceiling_low_pct=95.0)
    assert "More is asked for than the pump gives" in shown(share_pct=101.0)
    assert "doubtful" in shown(peers_mostly_high=True)
    assert "Port injectors carry a share" in shown(port_injection=True)
    assert "invented" in shown(demo=True)
