"""Whether a car, or a new car of a setup, that later drives a stronger blend stays below the bound told beforehand.

python tests/benchmarks/headroom.py [--fleets SHARE] [--workers 2] [--out FILE] [--rows FILE] [--keep FOLDER]

Fleets are invented as cells, half of them with straight duty, half with round lobes; 15 % of the cars have a fault.
From one quarter the bound is told for each car at a stronger blend and another boost, and for cars that join later and
are in no table yet, from their setup alone. Then each drives one pull there with the traits it has. `held`: its highest
true share over all bands, asked for and not cut at the ceiling, is at most the bound. `kept`: the same car drives
another pull at the highest ethanol content told, where the pump and not the fleet's experience was the limit, and the
reserve of 10 % is kept. Also: whether five pulls all stay below; cars whose present fault stays as it is.
"""

import sys
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl

sys.path.insert(0, str(Path(__file__).parent))

from many_fleets import LAWS, TODAY, Job, cell, in_parallel, jobs_of, made, parser, save, share, table

from models.fleet import Material, gather, window
from models.headroom import asker_of
from models.headroom_question import Question
from models.later_pull import with_mixture
from models.learning import Learned, learn
from synthetic_fleet.direct_cells import Car
from synthetic_fleet.later_blend import Later, asked_shares, later_blend, usual_boost_kpa

MAIN = {80: (61_000, 22), 24: (62_000, 56)}  # cars: first seed, fleets
JOINING = {80: 20, 24: 8}
CARS_ASKED = {80: 24, 24: 12}  # of each fleet, the first so many by label
STRONGER_POINTS = (5.0, 20.0)
BOOST_SD = 0.04
PULLS = 5
LATER_DAY = 135  # the middle of the next quarter


def one_fleet(job: Job) -> pl.DataFrame:
    """A row a car asked for."""
    later = later_blend(job.cars, job.seed, joining=JOINING[job.cars], round_share=LAWS[job.law])
    tables = later.earlier
    when = window("2026Q3", tables.ledger, TODAY)
    material = gather(tables.cells, tables.pulls, tables.ledger, tables.roster, when, TODAY)
    learned = learn(material.fleet)
    every = with_mixture(material.observations, tables.cells)
    rng = np.random.default_rng((job.seed, 3))
    whose = [(label, later.logged[label], True) for label in list(later.logged)[: CARS_ASKED[job.cars]]]
    whose += [(label, car, False) for label, car in later.joined.items()]
    rows = [asked(material, learned, every, later, one, rng) for one in whose]
    tag = {"set": pl.lit(job.set), "cars": pl.lit(job.cars), "seed": pl.lit(job.seed), "law": pl.lit(job.law)}
    return pl.DataFrame([row for row in rows if row], schema=ROW, orient="row").with_columns(**tag)


ROW = {
    "label": pl.String,
    "whose": pl.String,  # car or setup
    "fault": pl.String,
    "ethanol_pct": pl.Float64,
    "why_none": pl.String,
    "median_pct": pl.Float64,
    "upper_pct": pl.Float64,
    "true_pct": pl.Float64,
    "highest_pct": pl.Float64,  # over five pulls
    "limit_pct": pl.Float64,  # highest ethanol content told
    "limit_by": pl.String,
    "true_at_limit_pct": pl.Float64,
}


def asked(
    material: Material, learned: Learned, every: pl.DataFrame, later: Later, one: tuple[str, Car, bool], rng: Any
) -> dict[str, Any] | None:
    label, car, logged = one
    blend = car.ethanol_pct + rng.uniform(*STRONGER_POINTS)
    boost = usual_boost_kpa(car) * np.exp(rng.normal(0, BOOST_SD))
    setup = later.setups[label]
    rows = every.filter(pl.col("label") == label if logged else pl.col("setup") == setup)
    if rows.is_empty():
        return None
    question = Question(None if logged else setup, label if logged else None, blend, boost)
    asker = asker_of(material, learned, every, rows, question)
    none = asker.why_none(blend, boost)
    told = {"label": label, "whose": "car" if logged else "setup", "fault": car.fault, "ethanol_pct": blend}
    if none:
        return told | dict.fromkeys(ROW.keys() - told.keys()) | {"why_none": none}
    bound, limit = asker.bound(blend, boost), asker.highest_ethanol(boost)
    pulls = [100 * float(asked_shares(rng, car, blend, boost, LATER_DAY).max()) for _ in range(PULLS)]
    top = limit["highest_ethanol_pct"]
    there = None if top is None else 100 * float(asked_shares(rng, car, top, boost, LATER_DAY).max())
    return told | {
        "why_none": "", "median_pct": bound["share_pct"], "upper_pct": bound["share_upper_pct"], "true_pct": pulls[0],
        "highest_pct": max(pulls), "limit_pct": top, "limit_by": limit["highest_ethanol_by"],
        "true_at_limit_pct": there,
    }  # fmt: skip


