"""What the values of a column say: its unit where none is given, and whether they can be the channel at all."""

from dataclasses import dataclass

import numpy as np

from ingest.channels import Candidate, Rule, normalised
from ingest.table import Values, finite, quantile
from ingest.units import Unit, scale_and_offset

_SHARE_TOP = (0.2, 1.05)  # highest value of a percentage that is written as a share of 1
_EDGE_SHARE = 0.01  # so much at either end is left to glitches when a unit is told from the values
_AFR_RANGE = (7.0, 30.0)  # medians; lambda lies well below
_LAMBDA_RANGE = (0.5, 2.5)


@dataclass(frozen=True)
class Fit:
    """A candidate whose values fit.

    values: in our unit, NaN where missing. assumed: finding code or "". complete: surely none is missing.
    """

    candidate: Candidate
    values: Values
    assumed: str = ""
    complete: bool = False


def fit(
    candidate: Candidate,
    rule: Rule,
    values: Values,
    *,
    mapped: bool,
    stoichiometric: float,
    ends: tuple[float, float] | None = None,
) -> Fit | str:
    """The candidate in our unit, or the finding code that says why it is not the channel.

    mapped: a mapping file says that this is the channel, so only its unit is left to find.
    stoichiometric: air-fuel ratio that the column shows at lambda 1. ends: as in Table.
    """
    known = values if ends else finite(values)
    if not known.size:
        return "channel_empty"
    low, high = ends or (float(known.min()), float(known.max()))
    complete = known is values
    if not candidate.known_unit:
        return "unit_unknown"
    if rule.quantity == "ratio":
        return _lambda(candidate, values, known, (low, high), stoichiometric)
    if rule.quantity == "none":
        is_plausible = _mostly_within(known, (low, high), rule.plausible)
        return Fit(candidate, values, complete=complete) if is_plausible else "unit_contradicted"
    if rule.may_be_share and _SHARE_TOP[0] < high <= _SHARE_TOP[1]:
        return Fit(candidate, values * 100.0, "duty_as_share" if "duty" in rule.name else "unit_assumed", complete)
    if candidate.unit is None:
        return _by_values(candidate, rule, values, known)
    scale, offset = scale_and_offset(candidate.unit.name, rule.unit)
    if (scale, offset) != (1.0, 0.0):
        values = values * scale + offset
        known, low, high = known * scale + offset, low * scale + offset, high * scale + offset
    if not mapped and not _mostly_within(known, (low, high), rule.plausible):
        return "unit_contradicted"
    return Fit(candidate, values, complete=complete)


def _mostly_within(known: Values, ends: tuple[float, float], plausible: tuple[float, float]) -> bool:
    """Whether the usual value is plausible; single impossible ones are a matter of quality, not of unit."""
    least, most = plausible
    return (least <= ends[0] and ends[1] <= most) or bool(least <= np.median(known) <= most)


def _by_values(candidate: Candidate, rule: Rule, values: Values, known: Values) -> Fit | str:
    """The first of the rule's bare units in which nearly all values are plausible."""
    low, high = quantile(known, _EDGE_SHARE), quantile(known, 1.0 - _EDGE_SHARE)
    if high <= rule.unclear_up_to and high > 0:
        return "unit_unclear"
    for unit in rule.bare:
        scale, offset = scale_and_offset(unit, rule.unit)
        if (
            rule.plausible[0] <= low * scale + offset
            and high * scale + offset <= rule.plausible[1]
            and known.max() * scale + offset >= rule.reaches
        ):
            return Fit(candidate, values * scale + offset, "unit_assumed" if len(rule.bare) > 1 else "")
    return "unit_unclear"


def _lambda(
    candidate: Candidate, values: Values, known: Values, ends: tuple[float, float], stoichiometric: float
) -> Fit | str:
    """Lambda from lambda, an air-fuel ratio or phi.

    The "commanded equivalence ratio" of SAE J1979 (PID 44) is lambda and stays as it is; only a name that says
    phi or fuel-air is inverted.
    """
    name = " ".join(normalised(candidate.name))
    is_phi = "fuel air" in name.replace("air fuel", "") or "kraftstoff luft" in name
    is_phi = is_phi or bool({"phi", "φ"} & set(name.split())) or candidate.unit == Unit("phi", "ratio")
    is_lambda, complete = _mostly_within(known, ends, _LAMBDA_RANGE), known is values
    if is_phi and is_lambda:
        with np.errstate(divide="ignore"):
            inverse = np.where(values > 0, 1.0 / values, np.nan)
        return Fit(candidate, inverse, "lambda_from_phi")
    if is_lambda:
        return Fit(candidate, values, complete=complete)
    if _mostly_within(known, ends, _AFR_RANGE):
        return Fit(candidate, values / stoichiometric, "lambda_from_afr", complete)
    return "unit_contradicted"


def is_bare_equivalence_ratio(candidate: Candidate) -> bool:
    """A name that says equivalence ratio and no more may mean lambda or its inverse.

    J1979's is called commanded; combustion texts mean phi.
    """
    words = candidate.words
    return "equivalence" in words and not words & {"commanded", "air", "lambda", "phi", "fuel"}
