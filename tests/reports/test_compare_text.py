"""Before and after in the terminal: what is said for each verdict, within 80 columns and plain signs."""

from datetime import date
from typing import Any

import polars as pl
import pytest

from models.compare import VERDICTS, Comparison
from models.two_curves import TWO_CURVES
from reports.compare_text import WHY_TOO_LITTLE, compare_text

SIDE = {"setup": "2.0 four | original | original | club map 2", "first": date(2026, 7, 6), "last": date(2026, 7, 20),
        "logs": 2, "days": 2, "pulls": 6, "ethanol_pct": 17.0, "ethanol_measured": True, "saturated_share": 0.194,
        "dropouts": 6, "dropouts_collapsing": 5, "rail_deficits": 12}  # fmt: skip
AFTER = SIDE | {"first": date(2026, 8, 3), "last": date(2026, 8, 3), "ethanol_measured": False, "saturated_share": 0.0,
                "dropouts": 0, "dropouts_collapsing": 0, "rail_deficits": None}  # fmt: skip
TOLD = {
    "label": "7K3M-Q2XW", "before_pct": 33.4, "before_low_pct": 30.9, "before_high_pct": 36.0,
    "after_pct": -0.5, "after_low_pct": -2.3, "after_high_pct": 1.5,
    "change_pct": -33.9, "change_low_pct": -36.0, "change_high_pct": -31.8,
    "verdict": "better", "why_too_little": "", "judged_low_pct": -40.2, "judged_high_pct": -27.5,
    "sound_pumps_differ_pct": 5.3, "telling_pct": 10.0, "peers_mostly_high": False, "before_peers_healthy_share": 0.99,
    "after_peers_healthy_share": 0.99,
    "parts": [{"part": p, "change_pct": -30.0, "low_pct": -33.0, "high_pct": -27.0} for p in ("low", "mid", "high")],
    "before_peak_duty_pct": 99.99, "after_peak_duty_pct": 64.37, "changed_on": date(2026, 8, 1), "pump_kept": False,
    "before": SIDE, "after": AFTER, "top_from_rpm": 5750.0, "top_to_rpm": 6750.0, "top_before_duty_pct": 99.6,
    "top_after_duty_pct": 62.8, "top_drop_points": 36.8, "top_at_least": True, "top_volume_change_pct": -30.4,
    "top_volume_change_low_pct": -31.1, "top_volume_change_high_pct": -30.4,
}  # fmt: skip
CURVES = pl.DataFrame(
    {
        "band_rpm": [6000, 6250], "before_pulls": [6, 6], "after_pulls": [6, 6], "before_duty_pct": [99.0, 99.99],
        "after_duty_pct": [63.0, 62.0], "before_volume_pct": [99.9, 100.0], "after_volume_pct": [70.0, 69.0],
        "before_saturated_share": [0.0, 1.0], "after_saturated_share": [0.0, 0.0],
    },
    schema=TWO_CURVES,
)  # fmt: skip


def text(**changed: Any) -> str:
    """Said, in one line."""
    return " ".join(compare_text(Comparison(TOLD | changed, CURVES)).split())


@pytest.mark.parametrize("verdict", VERDICTS)
def test_the_word_stands_first_and_no_line_is_too_wide(verdict: str) -> None:
    why = "interval_too_wide" if verdict == "too little to say" else ""
    shown = compare_text(Comparison(TOLD | {"verdict": verdict, "why_too_little": why}, CURVES))
    assert shown.splitlines()[0] == f"7K3M-Q2XW: {verdict}"
    assert max(map(len, shown.splitlines())) <= 80
    assert shown.isascii()


def test_the_drop_is_stated_in_points_and_in_volume() -> None:
    assert "5750 to 6750 1/min, the duty fell by 36.8 points at the same demand, from 99.6 to 62.8 %." in text()
    assert "By the duty law that is at least 30.4 % less volume (-31.1 to -30.4 as far as the duty law" in text()
    risen = text(top_drop_points=-5.0, top_at_least=False, top_volume_change_pct=6.0)
    assert "rose by 5.0 points" in risen
    assert "that is 6.0 % more volume" in risen
    assert "this is no measure of fuel" in text(top_volume_change_pct=None)


def test_excess_events_and_peaks_of_both_sides_stand_in_a_table() -> None:
    lines = {line[:38].strip(): line[38:].split() for line in compare_text(Comparison(TOLD, CURVES)).splitlines()}
    assert lines["excess, as measured (% of volume)"] == ["+33.4", "-0.5"]
    assert lines["peak duty (%)"] == ["99.99", "64.37"]
    assert lines["share of bands at the ceiling (%)"] == ["19.4", "0.0"]
    assert lines["dropouts"] == ["6", "0"]
    assert lines["rail deficits"] == ["12", "-"]
    assert lines["ethanol (% by volume)"] == ["17.0", "17.0", "stated"]


def test_what_the_word_is_read_from_is_said() -> None:
    assert (
        "by up to 5.3 % in 95 of 100 cases, either way. So the word is read from the wider interval -40.2 to" in text()
    )
    assert "By the roster the pump stayed" in text(pump_kept=True)


@pytest.mark.parametrize("why", WHY_TOO_LITTLE)
def test_too_little_says_why(why: str) -> None:
    said = text(verdict="too little to say", why_too_little=why)
    assert " ".join(WHY_TOO_LITTLE[why].format(telling="10").split()) in said


def test_without_usable_cells_there_are_no_figures_and_no_error() -> None:
    nothing = dict.fromkeys(("before_pct", "after_pct", "change_pct", "change_low_pct", "change_high_pct"))
    told = {
        key: value for key, value in TOLD.items() if not key.startswith(("top_", "judged", "before_low", "after_low"))
    }
    told |= nothing | {"verdict": "too little to say", "why_too_little": "no_usable_cells", "parts": []}
    shown = compare_text(Comparison(told, CURVES[:0]))
    assert WHY_TOO_LITTLE["no_usable_cells"].split(".")[0] in " ".join(shown.split())


def test_bent_peers_are_told_of_where_the_difference_stands() -> None:
    assert "may lie too high" in text(peers_mostly_high=True)
    assert "may lie too high" not in text()


def test_a_pump_that_still_runs_short_stops_full_load() -> None:
    assert "no more full load until a qualified technician has looked" in text(after=AFTER | {"rail_deficits": 1})
    assert "no more full load" not in text()


def test_the_ceiling_is_marked_in_the_chart_and_invented_cars_are_told() -> None:
    last = compare_text(Comparison(TOLD, CURVES)).split("6250")[1].splitlines()[0]
    assert last.split()[:2] == ["100.0", "62.0"]
    assert last.endswith("#")
    assert "All cars of this store are invented." in text(demo=True)


def test_it_says_neither_faulty_nor_safe() -> None:
    for verdict in VERDICTS:
        said = text(verdict=verdict).lower()
        assert "faulty" not in said
        assert "safe" not in said