def figures(rows: pl.DataFrame) -> dict[str, Any]:
    told = rows.filter(pl.col("why_none") == "")
    limited = told.filter(pl.col("limit_by") == "reserve")
    return {
        "held": share(told, pl.col("true_pct") <= pl.col("upper_pct")),
        "kept": share(limited, pl.col("true_at_limit_pct") <= 90.0),
        "below_median": share(told, pl.col("true_pct") <= pl.col("median_pct")),
        "five_pulls_held": share(told, pl.col("highest_pct") <= pl.col("upper_pct")),
        "no_figure": share(rows, pl.col("why_none") != ""),
        "bound_over_median_pct": round(float((told["upper_pct"] / told["median_pct"]).mean() * 100 - 100), 2),
    }


SOUND = pl.col("fault").is_in(["", "sticking"])  # sticking: dropouts, with a sound pump's volume between them
STAYING = pl.col("fault").is_in(["worn", "starved", "leak"])  # a drift grows on: no log tells how far
NAMED = {
    "held": "one later pull stays below the bound",
    "kept": "reserve kept at the highest ethanol content told",
    "below_median": "one later pull below the middle told",
    "five_pulls_held": "five later pulls all stay below the bound",
    "no_figure": "no figure: outside what the fleet has driven",
}


def markdown(result: dict[str, Any]) -> str:
    """The result as a table of docs/performance.md."""
    heads, columns = [], []
    for size, group in result["fleets"].items():
        for whose in ("car", "setup"):
            heads.append(
                f"{'a car' if whose == 'car' else 'a new car of a setup'}, {size} cars, {group['fleets']} fleets"
            )
            columns.append(group[whose])
    lines = [[f"{words}, {law} duty", *(cell(c["by_law"][law]["held"]) for c in columns)]
             for words in (NAMED["held"],) for law in LAWS]  # fmt: skip
    lines += [[words, *(cell(c[name]) for c in columns)] for name, words in NAMED.items()]
    lines.append(["bound above the middle, on average", *(f"{c['bound_over_median_pct']:.1f} %" for c in columns)])
    sick = [cell(group["staying_fault"]) for group in result["fleets"].values()]
    lines.append(["cars whose pump has a fault that stays: one pull below the bound", sick[0], "", sick[1], ""])
    return table(["", *heads], lines)


def main() -> None:
    given, code = parser(__doc__).parse_args(), made()
    jobs = [
        job
        for cars, (first, count) in MAIN.items()
        for job in jobs_of("later", cars, first, 2 * max(1, round(given.fleets * count / 2)))
    ]
    rows = in_parallel(one_fleet, jobs, given.workers, given.keep)
    if given.rows:
        rows.write_parquet(given.rows)
    result: dict[str, Any] = {**code, "fleets": {}}
    for cars, (first, _) in MAIN.items():
        own = rows.filter(pl.col("cars") == cars)
        group: dict[str, Any] = {"fleets": own["seed"].n_unique(), "first_seed": first}
        for whose in ("car", "setup"):
            asked_for = own.filter(SOUND, pl.col("whose") == whose)
            laws = {law: figures(asked_for.filter(pl.col("law") == law)) for law in LAWS}
            group[whose] = {**figures(asked_for), "by_law": laws}
        sick = own.filter(STAYING, pl.col("why_none") == "")
        group["staying_fault"] = share(sick, pl.col("true_pct") <= pl.col("upper_pct"))
        result["fleets"][str(cars)] = group
    save("headroom", result, given.out)
    print(markdown(result))


if __name__ == "__main__":
    main()
