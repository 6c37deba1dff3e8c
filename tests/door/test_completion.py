"""Shell completion as the shells ask for it: commands, options, quarters and labels."""

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

import pumpcensus

ROOT = Path(pumpcensus.__file__).parent
CARS = "label,setup\nAB12-CD34,x\nAC00-0000,x\nZZ00-0000,x\n"


def completed(line: str, folder: Path) -> list[str]:
    """What bash is given for the last word of a line."""
    asked = {"_PUMPCENSUS_COMPLETE": "complete_bash", "COMP_WORDS": line, "COMP_CWORD": str(len(line.split(" ")) - 1)}
    ending = subprocess.run(
        [sys.executable, "-m", "pumpcensus"],
        env=os.environ | asked | {"PYTHONPATH": str(ROOT)}, cwd=folder, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert ending.stderr == ""
    return ending.stdout.split()


def a_store(folder: Path) -> None:
    for quarter in ("2026Q2", "2026Q3"):
        (folder / "studies" / quarter).mkdir(parents=True)
    (folder / "studies/2026Q3/cars.csv").write_text(CARS, encoding="utf-8")


def test_commands_and_options_are_completed(tmp_path: Path) -> None:
    assert completed("pumpcensus stu", tmp_path) == ["study"]
    assert completed("pumpcensus study --q", tmp_path) == ["--quarter", "--quiet"]


def test_quarters_and_labels_are_those_of_the_store_named(tmp_path: Path) -> None:
    a_store(tmp_path / "club")
    assert completed("pumpcensus study --store club --quarter 2026", tmp_path) == ["2026Q3", "2026Q2"]
    assert completed("pumpcensus car --store club A", tmp_path) == ["AB12-CD34", "AC00-0000"]
    assert completed("pumpcensus headroom --store club --car Z", tmp_path) == ["ZZ00-0000"]


def test_without_a_store_or_a_study_nothing_is_completed(tmp_path: Path) -> None:
    assert completed("pumpcensus car A", tmp_path) == []
    a_store(tmp_path / "store")
    (tmp_path / "store/studies/2026Q3/cars.csv").unlink()
    assert completed("pumpcensus car A", tmp_path) == []


@pytest.mark.skipif(not shutil.which("bash"), reason="no bash")
def test_bash_takes_the_script(tmp_path: Path) -> None:
    script = subprocess.run(
        [sys.executable, "-m", "pumpcensus", "--show-completion", "bash"],
        env=os.environ | {"PYTHONPATH": str(ROOT), "_TYPER_COMPLETE_TEST_DISABLE_SHELL_DETECTION": "1"},
        cwd=tmp_path, capture_output=True, text=True, check=True,
    )  # fmt: skip
    asked = f"{script.stdout}\ncomplete -p pumpcensus"
    told = subprocess.run(["bash", "-c", asked], capture_output=True, text=True, check=True)
    assert "_pumpcensus_completion pumpcensus" in told.stdout
