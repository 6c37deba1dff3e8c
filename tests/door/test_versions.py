"""`--version`: the program's, Python's and the libraries', as an independent look at the environment has them."""

import tomllib
from importlib import import_module
from pathlib import Path

import pytest

import pumpcensus
from door import versions

PROJECT = tomllib.loads((Path(pumpcensus.__file__).parent / "pyproject.toml").read_text(encoding="utf-8"))["project"]


def test_each_library_is_named_with_the_version_it_has() -> None:
    told = dict(line.split(" ", 1) for line in versions.versions_text().splitlines())
    assert told["pumpcensus"] == PROJECT["version"]
    assert {requirement.split(">=")[0] for requirement in PROJECT["dependencies"]} <= set(told)
    for name in ("polars", "duckdb", "numpy", "scipy"):
        assert told[name] == import_module(name).__version__
    assert "extra mdf4" in told["asammdf"]
    assert "pytest" not in told, "a developer's tool"


def test_what_is_not_there_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(versions, "requires", lambda _: ["surely-no-library>=1; extra == 'rare'"])
    assert versions.versions_text().splitlines()[-1] == "surely-no-library not installed (extra rare)"

    def none(_: str) -> str:
        raise versions.PackageNotFoundError

    monkeypatch.setattr(versions, "version", none)
    assert "not installed" in versions.versions_text()
