"""From what the rounds learned to one row of evidence a spell."""

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray
from scipy.stats import false_discovery_control, t

from models.design_matrix import Rows
from models.evidence import (
    combine_p,
    contrast_z,
    directions,
    event_p,
    join_events,
    one_sided_p,
    template_z,
    templates,
    third_contrasts,
)
from models.excess import LEVEL, SLOPE, FourNumbers, excess_interval
from models.learning import Learned
from models.power import logs_needed, needed_level
from models.signals import EXCESS_MIN_PCT, WARNING_P

Array = NDArray[np.float64]

TOLD_APART_SD = 0.10  # an expectation wider than this cannot tell the pump from its engine


@dataclass(frozen=True)
class Excesses:
    """Excess with its 95 % interval. [ln volume]

    overall: (units, 3) against the peers. parts: (units, parts, 3) of the thirds of the rev range and the quarter's
    end against the peers, then of each third against the car's other two and of the rise over the quarter: the
    latter four stand however unsure the car's level is, as where its ethanol was not measured.
    """

    overall: Array
    parts: Array

    def worth_acting(self, excess_min_pct: float) -> NDArray[np.bool_]:
        """True where one of them is at least so much, with its lower bound above 0. (units,)"""
        every = np.concatenate([self.overall[:, None], self.parts], axis=1)
        large = every[:, :, 0] >= np.log1p(excess_min_pct / 100)
        return np.asarray((large & (every[:, :, 1] > 0)).any(axis=1))


def freedom(healthy_cars: float) -> float:
    """Degrees of freedom of a car's variance: each healthy car of the fleet brings one squared deviation.

    Source: Satterthwaite 1946, Biometrics Bulletin 2:110, for a sum in which only the spread is estimated.
    """
    return max(6.0, healthy_cars)


def excesses(numbers: FourNumbers, spread: Array, degrees: float) -> Excesses:
    """Shrunk excess of every spell, overall and by parts."""
    count = len(numbers.values)
    level, rise = np.array([1.0, 0.0, 0.0, 0.0]), np.array([0.0, 0.0, 0.0, 1.0])
    ends = np.tile(level, (count, 1))
    ends[:, SLOPE] = np.where(numbers.dated, 1.0 - numbers.passed, 0.0)
    contrasts = list(third_contrasts().values())
    # three thirds average to the level: against the other two a third stands out by half as much again
    same = [level + a for a in contrasts] + [1.5 * a for a in contrasts]
    parts = [np.tile(a, (count, 1)) for a in same] + [ends, np.outer(numbers.dated, rise)]
    return Excesses(
        _interval(numbers, spread, np.tile(level, (count, 1)), degrees),
        np.stack([_interval(numbers, spread, part, degrees) for part in parts], axis=1),
    )


def _interval(numbers: FourNumbers, spread: Array, contrasts: Array, degrees: float) -> Array:
    rows = [
        excess_interval(float(a @ values), float(a @ S @ a), float(a @ spread @ a), degrees) if a.any() else (0.0,) * 3
        for a, values, S in zip(contrasts, numbers.values, numbers.covariance, strict=True)
    ]
    return np.array(rows).reshape(-1, 3)


