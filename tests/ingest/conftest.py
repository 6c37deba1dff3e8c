"""The made-up logs of this folder, handed to its tests."""

from pathlib import Path
from types import ModuleType

import pytest
from by_path import load

HERE = Path(__file__).parent


@pytest.fixture(scope="session")
def made_up() -> ModuleType:
    """`made_up_logs.py` of this folder: drive, reading, log."""
    return load(HERE / "made_up_logs.py")


@pytest.fixture(scope="session")
def damaged_logs() -> ModuleType:
    """`damaged_logs.py` of this folder: good_logs, damaged, faults."""
    return load(HERE / "damaged_logs.py")


@pytest.fixture(scope="session")
def dying_disk() -> ModuleType:
    """`dying_disk.py` of this folder: Disk, steps_of, dies_at."""
    return load(HERE / "dying_disk.py")
