"""What a small club gains by other clubs' cells, and what a dishonest one of them could do.

python tests/benchmarks/clubs.py [--worlds 60] [--wide 40] [--first 26001] [--poisoned 3] [--workers 2]

A world has a club of 8, 12 or 20 cars in two setups, and four clubs of 44 cars in four setups each: the small one's,
each with 75 % chance, and others. 15 % of all cars have a fault. Each club's pressures are off by its own factor
(standard deviation 0.8 %). The four give their cells as `contribute` makes them; the small club is studied alone and
with theirs. In some more worlds its healthy cars differ by WIDE times as much as those of the others do.

Then the first of the four lies, in every way of ATTACKS, and the small club's expected duty is compared with the one it
has when that club is honest: in worlds as above, and where SHARED tells who else has its setups.
"""

import sys
from collections.abc import Callable, Sequence
from concurrent.futures import Executor, ProcessPoolExecutor
from functools import partial
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
from many_fleets import LAWS, TODAY, cell, made, models_digest, parser, save, share, table
from scipy.stats import binomtest

from ingest.labels import Key
from models.contribution import contribution
from models.demand import demand
from models.fleet import window
from models.schemas import Study
from models.study import run_study
from synthetic_fleet.direct_cells import FAULTS, DirectFleet, Spread, direct_cells, draw_setups

SIZES = (8, 12, 20)
WIDE, WIDE_SIZES = 1.35, (12, 20)
WAYS = ("alone", "with four clubs")
LENDERS, LENDER_CARS, LENDER_SETUPS = 4, 44, 4
COMMON, CLUB_SD = 0.75, 0.008


def world(
    seed: int,
    sizes: Sequence[int] = SIZES,
    spread: Spread = Spread(),
    having: int | None = None,
    one_alone: bool = False,
) -> tuple[dict[int, DirectFleet], list[pl.DataFrame]]:
    """The small club in its sizes, and what the others give. CONTRIBUTION

    spread: of its healthy cars. having: so many of the others, and no more, have its setups. one_alone: its first
    setup is that of one car, and of an engine that no other car of it has.
    """
    rng = np.random.default_rng((seed, 77))
    law = list(LAWS.values())[seed % 2]
    every = draw_setups(rng, 77)
    order = [every[i] for i in rng.permutation(len(every))]
    mine = order[:2]
    if one_alone:
        mine[1] = next(setup for setup in order if setup[0] != mine[0][0])
    own = {}
    for size in sizes:
        driven = [mine[0], *mine[1:] * (size - 1)] if one_alone else mine
        own[size] = direct_cells(size, seed, round_share=law, setups=driven, spread=spread)
    lent = []
    for club in range(LENDERS):
        theirs = [setup for setup in mine if (rng.random() < COMMON if having is None else club < having)]
        others = [setup for setup in every if setup not in mine]
        theirs += [others[i] for i in rng.permutation(len(others))[: LENDER_SETUPS - len(theirs)]]
        fleet = direct_cells(LENDER_CARS, 1_000_000 + 10 * seed + club, round_share=law, setups=theirs)
        off = pl.col("manifold_pressure_kpa") * np.exp(rng.normal(0, CLUB_SD))
        when, once = window("2026Q3", fleet.ledger, TODAY), Key(rng.bytes(32))
        lent.append(contribution(fleet.cells.with_columns(off), fleet.roster, when, f"CAB{club}-0000", once).cells)
    return own, lent


def study(own: DirectFleet, pooled: pl.DataFrame | None) -> Study:
    return run_study(own.cells, own.pulls, own.ledger, own.roster, "2026Q3", today=TODAY, pooled=pooled)


def borrowing(seed: int, sizes: Sequence[int] = SIZES, spread: Spread = Spread()) -> pl.DataFrame:
    """A row a car of the small club, size and way: alone, with four clubs."""
    own, lent = world(seed, sizes, spread)
    parts = []
    for size, fleet in own.items():
        for way, pooled in zip(WAYS, (None, pl.concat(lent)), strict=True):
            cars = study(fleet, pooled).cars.drop("check_first")
            tag = {"set": pl.lit(way), "cars": pl.lit(size), "seed": pl.lit(seed)}
            truth = fleet.truth.rename({"excess_pct": "true_excess_pct"})
            parts.append(cars.join(truth, on="label", maintain_order="left").with_columns(**tag))
    return pl.concat(parts)


