"""How large the page is, how long it takes to build on one core, and how soon a browser shows it.

    python tests/benchmarks/report_page.py [--cars 500] [--logs-a-car 10] [--opens 5]

The study is the made-up one of the tests. Building is timed in a process of its own, from a study in memory to text,
all libraries loaded but none warm, the packed drawing library kept by an earlier report. First paint is the browser's
own `first-contentful-paint`; interactive is when its scripts have run and it has nothing more to do (end of the last
long task), both from the navigation's start.
"""

import argparse
import importlib.util
import json
import os
import platform
import resource
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from types import ModuleType
from typing import Any

HOUSE = Path(__file__).parents[2]
RESULT = Path(__file__).parent / "results" / "report_page.json"
ONE_CORE = dict.fromkeys(("OPENBLAS_NUM_THREADS", "POLARS_MAX_THREADS", "RAYON_NUM_THREADS"), "1")
SETTLED_MS = 1500  # without a long task after this, the page has come to rest
PROBE = """new Promise((done) => {
  const paint = performance.getEntriesByName("first-contentful-paint")[0]?.startTime ?? null;
  let rest = performance.getEntriesByType("navigation")[0].domInteractive;
  new PerformanceObserver((list) => list.getEntries().forEach((one) => {
    rest = Math.max(rest, one.startTime + one.duration); })).observe({ type: "longtask", buffered: true });
  setTimeout(() => done([paint ?? performance.getEntriesByName("first-contentful-paint")[0].startTime, rest]), WAIT);
})""".replace("WAIT", str(SETTLED_MS))


def main() -> None:
    given = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    given.add_argument("--cars", type=int, default=500)
    given.add_argument("--logs-a-car", type=int, default=10)
    given.add_argument("--opens", type=int, default=5)
    given.add_argument("--out", type=Path, default=RESULT)
    given.add_argument("--build", type=Path, help=argparse.SUPPRESS)
    asked = given.parse_args()
    if asked.build:
        print(json.dumps(build(asked.cars, asked.logs_a_car, asked.build)))
        return
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as folder:
        page = Path(folder) / "report.html"
        command = [sys.executable, __file__, "--cars", str(asked.cars), "--logs-a-car", str(asked.logs_a_car)]
        told = subprocess.run([*command, "--build", str(page)], env=os.environ | ONE_CORE, capture_output=True,
                              text=True, check=True)  # fmt: skip
        figures = json.loads(told.stdout) | opened(page, asked.opens, Path(folder) / "profile")
    figures["made_on"] = f"{platform.machine()}, {os.cpu_count()} cores, load {os.getloadavg()[0]:.1f}"
    asked.out.write_text(json.dumps(figures, indent=2, sort_keys=True) + "\n", encoding="utf-8")
    print(json.dumps(figures, indent=2))


def build(cars: int, logs_a_car: int, page: Path) -> dict[str, Any]:
    """Make the page and tell how large it is and how long it took."""
    sys.path.insert(0, str(HOUSE))
    from reports import render
    from reports.engine import engine

    made_up = loaded(HOUSE / "tests" / "reports" / "made_up_study.py")
    study = made_up.make_study(cars=cars, seed=8, logs_a_car=logs_a_car)
    engine()
    engine.cache_clear()
    began, processor = time.perf_counter(), processor_s()
    text = render(study)
    took = {"build_s": round(time.perf_counter() - began, 2), "build_cpu_s": round(processor_s() - processor, 2)}
    took["drawing_cpu_s"] = round(drawing(render, study), 2)
    page.write_text(text, encoding="utf-8")
    return {"cars": cars, "logs": study.car_logs.height, "bytes": len(text.encode()), **took}


def processor_s() -> float:
    """Of this process and those that it started and that have ended."""
    used = [resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)]
    return sum(one.ru_utime + one.ru_stime for one in used)


def drawing(render: Callable[[Any], str], study: Any) -> float:
    """Processor time of a second building, in one process, in vl-convert, which draws the charts: the floor."""
    import vl_convert

    from reports import page
    from reports.charts import chart

    spent_s = 0.0

    def timed(work: Callable[..., Any]) -> Callable[..., Any]:
        def call(*args: Any, **kwargs: Any) -> Any:
            nonlocal spent_s
            start = time.process_time()
            try:
                return work(*args, **kwargs)
            finally:
                spent_s += time.process_time() - start

        return call

    chart._compiled.cache_clear()  # else the second building would do less
    page.WORTH_TWO_PROCESSES = study.cars.height + 1
    for name in ("vegalite_to_vega", "vega_to_svg"):
        setattr(vl_convert, name, timed(getattr(vl_convert, name)))
    render(study)
    return spent_s


def opened(page: Path, times: int, profile: Path) -> dict[str, Any]:
    """Median over some opens in one browser, the first left out; nulls where there is none."""
    found = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
    if not found or not times:
        return {"first_paint_ms": None, "interactive_ms": None}
    devtools = loaded(HOUSE / "tests" / "browser" / "devtools.py")
    seen = []
    with devtools.Browser(found, profile) as browser:
        for _ in range(times + 1):
            tab = browser.tab()
            seen.append(tab.open(page.as_uri()).value(PROBE))
            tab.close()
    paint, rest = (round(statistics.median(column)) for column in zip(*seen[1:], strict=True))
    return {"first_paint_ms": paint, "interactive_ms": rest, "opens": times}


def markdown(result: dict[str, Any]) -> str:
    """The result as a table of docs/performance.md."""
    return "\n".join(
        [
            "| cars | logs | page (MB) | building (s) | first paint (ms) | interactive (ms) |",
            "|---|---|---|---|---|---|",
            f"| {result['cars']} | {result['logs']} | {result['bytes'] / 1e6:.2f} | {result['build_s']} | "
            f"{result['first_paint_ms']} | {result['interactive_ms']} |",
        ]
    )


def loaded(path: Path) -> ModuleType:
    spec = importlib.util.spec_from_file_location(path.stem, path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


if __name__ == "__main__":
    main()
