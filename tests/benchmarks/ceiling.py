"""How near the study comes to the best possible, and how far two simpler ways come, at the same rate of false alarms.

python tests/benchmarks/ceiling.py [--fleets SHARE] [--workers 2] [--study-rows FILE] [--out FILE] [--rows FILE]

The fleets are those of `pooled.py`; --study-rows takes its rows (its --rows) so that they need not be studied twice.
Each way gives a car a score; its limit is set where it flags as many sound cars as the study gives `action` (known only
because the truth is), so a share found is compared with a share found. Best possible: `known_truth.py`. Rivals:
`rivals.py`. Dropouts are left out of the rivals' comparison: they look at duty only.
"""

import sys
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

sys.path.insert(0, str(Path(__file__).parent))

from known_truth import CURVE_FAULTS, scores
from many_fleets import Figure, Job, exact_interval, in_parallel, made, parser, resamples, save, table
from pooled import FAULTS, SMALL_WORN_PCT, main_jobs
from pooled import one_fleet as study_of
from rivals import boosted_trees, median_rule, observations

Array = NDArray[np.float64]

WAYS = {
    "known": "best possible",
    "alike": "best possible, setups known to be alike",
    "median": "median and MAD of raw duty by setup and band",
    "trees": "boosted trees, monotone in demand",
}
KINDS = ("worn, under 12 %", "worn, 12 % and more", "starved", "leak", "drift", "sticking", "all but sticking", "all")


def one_fleet(job: Job) -> pl.DataFrame:
    """A row a car: its score in each way."""
    fleet = job.fleet()
    cells = observations(fleet)
    ways = {
        "known": scores(fleet, job, FAULTS, alike=False),
        "alike": scores(fleet, job, FAULTS, alike=True),
        "median": median_rule(cells),
        "trees": boosted_trees(cells),
    }
    rows = fleet.truth.select("label", set=pl.lit(job.set), cars=pl.lit(job.cars), seed=pl.lit(job.seed))
    for name, found in ways.items():
        rows = rows.join(found.rename({"score": name}), on="label", how="left", maintain_order="left")
    return rows


def figures(rows: pl.DataFrame) -> dict[str, Any]:
    """Share found by the study and in each way, and the study's share over that, for one size of fleet."""
    fleet = rows["seed"].rank("dense").to_numpy() - 1
    members = [np.flatnonzero(fleet == k) for k in range(int(fleet.max()) + 1)]
    score = {name: rows[name].fill_null(-np.inf).fill_nan(-np.inf).to_numpy() for name in WAYS}
    acted = (rows["signal"] == "action").to_numpy()
    fault, severity = rows["fault"].to_numpy(), rows["severity_pct"].to_numpy()
    kind = {name: _kind(name, fault, severity) for name in KINDS}
    sound = fault == ""

    def once(pick: NDArray[np.int64]) -> dict[str, dict[str, float]]:
        own = {"study": acted[pick]}
        allowed = int(acted[pick][sound[pick]].sum())
        own |= {name: over(score[name][pick], sound[pick], allowed) for name in WAYS}
        return {k: {name: _mean(hit[kind[k][pick]]) for name, hit in own.items()} for k in KINDS}

    every = np.arange(len(fault))
    whole, ways = once(every), ("study", *WAYS)
    many = [once(np.concatenate([members[k] for k in pick])) for pick in resamples(len(members), 1000)]
    return {
        "sound_cars": int(sound.sum()),
        "false_actions": int(acted[sound].sum()),
        "cars": {k: int(kind[k].sum()) for k in KINDS},
        "found": {k: {name: _figure(whole, many, k, name, int(hit.sum())) for name in ways} for k, hit in kind.items()},
        "study_over": {k: {name: _ratio(whole, many, k, name) for name in WAYS} for k in KINDS},
    }


def _mean(hit: NDArray[np.bool_]) -> float:
    return float(hit.mean()) if len(hit) else float("nan")


