"""What each step of the whole job costs, by number of cars, and how large its outcome is.

python tests/benchmarks/whole_job.py [CARS ...]   writes results/whole_job.json
"""

import json
import os
import platform
import resource
import subprocess
import sys
import tempfile
from pathlib import Path

import polars as pl

HOUSE = Path(__file__).parents[2]
RESULTS = Path(__file__).with_name("results") / "whole_job.json"


def spent_s() -> float:
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


def step(*words: object) -> float:
    """Processor seconds of one command, with the start of the program; other work on the machine counts little."""
    before_s = spent_s()
    command = [sys.executable, "-m", "pumpcensus", *map(str, words)]
    subprocess.run(command, env=os.environ | {"PYTHONPATH": str(HOUSE)}, check=True, capture_output=True)
    return round(spent_s() - before_s, 1)


def job(cars: int) -> dict[str, float]:
    """Processor seconds a step, and sizes, for an invented fleet of `cars`."""
    with tempfile.TemporaryDirectory() as scratch:
        fleet, store, out = (Path(scratch) / name for name in ("fleet", "store", "report"))
        step("synthesize", fleet, "--cars", cars, "--seed", 1)
        return {
            "cars": cars,
            "logs": sum(path.is_file() for path in (fleet / "logs").rglob("*")),
            "ingest_s": step("ingest", fleet / "logs", "--roster", fleet / "roster.csv", "--store", store),
            "ingest_again_s": step("ingest", fleet / "logs", "--roster", fleet / "roster.csv", "--store", store),
            "study_s": step("study", "--store", store),
            "report_s": step("report", "--store", store, "--out", out),
            "store_mb": round(sum(path.stat().st_size for path in store.rglob("*")) / 1e6, 1),
            "report_mb": round((out / "report.html").stat().st_size / 1e6, 2),
            "peak_memory_mb": resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss // 1024,
        }


def main() -> None:
    sizes = [int(word) for word in sys.argv[1:]] or [40, 200, 500]
    machine = {"cores": os.cpu_count(), "machine": platform.machine(), "python": platform.python_version()}
    told = {**machine, "polars": pl.__version__, "jobs": [job(cars) for cars in sorted(sizes)]}
    RESULTS.write_text(json.dumps(told, indent=1) + "\n", encoding="utf-8")
    print(RESULTS.read_text(encoding="utf-8"))


if __name__ == "__main__":
    main()
