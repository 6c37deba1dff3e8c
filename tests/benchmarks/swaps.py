"""Whether `compare` tells a changed pump as it is: coverage of its interval, false words, and improvements found.

python tests/benchmarks/swaps.py [--fleets SHARE] [--workers 2] [--out FILE] [--rows FILE]

Fleets invented as cells (`synthetic_fleet/swaps.py`), half with straight duty, half with round lobes: 20 % of the cars
get a pump in mid-quarter, of the same kind or a larger one, and a third of *all* old pumps are sick, those of the
peers too. The truth is the change of the pump's true excess from the logs before to the logs after, the new pump's own
healthy level included. "Nothing changed": a pump of the same kind and the same health, so that this level is all. Of
cars that kept their pump the earlier half of the logs is held against the later. Further sets: all or none of the
healthy spread between cars goes with the pump (`compare` assumes half); six of ten of the smallest pumps are sick.
"""

import sys
from dataclasses import asdict
from pathlib import Path
from typing import Any

import polars as pl

sys.path.insert(0, str(Path(__file__).parent))

from many_fleets import LAWS, TODAY, Job, cell, in_parallel, jobs_of, made, parser, save, share, table

from models.compare import TOO_LITTLE, CompareRule, compared
from models.fleet import gather, window
from models.learning import learn
from models.observations import spells
from models.sides import find_sides
from synthetic_fleet.swaps import QUARTER_START, SwapRule, swap_fleet

# set: what is out of the ordinary in it; cars, first seed, fleets
RULES = {
    "swaps": SwapRule(),
    "all the pump's": SwapRule(pump=1.0),
    "none the pump's": SwapRule(pump=0.0),
    "sick kind": SwapRule(sick=0.15, sick_smallest=0.6),
}
RUNS = [
    ("swaps", 80, 71_000, 40),
    ("swaps", 24, 72_000, 100),
    ("all the pump's", 24, 73_000, 40),
    ("none the pump's", 24, 74_000, 40),
    ("sick kind", 24, 75_000, 50),
]
SAID = ("change_pct", "change_low_pct", "change_high_pct", "judged_low_pct", "judged_high_pct", "verdict",
        "before_peers_healthy_share", "after_peers_healthy_share")  # fmt: skip
KEPT_PUMPS = 8  # of each fleet, halves of their logs


def one_fleet(job: Job) -> pl.DataFrame:
    """A row a comparison: what is said beside the truth."""
    fleet, truth = swap_fleet(job.cars, job.seed, round_share=LAWS[job.law], rule=RULES[job.set])
    when = window("2026Q3", fleet.ledger, TODAY)
    material = gather(fleet.cells, fleet.pulls, fleet.ledger, fleet.roster, when, TODAY)
    assert material.fleet is not None
    learned, spell_table = learn(material.fleet), spells(fleet.roster)
    tag = {name: value for name, value in asdict(job).items() if name in ("set", "cars", "seed", "law")}
    rows = []
    for row in pl.concat([truth.filter("swapped"), truth.filter(~pl.col("swapped"))[:KEPT_PUMPS]]).iter_rows(
        named=True
    ):
        ranges = ((QUARTER_START, row["before_until"]), (row["after_since"], when.end))
        before, after = (None, None) if row["swapped"] else ranges
        days = CompareRule().days_each_side
        sides = find_sides(fleet.ledger, spell_table, row["label"], before, after, TODAY, days)
        told = compared(material, learned, row["label"], sides).told
        said = {name: told[name] for name in SAID}
        rows.append(tag | row | said | {"true_change_pct": row["after_pct"] - row["before_pct"]})
    return pl.DataFrame(rows, schema_overrides=dict.fromkeys(SAID[-2:], pl.Float64))


