"""From what the rounds learned to one row of evidence a spell."""

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from models.design_matrix import Rows
from models.distributions import t_tail
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
    values, S = (contrasts * numbers.values).sum(axis=1), numbers.covariance
    variance, healthy = (((contrasts[:, None] @ M)[:, 0] * contrasts).sum(axis=1) for M in (S, spread))
    asked = (contrasts != 0).any(axis=1)  # a car without dates has no rise
    found = np.stack(excess_interval(values, variance, np.where(asked, healthy, 1.0), degrees), axis=1)
    return np.where(asked[:, None], found, 0.0)


def shown(learned: Learned) -> pl.DataFrame:
    """SHOWN: one row a spell, what its own logs say against what is expected of it.

    `logs_needed` wants its logs counted, `evidence` the other cars' rows too. Source of each: its own function.
    """
    numbers, spread = learned.judged.numbers, learned.spread
    degrees = freedom(learned.healthy_cars)
    names = [shape.name for shape in templates()]
    z = np.column_stack([template_z(numbers, spread, directions(shape, numbers)) for shape in templates()])
    weights = np.array([shape.weight for shape in templates()])
    found = excesses(numbers, spread, degrees)
    level_z = contrast_z(numbers, spread, np.array([1.0, 0.0, 0.0, 0.0]))
    label_sd = _by_spell(learned.rows, learned.rows.ethanol_sd)
    own_sd = np.sqrt(_by_spell(learned.rows, learned.judged.own_variance))
    table = {
        "spell": learned.rows.spells,
        **{name: 100 * np.expm1(found.overall[:, k]) for k, name in enumerate(EXCESS_COLUMNS)},
        "level_z": level_z,
        **{f"shape_{name}_z": contrast_z(numbers, spread, a) for name, a in third_contrasts().items()},
        "trend_z": np.where(numbers.dated, contrast_z(numbers, spread, np.array([0.0, 0, 0, 1])), np.nan),
        "p_curve": combine_p(one_sided_p(z, degrees), weights),
        "p_low": t_tail(-level_z, degrees),
        "strongest": [names[k] for k in z.argmax(axis=1)],
        "worth_acting": found.worth_acting(EXCESS_MIN_PCT),
        "ethanol_explains": _ethanol_explains(found, label_sd, z, names),
        "needed_level": needed_level(numbers, spread, WARNING_P, degrees),
        "told_apart": own_sd < TOLD_APART_SD,
        "healthy": learned.healthy,
        "judged": numbers.judged,
        **parts_of(learned),
    }
    return pl.DataFrame({name: pl.Series(name, table[name], dtype) for name, dtype in SHOWN.items()})


def parts_of(learned: Learned) -> dict[str, Array]:
    """Where the variance of each spell's level comes from. [ln volume, squared] (units,) each

    logs_variance: what more logs shrink, of it barometer_variance for want of one. ethanol_variance,
    unlogged_variance (lambda, intake air): for want of a measurement. peers_variance: of the expectation itself.
    healthy_variance: between healthy cars; nothing that is logged shrinks it. level_variance: of the level itself.
    """
    rows, now = learned.rows, learned.rows.in_quarter
    ethanol, unlogged, barometer = (
        _by_spell(rows, sd**2, now) for sd in (rows.ethanol_sd, rows.unlogged_sd, rows.barometer_sd)
    )
    new_log = np.r_[True, np.diff(rows.log) != 0] & now
    logs = np.add.reduceat(new_log, rows.starts[:-1], dtype=np.float64)
    sampling = learned.judged.sampling
    whole = learned.judged.numbers.covariance[:, LEVEL, LEVEL]
    return {
        "logs_variance": sampling,
        "barometer_variance": np.minimum(barometer / np.maximum(logs, 1.0), sampling),
        "ethanol_variance": ethanol,
        "unlogged_variance": unlogged,
        "peers_variance": np.maximum(whole - sampling - ethanol - unlogged, 0.0),
        "healthy_variance": np.full(len(whole), learned.spread[LEVEL, LEVEL]),
        "level_variance": whole,
    }


