"""Many damaged logs through the reader: none may fail, hang, fill the memory or be read in a wrong unit silently.

python tests/benchmarks/fuzz.py [--cases 20000] [--seed 1] [--out FILE]

Good logs of many spellings are damaged at random: bytes, lines and cells (tests/ingest/damaged_logs.py says how).
Each case has a limit of time. Where a log is kept without a finding that the whole one has not, its channels'
usual values are held against the truth.
"""

import argparse
import importlib.util
import random
import resource
import signal
import sys
import time
from collections import Counter
from pathlib import Path

from machine import HOUSE, show

from ingest.read_log import read_log

CASE_S = 5.0
MEMORY_MAX_MB = 300


class TooLongError(Exception):
    """A case took longer than CASE_S."""


def _stop(*_: object) -> None:
    raise TooLongError


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--cases", type=int, default=20_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--out", type=Path)
    asked = parser.parse_args()
    spec = importlib.util.spec_from_file_location("damaged_logs", HOUSE / "tests/ingest/damaged_logs.py")
    assert spec
    assert spec.loader
    damaged_logs = importlib.util.module_from_spec(spec)
    sys.modules["damaged_logs"] = damaged_logs
    spec.loader.exec_module(damaged_logs)

    logs = damaged_logs.good_logs()
    whole = {name: read_log(name, content) for name, content in logs.items()}
    rng, names = random.Random(asked.seed), sorted(logs)
    verdicts: Counter[str] = Counter()
    faults: Counter[str] = Counter()
    slowest_s, shown = 0.0, 0
    signal.signal(signal.SIGALRM, _stop)
    for number in range(asked.cases):
        name = rng.choice(names)
        damage = damaged_logs.random_damage(rng)
        content = damaged_logs.damaged(logs[name], damage)
        signal.setitimer(signal.ITIMER_REAL, CASE_S)
        start = time.perf_counter()
        try:
            found = damaged_logs.faults(name, content, whole[name])
            verdicts[read_log(name, content).refused or "kept"] += 1
        except TooLongError:
            found = ["hung"]
        except Exception as error:
            found = [f"raised: {type(error).__name__}"]
        finally:
            signal.setitimer(signal.ITIMER_REAL, 0)
        slowest_s = max(slowest_s, time.perf_counter() - start)
        for fault in found:
            kind = fault.split(":")[0]
            faults[kind if kind in ("failed", "rows", "hung", "raised") else "wrong unit"] += 1
            if shown < 40:
                shown += 1
                print(f"case {number}, {name}, {[one.kind for one in damage]}: {fault}", file=sys.stderr)
    peak_mb = round(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1000)
    told = {
        "cases": asked.cases,
        "seed": asked.seed,
        "kept": verdicts["kept"],
        "refused": dict(sorted((code, count) for code, count in verdicts.items() if code != "kept")),
        "faults": {kind: faults[kind] for kind in ("failed", "raised", "hung", "rows", "wrong unit")},
        "slowest_s": round(slowest_s, 2),
        "case_limit_s": CASE_S,
        "peak_memory_mb": peak_mb,
        "peak_memory_limit_mb": MEMORY_MAX_MB,
    }
    show(told, asked.out)


if __name__ == "__main__":
    main()