Lie = Callable[[pl.DataFrame], pl.DataFrame]
DUTY, Z = pl.col("duty_pct"), (pl.col("band_rpm") + 125 - 4400) / 2200


def _duty(changed: pl.Expr) -> Lie:
    return lambda table: table.with_columns(duty_pct=changed.clip(2, 100))


def _many(table: pl.DataFrame) -> pl.DataFrame:
    """The same cars six times over, each a little off, so that none is another's copy."""
    each = (table.with_columns(pl.col("car") + str(i), (DUTY * (1 + 0.004 * i)).clip(2, 100)) for i in range(6))
    return pl.concat(each)


def _alike(table: pl.DataFrame) -> pl.DataFrame:
    """The same cars without what makes each a little different, as if none ever strayed."""
    columns = ("manifold_pressure_kpa", "intake_air_c", "lambda_ratio", "ethanol_pct")
    need = pl.Series("need", demand(*(table[name].to_numpy() for name in columns)))
    level = (DUTY / pl.col("need")).log().mean()
    own = level.over("car") - level.over("engine", "pump", "boost_hardware", "calibration")
    return table.with_columns(need).with_columns(duty_pct=(DUTY * (-own).exp()).clip(2, 100))


ATTACKS: dict[str, Lie] = {
    **{f"duty times {k:g}": _duty(DUTY * k) for k in (0.6, 0.8, 0.9, 0.95, 0.97, 1.03, 1.05, 1.1, 1.2)},
    "duty times 1.05, six times the cars": lambda table: _many(_duty(DUTY * 1.05)(table)),
    "pressure times 0.93": lambda table: table.with_columns(pl.col("manifold_pressure_kpa") * 0.93),
    "ethanol 30 points up": lambda table: table.with_columns(
        (pl.col("ethanol_pct").fill_null(10) + 30).clip(0, 100), ethanol_measured=pl.lit(True)
    ),
    "duty tilted over engine speed": _duty(DUTY * (1 - 0.15 * Z)),
    "duty bowed over engine speed": _duty(DUTY * (1 + 0.1 * (Z**2 - 0.33))),
    "another duty law": _duty(100 * (DUTY / 100).sqrt()),
    "another slope of demand": lambda table: table.with_columns(
        manifold_pressure_kpa=200 * (pl.col("manifold_pressure_kpa") / 200) ** 2
    ),
    "wild cells": _duty(DUTY * (0.9 + 0.2 * (pl.concat_str("car", "band_rpm").hash(3) % 1000) / 1000)),
    "wild cars": _duty(DUTY * (0.94 + 0.12 * (pl.col("car").hash(3) % 1000) / 1000)),
    "cars all alike": _alike,
    "all saturated": lambda table: table.with_columns(saturated=pl.lit(True)),
}


SHARED: dict[str, dict[str, Any]] = {
    "each with 75 % chance": {},
    "the liar alone": {"having": 1},
    "the liar and one other club": {"having": 2},
    "the liar and two others; one car of an engine": {"having": 3, "one_alone": True},
}
WORST = ("duty times 0.9", "duty times 0.95", "duty times 1.05", "duty times 1.1", "another duty law", "wild cells")


def poisoning(job: tuple[str, int], size: int = 12) -> pl.DataFrame:
    """For each lie of one club: how far the small club's expected duties move, the car and band that move most. [%]

    job: of SHARED, and a seed. All of ATTACKS in worlds as they come, WORST in the others.
    """
    shared, seed = job
    own, lent = world(seed, (size,), **SHARED[shared])
    honest = study(own[size], pl.concat(lent))
    rows = []
    for name in WORST if SHARED[shared] else ATTACKS:
        lie = ATTACKS[name]
        bad = study(own[size], pl.concat([lie(lent[0]).select(lent[0].columns), *lent[1:]]))
        actions = set(bad.cars.filter(pl.col("signal") == "action")["label"])
        sound = set(own[size].truth.filter(pl.col("fault") == "")["label"])
        rows.append(
            {
                "shared": shared,
                "seed": seed,
                "lie": name,
                "car_pct": _moved(honest.cars, bad.cars, ["label"]),
                "band_pct": _moved(honest.curves, bad.curves, ["label", "band_rpm"]),
                "detectable_points": _median_detectable(bad) - _median_detectable(honest),
                "false_actions": len(actions & sound),
            }
        )
    return pl.DataFrame(rows)


def _median_detectable(study: Study) -> float:
    return float(study.cars["detectable_excess_pct"].median())  # type: ignore[arg-type]


