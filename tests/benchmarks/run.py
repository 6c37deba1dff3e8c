"""All benchmarks of speed from one place, each beside its floor or its rival in the same run.

python tests/benchmarks/run.py [start-up ingest study report job] [--sizes small medium large] [--out FILE]

start-up: `--help` and a wrong argument beside a bare Python. ingest: one thread beside `polars.read_csv` of the same
files, and from `large` on two processes beside one. study: beside the same regression by pandas and statsmodels.
report: the page beside its drawing alone (vl-convert). job: ingest, study and report beside one script of pandas and
statsmodels, for all logs and for one new one. A ratio is ours over the other's, in processor time where not said
otherwise, so that other work on the machine counts little; speeds are turned about, so that less is better everywhere.
"""

import argparse
import json
import os
import resource
import subprocess
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parent))

from machine import HOUSE, load, machine, save

SIZES = ("small", "medium", "large")
LOGS = {"small": 50, "medium": 200, "large": 1600}
PAGE_CARS = {"small": 60, "medium": 240, "large": 500}
JOB_CARS = {"small": 40, "medium": 120, "large": 260}
STARTS = 9
LOADING = ("-m", "pumpcensus")
Row = dict[str, Any]  # what, size, ours, other, ratio, unit, beside


def row(what: str, size: str, beside: str, ours: float, other: float, unit: str) -> Row:
    return {
        "what": what, "size": size, "beside": beside, "ours": ours, "other": other, "unit": unit,
        "ratio": round(ours / other, 2),
    }  # fmt: skip


def told_by(script: str, *words: object) -> dict[str, Any]:
    """What a benchmark of this folder saves."""
    with tempfile.TemporaryDirectory() as scratch:
        out = Path(scratch) / "told.json"
        command = [sys.executable, str(Path(__file__).with_name(script)), *map(str, words), "--out", str(out)]
        subprocess.run(command, env={**os.environ, "OPENBLAS_NUM_THREADS": "1"}, check=True, stdout=subprocess.DEVNULL)
        found: dict[str, Any] = json.loads(out.read_text(encoding="utf-8"))
        return found


def start_up(_: str) -> list[Row]:
    """Processor time of programs that end at once, the least of several starts."""
    bare_ms = _start_ms("-c", "pass")
    ways = {"help": ("--help",), "a wrong argument": ("study", "--quarter", "2026Q9")}
    return [
        row(f"start-up: {name}", "", "a bare Python", _start_ms(*LOADING, *words), bare_ms, "ms")
        for name, words in ways.items()
    ]


def _start_ms(*words: str) -> float:
    took = []
    for _ in range(STARTS):
        before = resource.getrusage(resource.RUSAGE_CHILDREN)
        subprocess.run(
            [sys.executable, *words], cwd=HOUSE, env={**os.environ, "PYTHONPATH": str(HOUSE)}, check=False,
            capture_output=True,
        )  # fmt: skip
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        took.append(after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime)
    return round(1000 * min(took), 1)


def ingest(size: str) -> list[Row]:
    logs = LOGS[size]
    workers = ["--workers-logs", logs] if size == "large" else ["--workers-logs"]
    told = told_by("ingest_speed.py", "--logs", min(logs, 200), "--clean-only", *workers)
    whole, read_csv = told["whole_ms"], told["read_csv_ms"]
    rows = [row("ingest: a clean log", size, "polars.read_csv", whole, read_csv, "ms")]
    for two in told["workers"]:
        beside = "one process (wall)"
        rows.append(row(f"ingest: {logs} logs, two processes", size, beside, two["two_s"], two["one_s"], "s"))
    return rows


def study(size: str) -> list[Row]:
    told = told_by("study_scale.py", f"{size}:study", f"{size}:ols")
    ways = {run["way"]: run for run in told["runs"]}
    what, beside = f"study: {ways['study']['cells']} cells", "OLS by statsmodels"
    return [
        row(what, size, beside, ways["study"]["processor_s"], ways["ols"]["processor_s"], "s"),
        row(f"{what}, memory", size, beside, ways["study"]["peak_mb"], ways["ols"]["peak_mb"], "MB"),
    ]


def report(size: str) -> list[Row]:
    cars = PAGE_CARS[size]
    told = told_by("report_page.py", "--cars", cars, "--opens", 0)
    return [row(f"report: {cars} cars", size, "its drawing", told["build_cpu_s"], told["drawing_cpu_s"], "s")]


def job(size: str) -> list[Row]:
    told = told_by("beside_script.py", "--cars", JOB_CARS[size], "--rounds", 2)
    logs, beside = f"{told['cars']} cars, {told['logs']} logs", "one script, OLS"
    return [
        row(f"job: {logs} ({name})", size, beside, told[f"ours_{unit}"], told["script_ols"][unit], "s")
        for unit, name in (("wall_s", "wall"), ("processor_s", "processor"))
    ] + [
        row(f"job: one new log ({name})", size, beside, told[f"ours_one_new_{unit}"], told["script_one_new"][unit], "s")
        for unit, name in (("wall_s", "wall"), ("processor_s", "processor"))
    ]


PARTS: dict[str, Callable[[str], list[Row]]] = {
    "start-up": start_up, "ingest": ingest, "study": study, "report": report, "job": job,
}  # fmt: skip


def markdown(result: dict[str, Any]) -> str:
    """The result as a table of docs/performance.md."""
    head = ["| what | size | beside | ours | the other's | ratio |", "|---|---|---|---|---|---|"]
    lines = [
        f"| {one['what']} | {one['size']} | {one['beside']} | {one['ours']} {one['unit']} | "
        f"{one['other']} {one['unit']} | {one['ratio']} |"
        for one in result["rows"]
    ]
    return "\n".join(head + lines)


def described(result: dict[str, Any]) -> str:
    """The machine in one sentence."""
    libraries = ", ".join(f"{name} {version}" for name, version in result["libraries"].items())
    return (
        f"{result['made_on']}: {result['cores']} cores ({result['processor']}), {result['memory_gb']} GB, "
        f"{result['system']}, Python {result['python']}, {libraries}."
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("parts", nargs="*", help=f"of {', '.join(PARTS)}; all without any")
    parser.add_argument("--sizes", nargs="+", choices=SIZES, default=list(SIZES))
    parser.add_argument("--out", type=Path, help="default: results/run.json beside this script")
    asked = parser.parse_args()
    if unknown := sorted(set(asked.parts) - set(PARTS)):
        parser.error(f"no benchmark {', '.join(unknown)}; there are {', '.join(PARTS)}")
    rows = []
    for name in asked.parts or PARTS:
        for size in asked.sizes[:1] if name == "start-up" else asked.sizes:
            for found in PARTS[name](size):
                rows.append({"load": load(), **found})
                print(f"{found['what']}: {found['ours']} {found['unit']}, ratio {found['ratio']}", file=sys.stderr)
    save("run", {**machine(), "rows": rows}, asked.out)


if __name__ == "__main__":
    main()
