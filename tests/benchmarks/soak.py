"""Random commands over a growing store, some of them killed; what must hold of a store is looked at after each.

python tests/benchmarks/soak.py [--minutes 10] [--steps 0] [--seed 1] [--out FILE]

Logs come, change, move to another car and go; the roster changes; members leave; bits of the store flip; ingest, study,
forget run, alone or two at once. At the end the store must hold what a new one with the same key makes of the same
files. Needs a system that forks.
"""

import argparse
import json
import os
import random
import shutil
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable
from datetime import date
from pathlib import Path

from killed_runs import Club, Ending, Tell, complaints, in_child, made_up_logs, tables

from ingest.findings import InputError
from ingest.forget_car import forget_car
from ingest.labels import Key, private_folder
from ingest.store import Store

RESULT = Path(__file__).parent / "results" / "soak.json"
NAMES = [f"car {number}" for number in range(12)]
KILLED_SHARE = 0.4
LONGEST_S = 2.0  # a kill comes within


class Soak:
    """A club that changes, and what became of each command."""

    def __init__(self, folder: Path, rng: random.Random) -> None:
        self.rng, self.folder = rng, folder
        (folder / "logs").mkdir()
        self.roster = folder / "roster.csv"
        self.club = Club(folder / "logs", self.roster, folder / "store").with_key()
        self.made = made_up_logs()
        self.left: set[str] = set()
        self.pumps = dict.fromkeys(NAMES, "original")
        self.counts: Counter[str] = Counter()
        self.wrong: list[str] = []
        self.new_log()
        self.write_roster()
        self.ingest(None)

    # ---- what a club does to its files

    def files(self) -> list[Path]:
        return sorted(self.club.logs.rglob("*.csv"))

    def new_log(self) -> None:
        car, day, seed = self.rng.choice(NAMES), self.rng.randrange(1, 29), self.rng.randrange(10**6)
        path = self.club.logs / car / f"2026-07-{day:02d}_{seed}.csv"
        path.parent.mkdir(exist_ok=True)
        (text,) = in_child(lambda tell: tell(self.made.text(seed, pulls=1 + seed % 2))).told
        path.write_text(text, encoding="utf-8")

    def changed_log(self) -> None:
        path = self.rng.choice(self.files())
        lines = path.read_bytes().splitlines(keepends=True)
        path.write_bytes(b"".join(lines[: -self.rng.randrange(1, 40)]))

    def moved_log(self) -> None:
        path = self.rng.choice(self.files())
        target = self.club.logs / self.rng.choice(NAMES) / path.name
        target.parent.mkdir(exist_ok=True)
        path.replace(target)

    def junk(self) -> None:
        (self.club.logs / self.rng.choice(NAMES)).mkdir(exist_ok=True)
        (self.club.logs / self.rng.choice(NAMES) / f"{self.rng.random()}.csv").parent.mkdir(exist_ok=True)
        folder = self.rng.choice([path for path in self.club.logs.iterdir() if path.is_dir()])
        (folder / f"junk {self.rng.randrange(99)}.csv").write_bytes(self.rng.randbytes(300))

    def changed_roster(self) -> None:
        self.pumps[self.rng.choice(NAMES)] = self.rng.choice(["original", "larger"])
        self.write_roster()

    def write_roster(self) -> None:
        rows = "".join(f"{name},2.0 four,{pump}\n" for name, pump in self.pumps.items())
        self.roster.write_text(f"car,engine,pump\n{rows}", encoding="utf-8")

    # ---- commands

    def ingest(self, kill_after_s: float | None) -> Ending:
        return in_child(lambda _: self.club.ingest(), kill_after_s)

    def study(self, kill_after_s: float | None) -> Ending:
        return in_child(_if_any(lambda: self.club.study()), kill_after_s)

    def leave(self, kill_after_s: float | None) -> Ending:
        car = self.rng.choice(NAMES)
        self.left.add(car)
        return in_child(lambda _: forget_car(car, self.club.store) and None, kill_after_s)

    def two_at_once(self, kill_after_s: float | None) -> Ending:
        """An ingest, and within it another that is told to wait, and a study."""

        def act(tell: Tell) -> None:
            pid = os.fork()
            if pid == 0:
                try:
                    self.club.ingest()
                except InputError as problem:
                    os._exit(0 if "another run is writing here" in str(problem) else 1)
                except BaseException:
                    os._exit(1)
                os._exit(0)
            try:
                self.club.ingest()
            except InputError as problem:
                if "another run is writing here" not in str(problem):
                    raise
            _if_any(lambda: self.club.study())(tell)
            assert os.waitpid(pid, 0)[1] == 0, "the other ingest failed"

        return in_child(act, kill_after_s)

    def flipped_bit(self, _: float | None) -> Ending:
        """A bit of a segment flips; the next ingest mends it."""
        files = sorted(self.club.store.glob("segments/*/*.parquet"))
        if files:
            path = self.rng.choice(files)
            content = bytearray(path.read_bytes())
            content[self.rng.randrange(len(content))] ^= 1 << self.rng.randrange(8)
            path.write_bytes(content)
        return self.ingest(None)

    # ---- one step, and the end

    def step(self) -> None:
        for _ in range(self.rng.randrange(3)):
            change = self.rng.choice(
                [self.new_log] * 4 + [self.changed_log, self.moved_log, self.junk, self.changed_roster]
            )
            change()
            self.counts[f"files: {change.__name__}"] += 1
        commands: list[Callable[[float | None], Ending]] = [self.ingest] * 4 + [self.study] * 2 + [self.two_at_once]
        if len(self.left) < 5:
            commands.append(self.leave)
        command = self.rng.choice([*commands, self.flipped_bit])
        kill_after_s = self.rng.random() ** 2 * LONGEST_S if self.rng.random() < KILLED_SHARE else None
        ending = command(kill_after_s)
        self.counts[f"{command.__name__}: {'ended' if ending.is_whole else 'killed'}"] += 1
        if not ending.is_whole and kill_after_s is None:
            self.wrong.append(f"step {sum(self.counts.values())}, {command.__name__}: failed")
        looked = in_child(lambda tell: tell(complaints(self.club.store)))
        found = looked.told[0] if looked.told else ["cannot be looked at"]
        self.wrong += [f"step {sum(self.counts.values())}, {command.__name__}: {one}" for one in found]

    def end(self) -> int:
        """All finished, compared with a new store. How many logs it holds."""
        for car in sorted(self.left):
            in_child(lambda _, car=car: forget_car(car, self.club.store) and None)  # type: ignore[misc]
        self.ingest(None)
        other = Club(self.club.logs, self.roster, self.folder / "new").with_key()
        key = Key(bytes.fromhex("5e" * 32))

        def compare(tell: Tell) -> None:
            other.ingest()
            for car in sorted(self.left):
                forget_car(car, other.store)
            gone = {key.label(car) for car in self.left}
            same = [True, True, True, True, True]
            there = set(Store(other.store).ledger().collect()["source"])
            for number, (one, new) in enumerate(zip(tables(self.club.store), tables(other.store), strict=True)):
                if "source" in one.columns:  # what has gone from the folder stays in the ledger, and is not asked for
                    one = one.filter(one["source"].is_in(there))
                if number < 3:
                    logs = set(new["log"])
                    one = one.filter(one["log"].is_in(logs))
                same[number] = one.equals(new)
                assert "label" not in one.columns or not gone & set(one["label"])
            tell((same, len(there)))

        compared = in_child(compare)
        if not compared.told or not all(compared.told[0][0]):
            self.wrong.append(f"the end: not what a new store holds {compared.told}")
        held = b"".join(path.read_bytes() for path in self.club.store.rglob("*") if path.is_file())
        if any(key.label(car).encode() in held for car in self.left):
            self.wrong.append("the end: a label of somebody who left")
        return compared.told[0][1] if compared.told else 0