def over(score: Array, sound: NDArray[np.bool_], allowed: int) -> NDArray[np.bool_]:
    """True where a score is above the limit at which only `allowed` sound cars are."""
    return np.asarray(score > np.sort(score[sound])[::-1][allowed])


def _kind(name: str, fault: NDArray[Any], severity: Array) -> NDArray[np.bool_]:
    if name.startswith("all"):
        return np.isin(fault, CURVE_FAULTS if name == "all but sticking" else (*CURVE_FAULTS, "sticking"))
    if name.startswith("worn"):
        return np.asarray((fault == "worn") & ((severity < SMALL_WORN_PCT) == ("under" in name)))
    return np.asarray(fault == name)


def _figure(whole: dict[str, Any], many: list[dict[str, Any]], kind: str, name: str, of: int) -> Figure:
    """A share and its interval, as `share` of many_fleets makes it; null where there is no such car."""
    value = whole[kind][name]
    if not of:
        return {"share": None, "low": None, "high": None}
    low, high = exact_interval(round(value * of), of)
    if 0 < value < 1:
        drawn = np.nanquantile([one[kind][name] for one in many], [0.025, 0.975])
        low, high = min(low, float(drawn[0])), max(high, float(drawn[1]))
    return {"share": round(value, 4), "low": round(low, 4), "high": round(high, 4)}


def _ratio(whole: dict[str, Any], many: list[dict[str, Any]], kind: str, name: str) -> Figure:
    """The study's share over that of one way; null where that way finds none."""
    if not whole[kind][name] > 0:
        return {"share": None, "low": None, "high": None}
    ratios = [one[kind]["study"] / one[kind][name] for one in many if one[kind][name] > 0]
    low, high = np.quantile(ratios, [0.025, 0.975])
    value = whole[kind]["study"] / whole[kind][name]
    return {"share": round(value, 4), "low": round(float(low), 4), "high": round(float(high), 4)}


def markdown(result: dict[str, Any], size: str) -> str:
    """One size of fleet as a table of docs/performance.md."""
    f = result["fleets"][size]
    lines = []
    for kind in KINDS:
        shares = [_short(f["found"][kind][name]) for name in ("study", "known", "alike")]
        blind = kind in ("sticking", "all")
        rivals = ["-", "-"] if blind else [_short(f["found"][kind][name]) for name in ("median", "trees")]
        over_best = f["study_over"][kind]["known"]
        ratio = "-" if over_best["share"] is None else "{share:.2f} ({low:.2f}-{high:.2f})".format(**over_best)
        lines.append([f"{kind} ({f['cars'][kind]} cars)", shares[0], shares[1], ratio, shares[2], *rivals])
    head = [f"{size} cars, {f['fleets']} fleets", "study", WAYS["known"], "study over best", *list(WAYS.values())[1:]]
    return table(head, lines)


def _short(p: Figure) -> str:
    if p["share"] is None:
        return "-"
    value, low, high = (100 * float(p[name] or 0.0) for name in ("share", "low", "high"))
    return f"{value:.0f} % ({low:.0f}-{high:.0f})"


def main() -> None:
    arguments = parser(__doc__)
    arguments.add_argument("--study-rows", type=Path, help="what `pooled.py --rows` wrote, of the same code")
    given = arguments.parse_args()
    jobs = main_jobs(given.fleets)
    how = (jobs, given.workers, given.keep)
    found = in_parallel(one_fleet, *how)
    study = pl.read_parquet(given.study_rows) if given.study_rows else in_parallel(study_of, *how)
    rows = study.join(found, on=["set", "cars", "seed", "label"], maintain_order="left")
    if given.rows:
        rows.write_parquet(given.rows)
    result: dict[str, Any] = {**made(), "fleets": {}}
    for (cars,), own in rows.group_by("cars", maintain_order=True):
        counted = {"fleets": own["seed"].n_unique(), "first_seed": int(own["seed"].min())}
        result["fleets"][str(cars)] = counted | figures(own)
    save("ceiling", result, given.out)
    for size in result["fleets"]:
        print(markdown(result, size), end="\n\n")


if __name__ == "__main__":
    main()
