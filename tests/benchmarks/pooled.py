"""How many planted faults the study finds, over so many fleets that each kind of fault has about 200 cars.

python tests/benchmarks/pooled.py [--fleets SHARE] [--workers 2] [--out FILE] [--rows FILE]

Fleets are invented as cells, without logs (`detection.py` goes the whole way, with fewer); half of them with straight
duty, half with round lobes. Sizes of faults as there, worn twice as often as the others. Also: fleets of which a third
is sick; clubs of 8; a car whose engine and pump nobody else has, which must not be judged.
"""

import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

import polars as pl

sys.path.insert(0, str(Path(__file__).parent))

from many_fleets import Job, cell, in_parallel, jobs_of, made, parser, save, share, studied, table

from synthetic_fleet.direct_cells import DirectFleet

FAULTS = ("worn", "worn", "starved", "leak", "drift", "sticking", "wrong_roster")
SMALL_WORN_PCT = 12.0
ALONE = {"engine": "E9", "pump": "P9"}
MAIN = {80: (41_000, 120), 24: (42_000, 400)}  # cars: first seed, fleets
THIRD = {80: (43_000, 20), 24: (44_000, 60)}
CLUB = {8: (45_000, 200)}
ALONE_IN = {24: (46_000, 100)}


def main_jobs(fleets: float = 1.0) -> list[Job]:
    """The fleets on which finding is counted."""
    return _jobs("main", MAIN, fleets)


def every_job(fleets: float = 1.0) -> list[Job]:
    others = (("third", THIRD, 1 / 3), ("club", CLUB, 0.15), ("alone", ALONE_IN, 0.15))
    more = [job for name, sizes, faulty in others for job in _jobs(name, sizes, fleets, faulty)]
    return [*main_jobs(fleets), *more]


def _jobs(name: str, sizes: dict[int, tuple[int, int]], fleets: float, faulty: float = 0.15) -> list[Job]:
    return [
        job
        for cars, (first, count) in sizes.items()
        for job in jobs_of(name, cars, first, 2 * max(1, round(fleets * count / 2)), faulty_share=faulty, faults=FAULTS)
    ]


def one_fleet(job: Job) -> pl.DataFrame:
    fleet = job.fleet()
    lonely = fleet.truth.filter(pl.col("fault") == "")["label"][0] if job.set == "alone" else ""
    rows = studied(with_a_lonely_car(fleet, lonely) if lonely else fleet, job).select(
        "set", "cars", "seed", "law", "label", "setup", "fault", "severity_pct", "true_excess_pct", "level_pct",
        "ethanol_measured", "logs", "pulls", "peers", "dropouts", "saturated_share", "excess_pct", "excess_low_pct",
        "excess_high_pct", "p_value", "q_value", "signal", "pattern", "pump_limit", "detectable_excess_pct",
    )  # fmt: skip
    return rows.filter(pl.col("label") == lonely) if lonely else rows


def with_a_lonely_car(fleet: DirectFleet, label: str) -> DirectFleet:
    """The fleet in which this car's engine and pump are nobody else's."""
    alone = pl.col("label") == label
    renamed = [pl.when(alone).then(pl.lit(word)).otherwise(name).alias(name) for name, word in ALONE.items()]
    return replace(fleet, roster=fleet.roster.with_columns(renamed))


