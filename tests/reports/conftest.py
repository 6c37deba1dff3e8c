"""The invented study, and the page made of it, once for all tests of this folder."""

import importlib.util
from pathlib import Path
from types import ModuleType

import pytest

from models.schemas import Study


def _load(path: Path) -> ModuleType:
    # by path: a package called "tests" may stand elsewhere on sys.path
    spec = importlib.util.spec_from_file_location(path.stem, path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


_made_up = _load(Path(__file__).with_name("made_up_study.py"))


@pytest.fixture(scope="session")
def study() -> Study:
    return _made_up.make_study()


@pytest.fixture(scope="session")
def large_study() -> Study:
    return _made_up.make_study(cars=500, seed=8)


@pytest.fixture
def small_study() -> Study:
    return _made_up.small_study()
