"""How far a study can be trusted: false-alarm budget, smallest excess found, calibration, hit rate."""

from dataclasses import dataclass
from typing import Any

from models.schemas import Study
from reports import wording
from reports.tables import UNKNOWN, counted, figure


@dataclass(frozen=True)
class Fact:
    """One figure: its name, its value as text, and what it means for the reader."""

    name: str
    value: str
    meaning: str


def trust(study: Study) -> list[Fact]:
    """Facts about the study itself; a figure that was not measured is said to be unknown."""
    summary = study.summary
    return [
        *_budget(summary.get("budget", {})),
        *_model(summary.get("model", {})),
        *outcome(study),
    ]


def _budget(budget: dict[str, Any]) -> list[Fact]:
    return [
        Fact(
            "Healthy cars to be expected among those that need attention",
            figure(budget.get("expected_false_actions")),
            "The study's own budget: so many such signals chance alone may give in a fleet like this.",
        ),
        Fact(
            "Healthy cars to be expected among those to watch",
            figure(budget.get("expected_false_warnings")),
            "The same for the weaker signal.",
        ),
        Fact(
            "Smallest excess at all engine speeds found in four of five cases, median car",
            _pct(budget.get("median_detectable_excess_pct")),
            "Of fuel volume. A car with fewer logs or peers needs a larger one; its card says how large.",
        ),
    ]


def _model(model: dict[str, Any]) -> list[Fact]:
    facts = [
        Fact(
            "Error of the expectation for a car it has not seen",
            _pct(model.get("cross_validated_error_pct")),
            "In per cent of volume, each car predicted from the others.",
        ),
        Fact(
            "Bands of each car inside their 80 % and 95 % intervals",
            f"{_share(model.get('coverage_80'))} and {_share(model.get('coverage_95'))}",
            "Should be near 80 % and 95 %. Well below: the intervals are too narrow, read them with care.",
        ),
        Fact(
            "Spread between healthy cars",
            _pct(model.get("tau_pct")),
            "Standard deviation of what healthy cars differ by for no reason a log shows.",
        ),
    ]
    meaning = (
        "By pump | calibration, with its 95 % interval. 0: duty is volume already. 1: duty is the closed share of a "
        "round lobe, so that the last points of duty bring hardly any more volume."
    )
    for law in model.get("duty_law") or []:
        low, high = figure(law.get("round_share_low"), 2), figure(law.get("round_share_high"), 2)
        value = f"{figure(law.get('round_share'), 2)} ({low} to {high})"
        facts.append(Fact(f"From duty to volume, {law.get('family')}", value, meaning))
        meaning = "As above."
    for ceiling in model.get("ceilings") or []:
        source = (
            "Learned from plateaus of these logs."
            if ceiling.get("learned")
            else "Assumed: no plateau was seen in these logs."
        )
        facts.append(
            Fact(
                f"Highest duty of calibration {ceiling.get('calibration')}",
                _pct(ceiling.get("ceiling_pct")),
                source,
            )
        )
    return facts


def outcome(study: Study) -> list[Fact]:
    """What technicians found in the cars that this study and earlier ones spoke of."""
    told = study.summary.get("outcome", {})
    inspected = told.get("inspected") or 0
    value, when = "none inspected yet", ""
    if inspected:
        low, high = _share(told["share_low"]), _share(told["share_high"])
        value = f"{told['with_finding']} of {inspected} (95 % interval {low} to {high})"
        when = f"Inspections that answer the studies of {', '.join(told['quarters'])}. "
    facts = [
        Fact(
            "Cars that needed attention, inspected, with something found",
            value,
            f"{when}From the roster. It is no sensitivity, for it does not say how many sick cars are missed: cars "
            f"that look well are seldom inspected.{_left_out(told)}",
        )
    ]
    if told.get("contradicting"):
        facts.append(
            Fact(
                "Findings that contradict the signal",
                "; ".join(map(_against, told["contradicting"])),
                "Worth a second look by whoever inspected, and at the logs: either may be wrong.",
            )
        )
    return facts


def _against(row: dict[str, Any]) -> str:
    found = "nothing found" if row["found"] == "nothing" else f"found: {row['found']}"
    return f"{row['label']}, {wording.signal(row['signal']).word} in {row['quarter']}, {found} on {row['found_on']}"


def _left_out(told: dict[str, Any]) -> str:
    parts = []
    if told.get("undated"):
        parts.append(f"{counted(told['undated'], 'finding')} without a day (found_on)")
    if told.get("unmatched"):
        parts.append(f"{counted(told['unmatched'], 'finding')} of cars that no study had spoken of by then")
    return f" Not counted: {' and '.join(parts)}." if parts else ""


def _pct(value: float | None) -> str:
    return UNKNOWN if value is None else f"{figure(value)} %"


def _share(value: float | None) -> str:
    return UNKNOWN if value is None else f"{figure(100 * value, 0)} %"
