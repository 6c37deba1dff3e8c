"""What a large study costs, beside the same regression by pandas and statsmodels in the same run.

python tests/benchmarks/study_scale.py [SIZE:WAY ...] [--scratch FOLDER] [--out FILE]

Cells are made directly, a base fleet many times over, each copy with a level of its own, and written to Parquet as a
tidied store holds them; each side reads them in a process of its own: wall time, processor time and peak memory are
that process's, libraries included. The rival is what a user of pandas and statsmodels would write: merge, group, one
formula of speed by engine, slopes and setups, and a random effect a car (`mixed`, MixedLM). `ols` is the same formula
by ordinary least squares, each car's excess the mean of its residuals: cheaper, and no mixed model. Both are spared
what the study does besides: the duty law is given to them, nobody is left out or down-weighted, nothing is censored,
and one fit is all. `floor` is less still: a bare query and one pass of normal equations, cell by cell, the same
columns; no car is judged.
"""

import argparse
import json
import os
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl

sys.path.insert(0, str(Path(__file__).parent))

from many_fleets import TODAY, made, save, table

from ingest.labels import ALPHABET
from ingest.store import CELLS_A_GROUP
from ingest.tidy_store import TidyRule
from models.baselines import baselines, car_medians
from models.curves import setup_curves
from models.fleet import gather, window
from models.learning import learn
from models.observed import ahead
from models.study import StudySize, run_study
from synthetic_fleet.direct_cells import DirectFleet, direct_cells

# cars, copies
SIZES = {"small": (140, 4), "medium": (280, 8), "large": (560, 10), "huge": (560, 100), "vast": (560, 700)}
# after a size: a store that was tidied often, each car's logs in segments all over; one whose logs tidying shared out
SCATTERED = {"scattered": 1, "shared": TidyRule().sharing}
RUNS = [
    *(f"large:{way}" for way in ("study", "expected", "floor", "ols", "mixed")),
    "huge:study", "huge:expected", *(f"huge-{how}:expected" for how in SCATTERED), "vast:expected",
]  # fmt: skip
COUNTED = ("action", "warning", "clear", "undecided")
ONE_THREAD = {f"{name}_NUM_THREADS": "1" for name in ("OPENBLAS", "OMP", "MKL")}
SECONDS_MAX = 1500
COPIES_A_FILE = 10
ROW_GROUP_ROWS = 20_000  # few enough that some cars' cells can be read without the others'


def write_fleet(folder: Path, cars: int, copies: int, sharing: int = 0) -> None:
    """Parquet tables of cars x copies cars; cells in files ordered by label.

    sharing: as a tidied store holds them, 1,000 logs a file, so many files sharing any logs out by label.
    """
    base, rng = direct_cells(cars, 41), np.random.default_rng(41)
    labels = label_of_number(rng.choice(32**6, cars * copies, replace=False))
    (folder / "cells").mkdir(parents=True)
    rest: dict[str, list[pl.DataFrame]] = {"pulls": [], "ledger": [], "roster": []}
    held: list[pl.DataFrame] = []
    for copy in range(copies):
        one = _copied(base, copy, rng.normal(0, 0.01, cars), labels[copy * cars :][:cars])
        held.append(one.cells)
        if len(held) == COPIES_A_FILE or copy == copies - 1:
            run = pl.concat(held).sort("label", "log", "pull", "band_rpm")
            rows = CELLS_A_GROUP if sharing else ROW_GROUP_ROWS
            for number, file in enumerate(_segments(run, rng, sharing) if sharing else [run]):
                file.write_parquet(folder / "cells" / f"{copy:04d}-{number:02d}.parquet", row_group_size=rows)
            held.clear()
        for name, tables in rest.items():
            tables.append(getattr(one, name))
    for name, tables in rest.items():
        pl.concat(tables).write_parquet(folder / f"{name}.parquet")


