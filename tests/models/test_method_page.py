"""docs/method.md against the code: each limit it names is the one that counts."""

import importlib
import inspect
import re
from pathlib import Path
from typing import Any

import pytest

import models
from models.drill import SHAPES, SIZES_PCT, faults
from models.evidence import templates

PAGE = (Path(models.__file__).parent.parent / "docs" / "method.md").read_text(encoding="utf-8")
LIMITS = re.findall(r"^\| `([\w.]+)` \| ([\d.]+) \|", PAGE, flags=re.MULTILINE)


def default(name: str) -> Any:
    """The value of a module's constant, a class's field or a function's parameter, as `file.Class.field`."""
    file, *path = name.split(".")
    found = getattr(importlib.import_module(f"models.{file}"), path[0])
    if len(path) == 1:
        return found
    return (
        found.__dataclass_fields__[path[1]].default
        if inspect.isclass(found)
        else (inspect.signature(found).parameters[path[1]].default)
    )


@pytest.mark.parametrize(("name", "value"), LIMITS, ids=[name for name, _ in LIMITS])
def test_a_limit_on_the_page_is_the_codes(name: str, value: str) -> None:
    assert float(value) == float(default(name))


def test_the_page_names_many_limits() -> None:
    assert len(LIMITS) > 30


def test_the_tests_and_their_weights_are_the_codes() -> None:
    rows = re.findall(r"^\| (\w+) \| [^|]* \| ([\d.]+) \|$", PAGE, flags=re.MULTILINE)
    assert [(name, float(weight)) for name, weight in rows] == [(shape.name, shape.weight) for shape in templates()]


def test_the_planted_faults_are_the_drills() -> None:
    told = re.findall(r"^\| `(\w+)` \| [^|]* \|$", PAGE.split("## Drill")[1].split("\n## ")[0], flags=re.MULTILINE)
    assert set(told) == {fault.name for fault in faults()} == {*SHAPES, "dropouts"}
    *first, last = (f"{size:.0f}" for size in SIZES_PCT)
    assert f"Sizes are {', '.join(first)} and {last} % of volume" in PAGE


@pytest.mark.parametrize("word", ["action", "warning", "clear", "undecided", "rail_short", "reached", "unknown"])
def test_every_word_is_explained(word: str) -> None:
    assert f"`{word}`" in PAGE
