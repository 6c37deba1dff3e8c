"""The word for a change follows from its interval; what is told of a car adds up."""

import json
import math
from dataclasses import replace
from datetime import date
from typing import Any

import polars as pl
import pytest
from told_keys import told_keys

from ingest.findings import InputError
from models.compare import VERDICTS, CompareRule, Comparison, changes_told, compare
from models.fleet import NothingToStudyError
from models.two_curves import TWO_CURVES
from models.two_levels import TwoLevels
from synthetic_fleet.direct_cells import DirectFleet
from synthetic_fleet.swaps import SwapRule, swap_fleet

TODAY = date(2026, 11, 25)
# the design's contract
CONTRACT = ("label", "before_pct", "after_pct", "change_pct", "change_low_pct", "change_high_pct",
            "before_peak_duty_pct", "after_peak_duty_pct", "verdict")  # fmt: skip
LEVELS = TwoLevels(
    before=(0.12, 0.02),
    after=(0.0, 0.02),
    change=(-0.12, 0.02),
    parts={"low": (-0.1, 0.02), "mid": (-0.12, 0.02), "high": (-0.14, 0.02)},
    peers_healthy=(0.9, 0.9),
)


@pytest.fixture(scope="module")
def club() -> tuple[DirectFleet, pl.DataFrame]:
    return swap_fleet(24, 81, rule=SwapRule(swap=0.5, measured_ethanol=1.0, spoilt=0.0))


def compared(fleet: DirectFleet, label: str, *ranges: Any, **tables: pl.DataFrame) -> Comparison:
    held = {name: getattr(fleet, name) for name in ("cells", "pulls", "ledger", "roster")} | tables
    return compare(**held, label=label, before=ranges[0] if ranges else None, after=ranges[1] if ranges else None,
                   today=TODAY)  # fmt: skip


# ---- the rule


@pytest.mark.parametrize(
    ("change", "low", "high", "word"),
    [
        (-12.0, -16.0, -8.0, "better"),
        (12.0, 8.0, 16.0, "worse"),
        (-12.0, -25.0, 1.0, "too little to say"),
        (-3.9, -4.5, -3.3, "no difference shown"),  # shown, but too small to be worth a word
        (-4.0, -4.5, -3.5, "better"),
        (0.0, -10.0, 10.0, "no difference shown"),
        (0.0, -10.1, 10.1, "too little to say"),
        (-5.0, -10.0, 0.0, "no difference shown"),
        (5.0, 0.0, 10.0, "no difference shown"),
    ],
)
def test_the_word_follows_from_the_interval(change: float, low: float, high: float, word: str) -> None:
    assert CompareRule().verdict(change, low, high) == word
    assert word in VERDICTS


def test_a_better_car_turned_round_is_a_worse_one() -> None:
    rule = CompareRule()
    turned = {"better": "worse", "worse": "better"}
    for change, low, high in ((-9.0, -14.0, -4.0), (-3.0, -9.0, 3.0), (20.0, -5.0, 45.0), (6.0, 1.0, 11.0)):
        word = rule.verdict(change, low, high)
        assert rule.verdict(-change, -high, -low) == turned.get(word, word)


def test_the_change_in_points_is_the_difference_of_the_two_excesses() -> None:
    told = changes_told(LEVELS, True, 0.0)
    assert told["before_pct"] == pytest.approx(100 * math.expm1(0.12))
    assert told["change_pct"] == pytest.approx(told["after_pct"] - told["before_pct"])
    # 1.96 standard deviations of the quantile table, put to points at the middle of both excesses
    assert told["change_low_pct"] == pytest.approx(
        100 * math.exp(0.06) * 2 * math.sinh((-0.12 - 1.95996 * 0.02) / 2), abs=1e-3
    )
    assert (told["judged_low_pct"], told["judged_high_pct"]) == (told["change_low_pct"], told["change_high_pct"])


def test_a_new_pumps_own_level_widens_what_the_word_is_read_from_and_not_the_interval() -> None:
    kept, new = changes_told(LEVELS, True, 0.0), changes_told(LEVELS, True, 0.03)
    assert (kept["change_low_pct"], kept["change_high_pct"]) == (new["change_low_pct"], new["change_high_pct"])
    assert new["judged_low_pct"] < kept["judged_low_pct"] < kept["judged_high_pct"] < new["judged_high_pct"]
    assert new["sound_pumps_differ_pct"] == pytest.approx(100 * math.expm1(1.95996 * 0.03), abs=1e-3)
    small = replace(LEVELS, change=(-0.05, 0.005))
    assert changes_told(small, True, 0.0)["verdict"] == "better"
    assert changes_told(small, True, 0.03)["verdict"] == "no difference shown"


def test_between_setups_whose_cars_mostly_look_sick_nothing_is_said() -> None:
    bent = replace(LEVELS, peers_healthy=(0.45, 0.9))
    assert changes_told(LEVELS, False, 0.0)["verdict"] == "better"
    told = changes_told(bent, False, 0.0)
    assert (told["verdict"], told["why_too_little"]) == ("too little to say", "peers_mostly_high")
    same = changes_told(bent, True, 0.0)  # one setup: what its peers do leaves the difference alone
    assert (same["verdict"], same["peers_mostly_high"]) == ("better", True)
    nobody = replace(LEVELS, peers_healthy=(float("nan"), 0.9))
    assert changes_told(nobody, False, 0.0)["verdict"] == "better"