def _if_any(study: Callable[[], object]) -> Callable[[Tell], None]:
    """A study, where there is something to study and nothing damaged."""

    def run(_: Tell) -> None:
        try:
            study()
        except Exception as problem:
            if type(problem).__name__ != "NothingToStudyError":
                raise

    return run


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--minutes", type=float, default=10.0)
    parser.add_argument("--steps", type=int, default=0, help="at least so many, however long they take")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--out", type=Path)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        soak = Soak(Path(folder), random.Random(asked.seed))
        end, steps = time.monotonic() + 60 * asked.minutes, 0
        while (time.monotonic() < end or steps < asked.steps) and len(soak.wrong) < 20:
            soak.step()
            steps += 1
            if steps % 50 == 0:
                print(f"{steps} steps, wrong: {soak.wrong}", file=sys.stderr, flush=True)
        logs = soak.end()
        shutil.rmtree(private_folder(soak.club.store))
    result = {
        "made_on": date.today().isoformat(), "seed": asked.seed, "minutes": asked.minutes, "steps": steps,
        "logs_at_the_end": logs, "counts": dict(sorted(soak.counts.items())), "wrong": soak.wrong,
    }  # fmt: skip
    text = json.dumps(result, indent=1)
    print(text)
    if asked.out or not soak.wrong:
        (asked.out or RESULT).write_text(text + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
