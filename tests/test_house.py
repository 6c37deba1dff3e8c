"""The house's own rules: size of files and functions, doors of rooms, tests that mirror rooms."""

import ast
import tomllib
from pathlib import Path

import pytest

import pumpcensus

ROOT = Path(pumpcensus.__file__).parent
ROOMS = ("door", "ingest", "models", "reports", "synthetic_fleet")
CODE = [ROOT / "pumpcensus.py", *(path for room in ROOMS for path in sorted((ROOT / room).rglob("*.py")))]
TESTS = sorted((ROOT / "tests").rglob("*.py"))

FILE_LINES = 400
FUNCTION_LINES = 60  # docstring aside
DOOR_NAMES = 8


def named(path: Path) -> str:
    return str(path.relative_to(ROOT))


def lines_of(function: ast.FunctionDef | ast.AsyncFunctionDef) -> int:
    """Lines of a function without its docstring."""
    first = function.body[0]
    has_docstring = ast.get_docstring(function) is not None
    docstring = (first.end_lineno or 0) - first.lineno + 1 if has_docstring else 0
    return (function.end_lineno or 0) - function.lineno + 1 - docstring


@pytest.mark.parametrize("path", [*CODE, *TESTS], ids=named)
def test_no_file_and_no_function_is_too_long(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    assert len(text.splitlines()) <= FILE_LINES
    functions = (ast.FunctionDef, ast.AsyncFunctionDef)
    long = {
        node.name: lines_of(node)
        for node in ast.walk(ast.parse(text))
        if isinstance(node, functions) and lines_of(node) > FUNCTION_LINES
    }
    assert not long


@pytest.mark.parametrize("room", ROOMS)
def test_a_room_has_a_sign_and_a_small_door(room: str) -> None:
    door = ast.parse((ROOT / room / "__init__.py").read_text(encoding="utf-8"))
    assert ast.get_docstring(door)
    names = [
        ast.literal_eval(node.value)
        for node in door.body
        if isinstance(node, ast.Assign) and getattr(node.targets[0], "id", "") == "__all__"
    ]
    assert len(names[0] if names else []) <= DOOR_NAMES


def test_no_init_file_hides_a_room_from_its_tests() -> None:
    assert not list((ROOT / "tests").rglob("__init__.py"))


def test_every_folder_of_a_room_is_packed() -> None:
    build = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["tool"]["setuptools"]
    folders = {path.parent for room in ROOMS for path in (ROOT / room).rglob("*.*") if path.suffix != ".pyc"}
    assert {".".join(folder.relative_to(ROOT).parts) for folder in folders} <= set(build["packages"])
    endings = {f"*{path.suffix}" for folder in folders for path in folder.glob("*.*")}
    assert endings - {"*.py"} <= set(build["package-data"]["*"])
