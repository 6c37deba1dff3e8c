"""What the benchmarks share: fleets invented as cells, studied many at once, and shares with honest intervals.

Cars of a fleet are judged by one expectation, so the unit of evidence is the fleet: intervals are 95 %, by
resampling whole fleets (Davison & Hinkley 1997, Bootstrap Methods and their Application, 3.8), and never narrower
than those of Clopper & Pearson 1934 (Biometrika 26:404), which stand alone where nothing or everything was hit.
"""

import argparse
import hashlib
import json
import platform
import sys
from collections.abc import Callable, Iterable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict, dataclass
from datetime import date
from functools import partial
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
from scipy.stats import beta

HOUSE = Path(__file__).parents[2]
sys.path.insert(0, str(HOUSE))

from models.study import run_study  # noqa: E402
from synthetic_fleet.direct_cells import FAULTS, DirectFleet, direct_cells  # noqa: E402

RESULTS = Path(__file__).parent / "results"
TODAY = date(2026, 11, 25)
RESAMPLES = 2000
LAWS = {"straight": 0.0, "lobe": 1.0}
Figure = dict[str, float | int | None]


@dataclass(frozen=True)
class Job:
    """One fleet to invent. set: which question it belongs to. law: of LAWS."""

    set: str
    cars: int
    seed: int
    law: str
    faulty_share: float = 0.0
    faults: tuple[str, ...] = FAULTS

    def fleet(self) -> DirectFleet:
        return direct_cells(
            self.cars, self.seed, faulty_share=self.faulty_share, round_share=LAWS[self.law], faults=self.faults
        )


def jobs_of(set_name: str, cars: int, first_seed: int, fleets: int, **how: Any) -> list[Job]:
    """Fleets of consecutive seeds, straight and round lobe in turn."""
    return [
        Job(set_name, cars, first_seed + k, tuple(LAWS)[k % 2], **how)
        for k in range(fleets)
    ]  # fmt: skip


def studied(fleet: DirectFleet, job: Job) -> pl.DataFrame:
    """A row a car: what the study says beside the truth."""
    study = run_study(fleet.cells, fleet.pulls, fleet.ledger, fleet.roster, "2026Q3", today=TODAY)
    truth = fleet.truth.rename({"excess_pct": "true_excess_pct"})
    tag = {name: pl.lit(value) for name, value in asdict(job).items() if name in ("set", "cars", "seed", "law")}
    return study.cars.drop("check_first").join(truth, on="label", maintain_order="left").with_columns(**tag)


def in_parallel(
    one: Callable[[Job], pl.DataFrame], jobs: list[Job], workers: int, keep: Path | None = None
) -> pl.DataFrame:
    """The rows of all jobs, in the order of the jobs; a line of progress now and then.

    keep: a folder for each fleet's rows, from which a killed run goes on; rows of other code are not taken.
    """
    if keep:
        keep = keep / f"{models_digest()} {Path(one.__code__.co_filename).stem}"
        keep.mkdir(parents=True, exist_ok=True)
    parts = []
    # a forked worker would wait for ever for a thread of the parent's that it does not have
    with ProcessPoolExecutor(workers, mp_context=get_context("spawn")) as pool:
        for done, rows in enumerate(pool.map(partial(_kept, one, keep), jobs), 1):
            parts.append(rows)
            if done % 50 == 0:
                print(f"{done} of {len(jobs)} fleets", file=sys.stderr, flush=True)
    return pl.concat(parts)


def _kept(one: Callable[[Job], pl.DataFrame], keep: Path | None, job: Job) -> pl.DataFrame:
    if keep is None:
        return one(job)
    path = keep / f"{job.set}-{job.cars}-{job.seed}.parquet"
    if not path.exists():
        rows = one(job)
        rows.write_parquet(path.with_suffix(".part"))
        path.with_suffix(".part").rename(path)
    return pl.read_parquet(path)


def by_fleet(rows: pl.DataFrame, hit: pl.Expr) -> pl.DataFrame:
    """set, cars, seed, hits, count: one row a fleet."""
    return rows.group_by("set", "cars", "seed", maintain_order=True).agg(
        hits=hit.cast(pl.Int64).sum(), count=pl.len().cast(pl.Int64)
    )