def _moved(before: pl.DataFrame, after: pl.DataFrame, keys: list[str]) -> float:
    both = before.select(*keys, "expected_duty_pct").join(
        after.select(*keys, now="expected_duty_pct"), on=keys, how="inner"
    )
    return round(float((100 * (both["now"] / both["expected_duty_pct"] - 1)).abs().max()), 2)  # type: ignore[arg-type]


def figures(rows: pl.DataFrame) -> dict[str, Any]:
    acted, noticed = pl.col("signal") == "action", pl.col("signal").is_in(["action", "warning"])
    held = pl.col("true_excess_pct").is_between(pl.col("excess_low_pct"), pl.col("excess_high_pct"))
    sick = rows.filter(pl.col("fault").is_in(FAULTS))
    sound = rows.filter((pl.col("fault") == "") & pl.col("p_value").is_not_null())
    return {
        "sick_action": share(sick, acted),
        "sick_noticed": share(sick, noticed),
        "sick_clear": share(sick, pl.col("signal") == "clear"),
        "sound_action": share(sound, acted),
        "sound_warning": share(sound, pl.col("signal") == "warning"),
        "sound_clear": share(sound, pl.col("signal") == "clear"),
        "coverage_95": share(sound, held),
        "median_detectable_excess_pct": round(float(sound["detectable_excess_pct"].median() or np.nan), 2),  # type: ignore[arg-type]
    }


def paired(rows: pl.DataFrame, fault: bool) -> dict[str, Any]:
    """Cars given `action` in one way only, and the chance of at least so uneven a count were both ways alike.

    One-sided, that it rises: McNemar's test, exact (1947, Psychometrika 12:153). fault: of cars with one, else of those
    that are sound.
    """
    some = rows.filter(pl.col("fault").is_in(FAULTS) if fault else pl.col("fault") == "")
    acted = some.with_columns(acted=pl.col("signal") == "action").pivot("set", index=PAIR, values="acted")
    alone, lent = (acted[way] for way in WAYS)
    more, fewer = int((lent & ~alone).sum()), int((alone & ~lent).sum())
    p = float(binomtest(more, more + fewer, alternative="greater").pvalue) if more + fewer else 1.0
    return {"cars": acted.height, "more": more, "fewer": fewer, "p_rises": round(p, 5)}


PAIR = ["cars", "seed", "label", "setup"]

LINES = {
    "cars with a fault given `action`": "sick_action",
    "the same, `action` or `warning`": "sick_noticed",
    "the same, shown as like their peers": "sick_clear",
    "sound cars given `action`": "sound_action",
    "sound cars given `warning`": "sound_warning",
    "sound cars shown as like their peers": "sound_clear",
    "sound cars whose true excess lies in the 95 % interval": "coverage_95",
}


def markdown(fleets: dict[str, Any]) -> str:
    """What is gained, as a table of docs/performance.md. fleets: size -> way -> figures."""
    head = ["", *(f"{size} cars, {way}" for size in fleets for way in WAYS)]
    each = [fleets[size][way] for size in fleets for way in WAYS]
    lines = [[name, *(cell(found[key]) for found in each)] for name, key in LINES.items()]
    lines.append(
        ["excess noticed with 80 % power, median", *(f"{found['median_detectable_excess_pct']} %" for found in each)]
    )
    return table(head, lines)


def pairs(result: dict[str, Any]) -> str:
    """Cars of all sizes whose `action` hangs on the other clubs, as a table of docs/performance.md."""
    lines = [
        [name.format(result["wide"]["times"]), *(str(pair[key]) for key in ("cars", "more", "fewer", "p_rises"))]
        for name, pair in (
            ("with a fault", result["paired"]["sick_action"]),
            ("sound", result["paired"]["sound_action"]),
            ("with a fault, in clubs that differ {} times as much", result["wide"]["paired"]["sick_action"]),
            ("sound, in clubs that differ {} times as much", result["wide"]["paired"]["sound_action"]),
        )
    ]
    return table(["cars", "in all", "`action` with four clubs only", "`action` alone only", "p"], lines)


def lies(rows: list[dict[str, Any]]) -> str:
    """What one liar of five clubs moved, as a table of docs/performance.md."""
    lines = [
        [
            row["lie"],
            f"{row['car_pct']} %",
            f"{row['band_pct']} %",
            f"{row['detectable_least']:+} to {row['detectable_most']:+}",
            str(row["false_actions"]),
        ]
        for row in rows
    ]
    head = ["one of five clubs gives", "a car's expected duty moves by at most", "in a band by at most"]
    return table([*head, "points of the excess noticed, median", "false actions"], lines)