def test_thirds_hold_together_and_so_are_wider() -> None:
    part = changes_told(LEVELS, True, 0.0)["parts"][1]
    whole = changes_told(LEVELS, True, 0.0)
    assert part["change_pct"] == pytest.approx(whole["change_pct"])
    # standard normal: 2.394 for three intervals at once (1 - .05 / 6) against 1.960
    ratio = (part["high_pct"] - part["low_pct"]) / (whole["change_high_pct"] - whole["change_low_pct"])
    assert ratio == pytest.approx(2.394 / 1.960, rel=1e-3)


# ---- one car


def test_a_worn_pump_that_was_replaced_compares_as_better(club: tuple[DirectFleet, pl.DataFrame]) -> None:
    fleet, truth = club
    cured = truth.filter("swapped", (pl.col("fault_before") == "worn") & (pl.col("fault_after") == ""))
    clear = cured.filter(pl.col("before_pct") - pl.col("after_pct") > 12)
    assert clear.height >= 1
    for row in clear.iter_rows(named=True):
        told = compared(fleet, row["label"]).told
        assert told["verdict"] == "better"
        assert told["change_pct"] == pytest.approx(row["after_pct"] - row["before_pct"], abs=6)
        assert told["changed_on"] == row["after_since"]


def test_what_is_told_keeps_the_contract_and_is_ready_for_json(club: tuple[DirectFleet, pl.DataFrame]) -> None:
    fleet, truth = club
    answer = compared(fleet, truth.filter("swapped")["label"][0])
    assert set(CONTRACT) <= set(answer.told)
    assert {*answer.told, "demo", "curves"} == told_keys("compare --json")
    assert dict(answer.curves.schema) == TWO_CURVES
    json.dumps(answer.told, allow_nan=False, default=str)


def test_logs_events_and_duty_are_each_sides_own(club: tuple[DirectFleet, pl.DataFrame]) -> None:
    fleet, truth = club
    row = truth.filter("swapped").row(0, named=True)
    own = fleet.pulls.filter(pl.col("label") == row["label"])
    pulls = own.with_columns(dropouts=pl.when(pl.col("date") < row["after_since"]).then(2).otherwise(1).cast(pl.Int32))
    rest = fleet.pulls.filter(pl.col("label") != row["label"])
    told = compared(fleet, row["label"], pulls=pl.concat([rest, pulls])).told
    for side, which in (
        ("before", pl.col("date") < row["after_since"]),
        ("after", pl.col("date") >= row["after_since"]),
    ):
        part = pulls.filter(which)
        assert told[f"{side}_peak_duty_pct"] == pytest.approx(part["duty_max_pct"].max(), abs=1e-3)
        assert told[side]["logs"] == part["log"].n_unique()
        assert told[side]["pulls"] == part.height
        assert told[side]["dropouts"] == part["dropouts"].sum()


def test_a_car_that_kept_its_pump_shows_no_difference(club: tuple[DirectFleet, pl.DataFrame]) -> None:
    fleet, truth = club
    sound = truth.filter(~pl.col("swapped") & (pl.col("fault_before") == ""))
    for row in sound[:3].iter_rows(named=True):
        ranges = ((date(2026, 7, 1), row["before_until"]), (row["after_since"], date(2026, 9, 30)))
        told = compared(fleet, row["label"], *ranges).told
        assert told["verdict"] == "no difference shown"
        assert (told["pump_kept"], told["changed_on"]) == (True, None)
        assert told["judged_low_pct"] == told["change_low_pct"]


def test_the_same_store_gives_the_same_answer(club: tuple[DirectFleet, pl.DataFrame]) -> None:
    fleet, truth = club
    label = truth.filter("swapped")["label"][0]
    shuffled = {
        name: getattr(fleet, name).sample(fraction=1.0, shuffle=True, seed=1) for name in ("cells", "pulls", "roster")
    }
    assert compared(fleet, label).told == compared(fleet, label, **shuffled).told


def test_a_side_without_usable_cells_gives_no_figure(club: tuple[DirectFleet, pl.DataFrame]) -> None:
    fleet, truth = club
    row = truth.filter("swapped").row(0, named=True)
    lost = (pl.col("label") == row["label"]) & (pl.col("date") >= row["after_since"])
    answer = compared(fleet, row["label"], cells=fleet.cells.filter(~lost))
    assert answer.told["change_pct"] is None
    assert (answer.told["verdict"], answer.told["why_too_little"]) == ("too little to say", "no_usable_cells")
    assert answer.curves.is_empty()
    with pytest.raises(NothingToStudyError):
        compared(fleet, row["label"], cells=fleet.cells[:0])


def test_an_unknown_label_is_refused(club: tuple[DirectFleet, pl.DataFrame]) -> None:
    with pytest.raises(InputError, match="no such car"):
        compared(club[0], "ZZZZ-ZZZZ")
