"""Gauge or absolute, and from that: manifold pressure, boost and barometer."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from ingest.channels import says
from ingest.column_fit import Fit
from ingest.findings import Finding
from ingest.mapping import PRESSURES, ChannelMap
from ingest.table import Values, finite, quantile

STANDARD_ATMOSPHERE_KPA = 101.325  # sea level of ISO 2533:1975
ABSOLUTE_MIN_KPA = 5.0  # no running engine draws its manifold below this
_SURELY_BELOW_ZERO_KPA = -2.0  # further below zero than a sensor's offset
_LOW_LOAD_GAUGE_MAX_KPA = 20.0  # no turbo holds more than this above ambient with the pedal up
_EDGE_SHARE = 0.02
_PEDAL_UP_SHARE = 0.05  # of the pedal's range in this log
_PEDAL_RANGE_MIN_PCT = 40.0
_IDLE_RPM = 1300.0
_SAMPLES_MIN = 10
_DISAGREE_KPA = 15.0


@dataclass(frozen=True)
class Pressures:
    """values: those of manifold, boost, target and barometer that are known [kPa]; fits: what each came from.

    refused: finding code where the manifold pressure is not to be had.
    """

    values: dict[str, Values]
    fits: dict[str, Fit]
    findings: tuple[Finding, ...]
    refused: str = ""


def low_load(channels: Mapping[str, Values]) -> np.ndarray | None:
    """Samples with the pedal (or throttle) up, else at idle speed; None where the log has too few."""
    for name in ("pedal_pct", "throttle_pct"):
        if name in channels and (known := finite(channels[name])).size:
            low, high = known.min(), known.max()
            if high - low >= _PEDAL_RANGE_MIN_PCT:
                up = channels[name] <= low + _PEDAL_UP_SHARE * (high - low)
                return up if up.sum() >= _SAMPLES_MIN else None
    idle = channels.get("engine_speed_rpm", np.array([])) < _IDLE_RPM
    return idle if idle.sum() >= _SAMPLES_MIN else None


def reference(fitted: Fit, mapped: str, unloaded: np.ndarray | None) -> tuple[str, str]:
    """("gauge" or "absolute", finding code or ""); ("", "reference_unclear") where nothing tells.

    In this order: the mapping file, the unit, the column's words, a pressure too low to be absolute, a pressure
    too high to be gauge with the pedal up, and the usual meaning of the name (boost gauge, MAP absolute).
    Vacuum at idle proves nothing by itself: an engine without a throttle idles at ambient pressure.
    """
    candidate = fitted.candidate
    if mapped:
        return mapped, ""
    if candidate.unit is not None and candidate.unit.reference:
        return candidate.unit.reference, ""
    for kind in ("absolute", "gauge"):
        if says(kind, candidate.words) or (kind == "absolute" and "map" in candidate.words):
            return _unless_impossible(kind, fitted.values)
    lowest = quantile(fitted.values, _EDGE_SHARE)
    if lowest < ABSOLUTE_MIN_KPA:
        proven = lowest < _SURELY_BELOW_ZERO_KPA and candidate.lean != "absolute"
        return "gauge", "" if proven or candidate.lean == "gauge" else "gauge_assumed"
    if unloaded is not None and np.isfinite(fitted.values[unloaded]).any():
        usual = float(np.nanmedian(fitted.values[unloaded]))
        if usual > _LOW_LOAD_GAUGE_MAX_KPA:
            return "absolute", "" if candidate.lean == "absolute" else "absolute_assumed"
    if candidate.lean:
        return candidate.lean, f"{candidate.lean}_assumed"
    return "", "reference_unclear"


def _unless_impossible(kind: str, values: Values) -> tuple[str, str]:
    if kind == "absolute" and finite(values).min() < 0.0 and quantile(values, _EDGE_SHARE) < 0.0:
        return "gauge", "gauge_assumed"
    return kind, ""


def resolve(fits: Mapping[str, Fit], channels: Mapping[str, Values], mapping: ChannelMap) -> Pressures:
    """Manifold pressure always absolute, boost and its target always gauge, whatever was logged.

    fits: those of manifold_pressure_kpa, boost_kpa, boost_target_kpa, barometric_pressure_kpa that were found.
    channels: other channels on the same clock, to tell when the engine is unloaded.
    """
    findings: list[Finding] = []
    unloaded = low_load(channels)
    read: dict[str, tuple[str, Fit]] = {}  # channel -> gauge or absolute, and what it came from
    for channel in PRESSURES:
        if channel in fits:
            kind, code = reference(fits[channel], mapping.of(channel).reference, unloaded)
            if code:
                findings.append(Finding(code, channel, detail=fits[channel].candidate.name))
            if kind:
                read[channel] = (kind, fits[channel])
    absolute = [f for c, (kind, f) in read.items() if kind == "absolute" and c != "boost_target_kpa"]
    gauge = [f for c, (kind, f) in read.items() if kind == "gauge" and c != "boost_target_kpa"]
    if not absolute and not gauge:
        unclear = any(channel in fits for channel in ("manifold_pressure_kpa", "boost_kpa"))
        return Pressures({}, {}, tuple(findings), "gauge_unclear" if unclear else "channel_missing")
    found = _together(absolute, gauge, fits.get("barometric_pressure_kpa"), findings)
    if "boost_target_kpa" in read:
        kind, fitted = read["boost_target_kpa"]
        air = found.values.get("barometric_pressure_kpa", STANDARD_ATMOSPHERE_KPA)
        found.values["boost_target_kpa"] = fitted.values - air if kind == "absolute" else fitted.values
        found.fits["boost_target_kpa"] = fitted
    return Pressures(found.values, found.fits, tuple(findings))


def _together(absolute: list[Fit], gauge: list[Fit], barometer: Fit | None, findings: list[Finding]) -> Pressures:
    """abs - gauge = barometric, always."""
    values: dict[str, Values] = {}
    fits: dict[str, Fit] = {}
    air: Values | float = STANDARD_ATMOSPHERE_KPA
    if barometer is not None:
        known = np.isfinite(barometer.values)
        air = barometer.values if known.all() else np.where(known, barometer.values, np.nanmedian(barometer.values))
        values["barometric_pressure_kpa"] = air
        fits["barometric_pressure_kpa"] = barometer
    if absolute:
        manifold = absolute[0].values
        boost = manifold - air
        fits["manifold_pressure_kpa"] = absolute[0]
        if gauge and np.nanmedian(np.abs(boost - gauge[0].values)) > _DISAGREE_KPA:
            findings.append(Finding("boost_contradicts_manifold", "boost_kpa", detail=gauge[0].candidate.name))
        elif gauge:
            boost = np.where(np.isfinite(gauge[0].values), gauge[0].values, boost)
            fits["boost_kpa"] = gauge[0]
        elif barometer is None:
            findings.append(Finding("boost_barometer_assumed", "boost_kpa"))
    else:
        boost = gauge[0].values
        manifold = boost + air
        fits["boost_kpa"] = gauge[0]
        if barometer is None:
            findings.append(Finding("barometer_assumed", "manifold_pressure_kpa"))
    values["manifold_pressure_kpa"], values["boost_kpa"] = manifold, boost
    return Pressures(values, fits, ())
