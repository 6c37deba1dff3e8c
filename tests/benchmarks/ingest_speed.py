"""What ingest costs a log: reading, and everything after it, beside polars.read_csv of the same content.

python tests/benchmarks/ingest_speed.py [--logs 200] [--workers-logs 400 1600] [--out FILE]

Logs of 1,200 rows and 13 columns, about 90 kB of clean comma-delimited text each, made up. One thread. Processor
time, not wall time, so that other work on the machine counts little; the least of several rounds, in each of which
both are measured. `awkward`: the same content in less handy dialects, against read_csv of the clean files.
`again`: a second run with nothing new, as a share of the first. `workers`: wall time of two processes as a share of
one's, each started anew; there the other work on the machine does count.
"""

import argparse
import csv
import importlib.util
import io
import json
import os
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from datetime import date
from pathlib import Path

os.environ["POLARS_MAX_THREADS"] = "1"  # before polars is loaded
sys.path.insert(0, str(Path(__file__).parent))

import numpy as np
import polars as pl
from machine import HOUSE, load, machine, save

import ingest.log_files
from ingest.many_logs import ingest_logs

CARS, ROWS, DAY = 20, 1200, date(2026, 11, 25)
ROUNDS = 5
Cells = list[list[str]]


def made_up_logs(logs: int) -> Iterator[pl.DataFrame]:
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
        yield pl.DataFrame({name: np.round(values, 2) for name, values in columns.items()})


def write_club(folder: Path, logs: int, spell: Callable[[pl.DataFrame], bytes]) -> None:
    """Logs and roster."""
    for number, log in enumerate(made_up_logs(logs)):
        home = folder / "logs" / f"car-{number % CARS:02d}"
        home.mkdir(parents=True, exist_ok=True)
        (home / f"2026-07-01_{number // CARS:02d}.csv").write_bytes(spell(log))
    rows = "".join(f"car-{number:02d},2.0 four,original\n" for number in range(CARS))
    (folder / "roster.csv").write_text("car,engine,pump\n" + rows, encoding="utf-8")


# ---- dialects


def clean(log: pl.DataFrame) -> bytes:
    return log.write_csv().encode()


def cells_of(log: pl.DataFrame) -> Cells:
    return list(csv.reader(io.StringIO(log.write_csv())))


def joined(cells: Cells, delimiter: str) -> str:
    return "\n".join(map(delimiter.join, cells)) + "\n"


def decimal_comma(cells: Cells) -> Cells:
    return [cells[0], *([cell.replace(".", ",") for cell in row] for row in cells[1:])]


def semicolons(log: pl.DataFrame) -> bytes:
    return joined(decimal_comma(cells_of(log)), ";").replace("degC", "°C").replace("\n", "\r\n").encode("cp1252")


def utf16_tabs(log: pl.DataFrame) -> bytes:
    return joined(cells_of(log), "\t").encode("utf-16")


