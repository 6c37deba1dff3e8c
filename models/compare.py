"""Before and after: did a new pump, a repair or a calibration change what one car's pump is asked for?"""

import math
from dataclasses import dataclass
from datetime import date
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from models.distributions import normal_quantile
from models.excess import LEVEL
from models.fleet import Material, NothingToStudyError, Window, gather
from models.learning import Fleet, Learned, learn
from models.observations import spells
from models.quarters import first_day, quarter_of, shifted
from models.sides import Range, Side, Sides, find_sides
from models.two_curves import TWO_CURVES, drop_at_top, two_curves
from models.two_levels import TwoLevels, two_levels

Mask = NDArray[np.bool_]

BETTER, WORSE, NO_DIFFERENCE, TOO_LITTLE = VERDICTS = ("better", "worse", "no difference shown", "too little to say")


@dataclass(frozen=True)
class CompareRule:
    """confidence: of the intervals. change_min_pct: smallest change worth a word, in points of excess.

    pump_share: of the healthy spread between cars (as variance) that belongs to the pump and comes new with a new one.
    Not known; half is what is left of a spread of 3 % once some 2 % of sensors, fuel and filling stay with the car.
    peers_healthy_min: where the setups differ, the mean probability of being healthy of the other cars of each.
    telling_pct: "no difference shown" only where a change of this many points would have been shown.
    days_each_side: from the change, where no ranges are given. top_rpm: what counts as the top of the rev range.
    """

    confidence: float = 0.95
    change_min_pct: float = 4.0
    pump_share: float = 0.5
    peers_healthy_min: float = 0.5
    telling_pct: float = 10.0
    days_each_side: int = 365
    top_rpm: float = 1000.0

    @property
    def z(self) -> float:
        """Standard deviations of a two-sided interval."""
        return float(normal_quantile(0.5 + self.confidence / 2))

    def verdict(self, change_pct: float, low_pct: float, high_pct: float) -> str:
        """The word for a change and the interval it is judged by, both in points of excess.

        >>> rule = CompareRule()
        >>> rule.verdict(-9.0, -14.0, -4.0), rule.verdict(-3.0, -5.0, -1.0), rule.verdict(-9.0, -21.0, 3.0)
        ('better', 'no difference shown', 'too little to say')
        """
        if high_pct < 0 and change_pct <= -self.change_min_pct:
            return BETTER
        if low_pct > 0 and change_pct >= self.change_min_pct:
            return WORSE
        return TOO_LITTLE if (high_pct - low_pct) / 2 > self.telling_pct else NO_DIFFERENCE


@dataclass(frozen=True)
class Comparison:
    """told: label, before_pct, after_pct, change_pct, change_low_pct, change_high_pct, before_peak_duty_pct,
    after_peak_duty_pct, verdict, and further figures, ready for JSON. curves: TWO_CURVES.
    """

    told: dict[str, Any]
    curves: pl.DataFrame


def compare(
    cells: pl.DataFrame,
    pulls: pl.DataFrame,
    ledger: pl.DataFrame,
    roster: pl.DataFrame,
    label: str,
    before: Range | None = None,
    after: Range | None = None,
    today: date | None = None,
    rule: CompareRule = CompareRule(),
) -> Comparison:
    """CELLS, PULLS, LEDGER, ROSTER of a store -> Comparison of one car across its newest change or of two ranges.

    before, after: first and last day, both included. today: later logs count for nothing; default is this day.
    The expectation comes from all cars' logs of at least the four quarters that end with the newer side's.
    Raises InputError for a label, change or range that is not there, NothingToStudyError without usable cells.
    """
    today = today or date.today()
    sides = find_sides(ledger, spells(roster), label, before, after, today, rule.days_each_side)
    material = gather(cells, pulls, ledger, roster, _window(sides), today)
    if material.fleet is None:
        raise NothingToStudyError(f"{label}: none of this store's pulls has a band of engine speed that can be used.")
    return compared(material, learn(material.fleet), label, sides, rule)


def compared(
    material: Material, learned: Learned, label: str, sides: Sides, rule: CompareRule = CompareRule()
) -> Comparison:
    """As `compare`, where the fleet has been learned already. material: its whole window is the quarter studied."""
    assert material.fleet is not None
    masks = [material.fleet.frame["log"].is_in(side.logs).to_numpy() for side in (sides.before, sides.after)]
    both = [material.spells.row(by_predicate=pl.col("spell") == side.spell, named=True)
            for side in (sides.before, sides.after)]  # fmt: skip
    before, after = (_side(material, side, row) for side, row in zip((sides.before, sides.after), both, strict=True))
    told: dict[str, Any] = {
        "label": label,
        **_changes(material.fleet, learned, masks, both, sides.pump_kept, rule),
        "before_peak_duty_pct": before.pop("peak_duty_pct"),
        "after_peak_duty_pct": after.pop("peak_duty_pct"),
        "changed_on": sides.changed_on,
        "pump_kept": sides.pump_kept,
        "before": before,
        "after": after,
    }
    curves = pl.DataFrame(schema=TWO_CURVES)
    if all(mask.any() for mask in masks):
        curves = two_curves(material.fleet, learned, masks[0], masks[1], material.ceilings)
        laws = [_law(learned, row) for row in both]
        told |= drop_at_top(curves, rule.top_rpm, laws[0], laws[0] == laws[1])
    return Comparison(_rounded(told), curves.with_columns(pl.selectors.float().round(3)))


