"""What a store costs as it grows: its ledger, its list of paths, its segments, and what tidying is worth.

python tests/benchmarks/store_scale.py [--logs 20000 100000 200000] [--scratch FOLDER] [--out FILE]

One segment of 200 made-up logs (those of ingest_speed.py) is made by `ingest`; the others share its samples, pulls and
cells and have ledgers and paths of their own, so that a million logs need no million files. Each size is read in a
process of its own: processor time, not wall time, so that other work on the machine counts little, and peak memory
less that of a process that has loaded the same libraries and read nothing. `slopes` are from the last two sizes.
`tidy`: a club whose every run brought 25 logs, of which one replaced an older one; cells read before and after.
`shared`: 50 logs of any of 500 cars a run; cells read before and after as a large study does, by ranges of labels.
"""

import argparse
import json
import os
import secrets
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parent))

import numpy as np
import polars as pl
from many_fleets import TODAY, made, save, table

import ingest.log_files
from ingest.labels import open_key, private_folder
from ingest.many_logs import ingest_logs
from ingest.seen_files import Seen, SeenFiles
from ingest.store import CELLS_ORDER, Store, commit, write_roster, write_tables
from ingest.tidy_store import TidyRule, tidy_store

SEGMENT_LOGS = 200
TIDY_RUNS, TIDY_LOGS = 20, 25
SHARED_RUNS, SHARED_LOGS, SHARED_CARS = 200, 50, 500
RANGES = 50


def one_segment(folder: Path) -> Path:
    """A club of one segment. Its store."""
    from ingest_speed import clean, write_club  # it sets threads for whoever imports it

    write_club(folder, SEGMENT_LOGS, clean)
    ingest_logs(folder / "logs", folder / "roster.csv", folder / "store", today=TODAY)
    return folder / "store"


