"""The made-up logs of this folder, handed to its tests."""

import importlib.util
from pathlib import Path
from types import ModuleType

import pytest


@pytest.fixture(scope="session")
def made_up() -> ModuleType:
    """`made_up_logs.py` of this folder: drive, reading, log."""
    spec = importlib.util.spec_from_file_location("made_up_logs", Path(__file__).with_name("made_up_logs.py"))
    assert spec
    assert spec.loader
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module