HOLDS = pl.col("true_change_pct").is_between(pl.col("change_low_pct"), pl.col("change_high_pct"))
SAME_HEALTH = (pl.col("fault_before") == pl.col("fault_after")) & (pl.col("fault_before") != "drift")  # a drift goes on
CURED = (pl.col("fault_before") == "worn") & (pl.col("fault_after") == "")
FALSE_WORD = pl.col("verdict").is_in(["better", "worse"])
# question -> which comparisons, what counts
QUESTIONS = {
    "true change within the 95 % interval: all pumps changed": (pl.col("swapped"), HOLDS),
    "true change within: same kind of pump": (pl.col("swapped") & ~pl.col("larger"), HOLDS),
    "true change within: larger kind of pump": (pl.col("larger"), HOLDS),
    "true change within: larger kind, answered": (pl.col("larger") & (pl.col("verdict") != TOO_LITTLE), HOLDS),
    "true change within: a change of 8 points or more": (
        pl.col("swapped") & (pl.col("true_change_pct").abs() >= 8), HOLDS),
    "true change within: pump kept, earlier and later logs": (~pl.col("swapped"), HOLDS),
    "nothing changed, same kind: `better` or `worse`": (
        pl.col("swapped") & ~pl.col("larger") & SAME_HEALTH, FALSE_WORD),
    "nothing changed, larger kind: `better` or `worse`": (pl.col("larger") & SAME_HEALTH, FALSE_WORD),
    "pump kept: `better` or `worse`": (~pl.col("swapped") & SAME_HEALTH, FALSE_WORD),
    "worn by 8-20 %, cured: `better`": (pl.col("swapped") & CURED, pl.col("verdict") == "better"),
    "worn by 8-12 %, cured: `better`": (
        pl.col("swapped") & CURED & (pl.col("severity_before_pct") < 12), pl.col("verdict") == "better"),
    "worn by 12-20 %, cured: `better`": (
        pl.col("swapped") & CURED & (pl.col("severity_before_pct") >= 12), pl.col("verdict") == "better"),
    "worn by 8-20 %, cured by the same kind: `better`": (
        pl.col("swapped") & ~pl.col("larger") & CURED, pl.col("verdict") == "better"),
    "worn by 8-20 %, cured: `worse`": (pl.col("swapped") & CURED, pl.col("verdict") == "worse"),
    "any pump changed: `too little to say`": (pl.col("swapped"), pl.col("verdict") == TOO_LITTLE),
    "larger kind: `too little to say`": (pl.col("larger"), pl.col("verdict") == TOO_LITTLE),
}  # fmt: skip
LAW_WORDS = {"straight": "straight duty", "lobe": "round lobe"}
COVERAGE, FALSE, FOUND = (
    "true change within the 95 % interval: all pumps changed",
    "nothing changed, same kind: `better` or `worse`",
    "worn by 8-20 %, cured: `better`",
)
BENT = [name for name in QUESTIONS if name.startswith("true change") or "larger" in name]


def figures(rows: pl.DataFrame) -> dict[str, Any]:
    return {name: share(rows.filter(which), hit) for name, (which, hit) in QUESTIONS.items()}


def markdown(result: dict[str, Any]) -> str:
    """The main sets as a table of docs/performance.md; some questions for each law by itself, too."""
    runs = [one for one in result["runs"] if one["set"] == "swaps"]
    lines = []
    for name in QUESTIONS:
        lines.append([name, *(cell(one["figures"][name]) for one in runs)])
        laws = LAWS if name in (COVERAGE, FALSE, FOUND) else ()
        lines += [[f"- {LAW_WORDS[law]}", *(cell(one["by_law"][law][name]) for one in runs)] for law in laws]
    heads = [f"{one['cars']} cars, {one['fleets']} fleets from seed {one['first_seed']}" for one in runs]
    return table(["a third of the old pumps sick", *heads], lines)


def further(result: dict[str, Any]) -> str:
    """What is out of the ordinary, beside the usual fleets of as many cars."""
    usual, every, none, sick = (one for one in result["runs"] if one["cars"] == 24)
    assumed = [
        [name, *(cell(one["figures"][name]) for one in (none, usual, every))] for name in (COVERAGE, FALSE, FOUND)
    ]
    bent = [[name, cell(sick["figures"][name])] for name in BENT]
    heads = ["of the healthy spread the pump brings", "nothing", "half", "all"]
    return table(heads, assumed) + "\n\n" + table(["six of ten of the smallest pumps sick, 24 cars", "share"], bent)


def main() -> None:
    given = parser(__doc__).parse_args()
    result: dict[str, Any] = {**made(), "rule": asdict(CompareRule()), "runs": []}
    kept = []
    for name, cars, first, fleets in RUNS:
        count = 2 * max(1, round(given.fleets * fleets / 2))
        rows = in_parallel(one_fleet, jobs_of(name, cars, first, count), given.workers, given.keep)
        by_law = {law: figures(rows.filter(pl.col("law") == law)) for law in LAWS}
        run = {"set": name, "cars": cars, "first_seed": first, "fleets": count, "figures": figures(rows)}
        result["runs"].append(run | {"by_law": by_law})
        kept.append(rows)
    save("swaps", result, given.out)
    if given.rows:
        pl.concat(kept).write_parquet(given.rows)
    print(markdown(result), further(result), sep="\n\n")


if __name__ == "__main__":
    main()