def _window(sides: Sides) -> Window:
    """The four quarters that end with the newer side's, or more: all of them count as the quarter studied."""
    last = quarter_of(sides.after.last)
    start = min(first_day(shifted(last, -3)), first_day(quarter_of(sides.before.first)))
    return Window(last, start, start, first_day(shifted(last, 1)))


def _changes(
    fleet: Fleet, learned: Learned, masks: list[Mask], both: list[dict[str, Any]], pump_kept: bool, rule: CompareRule
) -> dict[str, Any]:
    """Excess of each side, their difference and the verdict. both: rows of `spells`."""
    names = ("before_pct", "after_pct", "change_pct", "change_low_pct", "change_high_pct")
    if not all(mask.any() for mask in masks):
        return dict.fromkeys(names) | {"verdict": TOO_LITTLE, "why_too_little": "no_usable_cells", "parts": []}
    one, other = both
    alike = all(one[word] == other[word] for word in ("boost_hardware", "calibration"))
    levels = two_levels(fleet, learned, masks[0], masks[1], unlogged_shared=alike)
    sound_sd = 0.0 if pump_kept else math.sqrt(2 * rule.pump_share * learned.spread[LEVEL, LEVEL])
    return changes_told(levels, one["setup"] == other["setup"], sound_sd, rule)


def changes_told(
    levels: TwoLevels, same_setup: bool, sound_sd: float, rule: CompareRule = CompareRule()
) -> dict[str, Any]:
    """The figures and the verdict. sound_sd: of what one sound pump in another's place changes. [ln volume]

    The change is told in points of excess, after minus before. Its interval is that of ln(volume), put to points at
    the car's middle: 2 e^((before + after) / 2) sinh(change / 2). The verdict is read from the interval
    widened by what two sound pumps of one kind differ by, which is no part of the change's own uncertainty.
    """
    middle = math.exp((levels.before[0] + levels.after[0]) / 2)

    def points(change: float) -> float:
        return 100 * middle * 2 * math.sinh(change / 2)

    def span(change: tuple[float, float], wider: float = 0.0, z: float = rule.z) -> tuple[float, float]:
        half = z * math.hypot(change[1], wider)
        return points(change[0] - half), points(change[0] + half)

    low, high = span(levels.change)
    judged = span(levels.change, sound_sd)
    verdict, why = rule.verdict(points(levels.change[0]), *judged), ""
    mostly_high = any(share < rule.peers_healthy_min for share in levels.peers_healthy)
    if mostly_high and not same_setup:
        verdict, why = TOO_LITTLE, "peers_mostly_high"
    elif verdict == TOO_LITTLE:
        why = "interval_too_wide"
    thirds = float(normal_quantile(1 - (1 - rule.confidence) / 6))  # all three at once: Bonferroni
    found: dict[str, Any] = {}
    for name, (level, sd) in (("before", levels.before), ("after", levels.after)):
        ends = (level, level - rule.z * sd, level + rule.z * sd)
        keys = (f"{name}_pct", f"{name}_low_pct", f"{name}_high_pct")
        found |= {key: 100 * math.expm1(value) for key, value in zip(keys, ends, strict=True)}
    return found | {
        "change_pct": points(levels.change[0]),
        "change_low_pct": low,
        "change_high_pct": high,
        "verdict": verdict,
        "why_too_little": why,
        "judged_low_pct": judged[0],
        "judged_high_pct": judged[1],
        "sound_pumps_differ_pct": 100 * math.expm1(rule.z * sound_sd),
        "telling_pct": rule.telling_pct,
        "peers_mostly_high": mostly_high,
        "before_peers_healthy_share": levels.peers_healthy[0],
        "after_peers_healthy_share": levels.peers_healthy[1],
        "parts": [
            {
                "part": name,
                "change_pct": points(change[0]),
                **dict(zip(("low_pct", "high_pct"), span(change, z=thirds), strict=True)),
            }
            for name, change in levels.parts.items()
        ],
    }


def _law(learned: Learned, spell: dict[str, Any]) -> tuple[float, float, float]:
    """Round share of the spell's family, and its interval."""
    number = learned.law.family.index(f"{spell['pump']} | {spell['calibration']}")
    law = learned.law
    return float(law.values[number]), float(law.low[number]), float(law.high[number])


def _side(material: Material, side: Side, spell: dict[str, Any]) -> dict[str, Any]:
    """What was driven and seen on one side."""
    pulls = material.pulls.filter(pl.col("log").is_in(side.logs))
    seen = material.observations.filter(pl.col("log").is_in(side.logs))
    deficits = pulls["rail_deficits"].drop_nulls()
    return {
        "setup": spell["setup"],
        "first": side.first,
        "last": side.last,
        "logs": len(side.logs),
        "days": pulls["date"].n_unique(),
        "pulls": pulls.height,
        "ethanol_pct": seen["ethanol_pct"].mean(),
        "ethanol_measured": bool(seen["ethanol_logged"].all()) and not seen.is_empty(),
        "peak_duty_pct": pulls["duty_max_pct"].max(),
        "saturated_share": seen["saturated"].mean(),
        "dropouts": int(pulls["dropouts"].sum()),
        "dropouts_collapsing": int(pulls["dropouts_collapsing"].sum()),
        "rail_deficits": None if deficits.is_empty() else int(deficits.sum()),
    }


def _rounded(value: Any) -> Any:
    """Figures as they are told; not-a-number becomes None."""
    if isinstance(value, dict):
        return {key: _rounded(one) for key, one in value.items()}
    if isinstance(value, list):
        return [_rounded(one) for one in value]
    if isinstance(value, float):
        return round(value, 3) if math.isfinite(value) else None
    return value
