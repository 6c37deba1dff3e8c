"""The four words, rule by rule."""

from typing import Any

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import norm

from models.signals import SignalRule, signals

PLAIN: dict[str, Any] = {
    "logs": 3, "p_value": 0.5, "q_value": 0.9, "p_low": 0.5, "worth_acting": False, "pulls_collapsing": 0,
    "ethanol_explains": False, "pump_limit": "none", "detectable_excess_pct": 8.0, "peers_mostly_high": False,
    "other_pump_ln_bayes_factor": None,
}  # fmt: skip
SCHEMA = {
    "logs": pl.Int32, "p_value": pl.Float64, "q_value": pl.Float64, "p_low": pl.Float64, "worth_acting": pl.Boolean,
    "pulls_collapsing": pl.Int32, "ethanol_explains": pl.Boolean, "pump_limit": pl.String,
    "detectable_excess_pct": pl.Float64, "peers_mostly_high": pl.Boolean, "other_pump_ln_bayes_factor": pl.Float64,
}  # fmt: skip
SICK = {"p_value": 0.0005, "q_value": 0.01, "worth_acting": True}


def row(**car: Any) -> dict[str, Any]:
    return signals(pl.DataFrame([PLAIN | car], schema=SCHEMA)).row(0, named=True)


@pytest.mark.parametrize(
    ("car", "signal"),
    [
        ({}, "clear"),
        (SICK, "action"),
        # unlikely by chance, and too small to matter
        (SICK | {"worth_acting": False}, "warning"),
        # large, and not unlikely enough over the fleet
        (SICK | {"q_value": 0.051, "p_value": 0.02}, "warning"),
        (SICK | {"q_value": 0.2, "p_value": 0.03}, "clear"),
        # one log is never enough; nor what a label of ethanol would explain
        (SICK | {"logs": 1}, "warning"),
        (SICK | {"ethanol_explains": True}, "warning"),
        # delivery interrupted in two pulls needs no excess, in one it does; ethanol does not explain it
        (SICK | {"worth_acting": False, "pulls_collapsing": 2}, "action"),
        (SICK | {"worth_acting": False, "pulls_collapsing": 1}, "warning"),
        (SICK | {"pulls_collapsing": 2, "ethanol_explains": True}, "action"),
        (SICK | {"pulls_collapsing": 9, "logs": 1}, "warning"),
        # low cars: the roster or the scale
        ({"p_low": 0.009}, "warning"),
        ({"p_low": 0.011}, "clear"),
        # a row that names another pump than the duty does: three times likelier is "positive" in Kass & Raftery 1995
        ({"other_pump_ln_bayes_factor": 1.1}, "warning"),
        ({"other_pump_ln_bayes_factor": 1.0}, "clear"),
        # at the end of what the pump delivers nobody is "like its peers"
        ({"pump_limit": "rail_short"}, "warning"),
        ({"pump_limit": "reached"}, "warning"),
        ({"pump_limit": "unknown"}, "clear"),
        # clear only where 10 % would have been found, among peers that are not sick themselves
        ({"detectable_excess_pct": 10.5}, "undecided"),
        ({"peers_mostly_high": True}, "undecided"),
        ({"p_value": None, "q_value": None, "p_low": None, "detectable_excess_pct": None}, "undecided"),
        ({"p_value": None, "q_value": None, "p_low": None, "pump_limit": "rail_short"}, "warning"),
    ],
)
def test_a_car_and_its_word(car: dict[str, Any], signal: str) -> None:
    assert row(**car)["signal"] == signal


def test_high_and_low_say_what_a_signal_rests_on() -> None:
    assert (row(**SICK)["high"], row(**SICK)["low"]) == (True, False)
    assert (row(p_low=0.001)["high"], row(p_low=0.001)["low"]) == (False, True)
    assert not row(pump_limit="rail_short")["high"]


def test_a_warning_is_two_standard_deviations_one_sided() -> None:
    # norm.sf(2) = .02275; |z| > 2 is a warning in ISO 13528 too, as NIST's reference pages have it
    assert SignalRule().warning_p == pytest.approx(float(norm.sf(2)), abs=5e-4)


@given(
    p=st.floats(0, 1), q=st.floats(0, 1), low=st.floats(0, 1), worth=st.booleans(), logs=st.integers(0, 5),
    drops=st.integers(0, 5), ethanol=st.booleans(), limit=st.sampled_from(["rail_short", "reached", "none", "unknown"]),
    detectable=st.floats(1, 40), high=st.booleans(),
)  # fmt: skip
def test_what_must_never_happen(
    p: float, q: float, low: float, worth: bool, logs: int, drops: int, ethanol: bool, limit: str, detectable: float,
    high: bool,
) -> None:  # fmt: skip
    signal = row(
        p_value=p, q_value=q, p_low=low, worth_acting=worth, logs=logs, pulls_collapsing=drops,
        ethanol_explains=ethanol, pump_limit=limit, detectable_excess_pct=detectable, peers_mostly_high=high,
    )["signal"]  # fmt: skip
    if signal == "action":
        assert q <= 0.05
        assert logs >= 2
        assert worth or drops >= 2
    if signal == "clear":
        assert detectable <= 10
        assert limit not in ("rail_short", "reached")
        assert p > 0.023
        assert low > 0.01