def compared(rows: pl.DataFrame) -> dict[str, Any]:
    """Figures by size and way, and of all sizes together in pairs."""
    by_size = {
        str(size): {way: figures(some.filter(pl.col("set") == way)) for way in WAYS}
        for (size,), some in rows.group_by("cars", maintain_order=True)
    }
    false = rows.filter(pl.col("fault") == "", pl.col("signal") == "action").sort("true_excess_pct")
    return {
        "fleets": by_size,
        "paired": {"sick_action": paired(rows, True), "sound_action": paired(rows, False)},
        # a sound car may ask for so much more than the average one of its setup
        "true_excess_of_false_actions_pct": {
            way: false.filter(pl.col("set") == way)["true_excess_pct"].round(1).to_list() for way in WAYS
        },
    }


def worst(lied: pl.DataFrame) -> dict[str, list[dict[str, Any]]]:
    """The most that each lie moved in any world, by who shares the club's setups."""
    if lied.is_empty():
        return {}
    rows = lied.group_by("shared", "lie", maintain_order=True).agg(
        pl.col("car_pct", "band_pct").max(),
        detectable_least=pl.col("detectable_points").min().round(2),
        detectable_most=pl.col("detectable_points").max().round(2),
        false_actions=pl.col("false_actions").sum(),
    )  # fmt: skip
    return {shared: rows.filter(pl.col("shared") == shared).drop("shared").to_dicts() for shared in SHARED}


def kept(
    keep: Path | None, one: Callable[[Any], pl.DataFrame], name: str, jobs: Sequence[Any], pool: Executor
) -> pl.DataFrame:
    """The rows of all jobs. keep: a folder for each job's, from which a killed run goes on; of other code not taken."""
    parts = []
    for done, part in enumerate(pool.map(partial(_kept, keep, one, name), jobs), 1):
        parts.append(part)
        print(f"{name}: {done} of {len(jobs)}", file=sys.stderr, flush=True)
    return pl.concat(parts) if parts else pl.DataFrame()


def _kept(keep: Path | None, one: Callable[[Any], pl.DataFrame], name: str, job: Any) -> pl.DataFrame:
    if keep is None:
        return one(job)
    path = keep / models_digest() / f"{name} {job}.parquet"
    if not path.exists():
        path.parent.mkdir(parents=True, exist_ok=True)
        rows = one(job)
        rows.write_parquet(path.with_suffix(".part"))
        path.with_suffix(".part").rename(path)
    return pl.read_parquet(path)


def main() -> None:
    given = parser(__doc__)
    given.add_argument("--worlds", type=int, default=60)
    given.add_argument("--wide", type=int, default=40, help="worlds in which the small club's cars differ more")
    given.add_argument("--poisoned", type=int, default=3, help="worlds in which one club lies")
    given.add_argument("--first", type=int, default=26001)
    options = given.parse_args()
    seeds, few, more = (
        range(first, first + n)
        for first, n in (
            (options.first, options.worlds),
            (options.first, options.poisoned),
            (options.first + 1000, options.wide),
        )
    )
    plain = Spread()
    wide = Spread(level=WIDE * plain.level, tilt=WIDE * plain.tilt, bow=WIDE * plain.bow)
    with ProcessPoolExecutor(options.workers, mp_context=get_context("spawn")) as pool:
        rows = kept(options.keep, borrowing, "borrowing", seeds, pool)
        others = kept(options.keep, partial(borrowing, sizes=WIDE_SIZES, spread=wide), "wide", more, pool)
        lied = kept(options.keep, poisoning, "lies", [(shared, seed) for shared in SHARED for seed in few], pool)
    if options.rows:
        rows.write_parquet(options.rows)
    result = {
        **made(),
        "worlds": len(seeds),
        "first_seed": options.first,
        **compared(rows),
        "wide": {"times": WIDE, "worlds": len(more), "first_seed": more.start, **compared(others)},
        "poisoned_worlds": len(few),
        "lies": worst(lied),
    }
    save("clubs", result, options.out)
    print(markdown(result["fleets"]), markdown(result["wide"]["fleets"]), pairs(result), sep="\n\n")
    print(*(f"{shared}\n\n{lies(rows)}\n" for shared, rows in result["lies"].items()), sep="\n")


if __name__ == "__main__":
    main()
