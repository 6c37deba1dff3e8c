"""How many planted faults the whole job finds, and how many sound cars it flags.

python tests/benchmarks/detection.py [--large-seeds 7001-7016] [--small-seeds 6001-6024] [--out FILE]

Each fleet is invented from its seed, written as logs, ingested, studied; its cars are compared with its truth.
Fault sizes are the scenario's: worn 8-20 % of volume at all speeds; starved 0 to 12-28 % rising above 4,500 rpm;
leak 8-18 % falling to nothing above 5,500; drift 0 to 10-20 % over the quarter; sticking: a dropout in half of the
pulls; 2-6 logs of 1-4 pulls a car. `--faulty-share 0` measures false alarms in fleets without faults.
"""

import argparse
import json
import platform
import sys
import tempfile
from concurrent.futures import ProcessPoolExecutor
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
from scipy.stats import beta

HOUSE = Path(__file__).parents[2]
sys.path.insert(0, str(HOUSE))

LARGE, SMALL = 80, 24


def one_fleet(size: int, seed: int, faulty_share: float, physics: str) -> pl.DataFrame:
    """A row a spell of the fleet: what the study said beside the truth."""
    from ingest.many_logs import ingest_logs
    from models.study_files import study_of_store
    from synthetic_fleet import synthesize

    with tempfile.TemporaryDirectory() as scratch:
        club, store = Path(scratch) / "club", Path(scratch) / "store"
        synthesize(club, size, seed, faulty_share=faulty_share, physics=physics)
        ingest_logs(club / "logs", club / "roster.csv", store)
        study = study_of_store(store)
        labels = pl.read_csv(Path(scratch) / "store.private" / "labels.csv")
        truth = pl.read_csv(club / "truth.csv", try_parse_dates=True, infer_schema_length=None)
    truth = truth.rename({"excess_pct": "true_excess_pct"}).select(
        "car", pl.col("spell_since").cast(pl.Date), pl.col("fault").fill_null(""), "severity_pct", "level_pct",
        "true_excess_pct", "ethanol_true_pct",
    )  # fmt: skip
    named = study.cars.join(labels, on="label").drop("setup")
    return named.join(truth, on=["car", "spell_since"], nulls_equal=True, maintain_order="left").with_columns(
        size=pl.lit(size), seed=pl.lit(seed), tau_pct=pl.lit(study.summary["model"].get("tau_pct"))
    )


def exact_interval(hits: int, count: int) -> tuple[float, float]:
    """95 % interval of a proportion. Source: Clopper & Pearson 1934, Biometrika 26:404."""
    low = float(beta.ppf(0.025, hits, count - hits + 1)) if hits else 0.0
    high = float(beta.ppf(0.975, hits + 1, count - hits)) if hits < count else 1.0
    return low, high


def proportion(flags: pl.Series) -> dict[str, float | int | None]:
    hits, count = int(flags.sum()), len(flags)
    if not count:
        return {"hits": 0, "of": 0, "share": None, "low": None, "high": None}
    low, high = exact_interval(hits, count)
    return {
        "hits": hits,
        "of": count,
        "share": round(hits / count, 4),
        "low": round(low, 4),
        "high": round(high, 4),
    }


def figures(rows: pl.DataFrame) -> dict[str, object]:
    """The table's figures for one size of fleet, over spells with full-load pulls in the quarter."""
    driven = rows.filter(pl.col("pulls") > 0)
    acted = pl.col("signal") == "action"
    found = {
        fault: proportion(driven.filter(pl.col("fault") == fault).select(acted)["signal"])
        for fault in (
            "worn",
            "starved",
            "leak",
            "sticking",
            "drift",
            "hot_feed",
            "wrong_roster",
            "ethanol_sensor",
        )
    }
    sharp = driven.filter(pl.col("fault").is_in(["starved", "leak", "sticking"]))
    sound = driven.filter((pl.col("fault") == "") & pl.col("p_value").is_not_null())
    held = pl.col("true_excess_pct").is_between(pl.col("excess_low_pct"), pl.col("excess_high_pct"))
    limited = pl.col("pump_limit").is_in(["rail_short", "reached"])
    return {
        "found": found,
        "starved_leak_sticking": proportion(sharp.select(acted)["signal"]),
        "sound_action": proportion(sound.select(acted)["signal"]),
        "sound_warning_not_at_limit": proportion(
            sound.filter(~limited).select(pl.col("signal") == "warning")["signal"]
        ),
        "sound_clear": proportion(sound.select(pl.col("signal") == "clear")["signal"]),
        "sound_coverage_95": proportion(sound.select(held.alias("held"))["held"]),
        "sound_p_at_most_05": proportion(sound.select(pl.col("p_value") <= 0.05)["p_value"]),
        "median_detectable_excess_pct": round(float(sound["detectable_excess_pct"].median() or np.nan), 2),
    }