def with_missing(log: pl.DataFrame) -> Cells:
    """Every tenth value of the channels that may be missing is a mark."""
    marks = ("-", "n/a", "****", "ERR")
    cells = cells_of(log)
    for number, row in enumerate(cells[1:]):
        for column in range(4, len(row)):
            if (number + column) % 10 == 0:
                row[column] = marks[(number // 10 + column) % len(marks)]
    return cells


def ragged(log: pl.DataFrame) -> bytes:
    """Every fiftieth row has a cell too few or too many."""
    cells = cells_of(log)
    for number in range(50, len(cells), 50):
        cells[number] = cells[number][:-1] if number % 100 else [*cells[number], "7"]
    return joined(cells, ",").encode()


def quoted(log: pl.DataFrame) -> bytes:
    text = io.StringIO()
    csv.writer(text, quoting=csv.QUOTE_ALL).writerows(decimal_comma(cells_of(log)))
    return text.getvalue().encode()


def time_of_day(log: pl.DataFrame) -> bytes:
    cells = cells_of(log)
    for row in cells[1:]:
        tenths = round(10 * float(row[0]))
        row[0] = f"18:{tenths // 600:02d}:{tenths // 10 % 60:02d}.{tenths % 10}"
    cells[0][0] = "Time"
    return joined(cells, ",").encode()


AWKWARD: dict[str, Callable[[pl.DataFrame], bytes]] = {
    "semicolons, decimal comma, cp1252": semicolons,
    "tabs, UTF-16": utf16_tabs,
    "missing marks": lambda log: joined(with_missing(log), ",").encode(),
    "missing marks, semicolons, decimal comma": lambda log: joined(decimal_comma(with_missing(log)), ";").encode(),
    "ragged rows": ragged,
    "quoted cells, decimal comma": quoted,
    "time of day": time_of_day,
}


# ---- one thread


def measure(folder: Path, logs: int, rounds: int, floor_of: Path) -> dict[str, float]:
    """Milliseconds of processor time a log; `floor_of`: the clean files, for read_csv."""
    spent_s, read = 0.0, ingest.log_files.read_many

    def timed(*args: object, **kwargs: object) -> object:
        nonlocal spent_s
        start = time.process_time()
        try:
            return read(*args, **kwargs)  # type: ignore[arg-type]
        finally:
            spent_s += time.process_time() - start

    files = sorted((floor_of / "logs").rglob("*.csv"))
    took: list[dict[str, float]] = []
    for _ in range(rounds):
        spent_s = 0.0
        store = folder / "store"
        shutil.rmtree(store, ignore_errors=True)
        shutil.rmtree(store.with_name("store.private"), ignore_errors=True)
        ingest.log_files.read_many = timed  # type: ignore[assignment]
        start = time.process_time()
        result = ingest_logs(folder / "logs", folder / "roster.csv", store, today=DAY)
        whole_s = time.process_time() - start
        ingest.log_files.read_many = read
        assert result.kept == logs, result
        start = time.process_time()
        for file in files:
            pl.read_csv(file)
        floor_s = (time.process_time() - start) * logs / len(files)
        after_s = whole_s - spent_s
        took.append({"reading": spent_s, "after_reading": after_s, "whole": whole_s, "read_csv": floor_s})
    best = {f"{name}_ms": round(1000 * min(one[name] for one in took) / logs, 2) for name in took[0]}
    return best | {"speed_of_read_csv": round(best["read_csv_ms"] / best["whole_ms"], 3)}


def again_share(folder: Path) -> dict[str, float]:
    """Wall time of a first run and of one with nothing new after it."""
    took = []
    for _ in range(2):
        start = time.perf_counter()
        ingest_logs(folder / "logs", folder / "roster.csv", folder / "twice", today=DAY)
        took.append(time.perf_counter() - start)
    return {"first_s": round(took[0], 3), "again_s": round(took[1], 3), "share": round(took[1] / took[0], 3)}


# ---- processes

RUN = """
import json, resource, sys, time
from datetime import date
from pathlib import Path
if __name__ == "__main__":
    folder, store, workers = Path(sys.argv[1]), Path(sys.argv[2]), int(sys.argv[3])
    from ingest.many_logs import ingest_logs
    start = time.perf_counter()
    result = ingest_logs(folder / "logs", folder / "roster.csv", store, workers=workers, today=date(2026, 11, 25))
    took_s = time.perf_counter() - start
    peak_kb = max(resource.getrusage(who).ru_maxrss for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))
    print(json.dumps({"took_s": took_s, "peak_mb": round(peak_kb / 1000), "kept": result.kept}))
"""


def workers_table(folder: Path, logs: int, rounds: int) -> dict[str, float]:
    """Wall time of one and of two workers, the least of several runs each, and the largest process's memory."""
    script = folder / "run.py"
    script.write_text(RUN, encoding="utf-8")
    took: dict[int, list[dict[str, float]]] = {1: [], 2: []}
    for number in range(rounds):
        for workers in took:
            store = folder / f"workers-{workers}-{number}"
            command = [sys.executable, str(script), str(folder), str(store), str(workers)]
            told = subprocess.run(
                command, check=True, capture_output=True, text=True, env={**os.environ, "PYTHONPATH": str(HOUSE)}
            )
            took[workers].append(json.loads(told.stdout))
            assert took[workers][-1]["kept"] == logs
            shutil.rmtree(store)
    one, two = (min(run["took_s"] for run in runs) for runs in took.values())
    peak = max(run["peak_mb"] for runs in took.values() for run in runs)
    return {
        "logs": logs, "one_s": round(one, 2), "two_s": round(two, 2), "share": round(two / one, 3),
        "peak_mb": peak, "others_load": round(max(0.0, os.getloadavg()[0] - 1.5), 1),
    }  # fmt: skip


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--logs", type=int, default=200)
    parser.add_argument("--workers-logs", type=int, nargs="*", default=[400, 800, 1600])
    parser.add_argument("--rounds", type=int, default=ROUNDS)
    parser.add_argument("--clean-only", action="store_true", help="leave the less handy dialects out")
    parser.add_argument("--out", type=Path)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        home = Path(scratch) / "clean"
        write_club(home, asked.logs, clean)
        size = len(clean(next(made_up_logs(1))))
        told: dict = {"logs": asked.logs, "rows": ROWS, "columns": 13, "log_kb": round(size / 1000, 1)}
        told |= measure(home, asked.logs, asked.rounds, home)
        stored = sum(path.stat().st_size for path in (home / "store").rglob("*") if path.is_file())
        told["stored_kb"] = round(stored / asked.logs / 1000, 1)
        told["peak_memory_mb"] = round(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1000)  # of all so far
        told["awkward"] = {}
        for name, spell in () if asked.clean_only else AWKWARD.items():
            folder = Path(scratch) / name
            write_club(folder, asked.logs // 2, spell)
            told["awkward"][name] = measure(folder, asked.logs // 2, max(2, asked.rounds // 2), home)
            shutil.rmtree(folder)
        told["again"] = again_share(home)
        told["workers"] = []
        for number in asked.workers_logs:
            folder = Path(scratch) / f"workers-{number}"
            write_club(folder, number, clean)
            told["workers"].append(workers_table(folder, number, 3))
            shutil.rmtree(folder)
    save("ingest_speed", {**machine(), **told, "load": load()}, asked.out)


if __name__ == "__main__":
    main()