def evidence(learned: Learned, events: pl.DataFrame, setups: pl.Series) -> pl.DataFrame:
    """One row a spell: excess, tests, p- and q-value, power. Spells without rows in the quarter have nulls.

    events: one row a spell in the same order, with logs, pulls, dropouts. setups: its setup, in the same order.
    """
    numbers, spread = learned.judged.numbers, learned.spread
    degrees = freedom(learned.healthy_cars)
    names = [shape.name for shape in templates()]
    z = np.column_stack([template_z(numbers, spread, directions(shape, numbers)) for shape in templates()])
    weights = np.array([shape.weight for shape in templates()])
    p_curve = combine_p(one_sided_p(z, degrees), weights)
    counted = events.select(pl.col("dropouts", "pulls", "logs").fill_null(0).cast(pl.Float64))
    p = join_events(p_curve, event_p(counted["dropouts"].to_numpy(), counted["pulls"].to_numpy()))
    q = false_discovery(p, numbers.judged)
    found = excesses(numbers, spread, degrees)
    variance = numbers.covariance[:, LEVEL, LEVEL] + spread[LEVEL, LEVEL]
    noticed = needed_level(numbers, spread, WARNING_P, degrees)
    level_z = contrast_z(numbers, spread, np.array([1.0, 0.0, 0.0, 0.0]))
    label_sd = _label_sd(learned.rows)
    table = pl.DataFrame(
        {
            "spell": learned.rows.spells.astype(np.int32),
            **{name: 100 * np.expm1(found.overall[:, k]) for k, name in enumerate(EXCESS_COLUMNS)},
            "level_z": level_z,
            **{f"shape_{name}_z": contrast_z(numbers, spread, a) for name, a in third_contrasts().items()},
            "trend_z": np.where(numbers.dated, contrast_z(numbers, spread, np.array([0.0, 0, 0, 1])), np.nan),
            "p_curve": p_curve,
            "p_value": p,
            "q_value": q,
            "p_low": t.cdf(level_z, degrees),
            "strongest": [names[k] for k in z.argmax(axis=1)],
            "worth_acting": found.worth_acting(EXCESS_MIN_PCT),
            "ethanol_explains": _ethanol_explains(found, label_sd, z, names),
            "detectable_excess_pct": 100 * np.expm1(noticed),
            "logs_needed": logs_needed(counted["logs"].to_numpy(), learned.judged.sampling, variance, noticed),
            "told_apart": _own_sd(learned) < TOLD_APART_SD,
            "healthy": learned.healthy,
            "judged": numbers.judged,
            "setup": setups,
        }
    )
    return _blank_unjudged(table).with_columns(
        peers_mostly_high=(pl.col("healthy").filter("judged").mean().over("setup") < 0.5).fill_null(False)
    )


EXCESS_COLUMNS = ("excess_pct", "excess_low_pct", "excess_high_pct")
EVIDENCE_FIGURES = (
    *EXCESS_COLUMNS,
    *("level_z", "shape_low_z", "shape_mid_z", "shape_high_z", "trend_z"),
    *("p_curve", "p_value", "q_value", "p_low"),
    *("detectable_excess_pct", "logs_needed"),
)


def false_discovery(p: Array, judged: NDArray[np.bool_]) -> Array:
    """q-value of each judged spell, nan else. Source: Benjamini & Hochberg 1995, J R Stat Soc B 57:289."""
    q = np.full(len(p), np.nan)
    if judged.any():
        q[judged] = false_discovery_control(np.clip(p[judged], 0.0, 1.0))
    return q


def _label_sd(rows: Rows) -> Array:
    """Standard deviation of ln(volume) from an ethanol content that was not measured. (units,)"""
    return np.array([rows.ethanol_sd[rows.of(unit)].mean() for unit in range(rows.units)])


def _ethanol_explains(found: Excesses, label_sd: Array, z: Array, names: list[str]) -> NDArray[np.bool_]:
    """A wrong label moves the level only: it explains an excess at all speeds up to two standard deviations."""
    level_only = np.array(names)[z.argmax(axis=1)] == "level"
    return (label_sd > 0) & (found.overall[:, 0] <= 2 * label_sd) & level_only


def _own_sd(learned: Learned) -> Array:
    rows = learned.rows
    return np.sqrt([learned.judged.own_variance[rows.of(unit)].mean() for unit in range(rows.units)])


def _blank_unjudged(table: pl.DataFrame) -> pl.DataFrame:
    floats = [name for name, dtype in table.schema.items() if dtype == pl.Float64 and name != "healthy"]
    return table.with_columns(pl.when("judged").then(pl.col(floats).fill_nan(None)))
