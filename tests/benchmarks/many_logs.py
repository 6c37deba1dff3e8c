"""Very many small logs into one store: whether the last thousand cost more than the first, and a second run.

python tests/benchmarks/many_logs.py [--logs 100000] [--workers 1] [--scratch DIR] [--out FILE]

Logs are made on the spot: 300 rows and 13 columns of clean comma-delimited text each, about 22 kB, no two alike, 50 a
car. They need 3 times their size on the disk, at 100,000 logs some 4 GB; all is removed at the end. Each run is a
process of its own, on one thread. A thousand's cost is processor time, not wall time, so that other work on the machine
counts little; the run with nothing new is timed on the wall, the start of the program included.
"""

import argparse
import json
import os
import statistics
import subprocess
import sys
import tempfile
import time
from itertools import pairwise
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

from machine import HOUSE, load, machine, save

CARS_LOGS, ROWS, BASES = 50, 300, 40  # logs a car; rows a log; drives that logs are made from
GROUP = 1000

RUN = """
import json, resource, sys, time
from datetime import date
from pathlib import Path
if __name__ == "__main__":
    folder, store, workers = Path(sys.argv[1]), Path(sys.argv[2]), int(sys.argv[3])
    from ingest.many_logs import ingest_logs
    told = []
    def progress(done, to_do):
        told.append((done, time.process_time()))
    result = ingest_logs(
        folder / "logs", folder / "roster.csv", store, workers=workers, today=date(2026, 11, 25), progress=progress
    )
    peaks = [resource.getrusage(who).ru_maxrss / 1000 for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)]
    spent_s = round(time.process_time(), 2)
    print(json.dumps({"told": told, "processor_s": spent_s, "kept": result.kept, "skipped": result.skipped,
                      "peak_mb": round(peaks[0]), "worker_peak_mb": round(peaks[1])}))
"""


def write_logs(folder: Path, logs: int) -> int:
    """Logs and roster; gives the bytes of all logs."""
    import numpy as np
    import polars as pl
    from ingest_speed import made_up_logs

    bases = [base.head(ROWS) for base in made_up_logs(BASES)]
    rng, size = np.random.default_rng(1), 0
    cars = -(-logs // CARS_LOGS)
    for number in range(logs):
        home = folder / "logs" / f"car-{number // CARS_LOGS:05d}"
        if number % CARS_LOGS == 0:
            home.mkdir(parents=True)
        base = bases[int(rng.integers(BASES))]
        noise = {name: np.round(base[name].to_numpy() + rng.normal(0, 0.05, ROWS), 2) for name in base.columns[1:]}
        text = base.with_columns(pl.Series(name, values) for name, values in noise.items()).write_csv()
        day = f"2026-{7 + number % CARS_LOGS // 25:02d}-{1 + number % 25:02d}"
        (home / f"{day}.csv").write_text(text, encoding="utf-8")
        size += len(text)
    rows = "".join(f"car-{number:05d},2.0 four,original\n" for number in range(cars))
    (folder / "roster.csv").write_text("car,engine,pump\n" + rows, encoding="utf-8")
    return size


def run(folder: Path, store: Path, workers: int) -> dict:
    """One ingest in a process of its own: what it told, and its seconds on the wall."""
    script = folder / "run.py"
    script.write_text(RUN, encoding="utf-8")
    start = time.perf_counter()
    told = subprocess.run(
        [sys.executable, str(script), str(folder), str(store), str(workers)],
        check=True, capture_output=True, text=True,
        env={**os.environ, "PYTHONPATH": str(HOUSE), "POLARS_MAX_THREADS": "1"},
    )  # fmt: skip
    return {**json.loads(told.stdout), "wall_s": round(time.perf_counter() - start, 2)}


def each_thousand_ms(told: list[list[float]], group: int = GROUP) -> list[float]:
    """Processor time a log of each thousand, in order."""
    at = [point for point in told if point[0] % group == 0]
    return [round(1000 * (later - sooner) / (end - begin), 3) for (begin, sooner), (end, later) in pairwise(at)]


def measure(logs: int, workers: int, scratch: Path | None) -> dict:
    with tempfile.TemporaryDirectory(dir=scratch) as home:
        folder, store = Path(home), Path(home) / "store"
        size = write_logs(folder, logs)
        first = run(folder, store, workers)
        assert first["kept"] == logs, first["kept"]
        again = run(folder, store, workers)
        assert again["skipped"] == logs, again["skipped"]
        thousands = each_thousand_ms(first["told"])
        few = max(1, len(thousands) // 20)
        return {
            "logs": logs,
            "logs_gb": round(size / 1e9, 2),
            "workers": workers,
            "wall_s": first["wall_s"],
            "first_thousand_ms": thousands[0],
            "last_thousand_ms": thousands[-1],
            "last_to_first": round(thousands[-1] / thousands[0], 3),
            "last_to_first_twentieth": round(
                statistics.median(thousands[-few:]) / statistics.median(thousands[:few]), 3
            ),
            "peak_mb": first["peak_mb"],
            "worker_peak_mb": first["worker_peak_mb"],
            "again_s": again["wall_s"],
            "again_processor_s": again["processor_s"],
            "again_peak_mb": again["peak_mb"],
            "thousands_ms": thousands,
        }


def markdown(result: dict) -> str:
    """The result as a table of docs/performance.md."""
    rows = {
        "logs, and their size together": f"{result['logs']:,}, {result['logs_gb']} GB",
        "a log of the first thousand (ms)": result["first_thousand_ms"],
        "a log of the last thousand (ms)": result["last_thousand_ms"],
        "last thousand to first": result["last_to_first"],
        "median of the last twentieth to the first": result["last_to_first_twentieth"],
        "peak memory (MB)": result["peak_mb"],
        "run with nothing new, on the wall (s)": result["again_s"],
        "the same, processor (s)": result.get("again_processor_s"),
        "the same, peak memory (MB)": result["again_peak_mb"],
        "processes that wanted a core meanwhile": result["load"],
    }
    return "\n".join(
        ["| | |", "|---|---|", *(f"| {name} | {value} |" for name, value in rows.items() if value is not None)]
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--logs", type=int, default=100_000)
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--scratch", type=Path, help="where the logs are made; default: the system's folder")
    parser.add_argument("--out", type=Path)
    asked = parser.parse_args()
    result = {**machine(), **measure(asked.logs, asked.workers, asked.scratch), "load": load()}
    save("many_logs", result, asked.out)


if __name__ == "__main__":
    main()
