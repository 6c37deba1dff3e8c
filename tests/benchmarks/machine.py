"""What a benchmark says of the machine it ran on, and where its figures go. Loads nothing heavy."""

import json
import os
import platform
import sys
from datetime import date
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any

HOUSE = Path(__file__).parents[2]
RESULTS = Path(__file__).parent / "results"
LIBRARIES = (
    "polars",
    "pyarrow",
    "duckdb",
    "numpy",
    "scipy",
    "scikit-learn",
    "altair",
    "typer",
    "pandas",
    "statsmodels",
)
sys.path.insert(0, str(HOUSE))


def machine() -> dict[str, Any]:
    """Day, cores, memory, processor, system, Python, libraries."""
    return {
        "made_on": date.today().isoformat(),
        "cores": os.cpu_count(),
        "memory_gb": round(_memory_bytes() / 1e9, 1),
        "processor": _processor(),
        "machine": platform.machine(),
        "system": platform.system(),
        "python": platform.python_version(),
        "libraries": {name: found for name in LIBRARIES if (found := _version(name))},
    }


def load() -> float:
    """Processes that wanted a core in the last minute, this one among them."""
    return round(os.getloadavg()[0], 1) if hasattr(os, "getloadavg") else -1.0


def save(name: str, result: dict[str, Any], out: Path | None = None) -> None:
    """Print figures, and write them to `out` or to results."""
    path = out or RESULTS / f"{name}.json"
    path.parent.mkdir(exist_ok=True)
    show(result, path)


def show(result: dict[str, Any], out: Path | None) -> None:
    """Print figures, and write them where that is asked for."""
    text = json.dumps(result, indent=1)
    print(text)
    if out:
        out.write_text(text + "\n", encoding="utf-8")


def _memory_bytes() -> int:
    if not hasattr(os, "sysconf"):
        return 0
    return os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES")


def _processor() -> str:
    """The processor's own name where the system tells it."""
    told = Path("/proc/cpuinfo")
    lines = told.read_text(encoding="utf-8").splitlines() if told.exists() else []
    names = [line.partition(":")[2].strip() for line in lines if line.startswith("model name")]
    return names[0] if names else platform.processor()


def _version(library: str) -> str:
    try:
        return version(library)
    except PackageNotFoundError:
        return ""
