"""Each channel to its column, each column to its channel: the values decide what words and units left open."""

from collections.abc import Mapping

import numpy as np

from ingest.channels import CLOCK, SAME_COLUMN_TIE, TIE, Claims, rules
from ingest.column_fit import Fit, fit
from ingest.findings import Finding
from ingest.mapping import ChannelMap
from ingest.table import Table, Values

NEEDED = ("engine_speed_rpm", "pump_duty_pct")


def assign(claims: Claims, table: Table, mapping: ChannelMap) -> tuple[dict[str, Fit], list[Finding]]:
    """(channel -> its column, findings). A tie is a finding, never guessed.

    A channel without any fitting column is left out; why its columns did not fit is a finding.
    """
    fits: dict[str, list[Fit]] = {}
    findings: list[Finding] = []
    for channel, candidates in claims.candidates.items():
        if channel == CLOCK:
            continue
        said = mapping.of(channel)
        tried = [
            fit(
                c,
                rules()[channel],
                table.numbers[c.column],
                mapped=bool(said.column),
                stoichiometric=said.stoichiometric_ratio,
                ends=table.ends.get(c.column),
            )
            for c in candidates
            if c.column in table.numbers
        ]
        fits[channel] = [result for result in tried if isinstance(result, Fit)]
        if not fits[channel]:
            failed = zip(candidates, tried, strict=False)
            findings += [Finding(code, channel, detail=c.name) for c, code in failed if isinstance(code, str)]
    _one_channel_a_column(fits, findings)
    chosen: dict[str, Fit] = {}
    for channel, found in fits.items():
        best, finding = _best(channel, found)
        if best:
            chosen[channel] = best
        if finding:
            findings.append(finding)
    return chosen, findings + _about_chosen(chosen)


def _one_channel_a_column(fits: dict[str, list[Fit]], findings: list[Finding]) -> None:
    """Leave each column to the channel that claims it best; to none where several claim it equally well."""
    claimed: dict[int, dict[str, Fit]] = {}
    for channel, found in fits.items():
        for result in found:
            claimed.setdefault(result.candidate.column, {})[channel] = result
    for column, claimants in claimed.items():
        if len(claimants) == 1:
            continue
        best = max(result.candidate.score for result in claimants.values())
        equal = {c: f for c, f in claimants.items() if best - f.candidate.score < SAME_COLUMN_TIE}
        if len(equal) > 1:
            equal = {c: f for c, f in equal.items() if np.nanmax(f.values) >= rules()[c].reaches}
        if len(equal) != 1:
            findings += [_ambiguous(c, [f.candidate.name]) for c, f in (equal or claimants).items()]
        for channel in claimants:
            if len(equal) != 1 or channel not in equal:
                fits[channel] = [f for f in fits[channel] if f.candidate.column != column]


def _best(channel: str, found: list[Fit]) -> tuple[Fit | None, Finding | None]:
    """The best of a channel's columns; None where several are equal and differ in their values."""
    clear = [f for f in found if not f.candidate.unclear]
    if len(clear) == 1:
        return clear[0], None
    if not clear:
        return None, _ambiguous(channel, [f.candidate.name for f in found]) if found else None
    first, *others = clear
    equal = [f for f in others if first.candidate.score - f.candidate.score < TIE]
    if any(not _same(first.values, f.values) for f in equal):
        return None, _ambiguous(channel, [f.candidate.name for f in (first, *equal)])
    if equal:
        names = ", ".join(f.candidate.name for f in (first, *equal))
        return first, Finding("channel_twice", channel, detail=names)
    return first, None


def _same(one: Values, other: Values) -> bool:
    """Whether two columns say the same, up to rounding, where both have a value."""
    spread = float(np.nanmax(one) - np.nanmin(one))
    differ = np.abs(one - other)
    both = differ[np.isfinite(differ)]
    return bool(both.size) and float(np.median(both)) <= 0.01 * spread


def _ambiguous(channel: str, names: list[str]) -> Finding:
    code = "needed_channel_ambiguous" if channel in NEEDED else "channel_ambiguous"
    return Finding(code, channel, detail=", ".join(names))


def _about_chosen(chosen: Mapping[str, Fit]) -> list[Finding]:
    findings = []
    for channel, result in chosen.items():
        if result.assumed:
            findings.append(Finding(result.assumed, channel, detail=result.candidate.name))
        if rules()[channel].target == "either" and result.candidate.is_target:
            findings.append(Finding("requested_not_actual", channel, detail=result.candidate.name))
    return findings