def figures(rows: pl.DataFrame) -> dict[str, Any]:
    acted, severity = pl.col("signal") == "action", pl.col("severity_pct")
    worn, small = pl.col("fault") == "worn", severity < SMALL_WORN_PCT
    kinds = {
        "worn, under 12 %": worn & small,
        "worn, 12 % and more": worn & ~small,
        **{kind: pl.col("fault") == kind for kind in ("starved", "leak", "drift", "sticking")},
    }
    wrong = rows.filter(pl.col("fault") == "wrong_roster")
    sound = rows.filter(pl.col("fault") == "")
    apart = sound.filter(~pl.col("pump_limit").is_in(["rail_short", "reached"]))
    spoken = pl.col("signal").is_in(["action", "warning"])
    held = pl.col("true_excess_pct").is_between(pl.col("excess_low_pct"), pl.col("excess_high_pct"))
    return {
        "found": {name: share(rows.filter(kind), acted) for name, kind in kinds.items()},
        "found_or_warned": {name: share(rows.filter(kind), spoken) for name, kind in kinds.items()},
        "sick_clear": share(rows.filter(~pl.col("fault").is_in(["", "wrong_roster"])), pl.col("signal") == "clear"),
        "wrong_roster_noticed": share(wrong, spoken),
        "wrong_roster_10_noticed": share(wrong.filter(severity.abs() >= 10), spoken),
        "sound_action": share(sound, acted),
        "sound_warning_not_at_limit": share(apart, pl.col("signal") == "warning"),
        "sound_clear": share(sound, pl.col("signal") == "clear"),
        "sound_coverage_95": share(sound, held),
        "by_law": {
            law: {name: share(rows.filter(kind, pl.col("law") == law), acted) for name, kind in kinds.items()}
            for law in ("straight", "lobe")
        },
    }


def markdown(result: dict[str, Any]) -> str:
    """The result as a table of docs/performance.md."""
    at = {f"{s} cars, {f['fleets']} fleets": f for s, f in result["main"].items()}
    at |= {f"{s} cars, {f['fleets']} fleets": f for s, f in result["club"].items()}
    every = list(at.values())
    lines = [[f"{name}: `action`", *(cell(f["found"][name]) for f in every)] for name in every[0]["found"]]
    small = "worn, under 12 %"
    lines.append([f"{small}: `action` or `warning`", *(cell(f["found_or_warned"][small]) for f in every)])
    lines += [
        [name, *(cell(f[key], digits) for f in every)]
        for name, key, digits in (
            ("cars with any of these faults shown as like their peers", "sick_clear", 1),
            ("wrong roster row: any signal", "wrong_roster_noticed", 1),
            ("the same, feigning 10 % or more", "wrong_roster_10_noticed", 1),
            ("sound cars given `action`", "sound_action", 2),
            ("sound cars given `warning`, pump not at its limit", "sound_warning_not_at_limit", 1),
            ("sound cars shown as like their peers", "sound_clear", 1),
            ("sound cars whose true excess lies in the 95 % interval", "sound_coverage_95", 1),
        )
    ]
    return table(["", *at], lines)


def extremes(result: dict[str, Any]) -> str:
    """Fleets a third of which is sick, and the car nobody can be compared with, as a table."""
    lines = [
        [f"a third of the cars sick, {size} cars: sound cars given `action`", cell(f["sound_action"], 2)]
        for size, f in result["third"].items()
    ]
    alone = result["alone"]
    lines += [
        [f"engine and pump nobody shares, {size} cars: `{word}`", cell(f[word])]
        for size, f in alone.items()
        for word in ("undecided", "warning", "action", "clear")
    ]
    return table(["", "share"], lines)


def main() -> None:
    given = parser(__doc__).parse_args()
    jobs = every_job(given.fleets)
    rows = in_parallel(one_fleet, jobs, given.workers, given.keep)
    if given.rows:
        rows.write_parquet(given.rows)
    result: dict[str, Any] = made()
    for name in ("main", "third", "club", "alone"):
        result[name] = {}
        for (cars,), own in rows.filter(pl.col("set") == name).group_by("cars", maintain_order=True):
            counted = {"fleets": own["seed"].n_unique(), "first_seed": int(own["seed"].min())}
            words = {w: share(own, pl.col("signal") == w) for w in ("undecided", "warning", "action", "clear")}
            result[name][str(cars)] = counted | (words if name == "alone" else figures(own))
    save("pooled", result, given.out)
    print(markdown(result), extremes(result), sep="\n\n")


if __name__ == "__main__":
    main()
