"""What ingest costs a log, one thread: reading, and everything after it, beside polars.read_csv of the same files.

python tests/benchmarks/ingest_speed.py [--logs 200] [--out FILE]

Logs of 1,200 rows and 13 columns, about 90 kB of clean comma-delimited text each, made up. Processor time, not
wall time, so that other work on the machine counts little; the better of two runs, the first warms up.
"""

import argparse
import importlib.util
import json
import os
import platform
import resource
import sys
import tempfile
import time
from datetime import date
from pathlib import Path

os.environ["POLARS_MAX_THREADS"] = "1"  # before polars is loaded
HOUSE = Path(__file__).parents[2]
sys.path.insert(0, str(HOUSE))

import numpy as np  # noqa: E402
import polars as pl  # noqa: E402

import ingest.log_files  # noqa: E402
from ingest import ingest_logs  # noqa: E402

CARS, ROWS = 20, 1200


def write_logs(folder: Path, logs: int) -> int:
    """Logs and roster; gives the bytes of one log."""
    spec = importlib.util.spec_from_file_location("made_up_logs", HOUSE / "tests/ingest/made_up_logs.py")
    assert spec
    assert spec.loader
    made_up = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(made_up)
    for number in range(logs):
        rng = np.random.default_rng(number)
        channels = made_up.drive(rng, pulls=7)
        columns = {made_up.HEADER[name]: values[:ROWS] for name, values in channels.items()}
        columns["Coolant temperature [degC]"] = 90 + rng.normal(0, 0.2, ROWS)
        columns["Battery voltage [V]"] = 14 + rng.normal(0, 0.02, ROWS)
        home = folder / "logs" / f"car-{number % CARS:02d}"
        home.mkdir(parents=True, exist_ok=True)
        rounded = {name: np.round(values, 2) for name, values in columns.items()}
        pl.DataFrame(rounded).write_csv(home / f"2026-07-01_{number // CARS:02d}.csv")
    rows = "".join(f"car-{number:02d},2.0 four,original\n" for number in range(CARS))
    (folder / "roster.csv").write_text("car,engine,pump\n" + rows, encoding="utf-8")
    return (home / f"2026-07-01_{number // CARS:02d}.csv").stat().st_size


def measure(folder: Path, logs: int) -> dict[str, float]:
    """Milliseconds of processor time a log."""
    spent_s, read = 0.0, ingest.log_files.read_log

    def timed(*args: object, **kwargs: object) -> object:
        nonlocal spent_s
        start = time.process_time()
        try:
            return read(*args, **kwargs)  # type: ignore[arg-type]
        finally:
            spent_s += time.process_time() - start

    best: dict[str, float] = {}
    for attempt in range(2):
        spent_s = 0.0
        store = folder / f"store{attempt}"
        ingest.log_files.read_log = timed  # type: ignore[assignment]
        start = time.process_time()
        result = ingest_logs(folder / "logs", folder / "roster.csv", store, today=date(2026, 11, 25))
        whole_s = time.process_time() - start
        ingest.log_files.read_log = read
        assert result.kept == logs, result
        if not best or whole_s * 1000 / logs < best["whole_ms"]:
            after_s = whole_s - spent_s
            best = {"reading_ms": spent_s, "after_reading_ms": after_s, "whole_ms": whole_s}
            best = {name: round(1000 * value / logs, 2) for name, value in best.items()}
    stored = sum(path.stat().st_size for path in store.rglob("*") if path.is_file())
    return best | {"stored_kb": round(stored / logs / 1000, 1)}


def floor_ms(folder: Path, logs: int) -> float:
    """Milliseconds of processor time a log that polars.read_csv takes for the same files; the better of three."""
    files = sorted((folder / "logs").rglob("*.csv"))
    spent = []
    for _ in range(3):
        start = time.process_time()
        for file in files:
            pl.read_csv(file)
        spent.append(time.process_time() - start)
    return round(1000 * min(spent) / logs, 2)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--logs", type=int, default=200)
    parser.add_argument("--out", type=Path)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        size = write_logs(Path(scratch), asked.logs)
        told = {"logs": asked.logs, "rows": ROWS, "columns": 13, "log_kb": round(size / 1000, 1)}
        told |= measure(Path(scratch), asked.logs)
        told["read_csv_ms"] = floor_ms(Path(scratch), asked.logs)
        told["speed_of_read_csv"] = round(told["read_csv_ms"] / told["whole_ms"], 3)
    told["peak_memory_mb"] = round(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1000)
    told |= {"polars": pl.__version__, "python": platform.python_version(), "machine": platform.machine()}
    text = json.dumps(told, indent=1)
    print(text)
    if asked.out:
        asked.out.write_text(text + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
