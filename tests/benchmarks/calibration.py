"""Whether probabilities, intervals and false alarms are what they say, on fleets in which nothing is wrong.

python tests/benchmarks/calibration.py [--fleets SHARE] [--workers 2] [--out FILE] [--rows FILE]

200 fleets of 80 cars and 200 of 24, half of them with straight duty, half with round lobes, invented as cells. The
interval written beside a car is 95 %; 50 and 80 % come from its half-width by the ratio of Student's quantiles at as
many degrees of freedom as there are cars (between 20 and 24 of them the ratio moves by less than a hundredth).
"""

import sys
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
from scipy.stats import t

sys.path.insert(0, str(Path(__file__).parent))

from many_fleets import Job, cell, in_parallel, jobs_of, made, parser, save, share, statistic, studied, table

SIZES = {80: 31_000, 24: 32_000}  # cars: first seed
FLEETS = 200
P_LIMITS = (0.01, 0.05, 0.1, 0.25, 0.5)
COVERAGES = (0.5, 0.8, 0.95)


def one_fleet(job: Job) -> pl.DataFrame:
    return studied(job.fleet(), job).select(
        "set", "cars", "seed", "law", "p_value", "signal", "pump_limit", "excess_pct", "excess_low_pct",
        "excess_high_pct", "true_excess_pct", "level_z", "detectable_excess_pct",
    )  # fmt: skip


def holds(coverage: float) -> pl.Expr:
    """True where the interval of that coverage holds the true excess."""
    excess, low, high, true = (
        (pl.col(name) / 100).log1p() for name in ("excess_pct", "excess_low_pct", "excess_high_pct", "true_excess_pct")
    )
    narrower = pl.col("cars").replace_strict(
        {cars: float(t.ppf(0.5 + coverage / 2, cars) / t.ppf(0.975, cars)) for cars in SIZES}
    )
    return (true >= excess + (low - excess) * narrower) & (true <= excess + (high - excess) * narrower)


def distance(p: np.ndarray) -> float:
    """Kolmogorov's distance of p-values from the uniform distribution, over all of it."""
    ordered, n = np.sort(p), len(p)
    return float(max(np.max(np.arange(1, n + 1) / n - ordered), np.max(ordered - np.arange(n) / n)))


def surplus(p: np.ndarray) -> float:
    """The most by which p-values up to one half are more frequent than they claim.

    Beyond that nothing is decided, and no car is given more than 0.9, which alone makes a distance of a tenth.
    """
    ordered = np.sort(p)
    more = np.arange(1, len(p) + 1) / len(p) - ordered
    return float(np.max(more[ordered <= 0.5], initial=0.0))


def figures(rows: pl.DataFrame) -> dict[str, Any]:
    judged = rows.filter(pl.col("p_value").is_not_null())
    apart = judged.filter(~pl.col("pump_limit").is_in(["rail_short", "reached"]))
    fleets = judged.group_by("set", "cars", "seed", maintain_order=True).agg((pl.col("signal") == "action").any())
    return {
        "p_at_most": {str(limit): share(judged, pl.col("p_value") <= limit) for limit in P_LIMITS},
        "distance": statistic(judged, "p_value", distance),
        "surplus": statistic(judged, "p_value", surplus),
        "coverage": {str(level): share(judged, holds(level)) for level in COVERAGES},
        "action": share(judged, pl.col("signal") == "action"),
        "fleets_with_action": share(fleets, pl.col("signal")),
        "warning_not_at_limit": share(apart, pl.col("signal") == "warning"),
        "clear": share(judged, pl.col("signal") == "clear"),
    }


def markdown(result: dict[str, Any]) -> str:
    """The result as a table of docs/performance.md."""
    sizes = list(result["fleets"])
    at = [result["fleets"][size] for size in sizes]
    lines = [[f"p <= {limit}", *(cell(f["p_at_most"][str(limit)]) for f in at)] for limit in P_LIMITS]
    for name, key in (("distance from uniform", "distance"), ("p up to .5 too frequent by at most", "surplus")):
        lines.append([name, *("{value:.3f} ({low:.3f}-{high:.3f})".format(**f[key]) for f in at)])
    lines += [
        [f"true excess within the {100 * level:.0f} % interval", *(cell(f["coverage"][str(level)]) for f in at)]
        for level in COVERAGES
    ]
    lines.append(["cars given `action`", *(cell(f["action"], 2) for f in at)])
    lines.append(["fleets with any `action`", *(cell(f["fleets_with_action"]) for f in at)])
    lines.append(["cars given `warning`, pump not at its limit", *(cell(f["warning_not_at_limit"]) for f in at)])
    lines.append(["cars shown as like their peers", *(cell(f["clear"]) for f in at)])
    heads = [f"{size} cars, {f['fleets']} fleets" for size, f in zip(sizes, at, strict=True)]
    return table(["nothing wrong with any car", *heads], lines)


CLAIMED = {
    "p at most 0.05": ("5 %", lambda f: f["p_at_most"]["0.05"]),
    "p at most 0.01": ("1 %", lambda f: f["p_at_most"]["0.01"]),
    "true excess within the 95 % interval": ("95 %", lambda f: f["coverage"]["0.95"]),
    "true excess within the 80 % interval": ("80 %", lambda f: f["coverage"]["0.8"]),
    "fleets with any `action`": ("at most 5 %", lambda f: f["fleets_with_action"]),
    "cars given `warning`, pump not at its limit": ("about 3 %", lambda f: f["warning_not_at_limit"]),
}


def summary(result: dict[str, Any]) -> str:
    """What is claimed beside what was measured, as the table of docs/method.md."""
    sizes = list(result["fleets"])
    lines = []
    for name, (claim, pick) in CLAIMED.items():
        at = [pick(result["fleets"][size]) for size in sizes]
        lines.append([name, claim, *("{:.1f} % ({:.1f}-{:.1f})".format(*(100 * p[k] for k in KEYS)) for p in at)])
    return table(["nothing wrong with any car", "claimed", *(f"{size} cars" for size in sizes)], lines)


KEYS = ("share", "low", "high")


def main() -> None:
    given = parser(__doc__).parse_args()
    count = 2 * max(1, round(given.fleets * FLEETS / 2))
    jobs = [job for cars, first in SIZES.items() for job in jobs_of("sound", cars, first, count)]
    rows = in_parallel(one_fleet, jobs, given.workers, given.keep)
    result: dict[str, Any] = {**made(), "fleets": {}}
    for cars, first in SIZES.items():
        own = rows.filter(pl.col("cars") == cars)
        laws = {law: figures(own.filter(pl.col("law") == law)) for law in own["law"].unique().sort()}
        result["fleets"][str(cars)] = {"fleets": count, "first_seed": first, **figures(own), "by_law": laws}
    save("calibration", result, given.out)
    if given.rows:
        rows.write_parquet(given.rows)
    print(markdown(result))


if __name__ == "__main__":
    main()