def share(rows: pl.DataFrame, hit: pl.Expr) -> Figure:
    """Share of the rows that are a hit, with its 95 % interval; null where there are no rows."""
    if rows.is_empty():
        return {"hits": 0, "of": 0, "share": None, "low": None, "high": None}
    counted = by_fleet(rows, hit)
    hits, count = counted["hits"].to_numpy(), counted["count"].to_numpy()
    low, high = exact_interval(int(hits.sum()), int(count.sum()))
    if 0 < hits.sum() < count.sum():
        many = np.array([hits[pick].sum() / count[pick].sum() for pick in resamples(len(hits))])
        low, high = min(low, float(np.quantile(many, 0.025))), max(high, float(np.quantile(many, 0.975)))
    return {
        "hits": int(hits.sum()),
        "of": int(count.sum()),
        "share": round(float(hits.sum() / count.sum()), 5),
        "low": round(low, 5),
        "high": round(high, 5),
    }


def statistic(rows: pl.DataFrame, column: str, of: Callable[[np.ndarray], float]) -> Figure:
    """A statistic of one column with its 95 % interval by resampling fleets."""
    parts = [group[column].to_numpy() for _, group in rows.group_by("set", "cars", "seed", maintain_order=True)]
    many = [of(np.concatenate([parts[k] for k in pick])) for pick in resamples(len(parts), 400)]
    low, high = np.quantile(many, [0.025, 0.975])
    return {
        "of": rows.height,
        "value": round(of(np.concatenate(parts)), 5),
        "low": round(float(low), 5),
        "high": round(float(high), 5),
    }


def resamples(fleets: int, count: int = RESAMPLES) -> Iterable[np.ndarray]:
    """Fleets drawn with replacement; always the same draws."""
    rng = np.random.default_rng(20260701)
    return (rng.integers(0, fleets, fleets) for _ in range(count))


def exact_interval(hits: int, count: int) -> tuple[float, float]:
    """Clopper & Pearson's 95 % interval of a proportion."""
    low = float(beta.ppf(0.025, hits, count - hits + 1)) if hits else 0.0
    high = float(beta.ppf(0.975, hits + 1, count - hits)) if hits < count else 1.0
    return low, high


def cell(figure: Figure, digits: int = 1) -> str:
    """A share as a cell of a table: per cent, interval, counts."""
    if figure["share"] is None:
        return "-"
    value, low, high = (100 * float(figure[name] or 0.0) for name in ("share", "low", "high"))
    return f"{value:.{digits}f} % ({low:.{digits}f}-{high:.{digits}f}), {figure['hits']} of {figure['of']}"


def table(head: list[str], lines: list[list[str]]) -> str:
    rule = "|---" * len(head) + "|"
    return "\n".join([f"| {' | '.join(head)} |", rule, *(f"| {' | '.join(line)} |" for line in lines)])


def made() -> dict[str, str]:
    """When, where, and a digest of the study's code, so that figures can be told from those of other code."""
    return {
        "made_on": date.today().isoformat(),
        "machine": f"{platform.machine()}, Python {platform.python_version()}",
        "models_digest": models_digest(),
    }


def models_digest() -> str:
    code = hashlib.sha256()
    for path in sorted((HOUSE / "models").rglob("*.*")):
        if path.suffix in (".py", ".sql", ".csv"):
            code.update(path.read_bytes())
    return code.hexdigest()[:12]


def save(name: str, result: dict[str, Any], out: Path | None = None) -> None:
    path = out or RESULTS / f"{name}.json"
    path.parent.mkdir(exist_ok=True)
    path.write_text(json.dumps(result, indent=1) + "\n", encoding="utf-8")


def parser(description: str | None) -> argparse.ArgumentParser:
    """Arguments all of these scripts have."""
    given = argparse.ArgumentParser(description=description, formatter_class=argparse.RawDescriptionHelpFormatter)
    given.add_argument("--fleets", type=float, default=1.0, help="share of the fleets to run, for a quick look")
    given.add_argument("--workers", type=int, default=2)
    given.add_argument("--out", type=Path, help="where the figures go; default: results beside this script")
    given.add_argument("--keep", type=Path, help="keep each fleet's rows in this folder, for a run that was killed")
    given.add_argument("--rows", type=Path, help="also write a row a car to this Parquet file")
    return given
