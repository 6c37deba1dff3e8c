"""The program among other packages that have a room's name."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

import pumpcensus
from door.own_rooms import ROOMS, strangers

ROOT = Path(pumpcensus.__file__).parent


def start(code: str, first: Path) -> "subprocess.CompletedProcess[str]":
    """Run a line with `first` ahead of the program on Python's path."""
    path = os.pathsep.join(map(str, (first, ROOT)))
    environment = os.environ | {"PYTHONPATH": path}
    return subprocess.run(
        [sys.executable, "-c", code], env=environment, cwd=first, capture_output=True, text=True, check=False
    )


def test_here_all_rooms_are_its_own() -> None:
    assert strangers() == []
    assert {path.parent.name for path in ROOT.glob("*/__init__.py")} == set(ROOMS)


@pytest.mark.parametrize("room", ["ingest", "models", "reports", "synthetic_fleet"])
def test_a_stranger_with_a_rooms_name_is_told_before_anything_runs(room: str, tmp_path: Path) -> None:
    other = tmp_path / room / "__init__.py"
    other.parent.mkdir()
    other.write_text("raise SystemExit('loaded')")
    ending = start(
        "import sys; sys.argv = ['pumpcensus', 'study', '--store', 's']; import pumpcensus; pumpcensus.main()", tmp_path
    )
    assert ending.returncode == 1
    assert ending.stderr.startswith(f"{room}: Python finds {other} instead of pumpcensus's own in {ROOT}. Start it")
    assert ending.stdout == ""
    from_python = start("import pumpcensus; pumpcensus.run_study", tmp_path)
    assert f"ImportError: {room}: Python finds {other}" in from_python.stderr


def test_a_folder_without_code_harms_nothing(tmp_path: Path) -> None:
    (tmp_path / "models").mkdir()
    assert start("import pumpcensus; pumpcensus.run_study", tmp_path).returncode == 0


def test_a_strangers_door_is_told_too(tmp_path: Path) -> None:
    (tmp_path / "door.py").write_text("")
    told = start("import pumpcensus", tmp_path).stderr
    assert "another package called 'door'" in told
    assert "an environment of its own" in told


def test_a_room_that_is_missing_is_named(tmp_path: Path) -> None:
    lines = strangers(tmp_path)
    assert [line.partition(":")[0] for line in lines] == list(ROOMS)
