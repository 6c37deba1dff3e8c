"""An invented study: every car, figure and setup in it is made up. The same arguments give the same study."""

from datetime import date, timedelta

import numpy as np
import polars as pl

from models.schemas import (
    BASELINES,
    CAR_LOGS,
    CARS,
    CHANGES,
    CHECKS,
    CURVES,
    NEXT_LOGS,
    PATTERNS,
    QUALITY,
    WISHES,
    Study,
)

LETTERS = "0123456789ABCDEFGHJKMNPQRSTVWXYZ"
TAU_PCT = 2.4  # spread between the healthy cars
BANDS_RPM = np.arange(2500, 6750, 250)
SETUPS = (
    ("inline four 2.0", "standard", "standard", "stage one"),
    ("inline four 2.0", "upgrade A", "hybrid turbocharger", "flexible fuel"),
    ("inline six 3.0", "standard", "standard", "stage two"),
    ("inline six 3.0", "upgrade B", "twin larger turbochargers", "flexible fuel"),
    ("flat four 2.5", "standard", "larger turbocharger", "custom"),
    ("vee six 3.5", "standard", "standard", "factory"),
)


def make_study(cars: int = 40, seed: int = 7, logs_a_car: int | None = None) -> Study:
    """A study of `cars` invented cars; setups of several sizes, every signal, every pattern.

    logs_a_car: so many in the four quarters; some, without it.
    """
    rng = np.random.default_rng(seed)
    setups = list(SETUPS) + [
        (f"engine {i}", "standard", "standard", f"version {i}") for i in range(max(0, cars // 25 - len(SETUPS)))
    ]
    rows = [_car(rng, i, setups[int(rng.integers(len(setups)))], i / cars) for i in range(cars)]
    order = {"action": 0, "warning": 1, "undecided": 2, "clear": 3}
    limit = {"rail_short": 0, "reached": 1}
    rows.sort(key=lambda r: (limit.get(r["pump_limit"], 2), order[r["signal"]], -(r["excess_pct"] or -99.0)))
    if logs_a_car:
        rows = [row | {"logs_window": logs_a_car} for row in rows]
    frame = pl.DataFrame(rows, schema=CARS, orient="row")
    baselines = _baselines(rng, frame)
    return Study(
        quarter="2026Q3",
        cars=frame,
        changes=_changes(rng, frame),
        baselines=baselines,
        curves=_curves(rng, frame),
        car_logs=_car_logs(rng, frame),
        quality=_quality(rng, frame),
        summary=_summary(frame),
        next_logs=_next_logs(frame),
    )


def small_study() -> Study:
    """Two cars, both undecided, no log kept, no figure known: the least a study can hold."""
    rows = []
    for label in ("AAAA-0001", "BBBB-0002"):
        row = dict.fromkeys(CARS)
        row |= {"label": label, "setup": "one | standard", "engine": "one", "pump": "standard"}
        row |= {"peers": 1, "logs": 0, "pulls": 0, "logs_window": 0, "dropouts": 0, "pump_limit": "unknown"}
        row |= {"signal": "undecided", "pattern": "", "check_first": "few_peers"}
        rows.append(row)
    cars = pl.DataFrame(rows, schema=CARS, orient="row")
    quality = pl.DataFrame(
        [{"label": "AAAA-0001", "verdict": "refused", "reason": "not_a_log", "rows_in": 0, "rows_kept": 0,
          "pulls": 0, "findings": "not_a_log"}],
        schema=QUALITY,
    )  # fmt: skip
    empty = {name: pl.DataFrame(schema=schema) for name, schema in
             {"changes": CHANGES, "baselines": BASELINES, "curves": CURVES, "car_logs": CAR_LOGS}.items()}  # fmt: skip
    return Study(quarter="2026Q3", cars=cars, quality=quality, summary={"counts": {"cars": 2}}, **empty)


def _label(rng: np.random.Generator) -> str:
    letters = "".join(LETTERS[i] for i in rng.integers(0, 32, 8))
    return f"{letters[:4]}-{letters[4:]}"


def _car(rng: np.random.Generator, number: int, parts: tuple[str, ...], place: float) -> dict[str, object]:
    """One row of CARS. The first sixth are high, then a few of each other kind."""
    signal = "action" if place < 0.12 else "warning" if place < 0.25 else "undecided" if place < 0.35 else "clear"
    error = float(rng.uniform(1.2, 2.5)) if signal != "undecided" else float(rng.uniform(4.0, 7.0))
    excess = {"action": rng.uniform(10, 24), "warning": rng.uniform(5, 10)}.get(signal, rng.normal(0, 2.5))
    patterns = [PATTERNS[number % len(PATTERNS)]] if signal in ("action", "warning") else []
    if "low_for_peers" in patterns:
        excess, signal = -12.0, "warning"
    limit = {"out_of_volume": "rail_short", "dropouts_rail_collapses": "rail_short", "no_headroom": "reached"}
    logs = int(rng.integers(2, 7)) if signal != "undecided" else 1
    excess, half, z = _shrunk(float(excess), error)
    p = float(np.clip(0.5 * np.exp(-0.7 * max(z, 0) ** 1.2), 1e-9, 1))
    return {
        "label": _label(rng), "setup": " | ".join(parts),
        "engine": parts[0], "pump": parts[1], "boost_hardware": parts[2], "calibration": parts[3],
        "spell_since": date(2025, 3, 1) if number % 7 == 0 else None, "spell_until": None,
        "peers": int(rng.integers(2, 14)), "logs": logs, "pulls": logs * 3, "logs_window": logs + number % 4,
        "observed_duty_pct": round(62 + excess * 0.8, 1), "expected_duty_pct": 62.0,
        "excess_pct": round(100 * np.expm1(excess / 100), 3),
        "excess_low_pct": round(100 * np.expm1((excess - half) / 100), 3),
        "excess_high_pct": round(100 * np.expm1((excess + half) / 100), 3), "level_z": round(z, 3),
        "shape_low_z": 0.3, "shape_mid_z": -0.2, "shape_high_z": 0.9, "trend_z": 0.4,
        "since": date(2026, 7, 1) + timedelta(days=number % 60) if signal in ("action", "warning") else None,
        "dropouts": 3 if "dropouts" in "".join(patterns) else 0,
        "rail_deficits": None if number % 5 == 4 else 4 if "out_of_volume" in patterns else 0,
        "saturated_share": 0.2 if {"out_of_volume", "no_headroom"} & set(patterns) else 0.0,
        "pump_limit": limit.get(patterns[0], "none") if patterns else ("unknown" if number % 5 == 4 else "none"),
        "p_value": p, "q_value": min(1.0, p * 4), "signal": signal, "pattern": ";".join(patterns),
        "check_first": ";".join(dict.fromkeys([CHECKS[number % len(CHECKS)], CHECKS[(number * 3 + 1) % len(CHECKS)]]))
        if signal != "clear" else "",
        "detectable_excess_pct": round(half * 1.27, 1),
        "logs_needed": None if signal != "undecided" or number % 3 == 0 else int(rng.integers(1, 4)),
    }  # fmt: skip


def _shrunk(estimate: float, error: float) -> tuple[float, float, float]:
    """Excess, half its interval and the level's z, drawn towards nought as models.excess does. [100 ln(volume)]"""
    total = error**2 + TAU_PCT**2
    z = estimate / total**0.5
    gain = TAU_PCT**2 / total
    gain += (1 - gain) * float(np.clip(abs(z) - 2, 0, 1))
    return gain * estimate, 1.96 * gain**0.5 * error, z


def _changes(rng: np.random.Generator, cars: pl.DataFrame) -> pl.DataFrame:
    kinds = {"new": (None, 0), "worse": ("clear", -6), "better": ("action", 5), "repaired": ("action", 14)}
    rows = []
    for place, car in enumerate(cars.iter_rows(named=True)):
        change = list(kinds)[place] if place < len(kinds) else "same"
        before, step = kinds.get(change, (car["signal"], 0))
        rows.append({
            "label": car["label"], "setup": car["setup"], "signal_before": before, "signal_now": car["signal"],
            "excess_before_pct": None if before is None else car["excess_pct"] + step,
            "excess_now_pct": car["excess_pct"], "change": change,
        })  # fmt: skip
    rows.append({"label": "ZZZZ-0000", "setup": cars["setup"][0], "signal_before": "clear", "signal_now": None,
                 "excess_before_pct": 0.4, "excess_now_pct": None, "change": "gone"})  # fmt: skip
    return pl.DataFrame(rows, schema=CHANGES)


def _middle_pct(setup: str) -> np.ndarray:
    """A made-up duty curve of one setup: rises, then falls a little. [%]"""
    return 50 + 3 * (len(setup) % 7) + 22 * np.sin((BANDS_RPM - 1500) / 5200 * np.pi * 0.62)


def _baselines(rng: np.random.Generator, cars: pl.DataFrame) -> pl.DataFrame:
    rows = []
    for (setup,), group in cars.group_by("setup", maintain_order=True):
        middle, count = _middle_pct(str(setup)), group.height
        for band, duty in zip(BANDS_RPM, middle, strict=True):
            spread = float(rng.uniform(2.5, 3.5))
            rows.append({
                "setup": setup, "band_rpm": int(band), "cars": count, "pulls": count * 9, "demand_p50": 2.1,
                "ethanol_p50_pct": 22.0, "boost_p50_kpa": 120.0, "duty_p10_pct": duty - 2 * spread,
                "duty_p25_pct": duty - spread, "duty_p50_pct": duty, "duty_p75_pct": duty + spread,
                "duty_p90_pct": min(99.0, duty + 2 * spread), "expected_duty_pct": duty + 0.8,
                "saturated_share": 0.1 if duty > 85 else 0.0,
            })  # fmt: skip
    return pl.DataFrame(rows, schema=BASELINES)


def _curves(rng: np.random.Generator, cars: pl.DataFrame) -> pl.DataFrame:
    rows = []
    rise = (BANDS_RPM - 4500) / 2000
    for car in cars.iter_rows(named=True):
        lean = {"high_top_speeds": 8, "high_low_speeds": -8}.get(car["pattern"], 0)
        excess = car["excess_pct"] + lean * rise + rng.normal(0, 0.7, BANDS_RPM.size)
        expected = _middle_pct(car["setup"])
        duty = np.minimum(expected * (1 + 0.8 * excess / 100), 97.0)
        for i, band in enumerate(BANDS_RPM):
            rows.append({
                "label": car["label"], "setup": car["setup"], "spell_since": car["spell_since"], "band_rpm": int(band),
                "pulls": car["pulls"], "duty_pct": float(duty[i]), "expected_duty_pct": float(expected[i]),
                "peers_low_duty_pct": float(expected[i] - 5), "peers_high_duty_pct": float(expected[i] + 5),
                "excess_pct": float(excess[i]), "saturated_share": 0.6 if duty[i] >= 97 else 0.0,
            })  # fmt: skip
    return pl.DataFrame(rows, schema=CURVES)


def _car_logs(rng: np.random.Generator, cars: pl.DataFrame) -> pl.DataFrame:
    rows = []
    for place, car in enumerate(cars.iter_rows(named=True)):
        for i in range(car["logs_window"]):
            day = date(2026, 9, 28) - timedelta(days=21 * i + place % 9)
            excess = car["excess_pct"] + float(rng.normal(0, 1.5)) - (3.0 * i if car["pattern"] == "growing" else 0)
            rows.append({
                "label": car["label"], "setup": car["setup"], "spell_since": car["spell_since"],
                "log": f"{place:04d}{i:04d}", "date": day, "in_quarter": i < car["logs"], "pulls": 3,
                "excess_pct": excess, "excess_low_pct": excess - 4.0, "excess_high_pct": excess + 4.0,
                "duty_max_pct": 88.0, "dropouts": 1 if car["dropouts"] > i else 0,
                "rail_deficits": None if car["rail_deficits"] is None else min(car["rail_deficits"], 2),
            })  # fmt: skip
    return pl.DataFrame(rows, schema=CAR_LOGS)


def _quality(rng: np.random.Generator, cars: pl.DataFrame) -> pl.DataFrame:
    kept = {"verdict": "kept", "reason": None, "rows_in": 2400, "rows_kept": 2390, "pulls": 3}
    refused = {"verdict": "refused", "rows_kept": 0, "pulls": 0}
    rows: list[dict[str, object]] = []
    for place, car in enumerate(cars.iter_rows(named=True)):
        for i in range(car["logs"]):
            found = "encoding_assumed" if i == 1 else ""
            if place % 3 == 0:
                found = "barometer_assumed manifold_pressure_kpa"
            day = date(2026, 9, 28) - timedelta(days=21 * i)
            rows.append({"label": car["label"], "date": day, **kept, "findings": found})
    for i, reason in enumerate(("not_a_log", "empty", "no_header", "a_code_nobody_knows")):
        label, day = (None if i == 0 else cars["label"][i % cars.height]), (None if i < 2 else date(2026, 8, 3))
        rows.append({"label": label, "date": day, **refused, "reason": reason, "rows_in": 100 * i, "findings": reason})
    return pl.DataFrame(rows, schema=QUALITY)


def _next_logs(cars: pl.DataFrame) -> pl.DataFrame:
    """Every wish to somebody; only to wait where fuel ran short."""
    rows = []
    for place, car in enumerate(cars.filter(pl.col("signal") != "clear").iter_rows(named=True)):
        wish = "wait" if car["pump_limit"] == "rail_short" else WISHES[1:][place % (len(WISHES) - 1)]
        reckoned = car["signal"] == "undecided" and wish not in ("wait", "first_log", "more_cars")
        rows.append({
            "label": car["label"], "setup": car["setup"], "spell_since": car["spell_since"], "wish": wish,
            "count": 1 + place % 3 if wish in ("more_logs", "more_peers") else None,
            "low_rpm": 5250 if wish == "rev_range" else None, "high_rpm": 6750 if wish == "rev_range" else None,
            "would_find_pct": 9.5 + place % 2 if reckoned else None,
        })  # fmt: skip
    return pl.DataFrame(rows, schema=NEXT_LOGS)


def _outcome(cars: pl.DataFrame) -> dict[str, object]:
    against = {"label": cars["label"][0], "setup": cars["setup"][0], "quarter": "2026Q2", "signal": "action",
               "found": "nothing", "found_on": "2026-06-30"}  # fmt: skip
    return {
        "inspected": 3, "with_finding": 2, "share": 0.6667, "share_low": 0.0943, "share_high": 0.9916,
        "quarters": ["2026Q2", "2026Q3"], "undated": 1, "unmatched": 0, "contradicting": [against],
    }  # fmt: skip


def _summary(cars: pl.DataFrame) -> dict[str, object]:
    signals = dict(cars["signal"].value_counts().iter_rows())
    limits = dict(cars["pump_limit"].value_counts().iter_rows())
    counts = {"cars": cars["label"].n_unique(), "spells": cars.height, "logs_kept": int(cars["logs"].sum()),
              "logs_refused": 4, "pulls": int(cars["pulls"].sum()), "cells": int(cars["pulls"].sum()) * 17}  # fmt: skip
    counts |= {name: signals.get(name, 0) for name in ("action", "warning", "clear", "undecided")}
    counts |= {name: limits.get(name, 0) for name in ("rail_short", "reached")}
    law = {"family": "upgrade A", "round_share": 0.8, "round_share_low": 0.6, "round_share_high": 0.95}
    return {
        "quarter": "2026Q3", "made_with": {"pumpcensus": "0.1.0", "polars": "2.1.0", "duckdb": "2.0.1"},
        "counts": counts,
        "model": {"cross_validated_error_pct": 3.1, "coverage_80": 0.81, "coverage_95": 0.96, "tau_pct": TAU_PCT,
                  "duty_law": [law], "ceilings": [{"calibration": "custom", "ceiling_pct": 97.0, "learned": True}]},
        "budget": {"expected_false_actions": 0.2, "expected_false_warnings": 0.9, "median_detectable_excess_pct": 6.4},
        "outcome": _outcome(cars), "small_club": False, "rare_setups": [], "demo": True,
    }  # fmt: skip
