"""Short runs of the benchmarks that kill: real processes, real kills, at moments nobody chose."""

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

BENCHMARKS = Path(__file__).parent / "benchmarks"

pytestmark = pytest.mark.skipif(not hasattr(os, "fork"), reason="needs a system that forks")


def result_of(script: str, out: Path, *options: str) -> dict[str, object]:
    command = [sys.executable, str(BENCHMARKS / script), "--out", str(out), "--seed", "3", *options]
    ran = subprocess.run(command, capture_output=True, text=True, check=False, timeout=300)
    assert ran.returncode == 0, ran.stderr
    told: dict[str, object] = json.loads(out.read_text(encoding="utf-8"))
    assert told["wrong"] == [], ran.stderr
    return told


@pytest.mark.slow
def test_four_ingests_killed_at_random_moments(tmp_path: Path) -> None:
    told = result_of("crashes.py", tmp_path / "a.json", "--kills", "4", "--disks", "1", "--cars", "2", "--logs", "2")
    assert int(str(told.get("ingests killed", 0))) >= 2


@pytest.mark.slow
def test_a_short_soak(tmp_path: Path) -> None:
    told = result_of("soak.py", tmp_path / "a.json", "--minutes", "0", "--steps", "5")
    assert told["steps"] == 5
    assert int(str(told["logs_at_the_end"])) > 0


def test_what_is_told_of_the_saved_runs_is_what_they_counted() -> None:
    crashes, soak = (
        json.loads((BENCHMARKS / f"results/{script}.json").read_text(encoding="utf-8"))
        for script in ("crashes", "soak")
    )
    assert crashes["wrong"] == soak["wrong"] == []
    page = (Path(__file__).parents[1] / "docs/performance.md").read_text(encoding="utf-8")
    assert f"after each of {crashes['ingests killed']} kills" in page
    assert f"So did {crashes['studies killed']} killed studies and {crashes['disks that gave out']} disks" in page
    assert f"{crashes['leaves killed']} killed runs of" in page
    killed = sum(count for command, count in soak["counts"].items() if command.endswith(": killed"))
    assert f"ran {soak['steps']} random commands on a store that grew, {killed} of them killed" in page
    assert f"{soak['counts']['flipped_bit: ended']} times with a bit flipped" in page
