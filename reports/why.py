"""Why a car has its signal: which test spoke, and how loudly, in words."""

from typing import Any

from models.signals import SignalRule
from reports import wording
from reports.tables import figure, signed

SPOKE_Z = 2.0  # standard deviations of healthy cars; beyond, a test is said to speak
QUIET_P = 0.1  # above, nothing is said to speak, though one of five tests may stand out by chance
LEAST_P = 0.0001


def why(row: dict[str, Any], rule: SignalRule = SignalRule()) -> str:
    """One row of CARS -> a few sentences; "" where nothing could be judged.

    Each test counts standard deviations of healthy cars, as far as this car's logs and peers let them be known.
    """
    p = row["p_value"]
    if p is None:
        return ""
    figures = [(wording.evidence(name), row[f"{name}_z"]) for name in wording.TEST_CODES]
    figures = [(name, z) for name, z in figures if z is not None]
    every = (
        f"All tests, in standard deviations of healthy cars: {', '.join(f'{name} {signed(z)}' for name, z in figures)}."
    )
    if "low_for_peers" in wording.codes(row["pattern"]):
        return f"What spoke: the level, on the low side ({signed(row['level_z'])}). {every}"
    often = f"evidence like this or stronger comes from {_often(p)} healthy cars"
    if p > QUIET_P:
        return f"No test spoke: {often}. {every}"
    spoke = [f"{name} ({signed(z)})" for name, z in figures if z >= SPOKE_Z]
    spoke += [f"dropouts ({row['dropouts']})"] if row["dropouts"] else []
    needs = f"; a signal needs {_often(rule.warning_p)} or fewer" if p > rule.warning_p else ""
    head = f"What spoke: {'; '.join(spoke) or 'several tests, each a little'}; {often}{needs}."
    return f"{head} {_held_back(row, rule)}{every}"


def _often(p: float) -> str:
    """
    >>> _often(0.03), _often(0.0000001)
    ('3 of 100', 'fewer than 1 of 10,000')
    """
    if p < LEAST_P:
        return "fewer than 1 of 10,000"
    for of in (100, 1000, 10_000):
        if p * of >= 1 - 1e-9:
            return f"{figure(p * of, 0)} of {of:,}"
    return "1 of 10,000"


def _held_back(row: dict[str, Any], rule: SignalRule) -> str:
    """Why a car whose evidence is strong enough is only to be watched."""
    if row["signal"] != "warning" or row["q_value"] is None or row["q_value"] > rule.q_max:
        return ""
    if row["logs"] < rule.logs_min:
        return "It would need attention but for being one log only. "
    if "ethanol_not_measured" in wording.codes(row["check_first"]):
        return "It would need attention, but the blend was not measured and could explain it. "
    return "It would need attention, but the excess itself is not surely large enough to act on. "
