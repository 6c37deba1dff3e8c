"""Wheel and source archive as users get them: everything the program needs, and nothing of the developers'."""

import shutil
import subprocess
import sys
import tarfile
import tomllib
import zipfile
from pathlib import Path

import pytest

import pumpcensus
from door.own_rooms import ROOMS

ROOT = Path(pumpcensus.__file__).parent
COPIED = ("pumpcensus.py", "pyproject.toml", "README.md", "LICENSE", *ROOMS, "tests", "docs")


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with the wheel and the source archive, built from a copy: a build writes beside its sources."""
    folder = tmp_path_factory.mktemp("built")
    copy = folder / "project"
    for name in COPIED:
        path = ROOT / name
        if path.is_dir():
            shutil.copytree(path, copy / name, ignore=shutil.ignore_patterns("__pycache__"))
        else:
            copy.mkdir(exist_ok=True)
            shutil.copy(path, copy / name)
    build = [sys.executable, "-m", "build", "--no-isolation", "--outdir", str(folder), str(copy)]
    ending = subprocess.run(build, capture_output=True, text=True, check=False)
    assert ending.returncode == 0, ending.stdout[-2000:] + ending.stderr[-2000:]
    return folder


def files_of_rooms() -> set[str]:
    paths = (path for room in ROOMS for path in (ROOT / room).rglob("*.*") if path.suffix != ".pyc")
    return {path.relative_to(ROOT).as_posix() for path in paths} | {"pumpcensus.py"}


@pytest.mark.slow
def test_the_wheel_holds_every_file_of_the_rooms_and_nothing_else(built: Path) -> None:
    (wheel,) = built.glob("*.whl")
    assert wheel.name.endswith("-py3-none-any.whl"), "the same one for every system"
    names = set(zipfile.ZipFile(wheel).namelist())
    described = {name for name in names if name.split("/")[0].endswith(".dist-info")}
    assert names - described == files_of_rooms()
    assert any(name.endswith("licenses/LICENSE") for name in described)
    assert not [name for name in names if "test" in name.split("/")[0]]


@pytest.mark.slow
def test_the_source_archive_builds_the_same_wheel(built: Path, tmp_path: Path) -> None:
    (archive,) = built.glob("*.tar.gz")
    with tarfile.open(archive) as packed:
        packed.extractall(tmp_path, filter="data")
    (source,) = tmp_path.iterdir()
    inside = {path.relative_to(source).as_posix() for path in source.rglob("*.*")}
    assert files_of_rooms() | {"pyproject.toml", "README.md"} <= inside


@pytest.mark.slow
def test_the_wheel_says_what_it_needs_and_what_it_starts(built: Path) -> None:
    (wheel,) = built.glob("*.whl")
    packed = zipfile.ZipFile(wheel)
    told = {name.rsplit("/", 1)[-1]: name for name in packed.namelist() if ".dist-info/" in name}
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    metadata = packed.read(told["METADATA"]).decode()
    for requirement in project["dependencies"]:
        assert f"Requires-Dist: {requirement}\n" in metadata
    for extra in project["optional-dependencies"]:
        assert f"Provides-Extra: {extra}\n" in metadata
    assert "pumpcensus = pumpcensus:main" in packed.read(told["entry_points.txt"]).decode()