def grown(template: Path, store: Path, logs: int) -> None:
    """A store of so many logs, with its list of paths."""
    (store / "segments").mkdir(parents=True)
    for name in ("version.json", "roster.parquet", "checksums.json"):
        shutil.copy(template / name, store / name)
    shutil.copytree(private_folder(template), private_folder(store))
    (first,) = Store(template).segments()
    ledger = pl.read_parquet(first / "ledger.parquet")
    sums = {name: told[0] for name, told in json.loads((first / "checksums.json").read_text()).items()}
    own = SeenFiles(private_folder(template) / "paths.csv", [first.name]).by_segment()[first.name]
    (private_folder(store) / "paths.csv").unlink()
    seen = SeenFiles(private_folder(store) / "paths.csv", [])
    for number in range(logs // SEGMENT_LOGS):
        segment = store / "segments" / f"{number + 1:08d}-0000-000000"
        segment.mkdir()
        for name in ("samples", "pulls", "cells"):
            os.link(first / f"{name}.parquet", segment / f"{name}.parquet")
        digests = [secrets.token_hex(16) for _ in range(2 * ledger.height)]
        of_segment = ledger.with_columns(
            pl.Series("log", digests[: ledger.height]), pl.Series("source", digests[ledger.height :])
        )
        seen.add(_elsewhere(row, number, log, segment.name) for row, log in zip(own, digests, strict=False))
        commit(segment, of_segment, sums)


def _elsewhere(row: Seen, number: int, log: str, segment: str) -> Seen:
    car, _, name = row.place.rpartition("/")
    place = f"{car}/{number:06d}-{name}"
    return row._replace(file=place, place=place, log=log, segment=segment)


# ---- what a process does, and what it took


def _nothing(store: Path) -> None:
    Store(store)


def _ledger(store: Path) -> None:
    Store(store).ledger("log", "source", "verdict", "reason").collect()


def _paths(store: Path) -> None:
    home = Store(store)
    SeenFiles(private_folder(store) / "paths.csv", [segment.name for segment in home.segments()])


def _segments(store: Path) -> None:
    Store(store).segments()


def _whole(store: Path) -> None:
    assert not Store(store).damages()


def _cells(store: Path) -> None:
    Store(store).cells().select(pl.len()).collect()


def _ranges(store: Path) -> None:
    home = Store(store)
    cells, labels = home.cells(), home.roster()["label"].sort()
    size = len(labels) // RANGES
    for first in range(0, len(labels), size):
        own = labels[first : first + size]
        cells.filter(pl.col("label").is_between(pl.lit(own[0]), pl.lit(own[-1]))).collect()


STEPS: dict[str, Callable[[Path], None]] = {
    "nothing": _nothing, "segments": _segments, "ledger": _ledger, "paths": _paths, "whole": _whole, "cells": _cells,
}  # fmt: skip
ALSO: dict[str, Callable[[Path], None]] = {
    "ranges": _ranges,
    "tidy-apart": lambda store: _tidy(store, TidyRule(sharing=1)),
    "tidy": lambda store: _tidy(store, TidyRule()),
}


def _tidy(store: Path, rule: TidyRule) -> None:
    tidy_store(store, rule, at_once=True)


def in_process(step: str, store: Path) -> dict[str, float]:
    """Processor time and peak memory of one step. cpu_s, peak_mb."""
    words = [sys.executable, __file__, "--step", step, "--store", str(store)]
    one_thread = os.environ | {"POLARS_MAX_THREADS": "1"}
    ran = subprocess.run(words, check=True, capture_output=True, text=True, env=one_thread)
    told: dict[str, float] = json.loads(ran.stdout)
    return told


def run_step(step: str, store: Path) -> None:
    started = time.process_time()
    (STEPS | ALSO)[step](store)
    cpu_s = time.process_time() - started
    print(json.dumps({"cpu_s": cpu_s, "peak_mb": peak_mb()}))


def peak_mb() -> float:
    """Peak memory of this process, as Linux tells it; what getrusage tells is its parent's where that had more."""
    status = Path("/proc/self/status").read_text()
    return float(next(line.split()[1] for line in status.splitlines() if line.startswith("VmHWM"))) / 1024


def of_size(template: Path, folder: Path, logs: int) -> dict[str, Any]:
    """What a store of so many logs takes."""
    store = folder / "store"
    grown(template, store, logs)
    row: dict[str, Any] = {"logs": logs, "segments": logs // SEGMENT_LOGS}
    row["ledger_mb"] = sum(path.stat().st_size for path in store.glob("segments/*/ledger.parquet")) / 1e6
    row["paths_mb"] = (private_folder(store) / "paths.csv").stat().st_size / 1e6
    bare = in_process("nothing", store)
    for step in list(STEPS)[1:]:
        took = in_process(step, store)
        row[f"{step}_s"] = round(took["cpu_s"] - bare["cpu_s"], 3)
        row[f"{step}_peak_mb"] = round(took["peak_mb"] - bare["peak_mb"], 1)
        print(logs, step, took, file=sys.stderr)
    shutil.rmtree(folder)
    return row


def slopes(sizes: list[dict[str, Any]]) -> dict[str, float]:
    """A log more costs: bytes and microseconds; from the last two sizes."""
    less, more = sizes[-2:]
    logs = more["logs"] - less["logs"]

    def of(name: str, unit: float) -> float:
        return round(unit * (more[name] - less[name]) / logs, 2)

    names = {"ledger_mb": "ledger_bytes", "paths_mb": "paths_bytes"}
    found = {told: of(name, 1e6) for name, told in names.items()}
    for step in list(STEPS)[1:]:
        found[f"{step}_us"] = of(f"{step}_s", 1e6)
        found[f"{step}_memory_bytes"] = of(f"{step}_peak_mb", 1024**2)
    return found


def bytes_a_log(store: Path) -> dict[str, int]:
    (segment,) = Store(store).segments()
    return {
        name: round((segment / f"{name}.parquet").stat().st_size / SEGMENT_LOGS)
        for name in ("samples", "pulls", "cells", "ledger")
    }


def tidying(folder: Path) -> dict[str, Any]:
    """Many small runs: the store before and after `store tidy`."""
    from ingest_speed import clean, write_club

    write_club(folder, TIDY_RUNS * TIDY_LOGS, clean)
    ingest.log_files.BATCH_LOGS = TIDY_LOGS
    places = (folder / "logs", folder / "roster.csv", folder / "store")
    ingest_logs(*places, today=TODAY)
    files = sorted(places[0].rglob("*.csv"))[::TIDY_LOGS]
    for file in files:  # one log of each segment is replaced
        file.write_text(file.read_text() + file.read_text().splitlines()[-1] + "\n")
    ingest_logs(*places, today=TODAY)
    told: dict[str, Any] = {"before": _state(places[2])}
    started = time.process_time()
    done = tidy_store(places[2], at_once=True)
    told["tidy_ms_a_log"] = round(1e3 * (time.process_time() - started) / done.logs, 2)
    told["dropped"] = done.dropped
    told["peak_mb"] = round(peak_mb())
    told["after"] = _state(places[2])
    return told


def _state(store: Path) -> dict[str, Any]:
    took = in_process("cells", store)
    files = list(store.glob("segments/*/*"))
    return {
        "segments": len(Store(store).segments()),
        "files": len(files),
        "mb": round(sum(path.stat().st_size for path in files) / 1e6, 1),
        "cells_s": round(took["cpu_s"], 2),
    }


def sharing(template: Path, folder: Path) -> dict[str, Any]:
    """Runs that each brought a few logs of many cars: tidied a segment at a time, and with the logs shared out."""
    _of_many_cars(template, folder / "store")
    told = {"before": _read_by_ranges(folder / "store")}
    for step in ("tidy-apart", "tidy"):
        shutil.copytree(folder, folder.with_name(step))
        took = in_process(step, folder.with_name(step) / "store")
        told[step] = {
            "tidy_ms_a_log": round(1e3 * took["cpu_s"] / (SHARED_RUNS * SHARED_LOGS), 2),
            "peak_mb": round(took["peak_mb"]),
            **_read_by_ranges(folder.with_name(step) / "store"),
        }
        shutil.rmtree(folder.with_name(step))
    return told


def _read_by_ranges(store: Path) -> dict[str, Any]:
    took = in_process("ranges", store)
    return {"segments": len(Store(store).segments()), "ranges_s": round(took["cpu_s"], 2)}


def _of_many_cars(template: Path, store: Path) -> None:
    """A store of many runs, each of some of the template's logs as those of any cars."""
    rng = np.random.default_rng(7)
    grown(template, store, 0)
    key = open_key(store, in_use=True)
    (first,) = Store(template).segments()
    tables = {name: pl.read_parquet(first / f"{name}.parquet") for name in ("samples", "pulls", "cells", "ledger")}
    cars = [key.label(str(car)) for car in range(SHARED_CARS)]
    roster = Store(template).roster()
    write_roster(Store(store), pl.concat([roster[:1]] * SHARED_CARS).with_columns(pl.Series("label", cars)))
    seen = SeenFiles(private_folder(store) / "paths.csv", [])
    for run in range(SHARED_RUNS):
        old = rng.choice(tables["ledger"].filter(pl.col("verdict") == "kept")["log"], SHARED_LOGS, replace=False)
        log = dict(zip(old, (rng.bytes(16).hex() for _ in old), strict=True))
        label = dict(zip(old, rng.choice(cars, SHARED_LOGS), strict=True))
        own = {
            name: held.filter(pl.col("log").is_in(list(log))).with_columns(
                pl.col("log").replace_strict(log),
                *([pl.col("log").replace_strict(label).alias("label")] if "label" in held.columns else []),
            )
            for name, held in tables.items()
        }
        places = [f"{label[one]}/{run}-{one}.csv" for one in log]
        sources = {new: key.source(place) for new, place in zip(log.values(), places, strict=True)}
        ledger = own.pop("ledger").with_columns(source=pl.col("log").replace_strict(sources))
        segment = store / "segments" / f"{run + 1:08d}-0000-000000"
        sums = write_tables(segment, own | {"cells": own["cells"].sort(CELLS_ORDER)})
        rows = zip(places, log.items(), strict=True)
        seen.add(Seen(place, place, 90_000, 1, new, label[old], "", segment.name) for place, (old, new) in rows)
        commit(segment, ledger, sums)


# ---- the page


def markdown(result: dict[str, Any]) -> str:
    """A row a size."""
    head = [
        "logs", "segments", "ledger", "list of paths", "segments listed in", "what a run needs of the ledger read in",
        "list of paths read in", "all files checked in",
    ]  # fmt: skip
    lines = [
        [
            f"{row['logs']:,}", f"{row['segments']:,}", f"{row['ledger_mb']:.0f} MB", f"{row['paths_mb']:.0f} MB",
            f"{row['segments_s']:.2f} s", f"{row['ledger_s']:.2f} s, {row['ledger_peak_mb']:.0f} MB",
            f"{row['paths_s']:.2f} s, {row['paths_peak_mb']:.0f} MB", f"{row['whole_s']:.1f} s",
        ]
        for row in result["sizes"]
    ]  # fmt: skip
    return table(head, lines)


def slopes_told(result: dict[str, Any]) -> str:
    """What a log more costs, and ten million."""
    per, size = result["slopes"], result["bytes_a_log"]
    million = 10_000_000
    told = {
        "samples": (size["samples"], "bytes", 1e-9, "GB"),
        "cells and pulls": (size["cells"] + size["pulls"], "bytes", 1e-9, "GB"),
        "ledger": (per["ledger_bytes"], "bytes", 1e-9, "GB"),
        "list of paths": (per["paths_bytes"], "bytes", 1e-9, "GB"),
        "list of paths, in memory": (per["paths_memory_bytes"], "bytes", 1e-9, "GB"),
        "ledger of a run, in memory": (per["ledger_memory_bytes"], "bytes", 1e-9, "GB"),
        "reading the list of paths": (per["paths_us"], "us", 1e-6 / 60, "min"),
        "reading what a run needs of the ledger": (per["ledger_us"], "us", 1e-6 / 60, "min"),
        "checking all files": (per["whole_us"], "us", 1e-6 / 60, "min"),
    }
    lines = [
        [what, f"{each:.0f} {unit}" if each >= 10 else f"{each:.1f} {unit}", f"{each * million * scale:.1f} {whole}"]
        for what, (each, unit, scale, whole) in told.items()
    ]
    return table(["", "a log", "ten million"], lines)


def tidy_markdown(result: dict[str, Any]) -> str:
    """Before and after tidying."""
    head = ["", "segments", "files", "on the disk", "its cells are read in"]
    lines = [
        [when, str(row["segments"]), str(row["files"]), f"{row['mb']} MB", f"{row['cells_s']} s"]
        for when, row in ((when, result["tidy"][when]) for when in ("before", "after"))
    ]
    return table(head, lines)


def shared_markdown(result: dict[str, Any]) -> str:
    """What it is worth that logs are shared out by label."""
    names = {"before": "before", "tidy-apart": "tidied a segment at a time", "tidy": "tidied, shared out by label"}
    lines = [
        [
            name,
            str(row["segments"]),
            str(row.get("tidy_ms_a_log", "")),
            str(row.get("peak_mb", "")),
            str(row["ranges_s"]),
        ]
        for name, row in ((name, result["shared"][way]) for way, name in names.items())
    ]
    return table(["", "segments", "tidying (ms a log)", "its peak memory (MB)", "cells read by ranges (s)"], lines)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--logs", type=int, nargs="+", default=[20_000, 100_000, 200_000])
    parser.add_argument("--scratch", type=Path)
    parser.add_argument("--out", type=Path)
    parser.add_argument("--step", choices=[*STEPS, *ALSO], help=argparse.SUPPRESS)
    parser.add_argument("--store", type=Path, help=argparse.SUPPRESS)
    given = parser.parse_args()
    if given.step:
        run_step(given.step, given.store)
        return
    with tempfile.TemporaryDirectory(dir=given.scratch) as scratch:
        folder = Path(scratch)
        template = one_segment(folder / "one")
        sizes = [of_size(template, folder / str(logs), logs) for logs in given.logs]
        result = made() | {
            "bytes_a_log": bytes_a_log(template),
            "sizes": sizes,
            "slopes": slopes(sizes),
            "tidy": tidying(folder / "tidy"),
            "shared": sharing(template, folder / "shared" / "club"),
        }
    save("store_scale", result, given.out)
    print(markdown(result), tidy_markdown(result), shared_markdown(result), sep="\n\n")


if __name__ == "__main__":
    main()
