"""How many wrong roster rows get any signal, beside the best that anybody could do.

python tests/benchmarks/wrong_rows.py --study-rows FILE [--fleets SHARE] [--workers 2] [--out FILE]

The fleets are those of `pooled.py`, whose --rows wrote FILE. Best possible: whoever knows the duty law, all standard
deviations, the sizes of the pumps, in which ways rows go wrong and how far labels of a blend are off, and whose
expectation was taught by sound cars under a roster without a mistake; with as many sound cars flagged as the study
gives any signal, cars at their pump's limit apart. `labels`: the same, but that labels of a blend may err by as much as
the study must allow for, who cannot know that these err by less.
"""

import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray
from scipy.stats import norm

sys.path.insert(0, str(Path(__file__).parent))

from ceiling import over
from known_truth import true_levels
from many_fleets import Job, cell, in_parallel, made, parser, save, share, table
from pooled import main_jobs

from models.observations import NotMeasured
from synthetic_fleet.direct_cells import LABEL_SD_PCT, PUMP_SIZES, SIZES_PCT

Array = NDArray[np.float64]
POINTS = np.linspace(*SIZES_PCT["wrong_roster"], 9)
BEST = {"labels": "best possible with labels as unsure as the study takes them", "best": "best possible"}
KINDS = {"pump": "another pump", "blend": "another blend, not measured"}


def one_fleet(job: Job) -> pl.DataFrame:
    """A row a car: what is wrong with its row ("", pump, blend), and the score of whoever knows the truth."""
    fleet = job.fleet()
    cars = fleet.truth.join(fleet.roster.select("label", "pump", stated_pct="ethanol_pct"), on="label").with_columns(
        true_pump=pl.struct("pump", "severity_pct", "fault").map_elements(_true_pump, pl.String)
    )
    truthful = cars.select("label", pump="true_pump", ethanol_pct="ethanol_true_pct")
    roster = fleet.roster.drop("pump", "ethanol_pct").join(truthful, on="label", maintain_order="left")
    levels = true_levels(replace(fleet, roster=roster.select(fleet.roster.columns)), job)
    known = cars.join(levels, on="label", maintain_order="left")
    best = [_ln_bayes_factor(car, LABEL_SD_PCT) for car in known.iter_rows(named=True)]
    labels = [_ln_bayes_factor(car, _allowed_sd_pct(car["stated_pct"])) for car in known.iter_rows(named=True)]
    wrong = pl.col("fault") == "wrong_roster"
    other = pl.col("pump") != pl.col("true_pump")
    return known.select(
        "label",
        "fault",
        kind=pl.when(wrong & other).then(pl.lit("pump")).when(wrong).then(pl.lit("blend")).otherwise(pl.lit("")),
        best=pl.Series(best),
        labels=pl.Series(labels),
        set=pl.lit(job.set),
        cars=pl.lit(job.cars),
        seed=pl.lit(job.seed),
    )


def _true_pump(car: dict[str, Any]) -> str:
    """The pump on the car: the one whose size makes the stated one feign what the truth says."""
    stated = str(car["pump"])
    if car["fault"] != "wrong_roster":
        return stated
    feigned = {name: 100 * (PUMP_SIZES[stated] / size - 1) for name, size in PUMP_SIZES.items() if name != stated}
    near = [name for name, pct in feigned.items() if abs(pct - car["severity_pct"]) < 1e-6]
    return near[0] if near else stated


def _ln_air(ethanol_pct: float | Array) -> Array:
    return np.asarray(np.log(1.0 - 0.3477 * np.asarray(ethanol_pct) / 100))


def _allowed_sd_pct(stated_pct: float, allowed: NotMeasured = NotMeasured()) -> float:
    """What the study allows a stated blend to be off. [points]"""
    if stated_pct <= 10:
        return allowed.ethanol_to_e10
    return allowed.ethanol_to_e30 if stated_pct <= 30 else allowed.ethanol_above


def _ln_bayes_factor(car: dict[str, Any], label_sd_pct: float) -> float:
    """Of 'the row is wrong' against 'it is right', from the level that the row as stated makes appear."""
    stated, true = PUMP_SIZES[car["pump"]], PUMP_SIZES[car["true_pump"]]
    level, variance = car["level"] + np.log(stated / true), car["variance"]
    shifts = [(0.5 / (len(PUMP_SIZES) - 1), np.log(stated / size)) for size in PUMP_SIZES.values() if size != stated]
    if not car["ethanol_measured"]:
        said = car["stated_pct"]
        level += float(_ln_air(said) - _ln_air(car["ethanol_true_pct"]))
        variance += float(_ln_air(said + label_sd_pct) - _ln_air(said)) ** 2
        blends = [said - p for p in POINTS] + [said + p for p in POINTS if said >= p]
        possible = [e for e in blends if 0 <= e <= 60]
        shifts += [(0.5 / len(possible), float(_ln_air(said) - _ln_air(e))) for e in possible]
    sd = np.sqrt(variance)
    wrong = sum(weight * norm.pdf(level, shift, sd) for weight, shift in shifts)
    return float(np.log(wrong / sum(weight for weight, _ in shifts)) - norm.logpdf(level, 0, sd))


def figures(rows: pl.DataFrame) -> dict[str, Any]:
    """rows: with signal and pump_limit of the study."""
    apart = rows.filter(~pl.col("pump_limit").is_in(["rail_short", "reached"]))
    spoken = pl.col("signal").is_in(["action", "warning"])
    sound = (apart["fault"] == "").to_numpy()
    allowed = int(apart.filter(spoken & (pl.col("fault") == "")).height)
    marked = apart.with_columns(pl.Series(name, over(apart[name].to_numpy(), sound, allowed)) for name in BEST)
    told: dict[str, Any] = {"sound_cars": int(sound.sum()), "sound_with_a_signal": allowed}
    for kind in (*KINDS, "all"):
        own = marked.filter(pl.col("kind") == kind if kind in KINDS else pl.col("kind") != "")
        told[kind] = {"study": share(own, spoken)} | {name: share(own, pl.col(name)) for name in BEST}
    return told


def markdown(result: dict[str, Any]) -> str:
    """The result as a table of docs/performance.md."""
    sizes = result["fleets"]
    head = ["wrong roster row: any signal"]
    whose = {"study": "study"} | BEST
    head += [f"{size} cars, {f['fleets']} fleets: {who}" for size, f in sizes.items() for who in whose.values()]
    lines = [
        [word, *(cell(f[kind][who]) for f in sizes.values() for who in whose)]
        for kind, word in (KINDS | {"all": "all"}).items()
    ]
    return table(head, lines)


def main() -> None:
    arguments = parser(__doc__)
    arguments.add_argument("--study-rows", type=Path, required=True, help="what `pooled.py --rows` wrote")
    given = arguments.parse_args()
    scored = in_parallel(one_fleet, main_jobs(given.fleets), given.workers, given.keep)
    said = pl.read_parquet(given.study_rows).select("set", "cars", "seed", "label", "signal", "pump_limit")
    rows = scored.join(said, on=["set", "cars", "seed", "label"], maintain_order="left")
    if rows["signal"].null_count():
        raise SystemExit(f"{given.study_rows} lacks some of these fleets; run pooled.py with the same --fleets.")
    result: dict[str, Any] = made() | {"fleets": {}}
    for (cars,), own in rows.group_by("cars", maintain_order=True):
        result["fleets"][str(cars)] = {"fleets": own["seed"].n_unique()} | figures(own)
    save("wrong_rows", result, given.out)
    print(markdown(result))


if __name__ == "__main__":
    main()
