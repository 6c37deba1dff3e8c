"""A module of the tests by its path: a package called "tests", or a namesake of a room, may stand on sys.path."""

import importlib.util
import sys
from pathlib import Path
from types import ModuleType


def load(path: Path) -> ModuleType:
    """The module in a file, made anew."""
    spec = importlib.util.spec_from_file_location(path.stem, path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[path.stem] = module  # its dataclasses look there for themselves
    spec.loader.exec_module(module)
    return module
