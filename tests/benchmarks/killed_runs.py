"""What the benchmarks of crashes share: a small club, runs in processes that are killed, and what must hold then.

A run is a fork of this process, which has loaded everything and computed nothing, so that a kill meets the run itself
and not its start. Whatever reads tables is forked too: threads do not survive a fork.
"""

import importlib.util
import io
import os
import pickle
import select
import signal
import sys
import time
import traceback
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from types import ModuleType
from typing import Any

HOUSE = Path(__file__).parents[2]
sys.path.insert(0, str(HOUSE))

import polars as pl  # noqa: E402

import ingest.log_files  # noqa: E402
from ingest.labels import private_folder, write_private  # noqa: E402
from ingest.many_logs import ingest_logs  # noqa: E402
from ingest.store import Store, store_problem  # noqa: E402
from models.study_files import read_study, study_of_store  # noqa: E402

TODAY = date(2026, 11, 25)
QUARTER = "2026Q3"
BATCH_LOGS = 2  # so that a small club has many segments
Tell = Callable[[Any], Any]


def made_up_logs() -> ModuleType:
    spec = importlib.util.spec_from_file_location("made_up_logs", HOUSE / "tests/ingest/made_up_logs.py")
    assert spec
    assert spec.loader
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@dataclass(frozen=True)
class Ending:
    """How a run ended: by itself and well, and what it told until then."""

    is_whole: bool
    told: list[Any]
    seconds: float


def in_child(act: Callable[[Tell], None], kill_after_s: float | None = None) -> Ending:
    """Run `act` in a process of its own, killed after a time unless it has ended by then."""
    start = time.monotonic()
    read_end, write_end = os.pipe()
    pid = os.fork()
    if pid == 0:
        _run_and_leave(act, write_end)
    os.close(write_end)
    content, is_killed = b"", False
    while True:
        left_s = None if kill_after_s is None or is_killed else max(0.0, kill_after_s - (time.monotonic() - start))
        if not select.select([read_end], [], [], left_s)[0]:
            os.kill(pid, signal.SIGKILL)
            is_killed = True
        elif piece := os.read(read_end, 1 << 16):
            content += piece
        else:
            break
    os.close(read_end)
    _, status = os.waitpid(pid, 0)
    return Ending(status == 0, _told(content), time.monotonic() - start)


def _run_and_leave(act: Callable[[Tell], None], write_end: int) -> None:
    code = 1
    try:
        act(lambda value: os.write(write_end, pickle.dumps(value)))
        code = 0
    except Exception:
        traceback.print_exc()
    finally:
        os._exit(code)


def _told(content: bytes) -> list[Any]:
    told, rest = [], io.BytesIO(content)
    while True:
        try:
            told.append(pickle.load(rest))
        except (EOFError, pickle.UnpicklingError):  # the last one may be torn
            return told


@dataclass(frozen=True)
class Club:
    """Where a club's things lie. Its key is given, so that stores can be compared."""

    logs: Path
    roster: Path
    store: Path

    def with_key(self) -> "Club":
        write_private(private_folder(self.store) / "key", "5e" * 32 + "\n")
        return self

    def ingest(self, tell: Tell = lambda _: None, workers: int = 1) -> None:
        """Ingest; tells how many files are acknowledged."""
        ingest.log_files.BATCH_LOGS = BATCH_LOGS
        ingest_logs(*self.places, today=TODAY, workers=workers, progress=lambda done, _: tell(done))

    def study(self) -> bytes:
        """Study; cars.csv."""
        study_of_store(self.store, QUARTER)
        return (self.store / "studies" / QUARTER / "cars.csv").read_bytes()

    @property
    def places(self) -> tuple[Path, Path, Path]:
        return self.logs, self.roster, self.store


def complaints(store: Path) -> list[str]:
    """What must hold of a store at any time and does not."""
    if problem := store_problem(store):
        return [problem]
    if not (store / "version.json").exists():
        return []
    home = Store(store)
    ledger, samples = home.ledger().collect(), home.samples().select("log", "row").collect()
    kept = set(ledger.filter(pl.col("verdict") == "kept")["log"])
    dropped = pl.col("dropped").list.eval(pl.element().struct["rows"]).list.sum()
    wrong = {
        "a file is there twice": ledger["source"].is_duplicated().any(),
        "a sample is there twice": samples.is_duplicated().any(),
        "samples and ledger differ": set(samples["log"]) != kept,
        "cells of a log that is not kept": not set(home.cells().collect()["log"]) <= kept,
        "rows do not add up": (ledger["rows_in"] != ledger.select(pl.col("rows_kept") + dropped).to_series()).any(),
        "damaged": any(home.damage(segment) for segment in home.segments()),
        "others can read the private folder": any(
            path.stat().st_mode & 0o077 for path in [private_folder(store), *private_folder(store).iterdir()]
        ),
    }
    if any(store.glob("studies/*/summary.json")):
        read_study(store)
    return [what for what, is_so in wrong.items() if is_so]


def tables(store: Path) -> list[pl.DataFrame]:
    """The store's tables in an order that does not depend on when what went in."""
    home = Store(store)
    return [
        home.samples().collect().sort("log", "row"),
        *(table.collect().sort(table.collect_schema().names()[:5]) for table in (home.pulls(), home.cells())),
        home.ledger().collect().sort("log", "source"),
        home.roster(),
    ]
