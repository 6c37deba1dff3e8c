"""What a quarter's cars show, some at a time, so that neither cells nor rows of a large fleet are held whole."""

from dataclasses import dataclass

import polars as pl

from models.curves import CAR_CURVES, car_curves, own_curves
from models.fleet import Material
from models.judgement import SHOWN, freedom, shown
from models.learning import Fleet, Learned, judge_others
from models.next_logs import Close, close_ones
from models.observed import Driven, ahead, together
from models.trend import LOG_EXCESS, log_table


@dataclass(frozen=True)
class Told:
    """Of every car, each against an expectation that it has not taught.

    driven: the quarter's observations counted. spells: SHOWN. curves: CAR_CURVES. logs: LOG_EXCESS.
    close: of `close_ones`.
    """

    driven: Driven
    spells: pl.DataFrame
    curves: pl.DataFrame
    logs: pl.DataFrame
    close: dict[int, Close]


def tell(material: Material, learned: Learned | None) -> Told:
    """The cars that taught, and then the others. learned: of the material's fleet; None where it has none."""
    counted, tables = [material.driven], []
    close: dict[int, Close] = {}
    if learned and material.fleet:
        tables.append(_tables(material.fleet, learned, material.ceilings, close))
    for driven, fleets in ahead(material.others()):
        counted.append(driven)
        if learned:
            tables += [_tables(one, judge_others(learned, one), material.ceilings, close) for one in fleets]
    none = [pl.DataFrame(schema=schema) for schema in (SHOWN, CAR_CURVES, LOG_EXCESS)]
    spells, curves, logs = (pl.concat(each) for each in zip(none, *tables, strict=True))
    return Told(together(counted), spells.sort("spell"), curves.sort("spell", "band_rpm"), logs, close)


def _tables(
    fleet: Fleet, learned: Learned, ceilings: pl.DataFrame, close: dict[int, Close]
) -> tuple[pl.DataFrame, pl.DataFrame, pl.DataFrame]:
    spells = shown(learned)
    close |= close_ones(learned, spells)
    curves = car_curves(fleet, learned, ceilings, freedom(learned.healthy_cars))
    judged = learned.judged
    logs = log_table(
        learned.rows, fleet.frame, judged.residual, judged.own_variance, own_curves(learned), learned.noise
    )
    # by way of Arrow, since the names of a few logs would keep those of all cells' logs in memory
    own_names = logs.select(LOG_EXCESS.keys()).to_arrow(compat_level=pl.CompatLevel.oldest())
    return spells, curves, pl.DataFrame(own_names)