def _segments(cells: pl.DataFrame, rng: np.random.Generator, sharing: int) -> list[pl.DataFrame]:
    """The cells of 1,000 logs each, whichever, shared out by label among so many; in their order."""
    logs = cells.select("log", "label").unique().sort("log")
    drawn = pl.Series("group", rng.permutation(len(logs)) // (TidyRule().segment_logs * sharing))
    placed = logs.with_columns(drawn).sort("group", "label", "log")
    segment = pl.int_range(pl.len()).over("group") // TidyRule().segment_logs
    tagged = cells.join(placed.select("log", "group", segment=segment), on="log", maintain_order="left")
    return tagged.partition_by("group", "segment", include_key=False)


def label_of_number(numbers: np.ndarray) -> pl.Series:
    """Labels without an order, as a store's are: every file holds cars from all over."""
    letters = np.array(list(ALPHABET))[(numbers[:, None] >> 5 * np.arange(6)) & 31]
    return pl.Series([f"{''.join(row[:2])}-{''.join(row[2:])}" for row in letters])


def _copied(base: DirectFleet, copy: int, level: np.ndarray, labels: pl.Series) -> DirectFleet:
    """The fleet under other labels; each car asks for exp(level) as much air, hence fuel, at the same duty."""
    new = dict(zip(base.roster["label"].unique().sort(), labels, strict=True))
    renamed = {
        name: getattr(base, name)
        .with_columns(
            (pl.lit(f"{copy:04d}") + pl.col(column)).alias(column)
            for column in ("log", "source")
            if column in getattr(base, name).columns
        )
        .with_columns(pl.col("label").replace_strict(new))
        for name in ("cells", "pulls", "ledger", "roster")
    }
    levels = renamed["roster"].select("label", level=pl.Series(level))
    cells = renamed["cells"].join(levels, on="label", maintain_order="left")
    renamed["cells"] = cells.with_columns(
        pl.col("manifold_pressure_kpa") * pl.col("level").exp()
    ).drop("level")  # fmt: skip
    return DirectFleet(**renamed, truth=base.truth, spread=base.spread)


def study(folder: Path) -> dict[str, float]:
    cells, pulls = (pl.scan_parquet(folder / name) for name in ("cells", "pulls.parquet"))
    ledger, roster = (pl.read_parquet(folder / f"{name}.parquet") for name in ("ledger", "roster"))
    found = run_study(cells, pulls, ledger, roster, "2026Q3", today=TODAY)
    counts = found.summary["counts"]
    return {name: counts[name] for name in ("cars", "logs_kept", "cells", *COUNTED)}


def rival_rows(folder: Path):  # type: ignore[no-untyped-def]
    """pandas: cells with their setup, ln(volume / demand), averaged by log and band."""
    import pandas as pd

    columns = ["label", "log", "band_rpm", "duty_pct", "manifold_pressure_kpa", "intake_air_c", "lambda_ratio"]
    cells = pd.read_parquet(folder / "cells", columns=[*columns, "ethanol_pct"])
    roster = pd.read_parquet(folder / "roster.parquet").rename(columns={"ethanol_pct": "stated_pct"})
    roster["setup"] = roster["engine"] + roster["pump"] + roster["boost_hardware"] + roster["calibration"]
    cells = cells.merge(roster[["label", "engine", "setup", "stated_pct"]], on="label")
    ethanol = cells["ethanol_pct"].astype(float).fillna(cells["stated_pct"])
    cells["ln_fuel"] = -np.log(1 - 0.3477 * ethanol / 100)
    cells["ln_intake"] = np.log((cells["intake_air_c"] + 273.15) / 298.15)
    air = np.log(cells["manifold_pressure_kpa"] / 100) - 0.5 * cells["ln_intake"]
    cells["ln_demand"] = air - np.log(cells["lambda_ratio"]) + cells["ln_fuel"]
    cells["y"] = np.log((1 - np.cos(np.pi * cells["duty_pct"] / 100)) / 2) - cells["ln_demand"]
    means = dict.fromkeys(("y", "ln_demand", "ln_fuel", "ln_intake"), "mean")
    rows = cells.groupby(["label", "log", "band_rpm"], sort=True).agg(means | {"engine": "first", "setup": "first"})
    return rows.reset_index()


FORMULA = "y ~ C(engine):bs(band_rpm, df=9) + ln_demand + ln_fuel + ln_intake + C(setup)"


def ols(folder: Path) -> dict[str, float]:
    import statsmodels.formula.api as smf

    rows = rival_rows(folder)
    fitted = smf.ols(FORMULA, rows).fit()
    excess = fitted.resid.groupby(rows["label"]).mean()
    return {"rows": len(rows), "cars": len(excess), "excess_sd_pct": round(100 * float(excess.std()), 2)}


def mixed(folder: Path) -> dict[str, float]:
    import statsmodels.formula.api as smf

    rows = rival_rows(folder)
    fitted = smf.mixedlm(FORMULA, rows, groups="label").fit()
    effects = np.array([float(effect.iloc[0]) for effect in fitted.random_effects.values()])
    return {"rows": len(rows), "cars": len(effects), "excess_sd_pct": round(100 * float(effects.std()), 2)}


def expected(folder: Path) -> dict[str, float]:
    """Baselines and expected duty alone: what a setup does, and what the expectation says it should."""
    cells, pulls = (pl.scan_parquet(folder / name) for name in ("cells", "pulls.parquet"))
    ledger, roster = (pl.read_parquet(folder / f"{name}.parquet") for name in ("ledger", "roster"))
    when = window("2026Q3", ledger, TODAY)
    material = gather(cells, pulls, ledger, roster, when, TODAY, teachers_max=StudySize().teachers_max)
    learned = learn(material.fleet)
    others = [car_medians(part) for part in ahead(material.observed.each(teaching=False))]
    found = baselines(
        pl.concat([material.driven.cars, *others]), setup_curves(material.fleet, learned, material.ceilings)
    )
    apart = (found["duty_p50_pct"] - found["expected_duty_pct"]).std()
    return {"pulls": int(found["pulls"].sum()), "rows": found.height, "median_minus_expected_sd_pct": round(apart, 2)}


BASELINE_SQL = """
with of_car as (
    select r.engine || r.pump || r.boost_hardware || r.calibration as setup, c.band_rpm, c.label,
           median(c.duty_pct) as duty, median(c.manifold_pressure_kpa) as pressure, median(c.boost_kpa) as boost,
           median(coalesce(c.ethanol_pct, r.ethanol_pct)) as ethanol, count(*) as pulls
    from read_parquet('{cells}/*.parquet') c join read_parquet('{roster}') r using (label)
    group by all
)
select setup, band_rpm, count(*), sum(pulls), quantile_cont(duty, [.1, .25, .5, .75, .9]), median(pressure),
       median(ethanol), median(boost)
from of_car group by all order by all
"""


def floor(folder: Path) -> dict[str, float]:
    """The least that could be called baselines and expected duty: one query, one pass of normal equations."""
    import duckdb
    from scipy.interpolate import BSpline

    with duckdb.connect(config={"threads": 1}) as connection:
        baseline = connection.sql(BASELINE_SQL.format(cells=folder / "cells", roster=folder / "roster.parquet")).pl()
    knots = np.r_[[1500.0] * 3, np.linspace(1500, 7500, 8), [7500.0] * 3]
    roster = pl.read_parquet(folder / "roster.parquet").rename({"ethanol_pct": "stated_pct"})
    words = {name: roster[name].unique().sort() for name in ("engine", "pump", "boost_hardware", "calibration")}
    setup = pl.concat_str(*words, separator="|")
    roster = roster.select(
        "label", "stated_pct", setup.rank("dense").alias("setup") - 1,
        *(pl.col(name).rank("dense").alias(name) - 1 for name in words),
    )  # fmt: skip
    sizes = {name: int(roster[name].max()) + 1 for name in ("setup", *words)}  # type: ignore[arg-type]
    curves = (1 + sizes["engine"]) * 10
    width = curves + sum(sizes.values()) + 2 * sizes["setup"] + 5
    A, b = np.zeros((width, width)), np.zeros(width)
    for file in sorted((folder / "cells").glob("*.parquet")):
        for part in pl.read_parquet(file).join(roster, on="label").iter_slices(50_000):
            X, y = _dense(part, sizes, width, curves, lambda rpm: BSpline.design_matrix(rpm, knots, 3).toarray())
            A += X.T @ X
            b += X.T @ y
    coefficients = np.linalg.solve(A + np.eye(width), b)
    return {"rows": baseline.height, "columns": width, "coefficients_sd": round(float(coefficients.std()), 3)}


def _dense(part: pl.DataFrame, sizes: dict[str, int], width: int, curves: int, basis):  # type: ignore[no-untyped-def]
    """The study's columns for each cell, by brute force."""
    n, rows = part.height, np.arange(part.height)
    X = np.zeros((n, width))
    rpm = part["band_rpm"].to_numpy() + 125.0
    curve, engine = basis(rpm), part["engine"].to_numpy()
    X[:, :10] = curve
    X[rows[:, None], 10 + engine[:, None] * 10 + np.arange(10)] = curve
    at = curves
    for name, size in sizes.items():
        X[rows, at + part[name].to_numpy()] = 1.0
        at += size
    z = (rpm - 4400) / 2200
    for shape in (z, z**2 - 1 / 3):
        X[rows, at + part["setup"].to_numpy()] = shape
        at += sizes["setup"]
    fuel = -np.log(1 - 0.3477 * part.select(pl.coalesce("ethanol_pct", "stated_pct")).to_series().to_numpy() / 100)
    intake = np.log((part["intake_air_c"].fill_null(35.0).to_numpy() + 273.15) / 298.15)
    mixture = np.log(part["lambda_ratio"].fill_null(0.85).to_numpy())
    demand = np.log(part["manifold_pressure_kpa"].to_numpy() / 100) - 0.5 * intake - mixture + fuel
    rail = part["rail_pressure_bar"].fill_null(150.0).to_numpy() / 100
    X[:, at:] = np.column_stack([demand, fuel, intake, rail, np.ones(n)])
    y = np.log((1 - np.cos(np.pi * part["duty_pct"].to_numpy() / 100)) / 2) - demand
    return X, y


WAYS = {"study": study, "expected": expected, "floor": floor, "ols": ols, "mixed": mixed}


def measured(way: str, folder: Path) -> dict[str, object]:
    """One side in a process of its own, which tells its own memory as it ends."""
    begun = time.perf_counter()
    command = [sys.executable, __file__, "--only", way, "--folder", str(folder)]
    try:
        done = subprocess.run(command, env=os.environ | ONE_THREAD, capture_output=True, text=True, timeout=SECONDS_MAX)
    except subprocess.TimeoutExpired:
        return {"way": way, "unfinished_s": SECONDS_MAX}
    wall_s = round(time.perf_counter() - begun, 1)
    if done.returncode:
        return {"way": way, "failed": done.stderr.strip().splitlines()[-1:], "wall_s": wall_s}
    return {"way": way, "wall_s": wall_s, **json.loads(done.stdout.splitlines()[-1])}


def one_side(way: str, folder: Path) -> None:
    told = WAYS[way](folder)
    used = resource.getrusage(resource.RUSAGE_SELF)
    cost = {"processor_s": round(used.ru_utime + used.ru_stime, 1), "peak_mb": used.ru_maxrss // 1024}
    print(json.dumps({**cost, "told": told}))


NAMES = {
    "study": "study",
    "expected": "baselines and expected duty alone",
    "floor": "one DuckDB query for the baselines, one pass of normal equations",
    "ols": "ordinary least squares by statsmodels",
    "mixed": "mixed model by statsmodels",
}
LAYOUTS = {"scattered": ", a car's logs in segments all over", "shared": ", the same shared out by label"}


def markdown(result: dict[str, Any]) -> str:
    """The result as a table of docs/performance.md."""
    runs = result["runs"]
    lines = [
        [
            f"{run['cells']:,}",
            str(run["files"]),
            NAMES[run["way"]] + LAYOUTS.get(run["size"].partition("-")[2], ""),
            *(f"{run[name]:.0f}" for name in ("wall_s", "processor_s", "peak_mb")),
        ]
        for run in runs
        if "peak_mb" in run
    ]
    return table(["cells", "files", "", "on the wall (s)", "processor (s)", "peak memory (MB)"], lines)


def main() -> None:
    given = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    given.add_argument("runs", nargs="*", default=RUNS, metavar="SIZE:WAY", help="e.g. large:study")
    given.add_argument("--only", choices=WAYS, help=argparse.SUPPRESS)
    given.add_argument("--folder", type=Path, help=argparse.SUPPRESS)
    given.add_argument("--scratch", type=Path, help="where fleets are made and kept; default: a folder that goes")
    given.add_argument("--out", type=Path, help="where the figures go; default: results beside this script")
    asked = given.parse_args()
    if asked.only:
        return one_side(asked.only, asked.folder)
    for size, _, way in (one.partition(":") for one in asked.runs):
        name, _, how = size.partition("-")
        if name not in SIZES or how not in {"", *SCATTERED} or way not in WAYS:
            given.error(f"{size}:{way} is none; sizes: {', '.join(SIZES)}; ways: {', '.join(WAYS)}")
    runs = []
    with tempfile.TemporaryDirectory() as temporary:
        for size, way in (one.split(":") for one in asked.runs):
            folder = (asked.scratch or Path(temporary)) / size
            if not folder.exists():
                name, _, how = size.partition("-")
                write_fleet(folder, *SIZES[name], SCATTERED.get(how, 0))
            cells = pl.scan_parquet(folder / "cells").select(pl.len()).collect().item()
            files = len(list((folder / "cells").iterdir()))
            runs.append({"size": size, "cells": cells, "files": files, **measured(way, folder)})
            print(json.dumps(runs[-1]), flush=True)
    result = {**made(), "cores": os.cpu_count(), "runs": runs}
    save("study_scale", result, asked.out)
    print(markdown(result))


if __name__ == "__main__":
    main()
