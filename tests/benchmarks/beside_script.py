"""The whole job beside one script of pandas and statsmodels, on the same clean logs: all of them, and one new one.

python tests/benchmarks/beside_script.py [--cars 260] [--rounds 3] [--out FILE]

An invented fleet, every log as clean comma-delimited text with the same column names; 260 cars have 1,064 logs. Ours is
`ingest`, `study` and `report`, three programs one after another; the rival is `one_script.py`, which tells what it
leaves out, with ordinary least squares and with a random effect a car. Then a log is added: the rival reads all again,
ours only that one, and makes study and report anew. Each round begins with nothing kept: the first report packs the
drawing library, the second finds it in the (round's own) cache folder. Seconds on the wall, programs' starts included,
two cores for both, one thread for linear algebra; the least of the rounds, in each of which everything is run, beside
the processor time.
"""

import argparse
import os
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parent))

from machine import HOUSE, load, machine, save

ONE_THREAD = {f"{name}_NUM_THREADS": "1" for name in ("OPENBLAS", "OMP", "MKL")}
STANDARD_ATMOSPHERE_KPA = 101.3
Cost = dict[str, float]  # wall_s, processor_s


def write_fleet(folder: Path, cars: int) -> int:
    """Logs and roster; gives how many logs."""
    import polars as pl

    from synthetic_fleet.cars import Car
    from synthetic_fleet.recorders import RECORDERS, file_name, write_log
    from synthetic_fleet.truth import roster
    from synthetic_fleet.write_fleet import synthesize_frames

    plain, fleet, logs = RECORDERS["plain"], list[Car](), 0
    for car, log, frame in synthesize_frames(cars, 1):
        home = folder / "logs" / car.name
        home.mkdir(parents=True, exist_ok=True)
        if "manifold_pressure_kpa" not in frame.columns:  # its recorder would have written boost
            frame = frame.with_columns(manifold_pressure_kpa=pl.col("boost_kpa") + STANDARD_ATMOSPHERE_KPA)
        if "pedal_pct" not in frame.columns:
            frame = frame.rename({"throttle_pct": "pedal_pct"})
        known = frame.select(name for name in frame.columns if name == "time_s" or name in plain.channels)
        write_log(home / file_name(plain, log.day, log.number), known, plain, day=log.day)
        logs += 1
        if not fleet or fleet[-1] is not car:
            fleet.append(car)
    roster(fleet).write_csv(folder / "roster.csv")
    return logs


def cost(words: Sequence[object], kept: Path) -> Cost:
    """What a command costs. kept: its cache folder."""
    before, start = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
    subprocess.run(
        [sys.executable, *map(str, words)],
        env={**os.environ, **ONE_THREAD, "PYTHONPATH": str(HOUSE), "XDG_CACHE_HOME": str(kept)},
        check=True, capture_output=True,
    )  # fmt: skip
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    spent = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    return {"wall_s": time.perf_counter() - start, "processor_s": spent}


def one_round(fleet: Path, out: Path) -> dict[str, Cost]:
    logs, roster, store = fleet / "logs", fleet / "roster.csv", out / "store"
    ours = ("-m", "pumpcensus")
    steps = {
        "ingest": (*ours, "ingest", logs, "--roster", roster, "--store", store),
        "study": (*ours, "study", "--store", store),
        "report": (*ours, "report", "--store", store, "--out", out / "report"),
    }
    script = (Path(__file__).with_name("one_script.py"), logs, roster, out / "script")
    new = next(iter(sorted(logs.glob("*/*.csv"))))
    aside = out / new.name
    shutil.move(new, aside)
    try:
        took = {f"script_{how}": cost((*script, how), out / "cache") for how in ("ols", "mixed")}
        took |= {name: cost(words, out / "cache") for name, words in steps.items()}
    finally:
        shutil.move(aside, new)
    took["script_one_new"] = cost((*script, "ols"), out / "cache")
    took |= {f"{name}_one_new": cost(words, out / "cache") for name, words in steps.items()}
    return took


def measure(cars: int, rounds: int) -> dict[str, Any]:
    with tempfile.TemporaryDirectory() as scratch:
        fleet = Path(scratch) / "fleet"
        logs, took = write_fleet(fleet, cars), list[dict[str, Cost]]()
        size = sum(path.stat().st_size for path in (fleet / "logs").rglob("*.csv"))
        for number in range(rounds):
            out = Path(scratch) / str(number)
            out.mkdir()
            took.append(one_round(fleet, out))
    least = {what: {unit: round(min(one[what][unit] for one in took), 2) for unit in took[0][what]} for what in took[0]}
    told: dict[str, Any] = {"cars": cars, "logs": logs, "logs_mb": round(size / 1e6), "rounds": rounds, **least}
    for unit in ("wall_s", "processor_s"):
        whole, one_new = (
            sum(least[step + suffix][unit] for step in ("ingest", "study", "report")) for suffix in ("", "_one_new")
        )
        told[f"ours_{unit}"], told[f"ours_one_new_{unit}"] = round(whole, 2), round(one_new, 2)
        told[f"to_ols_{unit}"] = round(whole / least["script_ols"][unit], 2)
        told[f"to_mixed_{unit}"] = round(whole / least["script_mixed"][unit], 2)
        told[f"one_new_to_ols_{unit}"] = round(one_new / least["script_one_new"][unit], 2)
    return told


def markdown(result: dict[str, Any]) -> str:
    """The result as a table of docs/performance.md."""

    def line(name: str, what: str) -> str:
        return f"| {name} | {' | '.join(str(result[what + unit]) for unit in ('wall_s', 'processor_s'))} |"

    def costs(name: str, what: str) -> str:
        return f"| {name} | {result[what]['wall_s']} | {result[what]['processor_s']} |"

    return "\n".join(
        [
            f"| {result['cars']} cars, {result['logs']} logs, {result['logs_mb']} MB | wall (s) | processor (s) |",
            "|---|---|---|",
            *(costs(f"ours: {step}", step) for step in ("ingest", "study", "report")),
            line("ours, all three", "ours_"),
            costs("one script, ordinary least squares", "script_ols"),
            costs("one script, a random effect a car", "script_mixed"),
            line("ours to the script, ordinary least squares", "to_ols_"),
            line("ours to the script, a random effect a car", "to_mixed_"),
            line("one new log: ours, all three", "ours_one_new_"),
            costs("one new log: the script, ordinary least squares", "script_one_new"),
            line("one new log: ours to the script", "one_new_to_ols_"),
        ]
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--cars", type=int, default=260)
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--out", type=Path)
    asked = parser.parse_args()
    save("beside_script", {**machine(), **measure(asked.cars, asked.rounds), "load": load()}, asked.out)


if __name__ == "__main__":
    main()