LINES = {
    "worn found": lambda f: f["found"]["worn"],
    "starved, leak, sticking found": lambda f: f["starved_leak_sticking"],
    "drift found": lambda f: f["found"]["drift"],
    "sound cars given `action`": lambda f: f["sound_action"],
    "sound cars given `warning`, pump not at its limit": lambda f: f["sound_warning_not_at_limit"],
    "sound cars shown as like their peers": lambda f: f["sound_clear"],
    "sound cars whose true excess lies in the 95 % interval": lambda f: f["sound_coverage_95"],
    "sound cars with p <= .05": lambda f: f["sound_p_at_most_05"],
}


def markdown(result: dict[str, Any]) -> str:
    """The result as the table of docs/performance.md: share with its 95 % interval, and counts."""
    sizes = list(result["fleets"])
    rows = [f"| | {' | '.join(f'{size} cars, seeds {_range(result, size)}' for size in sizes)} |"]
    rows.append("|---" * (len(sizes) + 1) + "|")
    for name, pick in LINES.items():
        cells = [_cell(pick(result["fleets"][size])) for size in sizes]
        rows.append(f"| {name} | {' | '.join(cells)} |")
    medians = [f"{result['fleets'][size]['median_detectable_excess_pct']} %" for size in sizes]
    return "\n".join([*rows, f"| excess noticed with 80 % power, median | {' | '.join(medians)} |"])


def _range(result: dict[str, Any], size: str) -> str:
    used = result["fleets"][size]["seeds"]
    return f"{used[0]}-{used[-1]}"


def _cell(p: dict[str, Any]) -> str:
    share, low, high = (100 * p[name] for name in ("share", "low", "high"))
    return f"{share:.1f} % ({low:.1f}-{high:.1f}), {p['hits']} of {p['of']}"


def seeds(text: str) -> list[int]:
    first, _, last = text.partition("-")
    return list(range(int(first), int(last or first) + 1))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--large-seeds", type=seeds, default=seeds("7001-7016"))
    parser.add_argument("--small-seeds", type=seeds, default=seeds("6001-6024"))
    parser.add_argument("--faulty-share", type=float, default=0.15)
    parser.add_argument("--physics", default="mixed")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--out", type=Path, default=Path(__file__).parent / "results" / "detection.json")
    parser.add_argument("--rows", type=Path, help="also write the row a spell to this Parquet file")
    given = parser.parse_args()
    jobs = [(LARGE, seed) for seed in given.large_seeds] + [(SMALL, seed) for seed in given.small_seeds]
    with ProcessPoolExecutor(given.workers) as pool:
        running = [pool.submit(one_fleet, size, seed, given.faulty_share, given.physics) for size, seed in jobs]
        rows = pl.concat([job.result() for job in running])
    result = {
        "made_on": date.today().isoformat(),
        "machine": f"{platform.machine()}, Python {platform.python_version()}",
        "faulty_share": given.faulty_share,
        "physics": given.physics,
        "fleets": {
            str(size): {"seeds": used, **figures(rows.filter(pl.col("size") == size))}
            for size, used in ((LARGE, given.large_seeds), (SMALL, given.small_seeds))
            if used
        },
    }
    given.out.parent.mkdir(exist_ok=True)
    given.out.write_text(json.dumps(result, indent=1) + "\n", encoding="utf-8")
    if given.rows:
        rows.write_parquet(given.rows)
    print(markdown(result))


if __name__ == "__main__":
    main()
