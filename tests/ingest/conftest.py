"""The made-up logs of this folder, handed to its tests."""

import importlib.util
import sys
from pathlib import Path
from types import ModuleType

import pytest


@pytest.fixture(scope="session")
def made_up() -> ModuleType:
    """`made_up_logs.py` of this folder: drive, reading, log."""
    return _module("made_up_logs")


@pytest.fixture(scope="session")
def damaged_logs() -> ModuleType:
    """`damaged_logs.py` of this folder: good_logs, damaged, faults."""
    return _module("damaged_logs")


@pytest.fixture(scope="session")
def dying_disk() -> ModuleType:
    """`dying_disk.py` of this folder: Disk, steps_of, dies_at."""
    return _module("dying_disk")


def _module(name: str) -> ModuleType:
    spec = importlib.util.spec_from_file_location(name, Path(__file__).with_name(f"{name}.py"))
    assert spec
    assert spec.loader
    module = importlib.util.module_from_spec(spec)
    sys.modules[name] = module  # its dataclasses look there for themselves
    spec.loader.exec_module(module)
    return module
