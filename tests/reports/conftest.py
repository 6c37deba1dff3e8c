"""The invented study, and the page made of it, once for all tests of this folder."""

from pathlib import Path

import pytest
from by_path import load

from models.schemas import Study

_made_up = load(Path(__file__).with_name("made_up_study.py"))


@pytest.fixture(scope="session")
def study() -> Study:
    return _made_up.make_study()


@pytest.fixture(scope="session")
def large_study() -> Study:
    return _made_up.make_study(cars=500, seed=8)


@pytest.fixture
def small_study() -> Study:
    return _made_up.small_study()