def evidence(shown: pl.DataFrame, events: pl.DataFrame) -> pl.DataFrame:
    """SHOWN of every spell -> p- and q-value, power, and how its peers stand, beside what was shown.

    events: spell, setup, logs, pulls, dropouts. Spells without rows in the quarter have nulls.
    """
    table = shown.join(events.select("spell", "setup", *COUNTED), on="spell", how="left", maintain_order="left")
    counted = {name: table[name].fill_null(0).cast(pl.Float64).to_numpy() for name in COUNTED}
    judged, noticed = table["judged"].to_numpy(), table["needed_level"].to_numpy()
    p = join_events(table["p_curve"].to_numpy(), event_p(counted["dropouts"], counted["pulls"]))
    sampling = table["logs_variance"].to_numpy()
    variance = table.select(pl.sum_horizontal("level_variance", "healthy_variance")).to_series().to_numpy()
    told = table.drop(COUNTED).with_columns(
        p_value=pl.Series(p),
        q_value=pl.Series(false_discovery(p, judged)),
        detectable_excess_pct=pl.Series(100 * np.expm1(noticed)),
        logs_needed=pl.Series(logs_needed(counted["logs"], sampling, variance, noticed)),
    )
    return _blank_unjudged(told).with_columns(
        peers_mostly_high=(pl.col("healthy").filter("judged").mean().over("setup") < 0.5).fill_null(False)
    )


COUNTED = ["dropouts", "pulls", "logs"]
EXCESS_COLUMNS = ("excess_pct", "excess_low_pct", "excess_high_pct")
TESTS = ("level_z", "shape_low_z", "shape_mid_z", "shape_high_z", "trend_z", "p_curve", "p_low")
VARIANCES = (
    "logs_variance", "barometer_variance", "ethanol_variance", "unlogged_variance", "peers_variance",
    "healthy_variance", "level_variance",
)  # fmt: skip
SHOWN = {
    "spell": pl.Int32,
    **dict.fromkeys((*EXCESS_COLUMNS, *TESTS), pl.Float64),
    "strongest": pl.String,
    "worth_acting": pl.Boolean,
    "ethanol_explains": pl.Boolean,
    "needed_level": pl.Float64,  # [ln volume]
    "told_apart": pl.Boolean,
    "healthy": pl.Float64,
    "judged": pl.Boolean,
    **dict.fromkeys(VARIANCES, pl.Float64),  # [ln volume, squared]
}


def false_discovery(p: Array, judged: NDArray[np.bool_]) -> Array:
    """q-value of each judged spell, nan else. Source: Benjamini & Hochberg 1995, J R Stat Soc B 57:289."""
    q = np.full(len(p), np.nan)
    if judged.any():
        order = np.flatnonzero(judged)[np.argsort(p[judged])[::-1]]  # the largest p first
        ranks = np.arange(len(order), 0, -1)
        q[order] = np.minimum.accumulate(np.clip(p[order] * (len(order) / ranks), 0.0, 1.0))
    return q


def _by_spell(rows: Rows, values: Array, among: NDArray[np.bool_] | None = None) -> Array:
    """Mean of values of rows, each spell's; among: of these rows only, 0 where it has none. (units,)"""
    chosen = np.ones(len(values)) if among is None else among.astype(np.float64)
    first = rows.starts[:-1]
    count = np.add.reduceat(chosen, first)
    return np.asarray(np.add.reduceat(values * chosen, first) / np.maximum(count, 1.0))


def _ethanol_explains(found: Excesses, label_sd: Array, z: Array, names: list[str]) -> NDArray[np.bool_]:
    """A wrong label moves the level only: it explains an excess at all speeds up to two standard deviations."""
    level_only = np.array(names)[z.argmax(axis=1)] == "level"
    return (label_sd > 0) & (found.overall[:, 0] <= 2 * label_sd) & level_only


def _blank_unjudged(table: pl.DataFrame) -> pl.DataFrame:
    floats = [name for name, dtype in table.schema.items() if dtype == pl.Float64 and name != "healthy"]
    return table.with_columns(pl.when("judged").then(pl.col(floats).fill_nan(None)))
