"""What a small club gains by other clubs' cells, and what a dishonest one of them could do.

python tests/benchmarks/clubs.py [--worlds 40] [--first 20001] [--poisoned 5] [--workers 2]

A world has a club of 8, 12 or 20 cars in two setups, and four clubs of 44 cars in four setups each: the small one's,
each with 75 % chance, and others. 15 % of all cars have a fault. Each club's pressures are off by its own factor
(standard deviation 0.8 %). The four give their cells as `contribute` makes them; the small club is studied alone and
with theirs. Then the first of the four lies, in every way of ATTACKS, and the small club's expected duty is compared
with the one it has when that club is honest.
"""

import sys
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from multiprocessing import get_context
from typing import Any

import numpy as np
import polars as pl
from many_fleets import LAWS, TODAY, cell, made, parser, save, share, table

from ingest.labels import Key
from models.contribution import contribution
from models.fleet import window
from models.schemas import Study
from models.study import run_study
from synthetic_fleet.direct_cells import FAULTS, DirectFleet, direct_cells, draw_setups

SIZES = (8, 12, 20)
LENDERS, LENDER_CARS, LENDER_SETUPS = 4, 44, 4
COMMON, CLUB_SD = 0.75, 0.008


def world(seed: int) -> tuple[dict[int, DirectFleet], list[pl.DataFrame]]:
    """The small club in its sizes, and what the others give. CONTRIBUTION"""
    rng = np.random.default_rng((seed, 77))
    law = list(LAWS.values())[seed % 2]
    every = draw_setups(rng, 77)
    mine = [every[i] for i in rng.permutation(len(every))[:2]]
    own = {size: direct_cells(size, seed, round_share=law, setups=mine) for size in SIZES}
    lent = []
    for club in range(LENDERS):
        theirs = [setup for setup in mine if rng.random() < COMMON]
        others = [setup for setup in every if setup not in mine]
        theirs += [others[i] for i in rng.permutation(len(others))[: LENDER_SETUPS - len(theirs)]]
        fleet = direct_cells(LENDER_CARS, 1_000_000 + 10 * seed + club, round_share=law, setups=theirs)
        off = pl.col("manifold_pressure_kpa") * np.exp(rng.normal(0, CLUB_SD))
        when, once = window("2026Q3", fleet.ledger, TODAY), Key(rng.bytes(32))
        lent.append(contribution(fleet.cells.with_columns(off), fleet.roster, when, f"CAB{club}-0000", once).cells)
    return own, lent


def study(own: DirectFleet, pooled: pl.DataFrame | None) -> Study:
    return run_study(own.cells, own.pulls, own.ledger, own.roster, "2026Q3", today=TODAY, pooled=pooled)


def borrowing(seed: int) -> pl.DataFrame:
    """A row a car of the small club, size and way: alone, with four clubs."""
    own, lent = world(seed)
    parts = []
    for size, fleet in own.items():
        for way, pooled in (("alone", None), ("with four clubs", pl.concat(lent))):
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
    "all saturated": lambda table: table.with_columns(saturated=pl.lit(True)),
}


def poisoning(seed: int, size: int = 12) -> list[dict[str, Any]]:
    """For each lie of one club: how far the small club's expected duties move, the car and band that move most. [%]"""
    own, lent = world(seed)
    honest = study(own[size], pl.concat(lent))
    rows = []
    for name, lie in ATTACKS.items():
        bad = study(own[size], pl.concat([lie(lent[0]).select(lent[0].columns), *lent[1:]]))
        actions = set(bad.cars.filter(pl.col("signal") == "action")["label"])
        sound = set(own[size].truth.filter(pl.col("fault") == "")["label"])
        rows.append(
            {
                "seed": seed,
                "lie": name,
                "car_pct": _moved(honest.cars, bad.cars, ["label"]),
                "band_pct": _moved(honest.curves, bad.curves, ["label", "band_rpm"]),
                "false_actions": len(actions & sound),
            }
        )
    return rows


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


LINES = {
    "cars with a fault given `action`": "sick_action",
    "the same, `action` or `warning`": "sick_noticed",
    "the same, shown as like their peers": "sick_clear",
    "sound cars given `action`": "sound_action",
    "sound cars given `warning`": "sound_warning",
    "sound cars shown as like their peers": "sound_clear",
    "sound cars whose true excess lies in the 95 % interval": "coverage_95",
}


def markdown(result: dict[str, Any]) -> str:
    """What is gained, as a table of docs/performance.md."""
    head = ["", *(f"{size} cars, {way}" for size in result["fleets"] for way in result["fleets"][size])]
    each = [way for size in result["fleets"].values() for way in size.values()]
    lines = [[name, *(cell(found[key]) for found in each)] for name, key in LINES.items()]
    lines.append(
        ["excess noticed with 80 % power, median", *(f"{found['median_detectable_excess_pct']} %" for found in each)]
    )
    return table(head, lines)


def lies(result: dict[str, Any]) -> str:
    """What one liar of five clubs moved, as a table of docs/performance.md."""
    lines = [
        [row["lie"], f"{row['car_pct']} %", f"{row['band_pct']} %", str(row["false_actions"])] for row in result["lies"]
    ]
    head = ["one of five clubs gives", "a car's expected duty moves by at most", "in a band by at most"]
    return table([*head, "false actions"], lines)


def main() -> None:
    given = parser(__doc__)
    given.add_argument("--worlds", type=int, default=40)
    given.add_argument("--poisoned", type=int, default=5, help="worlds in which one club lies")
    given.add_argument("--first", type=int, default=20001)
    options = given.parse_args()
    seeds, few = (list(range(options.first, options.first + n)) for n in (options.worlds, options.poisoned))
    with ProcessPoolExecutor(options.workers, mp_context=get_context("spawn")) as pool:
        parts = []
        for done, part in enumerate(pool.map(borrowing, seeds), 1):
            parts.append(part)
            print(f"{done} of {len(seeds)} worlds", file=sys.stderr, flush=True)
        lied = [row for rows in pool.map(partial(poisoning, size=12), few) for row in rows]
    rows = pl.concat(parts)
    if options.rows:
        rows.write_parquet(options.rows)
    worst = pl.DataFrame(lied).group_by("lie", maintain_order=True).agg(
        pl.col("car_pct", "band_pct").max(), pl.col("false_actions").sum()
    ) if lied else pl.DataFrame()  # fmt: skip
    result = {
        **made(),
        "worlds": len(seeds),
        "first_seed": options.first,
        "fleets": {
            str(size): {
                way: figures(rows.filter((pl.col("cars") == size) & (pl.col("set") == way)))
                for way in ("alone", "with four clubs")
            }
            for size in SIZES
        },
        "poisoned_worlds": len(few),
        "lies": worst.to_dicts(),
    }
    save("clubs", result, options.out)
    print(markdown(result), lies(result) if lied else "", sep="\n\n")


if __name__ == "__main__":
    main()
