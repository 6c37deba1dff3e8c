"""The command line as a user has it, and a small invented club that has been through the whole job once."""

import contextlib
import os
import subprocess
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pytest
from hypothesis import settings

# a test run repeats; tests/benchmarks/fuzz.py is where new cases are searched for
settings.register_profile("repeatable", derandomize=True)
settings.load_profile("repeatable")

ROOT = Path(__file__).parent.parent

Pumpcensus = Callable[..., "subprocess.CompletedProcess[str]"]


@dataclass(frozen=True)
class Club:
    """Folders of a club whose logs were ingested, studied and reported."""

    folder: Path
    said: dict[str, "subprocess.CompletedProcess[str]"]  # command -> how it ended

    @property
    def store(self) -> Path:
        return self.folder / "store"

    @property
    def study(self) -> Path:
        return self.store / "studies" / "2026Q3"

    @property
    def report(self) -> Path:
        return self.folder / "report"


@pytest.fixture(scope="session")
def pumpcensus() -> Pumpcensus:
    """Run a command line in a process of its own."""

    def run(*words: object, cwd: Path | None = None) -> "subprocess.CompletedProcess[str]":
        environment = os.environ | {"PYTHONPATH": str(ROOT), "PYTHONIOENCODING": "utf-8"}
        environment.pop("PUMPCENSUS_TRACEBACK", None)
        return subprocess.run(
            [sys.executable, "-m", "pumpcensus", *map(str, words)],
            env=environment,
            cwd=cwd,
            text=True,
            encoding="utf-8",
            capture_output=True,
            check=False,
            timeout=300,
        )

    return run


@pytest.fixture(scope="session")
def at_once() -> Pumpcensus:
    """The same in this process: a tenth of the time, for what needs no process of its own."""

    def run(*words: object, cwd: Path | None = None) -> "subprocess.CompletedProcess[str]":
        from typer.testing import CliRunner

        from pumpcensus import app

        with contextlib.chdir(cwd or Path.cwd()):
            ending = CliRunner().invoke(app, [*map(str, words)])
        return subprocess.CompletedProcess(words, ending.exit_code, ending.stdout, ending.stderr)

    return run


@pytest.fixture(scope="session")
def club(at_once: Pumpcensus, tmp_path_factory: pytest.TempPathFactory) -> Club:
    """Twelve invented cars, from logs to report. A step that fails shows in `said`."""
    folder = tmp_path_factory.mktemp("club")
    fleet, store = folder / "fleet", folder / "store"
    steps = {
        "synthesize": (fleet, "--cars", 12, "--seed", 5),
        "ingest": (fleet / "logs", "--roster", fleet / "roster.csv", "--store", store),
        "study": ("--store", store),
        "report": ("--store", store, "--out", folder / "report"),
    }
    return Club(folder, {name: at_once(name, *words) for name, words in steps.items()})
