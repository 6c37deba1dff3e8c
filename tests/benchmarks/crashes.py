"""Runs killed at random moments, on a disk that is full, closed or gives out: is anything lost, twice or half said?

python tests/benchmarks/crashes.py [--kills 200] [--seed 1] [--out FILE]

After each kill (SIGKILL) the store must open, hold every log that was acknowledged, none twice and nothing damaged;
the next run must complete it to a cars.csv that equals an undisturbed run's byte for byte. Needs a system that forks; a
full and a read-only disk need the right to mount.
"""

import argparse
import json
import os
import random
import resource
import shutil
import subprocess
import sys
import tempfile
from collections import Counter
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Any

from killed_runs import QUARTER, Club, Tell, complaints, in_child, made_up_logs, tables

from ingest.forget_car import forget_car
from ingest.labels import private_folder
from ingest.store import Store

RESULT = Path(__file__).parent / "results" / "crashes.json"


class Bench:
    """A club, what an undisturbed run makes of it, and the counts so far."""

    def __init__(self, folder: Path, cars: int, logs: int, rng: random.Random) -> None:
        self.rng, self.folder, self.cars, self.files = rng, folder, cars, cars * logs
        self.counts: Counter[str] = Counter()
        self.wrong: list[str] = []
        ((self.logs, self.roster, _),) = in_child(lambda tell: tell(made_up_logs().club(folder, cars, logs))).told
        self.whole = self.new("whole")
        self.ingest_s = min(in_child(self.new("whole").ingest).seconds for _ in range(3))
        ending = in_child(lambda tell: tell(self.whole.study()))
        self.study_s, (self.cars_csv,) = ending.seconds, ending.told
        left = self.copy("left")
        self.leave_s = in_child(lambda _: forget_car("anna", left.store) and None).seconds

    def new(self, name: str) -> Club:
        for place in (self.folder / name, private_folder(self.folder / name)):
            shutil.rmtree(place, ignore_errors=True)
        return Club(self.logs, self.roster, self.folder / name).with_key()

    def copy(self, name: str) -> Club:
        """Another store, with what the undisturbed one holds."""
        club = self.new(name)
        for place in (Path, private_folder):
            shutil.copytree(place(self.whole.store), place(club.store), dirs_exist_ok=True)
        return club

    def must(self, what: str, act: Callable[[Tell], None]) -> list[Any]:
        """What `act` tells; it must end well."""
        ending = in_child(act)
        if not ending.is_whole:
            self.wrong.append(f"{what}: failed")
        return ending.told

    def completes(self, what: str, club: Club, held: int) -> None:
        """A store in whatever state: sound, holding so many logs, and the next run makes it whole."""

        def look(tell: Tell) -> None:
            found = complaints(club.store)
            there = Store(club.store).ledger().collect().height if (club.store / "version.json").exists() else 0
            tell([*found, *([f"{there} logs of {held} acknowledged"] if there < held else [])])

        def go_on(tell: Tell) -> None:
            club.ingest()
            same = all(
                one.equals(other) for one, other in zip(tables(club.store), tables(self.whole.store), strict=True)
            )
            tell([] if same else ["other tables"])
            tell([] if club.study() == self.cars_csv else ["other cars.csv"])

        for found in (*self.must(what, look), *self.must(what, go_on)):
            self.wrong += [f"{what}: {one}" for one in found]

    # ---- what happens to a run

    def kill_an_ingest(self, number: int) -> None:
        club, workers = self.new("killed"), 2 if number % 20 == 19 else 1
        limit_s = self.ingest_s * (3 if workers == 2 else 1.05)
        ending = in_child(lambda tell: club.ingest(tell, workers), self.rng.uniform(0, limit_s))
        self.counts["ingests killed" if not ending.is_whole else "ingests that ended before"] += 1
        self.completes(f"ingest {number}", club, max(ending.told, default=0))

    def kill_a_study(self, number: int) -> None:
        club = self.copy("killed")
        for act in (lambda _: club.study(), lambda _: club.study()):  # the first and one that replaces it
            ending = in_child(act, self.rng.uniform(0.5, 1.05) * self.study_s)
            self.counts["studies killed" if not ending.is_whole else "studies that ended before"] += 1
            self.completes(f"study {number}", club, 0)

    def kill_a_leave(self, number: int) -> None:
        club = self.copy("killed")
        ending = in_child(lambda _: forget_car("anna", club.store) and None, self.rng.uniform(0, 1.05) * self.leave_s)
        self.counts["leaves killed" if not ending.is_whole else "leaves that ended before"] += 1

        def finish(tell: Tell) -> None:
            tell(complaints(club.store))
            forget_car("anna", club.store)
            tell(complaints(club.store))
            left = Store(club.store).ledger().collect().height
            tell([] if left == self.files - self.files // self.cars else [f"{left} logs left"])

        for found in self.must(f"leave {number}", finish):
            self.wrong += [f"leave {number}: {one}" for one in found]

    def files_limited(self, size: int) -> None:
        """A disk that takes no file larger than so many bytes."""
        club = self.new("limited")

        def act(tell: Tell) -> None:
            resource.setrlimit(resource.RLIMIT_FSIZE, (size, size))
            club.ingest(tell)

        self._refused(f"files to {size} bytes", club, lambda: in_child(_quiet(act)).told)

    def disk_of(self, size_kb: int) -> None:
        """A store on a disk of its own that is too small, and is then made larger."""
        disk = self.folder / "disk"
        disk.mkdir(exist_ok=True)
        if subprocess.run(["mount", "-t", "tmpfs", "-o", f"size={size_kb}k", "none", disk], check=False).returncode:
            self.counts["disks that could not be mounted"] += 1
            return
        try:
            club = Club(self.logs, self.roster, disk / "store")
            ending = in_child(_quiet(lambda tell: club.with_key().ingest(tell)))
            subprocess.run(["mount", "-o", "remount,size=64m", disk], check=True)
            club.with_key()
            self._refused(f"disk of {size_kb} kB", club, lambda: ending.told)
        finally:
            subprocess.run(["umount", disk], check=True)

    def closed_disk(self) -> None:
        """A store on a disk that can be read only: studies can be read, and writing is refused in words."""
        disk = self.folder / "disk"
        disk.mkdir(exist_ok=True)
        if subprocess.run(["mount", "-t", "tmpfs", "none", disk], check=False).returncode:
            self.counts["disks that could not be mounted"] += 1
            return
        try:
            shutil.copytree(self.whole.store, disk / "store")
            shutil.copytree(private_folder(self.whole.store), disk / "store.private")
            subprocess.run(["mount", "-o", "remount,ro", disk], check=True)
            for words in (
                ["ingest", self.logs, "--roster", self.roster, "--store", disk / "store"],
                ["study", "--store", disk / "store"],
                ["report", "--store", disk / "store", "--out", self.folder / "report"],
            ):
                ran = subprocess.run(
                    [sys.executable, "-m", "pumpcensus", *words], capture_output=True, text=True, check=False
                )
                is_right = ran.returncode == 0 if words[0] == "report" else "Read-only file system" in ran.stderr
                self.counts["commands on a read-only disk"] += 1
                self.wrong += (
                    [] if is_right and "Traceback" not in ran.stderr else [f"read-only {words[0]}: {ran.stderr}"]
                )
        finally:
            subprocess.run(["umount", disk], check=True)

    def _refused(self, what: str, club: Club, run: Callable[[], list[Any]]) -> None:
        done = max((value for value in run() if isinstance(value, int)), default=0)
        self.counts["disks that gave out" if done < self.files else "disks that were enough"] += 1
        if list(club.store.rglob("*.part")):
            self.wrong.append(f"{what}: half a file left")
        self.completes(what, club, done)


def _quiet(act: Callable[[Tell], None]) -> Callable[[Tell], None]:
    """The same, and an OSError, which is what is looked for, is told and not printed."""

    def run(tell: Tell) -> None:
        try:
            act(tell)
        except OSError as problem:
            tell(str(problem))

    return run


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--kills", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--disks", type=int, default=10, help="sizes of a full disk to try, and as many of files")
    parser.add_argument("--cars", type=int, default=4)
    parser.add_argument("--logs", type=int, default=3, help="of each car")
    parser.add_argument("--out", type=Path)
    asked = parser.parse_args()
    os.environ["PYTHONPATH"] = str(Path(__file__).parents[2])
    with tempfile.TemporaryDirectory() as folder:
        bench = Bench(Path(folder), asked.cars, asked.logs, random.Random(asked.seed))
        number = 0
        while bench.counts["ingests killed"] < asked.kills:
            bench.kill_an_ingest(number)
            number += 1
            if number % 10 == 0:
                bench.kill_a_study(number)
                bench.kill_a_leave(number)
                print(f"{dict(bench.counts)}, wrong: {bench.wrong}", file=sys.stderr, flush=True)
        for number in range(asked.disks):
            bench.files_limited(2_000 + 1_500 * number**2)
            bench.disk_of(100 + 120 * number)
        if asked.disks:
            bench.closed_disk()
        result = {
            "made_on": date.today().isoformat(), "seed": asked.seed, "quarter": QUARTER, "logs": bench.files,
            "ingest_s": round(bench.ingest_s, 2), **dict(sorted(bench.counts.items())), "wrong": bench.wrong,
        }  # fmt: skip
    text = json.dumps(result, indent=1)
    print(text)
    if asked.out or not bench.wrong:
        (asked.out or RESULT).write_text(text + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
