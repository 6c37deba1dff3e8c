"""Does a car with a rare setup fit the cars of another pump? Then its roster row is in doubt."""

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from models.design_matrix import design
from models.distributions import normal_log_density
from models.excess import LEVEL, estimate
from models.expected_duty import block, fit, leave_out
from models.learning import Fleet, Learned
from models.variances import unmeasured, within

Array = NDArray[np.float64]
ALIKE = ("engine", "boost_hardware", "calibration", "port_injection")
OTHER_PUMPS = {"spell": pl.Int32, "other_pump": pl.String, "other_pump_ln_bayes_factor": pl.Float64}


@dataclass(frozen=True)
class OtherPumpRule:
    """setup_cars_max: cars in a setup that is rare enough to ask. others_min: cars alike but for their pump."""

    setup_cars_max: int = 3
    others_min: int = 3


def other_pumps(fleet: Fleet, learned: Learned, rule: OtherPumpRule = OtherPumpRule()) -> pl.DataFrame:
    """OTHER_PUMPS: one row a spell that could be asked, with the pump whose cars it fits best.

    ln of how much likelier the car's level is with that pump than with the roster's: ln N(l'; 0, G + S') minus
    ln N(l; 0, G + S), both by expectations that no car of its setup has taught. Where nobody else says what the
    roster's pump needs, S is wide, and a level that is just the others' would be a coincidence.
    Source: Kass & Raftery 1995, J Am Stat Assoc 90:773.
    """
    pairs = _pairs(fleet, learned, rule)
    if pairs.is_empty():
        return pl.DataFrame(schema=OTHER_PUMPS)
    logs = [_ln_density(level, variance, learned) for level, variance in _levels(fleet, learned, pairs)]
    return (
        pairs.with_columns(ln_density=pl.Series(logs))
        .with_columns(
            other_pump_ln_bayes_factor=pl.col("ln_density") - pl.col("ln_density").filter("own").first().over("unit"),
            spell=pl.Series(learned.rows.spells[pairs["unit"].to_numpy()]),
        )
        .filter(~pl.col("own"))
        .sort("spell", "other_pump_ln_bayes_factor", "pump")
        .unique("spell", keep="last", maintain_order=True)
        .select(
            pl.col("spell").cast(pl.Int32), other_pump="pump", other_pump_ln_bayes_factor="other_pump_ln_bayes_factor"
        )
    )


def _pairs(fleet: Fleet, learned: Learned, rule: OtherPumpRule) -> pl.DataFrame:
    """unit, setup, pump, own: spells of rare setups, each with its own row and with those of every other pump."""
    first = fleet.frame[learned.rows.starts[:-1].tolist()].select("label", "setup", "pump", *ALIKE)
    spells = first.with_row_index("unit").with_columns(judged=pl.Series(learned.judged.numbers.judged))
    setups = spells.group_by("setup", "pump", *ALIKE).agg(cars=pl.col("label").n_unique())
    rare = spells.join(setups.filter(pl.col("cars") <= rule.setup_cars_max).select("setup"), on="setup")
    others = setups.filter(pl.col("cars") >= rule.others_min).rename({"setup": "other_setup", "pump": "other_pump"})
    alike = (
        rare.filter("judged").join(others, on=ALIKE, nulls_equal=True).filter(pl.col("pump") != pl.col("other_pump"))
    )
    own = alike.select("unit", "setup", "pump", own=pl.lit(True)).unique()
    other = alike.select("unit", setup="other_setup", pump="other_pump", own=pl.lit(False))
    return pl.concat([own, other]).sort("unit", "own", "setup")


def _levels(fleet: Fleet, learned: Learned, pairs: pl.DataFrame) -> list[tuple[float, float]]:
    """Level and its variance of each pair."""
    rows, curve = learned.rows, learned.spread[:3, :3]
    _, A, b = fit(rows, fleet.design, learned.y, learned.noise, curve, learned.weights, learned.expectation.prior_sd)
    parts = [rows.of(unit) for unit in pairs["unit"]]
    frames = [
        fleet.frame[part].with_columns(pump=pl.lit(pump), setup=pl.lit(setup), spell=pl.lit(number, pl.Int32))
        for number, (part, setup, pump) in enumerate(zip(parts, pairs["setup"], pairs["pump"], strict=True))
    ]
    X = design(pl.concat(frames), like=fleet.like).X
    setup_of = fleet.frame[rows.starts[:-1].tolist()]["setup"]
    levels, at = [], 0
    for unit, part in zip(pairs["unit"], parts, strict=True):
        one_X = X[slice(at, at := at + part.stop - part.start)]
        kin = setup_of == setup_of[unit]
        cars = np.isin(fleet.cars, fleet.cars[kin.to_numpy()])
        out = np.flatnonzero(cars).tolist()
        taken = [block(rows, fleet.design, other, learned.y, learned.noise, curve) for other in out]
        coefficients, uncertainty = leave_out(A, b, taken, [learned.weights[other] for other in out])
        beyond = unmeasured(rows, part) + one_X @ uncertainty @ one_X.T
        own = estimate(rows, part, learned.y[part] - one_X @ coefficients, within(rows, part, learned.noise), beyond)
        levels.append((float(own.values[LEVEL]), float(own.covariance[LEVEL, LEVEL])))
    return levels


def _ln_density(level: float, variance: float, learned: Learned) -> float:
    sd = np.sqrt(learned.spread[LEVEL, LEVEL] + variance)
    return float(normal_log_density(level / sd) - np.log(sd))
