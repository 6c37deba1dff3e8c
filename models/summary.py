"""Counts, model figures and versions of a study, ready for JSON."""

from importlib.metadata import PackageNotFoundError, version
from typing import Any

import numpy as np
import polars as pl

from models.curves import calibration_figures
from models.fleet import Material
from models.learning import Learned
from models.outcome import outcome, said
from models.signals import SignalRule

MADE_WITH = ("pumpcensus", "polars", "duckdb", "numpy", "scipy")
SMALL_CLUB = 10  # cars; below this a rare setup points at its owner


def summarize(
    quarter: str,
    cars: pl.DataFrame,
    material: Material,
    learned: Learned | None,
    quality: pl.DataFrame,
    cells: int,
    earlier: pl.DataFrame | None = None,
) -> dict[str, Any]:
    """Keys: quarter, made_with, counts, model, budget, borrowed, outcome, small_club, rare_setups.

    cells: of the quarter. earlier: SAID of studies before this one, for what was found since.
    """
    alone = cars.group_by("setup").agg(pl.col("label").n_unique()).filter(pl.col("label") == 1)
    return {
        "quarter": quarter,
        "made_with": {name: _version(name) for name in MADE_WITH},
        "counts": _counts(cars, material, quality, cells),
        "model": _model(material, learned),
        "budget": _budget(cars),
        "borrowed": material.borrowed,
        "outcome": outcome(pl.concat([said(cars, quarter), *([] if earlier is None else [earlier])]), material.spells),
        "small_club": cars["label"].n_unique() < SMALL_CLUB,
        "rare_setups": alone["setup"].sort().to_list(),
    }


def _version(package: str) -> str:
    try:
        return version(package)
    except PackageNotFoundError:
        return "from source"


def _counts(cars: pl.DataFrame, material: Material, quality: pl.DataFrame, cells: int) -> dict[str, int]:
    now = int(material.pulls["in_quarter"].sum())
    signals = {name: int((cars["signal"] == name).sum()) for name in ("action", "warning", "clear", "undecided")}
    limits = {name: int((cars["pump_limit"] == name).sum()) for name in ("rail_short", "reached")}
    return {
        "cars": cars["label"].n_unique(),
        "spells": cars.height,
        "logs_kept": int((quality["verdict"] == "kept").sum()),
        "logs_refused": int((quality["verdict"] == "refused").sum()),
        "pulls": now,
        "cells": cells,
        **signals,
        **limits,
    }


def _model(material: Material, learned: Learned | None) -> dict[str, Any]:
    """Figures of the expectation: how well it foretells a car it has not seen, and what it learned."""
    if learned is None:
        return {}
    law, sd = learned.law, np.sqrt(np.diag(learned.spread))
    figures = {name: round(value, 4) for name, value in calibration_figures(learned).items()}
    noise = {f"{name}_sd_pct": round(100 * getattr(learned.noise, name), 3) for name in ("log", "pull", "cell")}
    return {
        **figures,
        "tau_pct": round(100 * float(sd[0]), 3),
        "tilt_sd_pct": round(100 * float(sd[1]), 3),
        "bow_sd_pct": round(100 * float(sd[2]), 3),
        **noise,
        "duty_law": [
            {
                "family": family,
                "round_share": round(float(value), 3),
                "round_share_low": round(float(low), 3),
                "round_share_high": round(float(high), 3),
            }
            for family, value, low, high in zip(law.family, law.values, law.low, law.high, strict=True)
        ],
        "ceilings": material.ceilings.to_dicts(),
    }


def _budget(cars: pl.DataFrame, rule: SignalRule = SignalRule()) -> dict[str, float | None]:
    """False alarms to expect: of the actions at most q, of healthy cars' warnings about the warning's own p."""
    judged = cars.filter(pl.col("p_value").is_not_null())
    acted = int((cars["signal"] == "action").sum())
    median = judged["detectable_excess_pct"].median()
    return {
        "expected_false_actions": round(rule.q_max * acted, 2),
        "expected_false_warnings": round((rule.warning_p + rule.low_p) * (judged.height - acted), 2),
        "median_detectable_excess_pct": round(float(median), 2) if isinstance(median, float) else None,
    }
